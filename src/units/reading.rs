//! What a device said of one value, before anything is concluded from it.
//!
//! Place in the data's path: drivers make these, the runner turns them into readings with their
//! uncertainty. A value that is overloaded or not a number stays what it is.

use serde::{Deserialize, Serialize};

/// The kind of quantity that was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// A digital input: present or absent, no value.
    Presence,
    /// Alternating tension, rms.
    AcVolts,
    /// Resistance.
    Resistance,
    /// Alternating current, rms.
    AcAmps,
    /// What a person saw or heard.
    Observation,
}

impl Quantity {
    /// The unit's symbol; empty for presence and observation.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::Presence | Self::Observation => "",
            Self::AcVolts => "V",
            Self::Resistance => "ohm",
            Self::AcAmps => "A",
        }
    }
}

/// The states of all of a device's digital inputs, read in one request; index = input address.
pub type InputSample = Vec<bool>;

/// What a meter answered.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MeterValue {
    /// A finite value in the unit that was asked for.
    Value(f64),
    /// Beyond the range: 9.9E37 in SCPI-99 (vol. 1, 7.2.1.1).
    Overload,
    /// Not a number: 9.91E37 in SCPI-99 (vol. 1, 7.2.1.1).
    NotANumber,
}
