//! The plan of a run: its steps, what each drives, what each line must be, and what senses it.
//!
//! Place in the data's path: made from the profile, its truth table and the bench map before
//! anything is opened; the runner follows it, and it is written whole into the journal's first
//! event, so that a report never needs the files again. Planning opens nothing and reads no clock.

use super::Call;
use super::bench_map::{BenchTiming, Loads, Rail, RelayAt, SenseMeans, UnderTest};
use super::profile::Changeover;
use super::truth_table::Cell;
use crate::units::{End, Milliseconds, Quantity, Terminal};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What a sense point looks at.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Target {
    /// A line against the common of the same end.
    Line(Terminal),
    /// A supply terminal against the common of the same end.
    Supply(Rail),
    /// Two terminals against each other.
    Pair(Terminal, Terminal),
}

impl std::fmt::Display for Target {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Line(terminal) => write!(f, "{terminal}"),
            Self::Supply(rail) => write!(f, "{rail} to C"),
            Self::Pair(a, b) => write!(f, "{a} to {b}"),
        }
    }
}

/// One point that is read, with what reads it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SensePoint {
    /// What is looked at.
    pub target: Target,
    /// At which end.
    pub end: End,
    /// Which quantity.
    pub quantity: Quantity,
    /// By what.
    pub means: SenseMeans,
}

/// One line that the bench drives.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlannedDrive {
    /// The line.
    pub terminal: Terminal,
    /// Its relay.
    pub relay: RelayAt,
    /// The supply on the relay's common.
    pub common: Rail,
}

/// One step: a call made once.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlannedStep {
    /// Its number in the run, from 1.
    pub number: u32,
    /// The call.
    pub call: Call,
    /// The lines whose relays close, in the order in which they close.
    pub drive: Vec<Terminal>,
    /// What every line must be; lines of the profile and lines that only the bench has.
    pub cells: BTreeMap<Terminal, Cell>,
    /// From the last relay's closing to the first reading.
    pub settle_ms: Milliseconds,
    /// From the relays' opening to the release check.
    pub release_ms: Milliseconds,
}

/// The changeover rule that the run is to show.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlannedChangeover {
    /// The convention.
    pub convention: Changeover,
    /// The line that carries it.
    pub terminal: Terminal,
}

/// A call of the table that the run does not make.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CallLeftOut {
    /// The call.
    pub call: Call,
    /// Why: it does not apply, or it was not asked for.
    pub why: String,
    /// Whether this equipment knows the call at all.
    pub applicable: bool,
}

/// Everything that a run does, resolved.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// What is being proven.
    pub under_test: UnderTest,
    /// What hangs on the lines.
    pub loads: Loads,
    /// Every line that is judged, in the order of the strip.
    pub lines: Vec<Terminal>,
    /// What drives them.
    pub drives: Vec<PlannedDrive>,
    /// What senses them and the supply.
    pub sense_points: Vec<SensePoint>,
    /// The steps, in order.
    pub steps: Vec<PlannedStep>,
    /// The changeover rule, where the profile has one.
    pub changeover: Option<PlannedChangeover>,
    /// Calls that are not made.
    pub left_out: Vec<CallLeftOut>,
    /// What this bench cannot prove, in a person's words.
    pub not_proven: Vec<String>,
    /// Waits and samples.
    pub timing: BenchTiming,
}
