//! Lines that are joined at the equipment follow each other.
//!
//! Place in the data's path: between a row's own cells and the row that is shown. A tie never
//! changes what a bench drives: the joint itself carries the signal.

use super::demand::{Mode, demand};
use super::table::{Cell, Row, own_cells};
use crate::domain::profile::{Auxiliary, Changeover, Kind, LineRole};
use crate::domain::{Call, Expected, Profile};
use crate::units::Terminal;
use std::collections::{BTreeMap, BTreeSet};

/// Lets the members of each group share the strongest demand: on over either over off.
pub(super) fn follow(cells: &mut BTreeMap<Terminal, Cell>, groups: &[BTreeSet<Terminal>]) {
    for group in groups {
        let Some((leader, strongest)) = leader(cells, group) else {
            continue;
        };
        for line in group {
            let Some(cell) = cells.get_mut(line) else {
                continue;
            };
            if cell.expected < strongest {
                cell.expected = strongest;
                cell.reason = match strongest {
                    Expected::On => format!("joined to {leader} at the equipment: on with it"),
                    Expected::Either | Expected::Off => {
                        format!("joined to {leader} at the equipment: follows it")
                    }
                };
            }
        }
    }
}

/// The first member with the strongest demand.
fn leader(
    cells: &BTreeMap<Terminal, Cell>,
    group: &BTreeSet<Terminal>,
) -> Option<(Terminal, Expected)> {
    let demands = || {
        group
            .iter()
            .filter_map(|line| cells.get(line).map(|cell| (line, cell.expected)))
    };
    let strongest = demands().map(|(_, expected)| expected).max()?;
    let first = demands().find(|(_, expected)| *expected == strongest)?;
    Some((first.0.clone(), strongest))
}

/// A line that a tie energises where it must be dead.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::domain) struct MisledLine {
    /// The line.
    pub(in crate::domain) line: Terminal,
    /// The line that it follows.
    pub(in crate::domain) leader: Terminal,
    /// The first call in which that happens.
    pub(in crate::domain) call: Call,
    /// What would come of it.
    harm: &'static str,
}

impl MisledLine {
    /// What is wrong, in a person's words.
    pub(in crate::domain) fn message(&self) -> String {
        let Self {
            line,
            leader,
            call,
            harm,
        } = self;
        format!("joining {line} to {leader} energises {line} in {call}: {harm}")
    }
}

/// The lines that the profile's ties lead astray: energised where that starts the compressor, turns
/// the reversing valve (O/B) over, or heats against the compressor.
pub(in crate::domain) fn lines_misled_by_ties(profile: &Profile) -> Vec<MisledLine> {
    let mut misled: Vec<MisledLine> = Vec::new();
    for call in Call::TABLE {
        let Ok(demand) = demand(profile, &call) else {
            continue;
        };
        let before = own_cells(profile, &call, &demand);
        let mut after = before.clone();
        follow(&mut after, profile.tied());
        for (line, role) in profile.lines() {
            let Some(harm) = harm_of_raising(profile, demand.mode, (&line, role)) else {
                continue;
            };
            let raised = after[&line].expected > before[&line].expected;
            if raised && !misled.iter().any(|known| known.line == line) {
                let group = profile.tied().iter().find(|group| group.contains(&line));
                let leader = group
                    .and_then(|group| leader(&before, group))
                    .expect("only a tie raises a cell");
                misled.push(MisledLine {
                    line,
                    leader: leader.0,
                    call: call.clone(),
                    harm,
                });
            }
        }
    }
    misled
}

/// What would come of energising a line that the call itself leaves dead; `None` where nothing.
fn harm_of_raising(
    profile: &Profile,
    mode: Mode,
    (line, role): (&Terminal, LineRole),
) -> Option<&'static str> {
    // A spare Y wire is still where a compressor's stage will be looked for.
    let is_spare_y = role == LineRole::Unused && matches!(line.as_str(), "Y1" | "Y2");
    let replaces =
        profile.kind() == Kind::FurnaceAndCooling || profile.auxiliary() == Auxiliary::Replaces;
    match role {
        LineRole::Compressor(_) if !mode.has_y() => Some("the compressor must stay off there"),
        LineRole::Unused if is_spare_y && !mode.has_y() => {
            Some("no Y line may be live where the compressor is not called")
        }
        LineRole::ReversingValve if mode.has_y() => Some(match profile.changeover() {
            Some(Changeover::B) => "the equipment would heat instead of cool",
            Some(Changeover::O) | None => "the equipment would cool instead of heat",
        }),
        LineRole::Heat(_) | LineRole::HeatPumpHeat | LineRole::EmergencyOnly
            if mode == Mode::Cooling =>
        {
            Some("heat must stay off in cooling")
        }
        LineRole::Heat(_) | LineRole::EmergencyOnly if mode.has_y() && replaces => {
            Some("that heat must never run with the compressor")
        }
        _ => None,
    }
}

/// The row in which one line is energised by itself, with the lines joined to it.
pub(super) fn alone_row(line: &Terminal, lines: &[Terminal], groups: &[BTreeSet<Terminal>]) -> Row {
    let cells = lines
        .iter()
        .map(|other| {
            let joined = groups
                .iter()
                .any(|group| group.contains(line) && group.contains(other));
            let (expected, reason) = if other == line {
                (Expected::On, format!("{line} is driven by itself"))
            } else if joined {
                (
                    Expected::On,
                    format!("joined to {line} at the equipment: on with it"),
                )
            } else {
                (
                    Expected::Off,
                    format!("{line} is driven by itself: every other line must be dead"),
                )
            };
            (other.clone(), Cell { expected, reason })
        })
        .collect();
    Row {
        call: Call::Alone(line.clone()),
        applicable: true,
        why_not: String::new(),
        cells,
        demanded: BTreeSet::from([line.clone()]),
    }
}
