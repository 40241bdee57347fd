//! The sound wiring, as bench and profile together describe it.
//!
//! Place in the data's path: made once from [`BenchMap`] and [`Profile`]; contact faults are
//! edits of it. It holds no fault and no state; the conductors are the circuit's.

use crate::domain::bench_map::{BenchMap, Rail, UnderTest};
use crate::domain::circuit::{Fault, FaultError};
use crate::domain::profile::Profile;
use crate::units::Terminal;
use std::collections::{BTreeMap, BTreeSet};

/// The lines, and what drives them.
#[derive(Debug, Clone)]
pub(super) struct Wiring {
    /// Call lines, each a conductor between the two ends.
    pub(super) lines: BTreeSet<Terminal>,
    /// For each line that the bench's relay, a room controller's output or a person's jumper puts
    /// on a supply, that supply.
    pub(super) commons: BTreeMap<Terminal, Rail>,
    /// The terminal that carries the common.
    pub(super) common: Terminal,
    /// Lines that run the compressor.
    pub(super) compressor: BTreeSet<Terminal>,
    /// The reversing valve's line (O/B).
    pub(super) changeover: Option<Terminal>,
}

impl Wiring {
    /// The wiring of this bench for this equipment.
    pub(super) fn of(bench: &BenchMap, profile: &Profile) -> Self {
        let common = profile.common_on().clone();
        let lines: BTreeSet<Terminal> = bench
            .lines
            .keys()
            .filter(|terminal| !terminal.is_supply() && **terminal != common)
            .cloned()
            .collect();
        let is_controller = bench.under_test == UnderTest::Controller;
        let no_relay = bench.lines.values().all(|line| line.drive.is_none());
        let commons = if is_controller || no_relay {
            let outputs = lines.iter().filter(|line| !profile.is_input(line));
            outputs
                .map(|line| (line.clone(), Rail::usual_for(line)))
                .collect()
        } else {
            let drives = bench.lines.iter().filter_map(|(terminal, line)| {
                let drive = line.drive.as_ref()?;
                Some((terminal.clone(), drive.common))
            });
            drives.collect()
        };
        let stages = usize::from(profile.compressor_stages());
        let compressor = ["Y1", "Y2"].into_iter().take(stages);
        Self {
            commons,
            common,
            compressor: compressor.map(Terminal::known).collect(),
            changeover: profile.changeover().map(|c| c.terminal()),
            lines,
        }
    }
}

/// A fault that this simulator cannot set, with the reason.
pub(super) fn refuse(fault: &Fault, reason: impl Into<String>) -> FaultError {
    FaultError {
        given: fault.to_string(),
        reason: reason.into(),
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    fn set(names: &[&'static str]) -> BTreeSet<Terminal> {
        names.iter().copied().map(Terminal::known).collect()
    }

    /// The one-stage heat pump with electric auxiliary heat and O, fed from the equipment.
    pub(in crate::sim) fn heat_pump() -> Wiring {
        let lines = set(&["Y1", "G", "O", "W2", "E"]);
        let rail = |terminal: &Terminal| match terminal.as_str() {
            "W2" | "E" => Rail::Rh,
            _ => Rail::Rc,
        };
        Wiring {
            commons: lines.iter().map(|t| (t.clone(), rail(t))).collect(),
            lines,
            common: Terminal::known("C"),
            compressor: set(&["Y1"]),
            changeover: Some(Terminal::known("O")),
        }
    }
}
