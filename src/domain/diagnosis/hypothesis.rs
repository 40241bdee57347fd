//! Every single fault of the family, compared with what was seen.
//!
//! A hypothesis is kept where its pattern agrees with every reading of every step. All that are
//! kept form one group: these readings cannot tell them apart (an ambiguity group, IEEE 1522).

use super::confirm::confirm;
use super::evidence::{Evidence, ObservedStep, ValveEffect};
use super::pattern::pattern;
use crate::domain::circuit::{Fault, FaultKind};
use crate::units::{Place, Terminal};
use std::collections::BTreeSet;

/// What the comparison came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Conclusion {
    /// Everything that was judged is right.
    Healthy,
    /// At least one single fault explains every reading.
    Fault,
    /// No single fault of the family does, or too little was read.
    Undetermined,
}

/// Faults that these readings cannot tell apart.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// The faults, in the grammar's order.
    pub suspects: Vec<Fault>,
    /// How to tell them apart at the bench.
    pub confirm: String,
}

/// A run's diagnosis.
#[derive(Debug, Clone, PartialEq)]
pub struct Diagnosis {
    /// What it came to.
    pub conclusion: Conclusion,
    /// Groups, the likeliest first; at most one as long as single faults are compared.
    pub groups: Vec<Group>,
}

/// Compares every single fault with the evidence.
#[must_use]
pub fn diagnose(evidence: &Evidence) -> Diagnosis {
    let undetermined = Diagnosis {
        conclusion: Conclusion::Undetermined,
        groups: Vec::new(),
    };
    if evidence.all_right {
        return Diagnosis {
            conclusion: Conclusion::Healthy,
            groups: Vec::new(),
        };
    }
    if evidence.far_common_dead {
        let suspects = vec![fault(FaultKind::Open, &[Terminal::known("C")])];
        return found(evidence, suspects);
    }
    let anything_seen = evidence
        .steps
        .iter()
        .any(|step| step.collapsed || !step.seen.is_empty());
    if !anything_seen {
        return undetermined;
    }
    if agrees(evidence, None) {
        let suspects = behind_the_air(evidence);
        return if suspects.is_empty() {
            undetermined
        } else {
            found(evidence, suspects)
        };
    }
    let suspects: Vec<Fault> = family(evidence)
        .into_iter()
        .filter(|fault| agrees(evidence, Some(fault)))
        .collect();
    if suspects.is_empty() {
        undetermined
    } else {
        found(evidence, suspects)
    }
}

/// Every line is as it should be, and the supply air is not: what the equipment makes of its valve
/// line is wrong, or the line does not reach the valve's coil. A mechanically stuck valve is no
/// fault of the wiring, and has no name here.
fn behind_the_air(evidence: &Evidence) -> Vec<Fault> {
    let Some(valve) = &evidence.changeover else {
        return Vec::new();
    };
    match evidence.valve_effect {
        Some(ValveEffect::Inverted) => {
            let inverted = fault(FaultKind::InvertedChangeover, &[]);
            vec![inverted.at(Place::Equipment)]
        }
        Some(ValveEffect::NeverActs) => [FaultKind::Open, FaultKind::CoilOpen]
            .map(|kind| fault(kind, std::slice::from_ref(valve)))
            .to_vec(),
        Some(ValveEffect::AlwaysActs | ValveEffect::Follows) | None => Vec::new(),
    }
}

fn found(evidence: &Evidence, suspects: Vec<Fault>) -> Diagnosis {
    let confirm = confirm(evidence, &suspects);
    Diagnosis {
        conclusion: Conclusion::Fault,
        groups: vec![Group { suspects, confirm }],
    }
}

fn fault(kind: FaultKind, terminals: &[Terminal]) -> Fault {
    Fault::new(kind, terminals).expect("the family is built with each kind's terminals")
}

/// Whether the fault's pattern agrees with every reading. Where several faults show the same, a
/// pattern that the model cannot give agrees with nothing.
fn agrees(evidence: &Evidence, fault: Option<&Fault>) -> bool {
    let fits = |step: &ObservedStep, drive: &BTreeSet<Terminal>| {
        let Some(pattern) = pattern(evidence, fault, drive) else {
            return false;
        };
        if step.collapsed || pattern.collapses {
            return step.collapsed == pattern.collapses;
        }
        let mut seen = step.seen.iter();
        seen.all(|(line, on)| pattern.live.contains(line) == *on)
    };
    let mut steps = evidence.steps.iter();
    steps.all(|step| driven_ways(step).iter().any(|drive| fits(step, drive)))
}

/// What may have been driven: a room controller may do as it likes with a line that may be either.
fn driven_ways(step: &ObservedStep) -> Vec<BTreeSet<Terminal>> {
    let mut ways = vec![step.drive.clone()];
    for line in &step.free {
        let with_line = ways.iter().cloned().map(|mut way| {
            way.insert(line.clone());
            way
        });
        let with_line: Vec<_> = with_line.collect();
        ways.extend(with_line);
    }
    ways
}

/// The family: one fault each on every line, pair and three-cycle that can show in on/off readings.
fn family(evidence: &Evidence) -> Vec<Fault> {
    let lines: Vec<&Terminal> = evidence.lines.iter().collect();
    let (supply, common) = (Terminal::known("R"), Terminal::known("C"));
    let mut family = vec![fault(FaultKind::Open, std::slice::from_ref(&supply))];
    if evidence.by_controller {
        family.push(fault(FaultKind::Open, std::slice::from_ref(&common)));
    }
    for line in &lines {
        for kind in [
            FaultKind::Open,
            FaultKind::StuckOpen,
            FaultKind::StuckClosed,
            FaultKind::DeadInput,
        ] {
            family.push(fault(kind, std::slice::from_ref(*line)));
        }
        family.push(fault(FaultKind::Short, &[(*line).clone(), common.clone()]));
        family.push(fault(FaultKind::Short, &[supply.clone(), (*line).clone()]));
    }
    for (at, first) in lines.iter().enumerate() {
        for second in &lines[at + 1..] {
            let pair = [(*first).clone(), (*second).clone()];
            family.push(fault(FaultKind::Swap, &pair));
            family.push(fault(FaultKind::Short, &pair));
            family.push(fault(FaultKind::Mislanded, &pair));
            family.push(fault(
                FaultKind::Mislanded,
                &[pair[1].clone(), pair[0].clone()],
            ));
            for third in &lines[at + 1..] {
                if third != second {
                    let cycle = [(*first).clone(), (*second).clone(), (*third).clone()];
                    family.push(fault(FaultKind::Shift, &cycle));
                }
            }
        }
    }
    let has = |name: &'static str| evidence.lines.contains(&Terminal::known(name));
    if has("G") && has("Y1") {
        family.push(fault(FaultKind::FanTied, &[]));
    }
    if evidence.changeover.is_some() {
        family.push(fault(
            FaultKind::Tied,
            &[Terminal::known("O"), Terminal::known("B")],
        ));
        family.push(fault(FaultKind::InvertedChangeover, &[]));
        let calls_heat = |line: &&Terminal| line.as_str().starts_with(['W', 'E']);
        let heat_lines = evidence.lines.iter().filter(calls_heat);
        family
            .extend(heat_lines.map(|line| fault(FaultKind::Backfeed, std::slice::from_ref(line))));
    }
    family.push(fault(FaultKind::JumperMissing, &[]));
    family
}
