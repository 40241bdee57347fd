//! Makes the plan: which calls, in which order, driving what, expecting what.
//!
//! Order on dummy or disconnected loads (common practice, no source): the supply and the idle
//! pattern first, then every driven line by itself, so that a line that pulls the supply down is
//! found alone and is not driven again, then the calls of the truth table. Within a call the
//! changeover line and the fan close before Y, W and E.

use super::shape::{
    CallLeftOut, Plan, PlannedChangeover, PlannedDrive, PlannedStep, SensePoint, Target,
};
use crate::domain::bench_map::{BenchLine, Loads, SenseMeans, SupplySource, UnderTest};
use crate::domain::{BenchMap, Call, Cell, Expected, Profile, Row, TruthTable};
use crate::units::{End, Quantity, Terminal};
use std::collections::{BTreeMap, BTreeSet};

/// A plan that cannot be made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PlanError {
    /// A call was asked for that this equipment does not know.
    #[error("the call {call} does not apply to this profile: {why}")]
    NotApplicable {
        /// The call.
        call: Call,
        /// Why.
        why: String,
    },
    /// A line was to be driven alone that this bench does not drive.
    #[error("the call alone:{line} cannot be made: {why}")]
    NotDriven {
        /// The line.
        line: Terminal,
        /// Why.
        why: String,
    },
    /// A point is sensed in a way that this planner does not know.
    #[error("{target} is sensed by {means}, which cannot be run by this version")]
    Unsensed {
        /// What is looked at.
        target: String,
        /// By what.
        means: &'static str,
    },
    /// The kind of bench is not known to this planner.
    #[error("under_test = \"{under_test}\" with loads = \"{loads}\" cannot be run by this version")]
    Unsupported {
        /// What is being proven.
        under_test: UnderTest,
        /// What hangs on the lines.
        loads: Loads,
    },
    /// A call was asked for that is observed and never made.
    #[error("defrost is the equipment's own doing: it is observed, never called")]
    Defrost,
}

/// Makes the plan for this profile on this bench; `calls` narrows it, `None` makes every call.
///
/// # Errors
/// [`PlanError`] where an asked-for call cannot be made.
pub fn make_plan(
    profile: &Profile,
    bench: &BenchMap,
    calls: Option<&[Call]>,
) -> Result<Plan, PlanError> {
    let (under_test, loads) = (bench.under_test, bench.loads);
    if under_test != UnderTest::Wiring || loads == Loads::Real {
        return Err(PlanError::Unsupported { under_test, loads });
    }
    let sense_points = sense_points(bench);
    for point in &sense_points {
        let means = match point.means {
            SenseMeans::Input { .. } => continue,
            SenseMeans::Meter { .. } => "a meter",
            SenseMeans::Operator => "a person",
        };
        return Err(PlanError::Unsensed {
            target: point.target.to_string(),
            means,
        });
    }
    let table = TruthTable::of(profile);
    let drives = planned_drives(profile, bench, &table);
    let driven: BTreeSet<Terminal> = drives.iter().map(|drive| drive.terminal.clone()).collect();
    let possible = possible_rows(&table, &driven);
    if let Some(calls) = calls {
        for call in calls {
            check_asked_for(call, &table, &possible)?;
        }
    }
    let wanted = |call: &Call| calls.is_none_or(|calls| calls.contains(call));
    let lines = judged_lines(bench, &table);
    let mut steps = Vec::new();
    for row in possible.iter().filter(|row| wanted(&row.call)) {
        steps.push(PlannedStep {
            number: u32::try_from(steps.len() + 1).expect("a plan has few steps"),
            call: row.call.clone(),
            drive: closing_order(row, &driven),
            cells: driven_cells(row, &lines, &fed_lines(row, &driven, profile)),
            settle_ms: bench.timing.settle,
            release_ms: bench.timing.release,
        });
    }
    let left_out = left_out(&table, &possible, &wanted);
    Ok(Plan {
        under_test,
        loads,
        not_proven: not_proven(bench, profile, &left_out),
        lines,
        drives,
        sense_points,
        tied: profile.tied().to_vec(),
        source_end: match bench.supply.source {
            SupplySource::Equipment => End::Equipment,
            SupplySource::Bench => End::Controller,
        },
        steps,
        changeover: profile.changeover().map(|convention| PlannedChangeover {
            convention,
            terminal: convention.terminal(),
        }),
        left_out,
        timing: bench.timing.clone(),
    })
}

