//! The runner over simulated benches: signatures, sweeps, misbehaving peers, ends of every kind.

mod harness;
mod signatures;
mod sweep;
