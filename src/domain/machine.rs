//! The machines that lines call, as a person at the equipment can tell them apart.
//!
//! Place in the data's path: the plan says which line calls which machine and which may run in a
//! step; a question names them, and the answer is compared with the plan. A machine's function
//! comes from the profile's line roles, never from a letter.

use super::profile::{LineRole, file_words};
use crate::units::Terminal;
use serde::{Deserialize, Serialize};
use std::fmt;

/// One machine, or one coil that can be heard or felt.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Machine {
    /// The indoor blower.
    Fan,
    /// The compressor.
    Compressor,
    /// The compressor's second stage.
    SecondStage,
    /// Electric strips, burner or boiler.
    Heat,
    /// The second stage of that heat.
    SecondHeat,
    /// The reversing valve's coil (O/B).
    Valve,
    /// Whatever hangs on a line that calls none of the above.
    On(Terminal),
    /// Whatever hangs on a line that the profile lacks.
    Other,
}

impl Machine {
    /// The machine that a line of this role calls.
    #[must_use]
    pub fn of(line: &Terminal, role: LineRole) -> Self {
        match role {
            LineRole::Compressor(1) | LineRole::HeatPumpHeat => Self::Compressor,
            LineRole::Compressor(_) => Self::SecondStage,
            LineRole::Fan => Self::Fan,
            LineRole::ReversingValve => Self::Valve,
            LineRole::Heat(1) | LineRole::EmergencyOnly => Self::Heat,
            LineRole::Heat(_) => Self::SecondHeat,
            LineRole::Accessory(_) | LineRole::Unused => Self::On(line.clone()),
        }
    }

    /// What a person who stands beside it knows it by.
    #[must_use]
    pub fn meaning(&self) -> String {
        match self {
            Self::Fan => "the indoor blower".to_owned(),
            Self::Compressor => "the outdoor unit's compressor, or its contactor".to_owned(),
            Self::SecondStage => "the compressor's second stage".to_owned(),
            Self::Heat => "electric strips, burner or boiler, their first stage".to_owned(),
            Self::SecondHeat => "the second stage of that heat".to_owned(),
            Self::Valve => "the reversing valve's coil (O/B), by its click or hum".to_owned(),
            Self::On(line) => format!("what hangs on {line}"),
            Self::Other => "anything else that the control wiring could start".to_owned(),
        }
    }

    /// Whether it is a compressor or a part of one.
    #[must_use]
    pub fn is_compressor(&self) -> bool {
        matches!(self, Self::Compressor | Self::SecondStage)
    }

    /// Whether it heats without the compressor.
    #[must_use]
    pub fn is_heat(&self) -> bool {
        matches!(self, Self::Heat | Self::SecondHeat)
    }
}

impl fmt::Display for Machine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Fan => "fan",
            Self::Compressor => "compressor",
            Self::SecondStage => "second-stage",
            Self::Heat => "heat",
            Self::SecondHeat => "second-heat",
            Self::Valve => "valve",
            Self::On(line) => line.as_str(),
            Self::Other => "other",
        })
    }
}

file_words!(
    /// What the supply air does while a compressor runs.
    Warmth {
        /// It gets colder.
        Colder = "colder",
        /// It gets warmer.
        Warmer = "warmer",
        /// It cannot be told.
        Unclear = "unclear",
    }
);
