//! The control circuit as a circuit: what can go wrong in it, and what then reads where.

mod fault;

pub use fault::{Fault, FaultError, FaultKind};
