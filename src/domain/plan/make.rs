//! Makes the plan: which calls, in which order, made by whom, expecting what.
//!
//! Order on dummy or disconnected loads (common practice, no source): the supply and the idle
//! pattern first, then every driven line by itself, so that a line that pulls the supply down is
//! found alone and is not driven again, then the calls of the truth table. Within a call the
//! changeover line and the fan close before Y, W and E. Where a room controller makes the pattern,
//! the calls of the table alone are made, and `either` stays either.

use super::equipment::{self, equipment_plan, is_needed_first};
use super::not_proven::not_proven;
use super::order::CallOrder;
use super::order_rules::OrderRules;
use super::points::{sense_points, unreliable_lines};
use super::power::power_plan;
use super::shape::{
    CallLeftOut, MadeBy, Plan, PlannedChangeover, PlannedDrive, PlannedStep, Target,
};
use crate::domain::bench_map::{Loads, SenseMeans, Stimulus, UnderTest};
use crate::domain::{BenchMap, Call, Cell, Expected, Profile, Row, TruthTable};
use crate::units::Terminal;
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
    /// Real machines are to be started by a person's jumpers.
    #[error(
        "loads = \"real\" needs relays: what a person put on with jumpers could not be taken off \
         at once"
    )]
    NoRelays,
    /// A supply that went away under real machines would not be noticed.
    #[error(
        "loads = \"real\" needs a device that senses the supply ([supply] sense): a supply that is \
         lost and comes back restarts machines"
    )]
    SupplyNotSensed,
    /// No call can be made on this bench.
    #[error("this bench can make no call: no line is driven, and no stimulus is given")]
    NothingToMake,
}

/// A call with who makes it.
struct Possible {
    row: Row,
    made_by: MadeBy,
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
    make_plan_in(CallOrder::Given, profile, bench, calls)
}

/// As [`make_plan`], the calls in this order.
///
/// # Errors
/// [`PlanError`] where an asked-for call cannot be made.
pub fn make_plan_in(
    order: CallOrder,
    profile: &Profile,
    bench: &BenchMap,
    calls: Option<&[Call]>,
) -> Result<Plan, PlanError> {
    let (under_test, loads) = (bench.under_test, bench.loads);
    let is_real = loads == Loads::Real;
    if is_real && under_test == UnderTest::Controller {
        return Err(PlanError::Unsupported { under_test, loads });
    }
    let table = TruthTable::of(profile);
    let lines = judged_lines(bench, &table);
    let maker = Maker {
        profile,
        bench,
        drives: planned_drives(profile, bench, &table),
        table,
    };
    if is_real && maker.drives.is_empty() {
        return Err(PlanError::NoRelays);
    }
    if is_real && !is_supply_sensed(bench) {
        return Err(PlanError::SupplyNotSensed);
    }
    let possible = maker.possible();
    if possible.iter().all(|made| made.row.call == Call::Idle) {
        return Err(PlanError::NothingToMake);
    }
    for call in calls.unwrap_or_default() {
        maker.check_asked_for(call, &possible)?;
    }
    let wanted = |call: &Call| {
        calls.is_none_or(|calls| calls.contains(call)) || (is_real && is_needed_first(call))
    };
    let chosen = possible.iter().filter(|made| wanted(&made.row.call));
    // On real loads the order is part of what keeps machines from harm: it is the given one.
    let order = if is_real { CallOrder::Given } else { order };
    let chosen = maker.in_order(order, chosen.collect());
    let mut steps: Vec<PlannedStep> = (1..)
        .zip(chosen)
        .map(|(number, made)| maker.step(number, made, &lines))
        .collect();
    let left_out = maker.left_out(&possible, &wanted);
    // Behind all calls at the usual supply, level by level: in whichever order the calls are made,
    // each level is selected once.
    let power = power_plan(profile, bench, &steps).map(|(plan, added)| {
        steps.extend(added);
        plan
    });
    Ok(Plan {
        under_test,
        loads,
        not_proven: not_proven(bench, (profile, maker.table.lines()), &left_out),
        equipment: equipment_plan(profile, bench, &steps),
        power,
        sense_points: sense_points(bench, Some(maker.table.lines()))
            .into_iter()
            .filter(|point| match &point.target {
                Target::Line(line) => lines.contains(line),
                Target::Supply(_) | Target::Pair(..) => true,
            })
            .collect(),
        tied: profile.tied().to_vec(),
        source_end: bench.source_end(),
        rest: maker.rest(&lines),
        unreliable: unreliable_lines(bench),
        changeover: profile.changeover().map(|convention| PlannedChangeover {
            convention,
            terminal: convention.terminal(),
        }),
        steps,
        lines,
        drives: maker.drives,
        left_out,
        timing: bench.timing.clone(),
        bands: bench.bands,
    })
}

fn is_supply_sensed(bench: &BenchMap) -> bool {
    let mut senses = bench.supply.senses.iter();
    senses.any(|supply| supply.sense.means != SenseMeans::Operator)
}

