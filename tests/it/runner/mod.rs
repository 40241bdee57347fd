//! The runner over simulated benches: signatures, sweeps, misbehaving peers, ends of every kind.

mod controllers;
mod ends;
mod harness;
mod misbehaving;
mod self_test;
mod signatures;
mod sweep;
