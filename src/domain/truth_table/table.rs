//! The truth table: rows of cells, made once from a profile.
//!
//! Place in the data's path: the one value that leaves this module. It keeps what the two rows
//! outside the table need (`alone:` and `defrost`), so that nobody has to carry the profile along.

use super::cells::line_cell;
use super::demand::{Demand, demand};
use super::{invariants, ties};
use crate::domain::{Call, Expected, Profile};
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
    /// to drive. Accessories that the equipment drives are never among them.
    pub demanded: BTreeSet<Terminal>,
}

/// All rows of one profile.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TruthTable {
    rows: Vec<Row>,
    lines: Vec<Terminal>,
    invariants: Vec<String>,
    defrost: Row,
    tied: Vec<BTreeSet<Terminal>>,
    inputs: BTreeSet<Terminal>,
}

impl TruthTable {
    /// The table that the profile demands.
    #[must_use]
    pub fn of(profile: &Profile) -> Self {
        let lines: Vec<Terminal> = profile.lines().into_keys().collect();
        let inputs = lines
            .iter()
            .filter(|line| profile.is_input(line))
            .cloned()
            .collect();
        Self {
            rows: Call::TABLE.iter().map(|call| row(profile, call)).collect(),
            lines,
            invariants: invariants::of(profile),
            defrost: row(profile, &Call::Defrost),
            tied: profile.tied().to_vec(),
            inputs,
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

    /// The row in which one line is energised by itself: it and the lines joined to it are on, and
    /// everything else is dead, an accessory that is energised at rest included. It does not apply
    /// where there is no such line or where the equipment drives it.
    #[must_use]
    pub fn alone_row(&self, line: &Terminal) -> Row {
        let call = Call::Alone(line.clone());
        if !self.lines.contains(line) {
            return not_applicable(call, format!("there is no line {line}"));
        }
        if self.inputs.contains(line) {
            let why = format!("{line} is driven by the equipment and never by a bench");
            return not_applicable(call, why);
        }
        ties::alone_row(line, &self.lines, &self.tied)
    }

    /// What is seen while the equipment defrosts by itself. A bench demands nothing new for it:
    /// `demanded` holds the lines of the heat call that goes on.
    #[must_use]
    pub fn defrost_row(&self) -> &Row {
        &self.defrost
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

fn not_applicable(call: Call, why_not: String) -> Row {
    Row {
        call,
        applicable: false,
        why_not,
        cells: BTreeMap::new(),
        demanded: BTreeSet::new(),
    }
}

fn row(profile: &Profile, call: &Call) -> Row {
    let demand = match demand(profile, call) {
        Ok(demand) => demand,
        Err(why_not) => return not_applicable(call.clone(), why_not),
    };
    let mut cells = own_cells(profile, call, &demand);
    let fed_by_equipment = |line: &Terminal| {
        profile.is_input(line)
            || (*call == Call::Defrost && profile.auxiliary_lines().contains(line))
    };
    let demanded = cells
        .iter()
        .filter(|(line, cell)| cell.expected == Expected::On && !fed_by_equipment(line))
        .map(|(line, _)| line.clone())
        .collect();
    ties::follow(&mut cells, profile.tied());
    Row {
        call: call.clone(),
        applicable: true,
        why_not: String::new(),
        cells,
        demanded,
    }
}

/// One cell for every line, before ties.
pub(super) fn own_cells(
    profile: &Profile,
    call: &Call,
    demand: &Demand,
) -> BTreeMap<Terminal, Cell> {
    profile
        .lines()
        .into_iter()
        .map(|(line, role)| {
            let cell = line_cell(profile, call, demand, (&line, role));
            (line, cell)
        })
        .collect()
}
