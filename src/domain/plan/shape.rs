//! The plan as data: what is written into the journal's first event.
//!
//! Place in the data's path: [`make_plan`](super::make_plan) fills it, the runner follows it,
//! reports read it. It holds no rule.

use super::equipment::EquipmentPlan;
use super::power::PowerPlan;
use crate::domain::bench_map::{BenchTiming, Loads, Rail, RelayAt, SenseMeans, UnderTest};
use crate::domain::measurement::Bands;
use crate::domain::profile::Changeover;
use crate::domain::{Call, Cell, Expected};
use crate::units::{End, MeterAccuracy, Milliseconds, Ohms, Quantity, Terminal};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// What a sense point looks at.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Target {
    /// A line against the common of the same end.
    Line(Terminal),
    /// A supply terminal against the common of the same end.
    Supply(Rail),
    /// Two terminals against each other.
    Pair(Terminal, Terminal),
}

impl Target {
    /// The terminal that is looked at; of a pair, the first.
    #[must_use]
    pub fn terminal(&self) -> Terminal {
        match self {
            Self::Line(line) | Self::Pair(line, _) => line.clone(),
            Self::Supply(rail) => rail.terminal(),
        }
    }
}

impl std::fmt::Display for Target {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Line(terminal) => write!(f, "{terminal}"),
            Self::Supply(rail) => write!(f, "{rail} to C"),
            Self::Pair(a, b) => write!(f, "{a} to {b}"),
        }
    }
}

/// One point that is read, with what reads it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SensePoint {
    /// What is looked at.
    pub target: Target,
    /// At which end.
    pub end: End,
    /// Which quantity.
    pub quantity: Quantity,
    /// By what.
    pub means: SenseMeans,
    /// The meter's own data, where a meter reads it.
    pub meter: Option<PlannedMeter>,
    /// Whether a load is across the point while it is read: the line's own, or one switched in.
    pub loaded: bool,
}

/// What a value of a meter is worth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PlannedMeter {
    /// Its stated accuracy on alternating volts.
    pub accuracy: MeterAccuracy,
    /// Its input resistance.
    pub input_ohms: Ohms,
}

/// Who makes a call.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MadeBy {
    /// The bench closes the lines' relays.
    Relays,
    /// A relay provokes a room controller.
    Stimulus(RelayAt),
    /// A person, who is asked to.
    Operator,
}

/// One line that the bench drives.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlannedDrive {
    /// The line.
    pub terminal: Terminal,
    /// Its relay.
    pub relay: RelayAt,
    /// The supply on the relay's common.
    pub common: Rail,
}

/// One step: a call made once.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlannedStep {
    /// Its number in the run, from 1.
    pub number: u32,
    /// The call.
    pub call: Call,
    /// Who makes it.
    pub made_by: MadeBy,
    /// The lines that are driven, in the order in which their relays close.
    pub drive: Vec<Terminal>,
    /// What every line must be; lines of the profile and lines that only the bench has.
    pub cells: BTreeMap<Terminal, Cell>,
    /// Patterns that are legal on the way to this one; a room controller's alone.
    pub on_the_way: Vec<BTreeMap<Terminal, Cell>>,
    /// From the last relay's closing to the first reading.
    pub settle_ms: Milliseconds,
    /// From the relays' opening to the release check.
    pub release_ms: Milliseconds,
}

impl PlannedStep {
    /// Whether a person has to take off again what they made; a call for nothing needs no end.
    #[must_use]
    pub fn is_ended_by_a_person(&self) -> bool {
        let made_something = self.call != Call::Idle || !self.drive.is_empty();
        self.made_by == MadeBy::Operator && made_something
    }
}

/// The changeover rule that the run is to show.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlannedChangeover {
    /// The convention.
    pub convention: Changeover,
    /// The line that carries it.
    pub terminal: Terminal,
}

/// A call of the table that the run does not make.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CallLeftOut {
    /// The call.
    pub call: Call,
    /// Why: it does not apply, or it was not asked for.
    pub why: String,
    /// Whether this equipment knows the call at all.
    pub applicable: bool,
}

/// Everything that a run does, resolved.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// What is being proven.
    pub under_test: UnderTest,
    /// What hangs on the lines.
    pub loads: Loads,
    /// Every line that is judged, in the order of the strip.
    pub lines: Vec<Terminal>,
    /// What drives them.
    pub drives: Vec<PlannedDrive>,
    /// What senses them and the supply.
    pub sense_points: Vec<SensePoint>,
    /// Groups of lines that are joined at the equipment.
    pub tied: Vec<BTreeSet<Terminal>>,
    /// The end at which the transformer sits.
    pub source_end: End,
    /// The steps, in order.
    pub steps: Vec<PlannedStep>,
    /// The pattern of a room controller at rest; `None` where the bench drives.
    pub rest: Option<BTreeMap<Terminal, Cell>>,
    /// Lines on which a reading proves nothing, with the reason.
    pub unreliable: BTreeMap<Terminal, String>,
    /// The changeover rule, where the profile has one.
    pub changeover: Option<PlannedChangeover>,
    /// Calls that are not made.
    pub left_out: Vec<CallLeftOut>,
    /// What a run on real or lifted loads needs beyond its calls; `None` on dummy loads
    /// without a master relay.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub equipment: Option<EquipmentPlan>,
    /// What is done to a room controller's supply; `None` where the bench can do nothing to it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub power: Option<PowerPlan>,
    /// What this bench cannot prove, in a person's words.
    pub not_proven: Vec<String>,
    /// Waits and samples.
    pub timing: BenchTiming,
    /// Where a measured voltage counts as on and as off.
    pub bands: Bands,
}

impl Plan {
    /// The step with this number.
    #[must_use]
    pub fn step(&self, number: u32) -> Option<&PlannedStep> {
        self.steps.iter().find(|step| step.number == number)
    }

    /// Whether a room controller at rest may hold this line live; never where the bench drives.
    #[must_use]
    pub fn may_be_live_at_rest(&self, terminal: &Terminal) -> bool {
        let cell = self.rest.as_ref().and_then(|rest| rest.get(terminal));
        cell.is_some_and(|cell| cell.expected != Expected::Off)
    }

    /// The relays that make calls, and those that act on a room controller's supply.
    pub fn relays(&self) -> impl Iterator<Item = &RelayAt> {
        let drives = self.drives.iter().map(|drive| &drive.relay);
        let stimuli = self.steps.iter().filter_map(|step| match &step.made_by {
            MadeBy::Stimulus(relay) => Some(relay),
            MadeBy::Relays | MadeBy::Operator => None,
        });
        let power = self.power.iter().flat_map(PowerPlan::relays);
        drives.chain(stimuli).chain(power)
    }

    /// What drives the line, where anything does.
    #[must_use]
    pub fn drive(&self, terminal: &Terminal) -> Option<&PlannedDrive> {
        self.drives.iter().find(|drive| drive.terminal == *terminal)
    }

    /// The points at which the line is sensed.
    pub fn line_points<'plan>(
        &'plan self,
        terminal: &'plan Terminal,
    ) -> impl Iterator<Item = &'plan SensePoint> {
        self.sense_points
            .iter()
            .filter(move |point| matches!(&point.target, Target::Line(line) if line == terminal))
    }

    /// The points at which the supply is sensed.
    pub fn supply_points(&self) -> impl Iterator<Item = &SensePoint> {
        self.sense_points
            .iter()
            .filter(|point| matches!(point.target, Target::Supply(_)))
    }
}
