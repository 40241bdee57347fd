//! The state of an output, as expected and as observed.
//!
//! Place in the data's path: expected states come from the truth table, observed ones from
//! measurement; the verdict compares the two. Neither judges by itself.

use serde::{Deserialize, Serialize};
use std::fmt;

/// What a line must be in a call.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Expected {
    /// Dead.
    Off,
    /// Either state is right.
    Either,
    /// Live.
    On,
}

/// What a line was seen to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Observed {
    /// Live.
    On,
    /// Dead.
    Off,
    /// Read, but between the bands or floating: neither on nor off.
    Indeterminate,
    /// Not read.
    NotMeasured,
}

impl Expected {
    /// The word used on screens and in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::On => "on",
            Self::Off => "off",
            Self::Either => "either",
        }
    }
}

impl Observed {
    /// The word used on screens and in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::On => "on",
            Self::Off => "off",
            Self::Indeterminate => "indeterminate",
            Self::NotMeasured => "not-measured",
        }
    }
}

impl fmt::Display for Expected {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl fmt::Display for Observed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}
