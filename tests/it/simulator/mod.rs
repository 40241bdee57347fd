//! The simulated bench, asked in bytes over in-memory streams in virtual time.

mod bench;
mod devices;
mod link_faults;
mod outside;
mod protocol;
mod wiring;
