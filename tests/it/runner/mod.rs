//! The runner over simulated benches: signatures, sweeps, misbehaving peers, ends of every kind.

mod controllers;
mod ends;
mod harness;
mod misbehaving;
mod signatures;
mod sweep;
