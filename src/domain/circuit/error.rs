//! What can be wrong with a circuit, each error naming its node, line or element.
//!
//! Place in the data's path: netlists, the solver, the builder and the fault edits return these;
//! the command line prints them. A circuit that cannot be solved is never answered with numbers.

use super::FaultError;
use crate::units::{Place, Terminal};

/// A circuit that cannot be built or solved.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CircuitError {
    /// No node was named as the reference, so that no tension is defined.
    #[error("the netlist has no reference node")]
    NoReference,
    /// A part of the circuit has no path to the reference.
    #[error("node {node} floats: nothing joins it to the reference {reference}")]
    Floating {
        /// One node of the floating part.
        node: String,
        /// The reference.
        reference: String,
    },
    /// A supply has no path to the reference.
    #[error("supply {element} floats: nothing joins its node {node} to the reference {reference}")]
    FloatingSupply {
        /// The supply.
        element: String,
        /// One node of the floating part.
        node: String,
        /// The reference.
        reference: String,
    },
    /// The admittances at a node cancel: a lossless resonance.
    #[error("the circuit is singular at node {node}: its admittances cancel (lossless resonance)")]
    Singular {
        /// The node.
        node: String,
    },
    /// A value that no such part can have.
    #[error("{what}: {value} is outside physics; expected {expected}")]
    OutsidePhysics {
        /// The element or the key.
        what: String,
        /// The value as given.
        value: f64,
        /// What would be accepted.
        expected: &'static str,
    },
    /// A node that the netlist does not have.
    #[error("there is no node {node} in this circuit")]
    UnknownNode {
        /// The node asked for.
        node: String,
    },
    /// A line that is not wired at that place.
    #[error("there is no terminal {terminal} at the {place} here; terminals there: {known}")]
    NotThere {
        /// The terminal asked for.
        terminal: Terminal,
        /// The place asked for.
        place: Place,
        /// The terminals of that place.
        known: String,
    },
    /// A fault that makes no sense in this circuit.
    #[error(transparent)]
    Fault(#[from] FaultError),
}

impl CircuitError {
    pub(super) fn outside(what: impl Into<String>, value: f64, expected: &'static str) -> Self {
        Self::OutsidePhysics {
            what: what.into(),
            value,
            expected,
        }
    }
}
