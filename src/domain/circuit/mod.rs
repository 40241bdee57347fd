//! The control circuit as a circuit: what can go wrong in it, and what then reads where.
//!
//! Place in the data's path: a profile, a bench and values give a [`Circuit`]; faults are edits of
//! it; solved for a set of closed contacts it says every tension, current and load
//! ([`Solution`]). Simulator, diagnosis, practice and supply budget all ask this one model. It
//! draws no tolerances and knows no instrument's errors: whoever asks changes the values.

mod band;
mod budget;
mod build;
mod build_parts;
pub mod class2;
mod coil;
pub mod conductor;
mod defrost;
mod document;
mod element;
mod elimination_order;
mod error;
mod fault;
mod fault_edit;
mod fault_edit_parts;
mod fault_meaning;
mod layout;
mod level;
mod model;
mod netlist;
mod part_values;
mod probe;
mod signature;
mod solution;
mod solver;
mod spice;
mod supply_values;
mod values;

pub use band::{Band, Tolerances, bands};
pub use budget::{Budget, CallBudget, LoadBudget, LongestRun, SupplyBudget};
pub use class2::Class2Finding;
pub use coil::{CoilValues, PICK_UP, RATED};
pub use document::{BranchDocument, CircuitDocument, LoadDocument, NodeDocument, SupplyDocument};
pub use element::ElementKind;
pub use error::CircuitError;
pub use fault::{Fault, FaultError, FaultKind};
pub use fault_meaning::FaultMeaning;
pub use level::values_at_level;
pub use model::{Circuit, CircuitState, ClosedContacts};
pub use netlist::{Element, ElementId, Netlist, NodeId};
pub use part_values::{CableValues, ContactValues, FaultValues, SolidStateValues};
pub use probe::{Point, Probe, ProbeReading};
pub use signature::CallVolts;
pub use solution::{LoadReading, LoadState, Solution, SupplyReading};
pub use supply_values::{HeatingSupply, Protection, SupplyValues};
pub use values::CircuitValues;
