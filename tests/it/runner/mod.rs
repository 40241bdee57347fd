//! The runner over simulated benches: signatures, sweeps, misbehaving peers, ends of every kind.

mod ends;
mod harness;
mod misbehaving;
mod real_loads;
mod signatures;
mod sweep;
