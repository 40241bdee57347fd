//! The on/off pattern that a fault leaves: which lines are live for which relays closed.
//!
//! The model has four layers, from the controller to the bench's inputs: contacts (what really
//! closes), conductors (where each ends), joins (what touches what), inputs (what is seen). A
//! fault changes one of them. Common practice, no source; the signatures are checked against
//! hand-worked ones in the tests.

use super::evidence::Evidence;
use crate::domain::bench_map::Rail;
use crate::domain::circuit::{Fault, FaultKind};
use crate::domain::profile::Changeover;
use crate::units::Terminal;
use std::collections::BTreeSet;

/// What a fault would show in one step.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Pattern {
    /// Lines that would be seen live.
    pub(super) live: BTreeSet<Terminal>,
    /// Whether the supply would collapse.
    pub(super) collapses: bool,
}

/// The pattern of one fault, or of none, for these relays closed; `None` where this model cannot
/// say what the fault does.
pub(super) fn pattern(
    evidence: &Evidence,
    fault: Option<&Fault>,
    drive: &BTreeSet<Terminal>,
) -> Option<Pattern> {
    let Some(fault) = fault else {
        return Some(Pattern {
            live: joined(evidence, drive.clone(), None),
            collapses: false,
        });
    };
    let named = fault.terminals();
    let mut contacts = drive.clone();
    let mut join: Option<(Terminal, Terminal)> = None;
    let mut hidden: Option<&Terminal> = None;
    let mut collapses = false;
    let live = match fault.kind() {
        FaultKind::Open if named[0].as_str() == "R" => BTreeSet::new(),
        // Without a common a room controller has no power either.
        FaultKind::Open if evidence.by_controller && named[0].as_str() == "C" => BTreeSet::new(),
        FaultKind::Open if named[0].is_supply() => return None,
        FaultKind::Open | FaultKind::StuckOpen => without(contacts, &named[0]),
        FaultKind::StuckClosed => {
            contacts.insert(named[0].clone());
            contacts
        }
        FaultKind::DeadInput => {
            hidden = Some(&named[0]);
            contacts
        }
        FaultKind::Swap | FaultKind::Shift => contacts.iter().map(|l| landed(named, l)).collect(),
        FaultKind::Mislanded => {
            let moved = contacts.remove(&named[0]);
            contacts.extend(moved.then(|| named[1].clone()));
            contacts
        }
        FaultKind::Short | FaultKind::Jumper => {
            match (named[0].as_str(), named[1].as_str()) {
                ("C", _) => collapses = contacts.contains(&named[1]),
                (_, "C") => collapses = contacts.contains(&named[0]),
                ("R" | "Rc" | "Rh", _) => _ = contacts.insert(named[1].clone()),
                (_, "R" | "Rc" | "Rh") => _ = contacts.insert(named[0].clone()),
                _ => join = Some((named[0].clone(), named[1].clone())),
            }
            contacts
        }
        FaultKind::FanTied => {
            let (fan, compressor) = (Terminal::known("G"), Terminal::known("Y1"));
            let mut live = without(contacts, &fan);
            if live.contains(&compressor) {
                live.insert(fan);
            }
            live
        }
        FaultKind::Tied | FaultKind::InvertedChangeover => {
            changeover_follows_compressor(evidence, fault.kind(), contacts)?
        }
        FaultKind::Backfeed => fed_by_the_outdoor_unit(evidence, &named[0], contacts)?,
        FaultKind::JumperMissing => contacts
            .into_iter()
            .filter(|line| evidence.drives.get(line) != Some(&Rail::Rh))
            .collect(),
        _ => return None,
    };
    let mut live = joined(evidence, live, join.as_ref());
    if let Some(hidden) = hidden {
        live.remove(hidden);
    }
    Some(Pattern { live, collapses })
}

fn without(mut lines: BTreeSet<Terminal>, line: &Terminal) -> BTreeSet<Terminal> {
    lines.remove(line);
    lines
}

/// Where a conductor ends once these were landed each one along, the last on the first's terminal.
fn landed(cycle: &[Terminal], line: &Terminal) -> Terminal {
    match cycle.iter().position(|named| named == line) {
        Some(at) => cycle[(at + 1) % cycle.len()].clone(),
        None => line.clone(),
    }
}

/// Both conventions' outputs on one valve line energise it whenever the compressor is called; the
/// other convention alone energises it in the other mode.
fn changeover_follows_compressor(
    evidence: &Evidence,
    kind: FaultKind,
    contacts: BTreeSet<Terminal>,
) -> Option<BTreeSet<Terminal>> {
    let valve = evidence.changeover.clone()?;
    if !runs_compressor(&contacts) {
        return Some(contacts);
    }
    let asked = contacts.contains(&valve);
    let mut live = without(contacts, &valve);
    if kind == FaultKind::Tied || !asked {
        live.insert(valve);
    }
    Some(live)
}

fn fed_by_the_outdoor_unit(
    evidence: &Evidence,
    line: &Terminal,
    mut contacts: BTreeSet<Terminal>,
) -> Option<BTreeSet<Terminal>> {
    if compressor_heats(evidence, &contacts)? {
        contacts.insert(line.clone());
    }
    Some(contacts)
}

/// Whether the valve stands in heating while the compressor runs: then, and only then, an outdoor
/// unit may feed its auxiliary line. O is energised in cooling, B in heating.
fn compressor_heats(evidence: &Evidence, contacts: &BTreeSet<Terminal>) -> Option<bool> {
    let valve = evidence.changeover.as_ref()?;
    let heats_energised = *valve == Changeover::B.terminal();
    Some(runs_compressor(contacts) && contacts.contains(valve) == heats_energised)
}

fn runs_compressor(contacts: &BTreeSet<Terminal>) -> bool {
    contacts.iter().any(|line| line.as_str().starts_with('Y'))
}

/// Adds what the live lines are joined to, by the profile's ties and by the fault.
fn joined(
    evidence: &Evidence,
    mut live: BTreeSet<Terminal>,
    join: Option<&(Terminal, Terminal)>,
) -> BTreeSet<Terminal> {
    let pair = join.map(|(a, b)| BTreeSet::from([a.clone(), b.clone()]));
    let groups: Vec<&BTreeSet<Terminal>> = evidence.tied.iter().chain(pair.as_ref()).collect();
    // Each pass may reach one more group; as many passes as groups reach all.
    for _ in 0..groups.len() {
        for group in &groups {
            if group.iter().any(|line| live.contains(line)) {
                live.extend(group.iter().cloned());
            }
        }
    }
    live
}