/// Lines of the profile that the bench drives; inputs are never driven.
fn planned_drives(profile: &Profile, bench: &BenchMap, table: &TruthTable) -> Vec<PlannedDrive> {
    table
        .lines()
        .iter()
        .filter(|terminal| !profile.is_input(terminal) && *terminal != profile.common_on())
        .filter_map(|terminal| {
            let drive = bench.lines.get(terminal)?.drive.as_ref()?;
            Some(PlannedDrive {
                terminal: terminal.clone(),
                relay: drive.relay.clone(),
                common: drive.common,
            })
        })
        .collect()
}

/// Every row that a run can make, in the order of the run.
fn possible_rows(table: &TruthTable, driven: &BTreeSet<Terminal>) -> Vec<Row> {
    let mut rows = Vec::new();
    rows.extend(table.row(&Call::Idle).cloned());
    rows.extend(
        table
            .lines()
            .iter()
            .filter(|line| driven.contains(line))
            .map(|line| table.alone_row(line)),
    );
    rows.extend(
        table
            .rows()
            .iter()
            .filter(|row| row.call != Call::Idle && row.applicable)
            .cloned(),
    );
    rows
}

fn check_asked_for(call: &Call, table: &TruthTable, possible: &[Row]) -> Result<(), PlanError> {
    if possible.iter().any(|row| row.call == *call) {
        return Ok(());
    }
    match call {
        Call::Defrost => Err(PlanError::Defrost),
        Call::Alone(line) => Err(PlanError::NotDriven {
            line: line.clone(),
            why: if table.lines().contains(line) {
                "the bench does not drive this line".to_owned()
            } else {
                let names: Vec<&str> = table.lines().iter().map(Terminal::as_str).collect();
                format!("the profile's lines are {}", names.join(" "))
            },
        }),
        _ => Err(PlanError::NotApplicable {
            call: call.clone(),
            why: table
                .row(call)
                .map(|row| row.why_not.clone())
                .unwrap_or_default(),
        }),
    }
}

/// Lines of the profile, then lines that only the bench has.
fn judged_lines(bench: &BenchMap, table: &TruthTable) -> Vec<Terminal> {
    let all: BTreeSet<&Terminal> = table.lines().iter().chain(bench.lines.keys()).collect();
    all.into_iter().cloned().collect()
}

/// The changeover line and the fan first, then Y, W and E as the strip has them, so that no
/// compressor or heater closes before what it needs.
fn closing_order(row: &Row, driven: &BTreeSet<Terminal>) -> Vec<Terminal> {
    let mut lines: Vec<Terminal> = row
        .demanded
        .iter()
        .filter(|line| driven.contains(line))
        .cloned()
        .collect();
    lines.sort_by_key(|line| {
        let rank = match line.as_str() {
            "O" | "B" => 0,
            "G" => 1,
            _ => 2,
        };
        (rank, line.clone())
    });
    lines
}

/// The lines that the bench feeds in this call, and the lines tied to them at the equipment.
fn fed_lines(row: &Row, driven: &BTreeSet<Terminal>, profile: &Profile) -> BTreeSet<Terminal> {
    let mut fed: BTreeSet<Terminal> = row.demanded.intersection(driven).cloned().collect();
    for group in profile.tied() {
        if group.iter().any(|line| fed.contains(line)) {
            fed.extend(group.iter().cloned());
        }
    }
    fed
}

