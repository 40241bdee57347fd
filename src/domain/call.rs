//! What is asked of the equipment.
//!
//! Place in the data's path: the truth table has a row for each call, and the plan a step. A call
//! says nothing of lines: that is the profile's and the truth table's.

use crate::units::Terminal;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// One thing asked of the equipment.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum Call {
    /// Nothing is asked.
    Idle,
    /// One line by itself.
    Alone(Terminal),
    /// The fan without heating or cooling.
    FanOnly,
    /// Cooling at the given stage, 1 or 2.
    Cooling(u8),
    /// Heating at the given stage, 1 or 2.
    Heating(u8),
    /// Auxiliary heat at the given stage, 1 or 2.
    AuxiliaryHeat(u8),
    /// Emergency heat: the compressor is locked out.
    EmergencyHeat,
    /// Defrost: the equipment's own doing; observed, never driven.
    Defrost,
}

/// A call's name that is not one, with the names that are.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "'{given}' is not a call; expected one of {}, defrost, or alone:LINE",
    Call::table_names()
)]
pub struct UnknownCall {
    /// What was given.
    pub given: String,
}

impl Call {
    /// The calls of the truth table, in the order in which a table and a run list them.
    pub const TABLE: [Self; 9] = [
        Self::Idle,
        Self::FanOnly,
        Self::Cooling(1),
        Self::Cooling(2),
        Self::Heating(1),
        Self::Heating(2),
        Self::AuxiliaryHeat(1),
        Self::AuxiliaryHeat(2),
        Self::EmergencyHeat,
    ];

    fn table_names() -> String {
        Self::TABLE.map(|call| call.to_string()).join(", ")
    }

    /// Whether the compressor is asked to cool.
    #[must_use]
    pub fn is_cooling(&self) -> bool {
        matches!(self, Self::Cooling(_))
    }

    /// Through how many smaller stages, at the most, a room controller may go before this one.
    #[must_use]
    pub fn smaller_stages(&self) -> u8 {
        match self {
            Self::Cooling(stage) | Self::Heating(stage) => stage.saturating_sub(1),
            // Both compressor stages, then the auxiliary stages.
            Self::AuxiliaryHeat(stage) => 1 + stage,
            _ => 0,
        }
    }

    /// Whether heat of any kind is asked for.
    #[must_use]
    pub fn is_heat(&self) -> bool {
        matches!(
            self,
            Self::Heating(_) | Self::AuxiliaryHeat(_) | Self::EmergencyHeat
        )
    }
}

impl fmt::Display for Call {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = match self {
            Self::Idle => "idle".to_owned(),
            Self::Alone(line) => format!("alone:{line}"),
            Self::FanOnly => "fan-only".to_owned(),
            Self::Cooling(stage) => format!("cooling-{stage}"),
            Self::Heating(stage) => format!("heating-{stage}"),
            Self::AuxiliaryHeat(1) => "auxiliary-heat".to_owned(),
            Self::AuxiliaryHeat(stage) => format!("auxiliary-heat-{stage}"),
            Self::EmergencyHeat => "emergency-heat".to_owned(),
            Self::Defrost => "defrost".to_owned(),
        };
        f.pad(&name)
    }
}

impl FromStr for Call {
    type Err = UnknownCall;

    fn from_str(name: &str) -> Result<Self, UnknownCall> {
        let unknown = || UnknownCall {
            given: name.to_owned(),
        };
        if let Some(line) = name.strip_prefix("alone:") {
            return Terminal::new(line).map(Self::Alone).map_err(|_| unknown());
        }
        if name == "defrost" {
            return Ok(Self::Defrost);
        }
        Self::TABLE
            .into_iter()
            .find(|call| call.to_string() == name)
            .ok_or_else(unknown)
    }
}

impl TryFrom<String> for Call {
    type Error = UnknownCall;
    fn try_from(name: String) -> Result<Self, UnknownCall> {
        name.parse()
    }
}

impl From<Call> for String {
    fn from(call: Call) -> Self {
        call.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_reads_back() {
        let mut calls = Call::TABLE.to_vec();
        calls.push(Call::Defrost);
        calls.push(Call::Alone(Terminal::known("Y1")));
        for call in calls {
            assert_eq!(call.to_string().parse(), Ok(call));
        }
    }

    #[test]
    fn auxiliary_heat_comes_after_every_compressor_stage() {
        let smaller = Call::TABLE.map(|call| call.smaller_stages());
        // idle, fan, cooling 1 and 2, heating 1 and 2, auxiliary 1 and 2, emergency.
        assert_eq!(smaller, [0, 0, 0, 1, 0, 1, 2, 3, 0]);
    }

    #[test]
    fn an_unknown_name_lists_the_known_ones() {
        let error = "cool".parse::<Call>().expect_err("not a call");
        assert!(
            error.to_string().contains("fan-only, cooling-1, cooling-2"),
            "{error}"
        );
    }
}
