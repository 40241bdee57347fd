//! The runner over simulated benches: signatures, sweeps, misbehaving peers, ends of every kind.

mod controller_supply;
mod controllers;
mod ends;
mod fault_pairs;
mod harness;
mod misbehaving;
mod real_loads;
mod self_test;
mod signatures;
mod sweep;
