//! The Modbus codec against the published examples, against every damaged form of a frame, and
//! against an independent implementation in both roles.

mod frames;
mod replies;
mod tcp;
