//! What is done to a room controller's supply: other levels of it, and its loss and return.
//!
//! Place in the data's path: the planner adds these steps behind the calls of the table, the runner
//! selects levels and cuts the supply as they say, reports name them. Why not every call is made
//! again stands in docs/design/05-room-controllers.md: a call that a controller passes through on
//! its way to another one, as far as its lines go, is shown by that other one.

use super::shape::{MadeBy, Plan, PlannedStep};
use crate::domain::bench_map::{BenchMap, RelayAt, SupplyLevel, UnderTest};
use crate::domain::measurement::{Bands, MeasuredVolts};
use crate::domain::profile::{LineRole, Profile};
use crate::domain::{Call, Expected};
use crate::units::{Milliseconds, Terminal, Volts};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// How far R to C may lie from a level's stated volts with no output on, as a part of them
/// (assumed). Beyond it the bench does not do what its file says.
const LEVEL_TOLERANCE: f64 = 0.05;

/// Under which supply a step is made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SupplyCondition {
    /// At this level, by its name.
    Level(String),
    /// At the bench's usual supply, which is cut while the call stands and comes back.
    PowerLoss,
}

/// The relay that cuts the supply, and what the controller has to do then.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Interruption {
    /// The relay: closed, the controller has no power.
    pub relay: RelayAt,
    /// How long it stays closed.
    pub lasts: Milliseconds,
    /// How long a compressor that was on has to stay off, from the cut.
    pub minimum_off: Milliseconds,
}

/// One level of the supply.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlannedLevel {
    /// Its name.
    pub name: String,
    /// The relay that selects it.
    pub relay: RelayAt,
    /// R to C with no output on.
    pub volts: Volts,
    /// Where a voltage counts as on and as off at this level.
    pub bands: Bands,
}

impl PlannedLevel {
    fn of(level: &SupplyLevel, bands: &Bands) -> Self {
        Self {
            name: level.name.clone(),
            relay: level.relay.clone(),
            volts: level.volts,
            bands: bands.at_supply(level.volts),
        }
    }

    /// Whether a reading with no output on is surely another tension than this level's.
    #[must_use]
    pub fn is_missed_by(&self, measured: &MeasuredVolts) -> bool {
        let apart = (measured.volts.0 - self.volts.0).abs();
        apart - measured.expanded().0 > LEVEL_TOLERANCE * self.volts.0
    }
}

/// Everything that a run does to a room controller's supply.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PowerPlan {
    /// How the supply is cut; `None` where the bench cannot.
    pub interruption: Option<Interruption>,
    /// Levels of the supply beside the usual one.
    pub levels: Vec<PlannedLevel>,
    /// Lines that run a compressor.
    pub compressor: BTreeSet<Terminal>,
    /// Steps that are made under another condition than the usual supply, by number.
    pub steps: BTreeMap<u32, SupplyCondition>,
}

impl PowerPlan {
    /// Every relay that acts on the supply.
    pub fn relays(&self) -> impl Iterator<Item = &RelayAt> {
        let cut = self.interruption.iter().map(|cut| &cut.relay);
        cut.chain(self.levels.iter().map(|level| &level.relay))
    }
}

impl Plan {
    /// Under which condition of the supply a step is made; `None` for the usual one.
    #[must_use]
    pub fn condition(&self, step: u32) -> Option<&SupplyCondition> {
        self.power.as_ref()?.steps.get(&step)
    }

    /// The level of the supply at which a step is made; `None` for the usual one.
    #[must_use]
    pub fn level_of(&self, step: u32) -> Option<&PlannedLevel> {
        let Some(SupplyCondition::Level(name)) = self.condition(step) else {
            return None;
        };
        let mut levels = self.power.as_ref()?.levels.iter();
        levels.find(|level| level.name == *name)
    }

    /// How the supply is cut in a step; `None` where it is not.
    #[must_use]
    pub fn interruption_in(&self, step: u32) -> Option<&Interruption> {
        let is_cut = self.condition(step) == Some(&SupplyCondition::PowerLoss);
        self.power
            .as_ref()
            .filter(|_| is_cut)?
            .interruption
            .as_ref()
    }

    /// Where a voltage counts as on and as off in a step.
    #[must_use]
    pub fn bands_in(&self, step: u32) -> Bands {
        self.level_of(step).map_or(self.bands, |level| level.bands)
    }

