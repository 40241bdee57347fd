//! What a bench supplies a room controller with, as an event's fields.
//!
//! Place in the data's path: a part of [`EventKind`](super::EventKind), recorded once the relays
//! were read back; the fold keeps from it when the supply was cut.

use crate::units::Volts;
use serde::{Deserialize, Serialize};

/// What a room controller is supplied with from now on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Supplied {
    /// The bench's usual supply.
    Usual,
    /// Another level of it.
    Level {
        /// Its name.
        name: String,
        /// R to C with no output on.
        volts: Volts,
    },
    /// Nothing: the supply is cut.
    Nothing,
}

/// The bench changed what it supplies a room controller with; the relays were read back.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SupplySet {
    /// The step's number.
    pub step: u32,
    /// What it is supplied with from now on.
    pub to: Supplied,
}