/// Lines of the profile that the bench drives; inputs are never driven.
fn planned_drives(profile: &Profile, bench: &BenchMap, table: &TruthTable) -> Vec<PlannedDrive> {
    if bench.under_test == UnderTest::Controller {
        return Vec::new();
    }
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

/// Lines of the profile, then lines that only the bench has and that are looked at.
fn judged_lines(bench: &BenchMap, table: &TruthTable) -> Vec<Terminal> {
    let unvisited = bench.unvisited_lines(table.lines());
    let all: BTreeSet<&Terminal> = table.lines().iter().chain(bench.lines.keys()).collect();
    let looked_at = all.into_iter().filter(|line| !unvisited.contains(*line));
    looked_at.cloned().collect()
}

struct Maker<'a> {
    profile: &'a Profile,
    bench: &'a BenchMap,
    table: TruthTable,
    drives: Vec<PlannedDrive>,
}

impl Maker<'_> {
    fn is_controller(&self) -> bool {
        self.bench.under_test == UnderTest::Controller
    }

    fn in_order<'p>(&self, order: CallOrder, chosen: Vec<&'p Possible>) -> Vec<&'p Possible> {
        match order {
            CallOrder::Given => chosen,
            CallOrder::Fastest => {
                let rules = OrderRules::new(self.profile, self.bench.loads, &self.bench.timing);
                let rows: Vec<&Row> = chosen.iter().map(|made| &made.row).collect();
                let fastest = rules.fastest(&rows);
                fastest.into_iter().map(|at| chosen[at]).collect()
            }
        }
    }

    /// Lines that are fed by relays, or by a person's jumper where the bench has no relay at all.
    fn driven(&self) -> BTreeSet<Terminal> {
        if self.drives.is_empty() && !self.is_controller() {
            let by_hand =
                self.table.lines().iter().filter(|line| {
                    !self.profile.is_input(line) && *line != self.profile.common_on()
                });
            return by_hand.cloned().collect();
        }
        self.drives
            .iter()
            .map(|drive| drive.terminal.clone())
            .collect()
    }

    /// Every call that this bench can make, in the order of the run.
    fn possible(&self) -> Vec<Possible> {
        let applicable = self.table.rows().iter().filter(|row| row.applicable);
        if self.is_controller() {
            return applicable
                .filter_map(|row| {
                    let made_by = match self.bench.stimuli.get(&row.call) {
                        Some(Stimulus::Relay(relay)) => MadeBy::Stimulus(relay.clone()),
                        Some(Stimulus::Operator) => MadeBy::Operator,
                        None if row.call == Call::Idle => MadeBy::Relays,
                        None => return None,
                    };
                    Some(Possible {
                        row: row.clone(),
                        made_by,
                    })
                })
                .collect();
        }
        let made_by = if self.drives.is_empty() {
            MadeBy::Operator
        } else {
            MadeBy::Relays
        };
        if self.bench.loads == Loads::Real {
            return equipment::rows(self.profile, &self.table)
                .into_iter()
                .map(|row| Possible {
                    row,
                    made_by: MadeBy::Relays,
                })
                .collect();
        }
        let driven = self.driven();
        let alone = self
            .table
            .lines()
            .iter()
            .filter(|line| driven.contains(line))
            .map(|line| self.table.alone_row(line));
        let (idle, rest): (Vec<&Row>, Vec<&Row>) =
            applicable.partition(|row| row.call == Call::Idle);
        idle.into_iter()
            .cloned()
            .chain(alone)
            .chain(rest.into_iter().cloned())
            .map(|row| Possible {
                row,
                made_by: made_by.clone(),
            })
            .collect()
    }

    fn check_asked_for(&self, call: &Call, possible: &[Possible]) -> Result<(), PlanError> {
        if possible.iter().any(|made| made.row.call == *call) {
            return Ok(());
        }
        match call {
            Call::Defrost => Err(PlanError::Defrost),
            Call::Alone(line) => Err(PlanError::NotDriven {
                line: line.clone(),
                why: if self.bench.loads == Loads::Real {
                    "on real loads only the changeover line is driven alone, with the fan on"
                        .to_owned()
                } else if self.table.lines().contains(line) {
                    "the bench does not drive this line".to_owned()
                } else {
                    let names: Vec<&str> =
                        self.table.lines().iter().map(Terminal::as_str).collect();
                    format!("the profile's lines are {}", names.join(" "))
                },
            }),
            _ => Err(PlanError::NotApplicable {
                call: call.clone(),
                why: self.why_not(call),
            }),
        }
    }

    fn why_not(&self, call: &Call) -> String {
        match self.table.row(call) {
            Some(row) if !row.applicable => row.why_not.clone(),
            _ => format!("the bench has no [stimulus.{call}]"),
        }
    }

    fn step(&self, number: u32, made: &Possible, lines: &[Terminal]) -> PlannedStep {
        let row = &made.row;
        let driven = self.driven();
        PlannedStep {
            number,
            call: row.call.clone(),
            made_by: made.made_by.clone(),
            drive: if self.is_controller() {
                Vec::new()
            } else {
                closing_order(row, &driven)
            },
            cells: self.cells(row, lines, &driven),
            on_the_way: self.on_the_way(&row.call, lines),
            settle_ms: self.bench.timing.settle,
            release_ms: self.bench.timing.release,
        }
    }

    /// What every line must be. Where the bench itself drives, what it feeds must be seen,
    /// everything else must be dead, and `either` is resolved to off.
    fn cells(
        &self,
        row: &Row,
        lines: &[Terminal],
        driven: &BTreeSet<Terminal>,
    ) -> BTreeMap<Terminal, Cell> {
        let fed = self.fed_lines(row, driven);
        lines
            .iter()
            .map(|line| {
                let cell = match row.cells.get(line) {
                    None => Cell {
                        expected: Expected::Off,
                        reason: "not a line of this profile: never driven, so it must stay dead"
                            .to_owned(),
                    },
                    Some(_) if self.is_controller() && self.profile.is_input(line) => Cell {
                        expected: Expected::Off,
                        reason: "the equipment drives this line, and there is none on this bench"
                            .to_owned(),
                    },
                    Some(cell) if self.is_controller() => cell.clone(),
                    Some(cell) => resolved_cell(cell, fed.contains(line)),
                };
                (line.clone(), cell)
            })
            .collect()
    }

    /// The lines that the bench feeds in this call, and the lines tied to them at the equipment.
    fn fed_lines(&self, row: &Row, driven: &BTreeSet<Terminal>) -> BTreeSet<Terminal> {
        let mut fed: BTreeSet<Terminal> = row.demanded.intersection(driven).cloned().collect();
        for group in self.profile.tied() {
            if group.iter().any(|line| fed.contains(line)) {
                fed.extend(group.iter().cloned());
            }
        }
        fed
    }

    /// Patterns that a room controller may show before the full one: no power yet, rest, the fan
    /// alone, and the smaller stages of the same call; the fan may lag in each.
    fn on_the_way(&self, call: &Call, lines: &[Terminal]) -> Vec<Pattern> {
        if !self.is_controller() {
            return Vec::new();
        }
        let mut calls = vec![Call::Idle, Call::FanOnly];
        match call {
            Call::Cooling(2) => calls.push(Call::Cooling(1)),
            Call::Heating(2) => calls.push(Call::Heating(1)),
            Call::AuxiliaryHeat(stage) => {
                calls.extend([Call::Heating(1), Call::Heating(2)]);
                if *stage == 2 {
                    calls.push(Call::AuxiliaryHeat(1));
                }
            }
            _ => {}
        }
        let smaller: Vec<Pattern> = calls
            .iter()
            .filter_map(|smaller| self.table.row(smaller))
            .filter(|row| row.applicable)
            .map(|row| self.cells(row, lines, &BTreeSet::new()))
            .collect();
        let full = self.table.row(call);
        let full = full.map(|row| self.cells(row, lines, &BTreeSet::new()));
        let lagging: Vec<Pattern> = smaller
            .iter()
            .chain(&full)
            .filter_map(with_fan_lagging)
            .collect();
        let mut patterns = vec![dark(lines)];
        patterns.extend(smaller);
        patterns.extend(lagging);
        patterns
    }

    fn rest(&self, lines: &[Terminal]) -> Option<BTreeMap<Terminal, Cell>> {
        let idle = self.table.row(&Call::Idle)?;
        self.is_controller()
            .then(|| self.cells(idle, lines, &BTreeSet::new()))
    }

    fn left_out(&self, possible: &[Possible], wanted: &dyn Fn(&Call) -> bool) -> Vec<CallLeftOut> {
        let made = |call: &Call| possible.iter().any(|made| made.row.call == *call);
        let of_the_table = self
            .table
            .rows()
            .iter()
            .filter(|row| !made(&row.call))
            .map(|row| CallLeftOut {
                call: row.call.clone(),
                why: self.why_not(&row.call),
                applicable: row.applicable,
            });
        let not_asked_for = possible
            .iter()
            .filter(|made| !wanted(&made.row.call))
            .map(|made| CallLeftOut {
                call: made.row.call.clone(),
                why: "not asked for in this run".to_owned(),
                applicable: true,
            });
        of_the_table.chain(not_asked_for).collect()
    }
}

/// What every line must be, by terminal.
type Pattern = BTreeMap<Terminal, Cell>;

/// A room controller that has no power yet.
fn dark(lines: &[Terminal]) -> Pattern {
    let cell = Cell {
        expected: Expected::Off,
        reason: "the controller has not started yet".to_owned(),
    };
    lines
        .iter()
        .map(|line| (line.clone(), cell.clone()))
        .collect()
}

/// The same pattern before its fan has come on; `None` where it asks for no fan. Fans lag by
/// seconds (common practice, no source).
fn with_fan_lagging(pattern: &Pattern) -> Option<Pattern> {
    let fan = Terminal::known("G");
    let mut lagging = pattern.clone();
    let cell = lagging.get_mut(&fan)?;
    if cell.expected != Expected::On {
        return None;
    }
    *cell = Cell {
        expected: Expected::Off,
        reason: "the fan may come after the call".to_owned(),
    };
    Some(lagging)
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