    /// A step's name: its call, and the condition where it is not the usual one.
    #[must_use]
    pub fn step_name(&self, step: &PlannedStep) -> String {
        let call = &step.call;
        match self.condition(step.number) {
            None => call.to_string(),
            Some(SupplyCondition::Level(name)) => format!("{call} at {name}"),
            Some(SupplyCondition::PowerLoss) => format!("{call}, power loss"),
        }
    }
}

/// The bench's own means, and the steps that they add to these; `None` where it has none.
pub(super) fn power_plan(
    profile: &Profile,
    bench: &BenchMap,
    steps: &[PlannedStep],
) -> Option<(PowerPlan, Vec<PlannedStep>)> {
    let supply = &bench.supply;
    let has_means = supply.interrupt.is_some() || !supply.levels.is_empty();
    if bench.under_test != UnderTest::Controller || !has_means {
        return None;
    }
    let timing = &bench.timing;
    let interruption = supply.interrupt.clone().map(|relay| Interruption {
        relay,
        lasts: timing.power_loss,
        minimum_off: timing.controller_minimum_off,
    });
    let levels: Vec<PlannedLevel> = supply
        .levels
        .iter()
        .map(|level| PlannedLevel::of(level, &bench.bands))
        .collect();
    let telling = telling_steps(steps);
    let mut added: Vec<(SupplyCondition, &PlannedStep)> = Vec::new();
    for level in &levels {
        let condition = SupplyCondition::Level(level.name.clone());
        added.extend(telling.iter().map(|step| (condition.clone(), *step)));
    }
    if interruption.is_some() {
        let calls = telling.iter().filter(|step| step.call != Call::Idle);
        added.extend(calls.map(|step| (SupplyCondition::PowerLoss, *step)));
    }
    let first = steps.iter().map(|step| step.number).max().unwrap_or(0) + 1;
    let numbered: Vec<(u32, (SupplyCondition, &PlannedStep))> = (first..).zip(added).collect();
    let made = numbered.iter().map(|(number, (_, step))| PlannedStep {
        number: *number,
        ..(*step).clone()
    });
    let made = made.collect();
    let conditions = numbered.into_iter();
    let plan = PowerPlan {
        interruption,
        levels,
        compressor: compressor_lines(profile),
        steps: conditions
            .map(|(number, (condition, _))| (number, condition))
            .collect(),
    };
    Some((plan, made))
}

/// The steps that are made again: idle, and every call that no other shows with it, in their order.
fn telling_steps(steps: &[PlannedStep]) -> Vec<&PlannedStep> {
    let is_told = |step: &PlannedStep| {
        step.call == Call::Idle || !steps.iter().any(|other| is_shown_by(step, other))
    };
    steps.iter().filter(|step| is_told(step)).collect()
}

/// Whether the other call has every line of this one on and more, and is one that a controller
/// reaches through it: a higher stage of the same mode, or any call for the fan alone.
fn is_shown_by(step: &PlannedStep, other: &PlannedStep) -> bool {
    let on = |step: &PlannedStep| -> BTreeSet<Terminal> {
        let cells = step.cells.iter();
        let on = cells.filter(|(_, cell)| cell.expected == Expected::On);
        on.map(|(line, _)| line.clone()).collect()
    };
    let heats = |call: &Call| matches!(call, Call::Heating(_) | Call::AuxiliaryHeat(_));
    let leads_there = step.call == Call::FanOnly
        || (step.call.is_cooling() && other.call.is_cooling())
        || (heats(&step.call) && heats(&other.call));
    let (these, others) = (on(step), on(other));
    // A person is asked for less where a relay provokes as much.
    let as_easily = step.made_by == MadeBy::Operator || other.made_by != MadeBy::Operator;
    leads_there && as_easily && these.is_subset(&others) && these != others
}

fn compressor_lines(profile: &Profile) -> BTreeSet<Terminal> {
    let roles = profile.lines().into_iter();
    let runs = |role: &LineRole| matches!(role, LineRole::Compressor(_) | LineRole::HeatPumpHeat);
    roles
        .filter(|(_, role)| runs(role))
        .map(|(line, _)| line)
        .collect()
}
