//! The self-test's plan: every relay that the bench file names, and what may be looked at
//! meanwhile.
//!
//! Place in the data's path: made from the bench map alone; no equipment is presumed. Only relays
//! that the file names are exercised: what hangs on the others is not known.

use super::points::sense_points;
use super::shape::{Plan, PlannedDrive, SensePoint, Target};
use crate::domain::Call;
use crate::domain::bench_map::{BenchMap, RelayAt, SenseMeans, Stimulus};
use crate::units::{DeviceName, End, Quantity, Terminal};
use std::collections::{BTreeMap, BTreeSet};

/// What a relay is for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Serves {
    /// It feeds all others.
    Master,
    /// It drives a line.
    Line(Terminal),
    /// It puts a meter on a point.
    MeterOn(Target, End),
    /// It provokes a call of a room controller.
    Stimulus(Call),
    /// It cuts the supply to a room controller.
    Interrupt,
    /// It selects a level of a room controller's supply.
    Level(String),
}

impl std::fmt::Display for Serves {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Master => f.write_str("master"),
            Self::Line(line) => write!(f, "{line}"),
            Self::MeterOn(target, end) => write!(f, "meter on {target} at the {end} end"),
            Self::Stimulus(call) => write!(f, "stimulus of {call}"),
            Self::Interrupt => f.write_str("cut of the controller's supply"),
            Self::Level(name) => write!(f, "supply at {name}"),
        }
    }
}

/// One relay that is closed and opened by itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Exercise {
    /// The relay.
    pub relay: RelayAt,
    /// What it is for.
    pub serves: Serves,
}

/// Every relay of the bench, each once: the master, lines as the strip has them, the meters' ways,
/// stimuli, and what acts on a room controller's supply.
#[must_use]
pub fn exercises(bench: &BenchMap) -> Vec<Exercise> {
    let master = bench.master.iter().map(|relay| (relay, Serves::Master));
    let lines = bench.lines.values().filter_map(|line| {
        let drive = line.drive.as_ref()?;
        Some((&drive.relay, Serves::Line(line.terminal.clone())))
    });
    let of_supply = bench
        .supply
        .senses
        .iter()
        .map(|supply| (&supply.sense, Target::Supply(supply.rail)));
    let of_lines = bench.lines.values().flat_map(|line| {
        let target = Target::Line(line.terminal.clone());
        line.senses.iter().map(move |sense| (sense, target.clone()))
    });
    let ways = of_supply.chain(of_lines).filter_map(|(sense, target)| {
        let SenseMeans::Meter { through, .. } = &sense.means else {
            return None;
        };
        Some((through.as_ref()?, Serves::MeterOn(target, sense.end)))
    });
    let stimuli = bench
        .stimuli
        .iter()
        .filter_map(|(call, stimulus)| match stimulus {
            Stimulus::Relay(relay) => Some((relay, Serves::Stimulus(call.clone()))),
            Stimulus::Operator => None,
        });
    let supply = &bench.supply;
    let interrupt = supply.interrupt.iter().map(|r| (r, Serves::Interrupt));
    let levels = supply.levels.iter();
    let levels = levels.map(|level| (&level.relay, Serves::Level(level.name.clone())));
    let mut seen = BTreeSet::new();
    master
        .chain(lines)
        .chain(ways)
        .chain(stimuli)
        .chain(interrupt)
        .chain(levels)
        .filter(|(relay, _)| seen.insert((*relay).clone()))
        .map(|(relay, serves)| Exercise {
            relay: relay.clone(),
            serves,
        })
        .collect()
}

/// What each meter is asked for while its replies are timed. Ohms are never asked for here: they
/// are read on dead circuits alone. A meter that reads nothing else is asked who it is.
#[must_use]
pub fn timed_quantities(bench: &BenchMap) -> BTreeMap<DeviceName, Quantity> {
    let of_supply = bench.supply.senses.iter().map(|supply| &supply.sense);
    let of_lines = bench.lines.values().flat_map(|line| &line.senses);
    of_supply
        .chain(of_lines)
        .filter(|sense| sense.quantity != Quantity::Resistance)
        .filter_map(|sense| match &sense.means {
            SenseMeans::Meter { device, .. } => Some((device.clone(), sense.quantity)),
            SenseMeans::Input { .. } | SenseMeans::Operator => None,
        })
        .collect()
}

/// A plan without steps: the supply's points, and the lines' digital inputs. Nobody is asked, and
/// no meter is switched onto a line while its relay is closed.
#[must_use]
pub fn self_test_plan(bench: &BenchMap) -> Plan {
    let drives = bench.lines.values().filter_map(|line| {
        let drive = line.drive.as_ref()?;
        Some(PlannedDrive {
            terminal: line.terminal.clone(),
            relay: drive.relay.clone(),
            common: drive.common,
        })
    });
    let mut plan = Plan {
        under_test: bench.under_test,
        loads: bench.loads,
        lines: bench.lines.keys().cloned().collect(),
        drives: drives.collect(),
        sense_points: sense_points(bench, None),
        tied: Vec::new(),
        source_end: bench.source_end(),
        steps: Vec::new(),
        rest: None,
        unreliable: BTreeMap::new(),
        changeover: None,
        left_out: Vec::new(),
        equipment: None,
        power: None,
        not_proven: Vec::new(),
        timing: bench.timing.clone(),
        bands: bench.bands,
    };
    let looked_at = |point: &SensePoint| match (&point.means, &point.target) {
        (SenseMeans::Input { .. }, _) => true,
        (SenseMeans::Meter { .. }, Target::Supply(_)) => {
            // Where a person moves the leads, nobody knows where they are now.
            point.quantity == Quantity::AcVolts && !plan.is_probed(point)
        }
        (SenseMeans::Meter { .. } | SenseMeans::Operator, _) => false,
    };
    let points = plan.sense_points.iter().filter(|point| looked_at(point));
    plan.sense_points = points.cloned().collect();
    plan
}