/// What every line must be where the bench itself drives: what it feeds must be seen, everything
/// else must be dead; `either` is resolved to off.
fn driven_cells(
    row: &Row,
    lines: &[Terminal],
    fed: &BTreeSet<Terminal>,
) -> BTreeMap<Terminal, Cell> {
    lines
        .iter()
        .map(|line| {
            let cell = match row.cells.get(line) {
                None => Cell {
                    expected: Expected::Off,
                    reason: "not a line of this profile: never driven, so it must stay dead"
                        .to_owned(),
                },
                Some(cell) => resolved_cell(cell, fed.contains(line)),
            };
            (line.clone(), cell)
        })
        .collect()
}

fn resolved_cell(cell: &Cell, is_fed: bool) -> Cell {
    match cell.expected {
        Expected::Either => Cell {
            expected: Expected::Off,
            reason: format!(
                "{}; this bench leaves it open, so it must be dead",
                cell.reason
            ),
        },
        Expected::On if !is_fed => Cell {
            expected: Expected::Off,
            reason: "this bench does not drive it, so it must stay dead".to_owned(),
        },
        Expected::On | Expected::Off => cell.clone(),
    }
}

fn sense_points(bench: &BenchMap) -> Vec<SensePoint> {
    let lines = bench.lines.values().flat_map(|line: &BenchLine| {
        line.senses.iter().map(|sense| SensePoint {
            target: Target::Line(line.terminal.clone()),
            end: sense.end,
            quantity: sense.quantity,
            means: sense.means.clone(),
        })
    });
    let supply = bench.supply.senses.iter().map(|supply| SensePoint {
        target: Target::Supply(supply.rail),
        end: supply.sense.end,
        quantity: supply.sense.quantity,
        means: supply.sense.means.clone(),
    });
    supply.chain(lines).collect()
}

fn left_out(
    table: &TruthTable,
    possible: &[Row],
    wanted: &dyn Fn(&Call) -> bool,
) -> Vec<CallLeftOut> {
    let not_applicable = table
        .rows()
        .iter()
        .filter(|row| !row.applicable)
        .map(|row| CallLeftOut {
            call: row.call.clone(),
            why: row.why_not.clone(),
            applicable: false,
        });
    let not_asked_for = possible
        .iter()
        .filter(|row| !wanted(&row.call))
        .map(|row| CallLeftOut {
            call: row.call.clone(),
            why: "not asked for in this run".to_owned(),
            applicable: true,
        });
    not_applicable.chain(not_asked_for).collect()
}

fn not_proven(bench: &BenchMap, profile: &Profile, left_out: &[CallLeftOut]) -> Vec<String> {
    let mut list = Vec::new();
    let senses = || bench.lines.values().flat_map(|line| line.senses.iter());
    if senses().any(|sense| matches!(sense.means, SenseMeans::Input { .. })) {
        list.push("voltage not proven: a digital input shows presence only".to_owned());
    }
    if senses().all(|sense| sense.quantity == Quantity::Presence) && profile.changeover().is_some()
    {
        list.push(
            "what the equipment makes of the reversing valve (O/B) signal: that takes an air \
             temperature"
                .to_owned(),
        );
    }
    match bench.supply.source {
        SupplySource::Bench => {
            list.push("R and C not proven: the bench feeds the relays itself".to_owned());
        }
        SupplySource::Equipment => {
            let at_controller = bench
                .supply
                .senses
                .iter()
                .any(|supply| supply.sense.end == End::Controller);
            if !at_controller {
                list.push(
                    "C not proven: the supply is not sensed at the controller end".to_owned(),
                );
            }
        }
    }
    if bench.supply.senses.is_empty() {
        list.push("the supply is not sensed: a dead supply looks like dead wiring".to_owned());
    }
    let calls: Vec<String> = left_out
        .iter()
        .filter(|left| left.applicable)
        .map(|left| left.call.to_string())
        .collect();
    if !calls.is_empty() {
        list.push(format!("calls not made: {}", calls.join(", ")));
    }
    list
}
