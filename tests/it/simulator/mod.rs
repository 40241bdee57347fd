//! The simulated bench, asked in bytes over in-memory streams in virtual time.

mod bench;
mod devices;
mod instruments;
mod link_faults;
mod outside;
mod patterns;
mod protocol;
mod wiring;
