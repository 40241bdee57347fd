//! The control circuit as a circuit: what can go wrong in it, and what then reads where.

mod element;
mod error;
mod fault;
mod netlist;
mod solver;

pub use element::ElementKind;
pub use error::CircuitError;
pub use fault::{Fault, FaultError, FaultKind};
pub use netlist::{Element, ElementId, Netlist, NodeId};
