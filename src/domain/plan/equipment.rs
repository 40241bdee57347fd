//! What a plan holds beyond its calls where machines may start: order, timers, who must be silent.
//!
//! The crossed wires that a run looks for defeat naive rules: with O and W2 crossed, O alone fires
//! the strips; with Y and G crossed, "fan" starts the compressor. So the order is fixed
//! (`fan-only`, the changeover line with the fan on, heat without the compressor, compressor
//! calls), each step says which machines may run in it, and every other one must be silent.
//!
//! Place in the data's path: `make` asks here for the rows of a run on real loads and hangs an
//! [`EquipmentPlan`] on the plan; the runner's `equipment` follows it. Nothing here waits.

use super::shape::PlannedStep;
use crate::domain::bench_map::{Loads, RelayAt, Sense, SenseMeans, UnderTest};
use crate::domain::measurement::COVERAGE;
use crate::domain::profile::{Auxiliary, FanInHeat, Heat, Interface};
use crate::domain::{BenchMap, Call, Check, Expected, Machine, Profile, Row, TruthTable};
use crate::units::{Ohms, Quantity, Seconds, Terminal};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// Three minutes: how long a compressor runs once it has started (from memory).
const MINIMUM_ON: Seconds = Seconds(180);
/// How long air may take after the fan was called, or after heat beyond its declared delay.
const AIR: Seconds = Seconds(15);
/// How long a person has to say which machines run (assumed: a walk to the outdoor unit).
const LOOK_ROUND: Seconds = Seconds(60);
/// The least that the blower runs on after electric heat (from memory).
const ELECTRIC_FAN_HOLD: Seconds = Seconds(90);
/// The longest that a defrost is waited for: about 10 minutes of defrost (from memory), and half
/// as much again.
const DEFROST: Seconds = Seconds(900);

/// Whence the air of a step must come, and so when it is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AirFrom {
    /// The fan line, before anything else is called.
    FanLine,
    /// The compressor's own call, where there is no fan line.
    Compressor,
    /// The equipment, some time after the heat call.
    Heat,
    /// Nowhere: the step moves no air.
    Nowhere,
}

/// The waits of a run on real loads.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct MachineTimes {
    /// From supply-on, program start or a compressor's end to the next call; 0 without a
    /// compressor.
    pub minimum_off: Seconds,
    /// From a compressor's start to its release.
    pub minimum_on: Seconds,
    /// From the fan's call to its air.
    pub air_after_fan: Seconds,
    /// From a heat call to the equipment's own air.
    pub air_after_heat: Seconds,
    /// How long the fan line outlives the call.
    pub fan_hold: Seconds,
    /// Between heat and compressor where one replaces the other, else 0.
    pub cool_down: Seconds,
    /// How long a defrost is waited for.
    pub defrost: Seconds,
    /// How long a person has to say which machines run.
    pub look_round: Seconds,
}

/// The current that a load takes, between its limits.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CurrentBand {
    /// The least, in amperes.
    pub from_amps: f64,
    /// The most, in amperes.
    pub to_amps: f64,
}

impl CurrentBand {
    /// The sealed coil's current from 18 to 30 V, the band in which a 24 V coil holds (from
    /// memory), with a fifth on either side for its tolerance (assumed).
    #[must_use]
    pub fn of_coil(sealed: Ohms) -> Self {
        Self {
            from_amps: 18.0 / sealed.0 * 0.8,
            to_amps: 30.0 / sealed.0 * 1.2,
        }
    }

    /// Whether the current is inside by more than its expanded uncertainty.
    #[must_use]
    pub fn holds(&self, amps: f64, u: f64) -> bool {
        let reach = COVERAGE * u;
        amps - reach >= self.from_amps && amps + reach <= self.to_amps
    }
}

/// One step beyond its call.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StepOnMachines {
    /// Lines that close first and settle: the changeover line and the fan.
    pub first: Vec<Terminal>,
    /// Lines that call a machine: Y, then W and E.
    pub then: Vec<Terminal>,
    /// The machines that may run; every other one must be silent.
    pub may_run: BTreeSet<Machine>,
    /// Whether the step calls a compressor, by whichever letter.
    pub runs_compressor: bool,
    /// Whether it calls heat that is not the compressor's.
    pub runs_heat: bool,
    /// Whether the compressor heats in it.
    pub compressor_heats: bool,
    /// Whence its air comes.
    pub air_from: AirFrom,
    /// Whether the step goes on into the next, which adds to it.
    pub kept_on: bool,
    /// Whether a person is asked what the supply air does.
    pub asks_warmth: bool,
}

/// What a run on real or lifted loads needs beyond its calls.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EquipmentPlan {
    /// What a named person confirms first.
    pub checklist: Vec<Check>,
    /// Whether a call starts machines: false where every load is lifted.
    pub starts_machines: bool,
    /// Whether the lines are sensed at the bench's own relays only, so that a voltage there says
    /// nothing of the equipment.
    pub senses_own_relays: bool,
    /// The relay that feeds all others.
    pub master: Option<RelayAt>,
    /// Whether auxiliary heat replaces the compressor.
    pub replaces: bool,
    /// Waits.
    pub times: MachineTimes,
    /// Which line calls which machine.
    pub machines: BTreeMap<Terminal, Machine>,
    /// Lines that the equipment drives.
    pub inputs: BTreeSet<Terminal>,
    /// Lines that a defrost may feed.
    pub auxiliary: BTreeSet<Terminal>,
    /// What a driven line's current must be, where the bench file gives its load.
    pub currents: BTreeMap<Terminal, CurrentBand>,
    /// What an ohmmeter reads of the bench's own load on a line, where the bench brings one.
    pub own_ohms: BTreeMap<Terminal, Ohms>,
    /// Steps by number; empty where no machine starts.
    pub steps: BTreeMap<u32, StepOnMachines>,
}

impl EquipmentPlan {
    /// Every machine that a line calls, once, and the fan, whether it has a line or not.
    #[must_use]
    pub fn all_machines(&self) -> Vec<Machine> {
        let mut all: BTreeSet<Machine> = self.machines.values().cloned().collect();
        all.insert(Machine::Fan);
        all.into_iter().collect()
    }
}

/// Whether a call is made although it was not asked for: what later calls need to be safe.
pub(super) fn is_needed_first(call: &Call) -> bool {
    matches!(call, Call::Idle | Call::FanOnly | Call::Alone(_))
}

/// The rows of a run on real loads, in its order.
pub(super) fn rows(profile: &Profile, table: &TruthTable) -> Vec<Row> {
    let lines = profile.lines();
    let row = |call: &Call| {
        let row = table.row(call).filter(|row| row.applicable)?.clone();
        Some(with_fan_in_heat(at_rest_undriven(row)))
    };
    let mut rows: Vec<Row> = [Call::Idle, Call::FanOnly].iter().filter_map(row).collect();
    if let Some(changeover) = profile.changeover().filter(|_| profile.fan_line()) {
        rows.push(changeover_with_fan(
            table.alone_row(&changeover.terminal()),
            table,
        ));
    }
    let calls_compressor = |row: &Row| {
        row.demanded
            .iter()
            .filter_map(|line| Some(Machine::of(line, *lines.get(line)?)))
            .any(|machine| machine.is_compressor())
    };
    let rest = [
        Call::EmergencyHeat,
        Call::Cooling(1),
        Call::Cooling(2),
        Call::Heating(1),
        Call::Heating(2),
        Call::AuxiliaryHeat(1),
        Call::AuxiliaryHeat(2),
    ];
    let (compressor, heat): (Vec<Row>, Vec<Row>) =
        rest.iter().filter_map(row).partition(calls_compressor);
    // Without a fan line the compressor's call is the first that is known to bring air.
    if profile.fan_line() {
        rows.extend(heat);
        rows.extend(compressor);
    } else {
        rows.extend(compressor);
        rows.extend(heat);
    }
    rows
}

/// Nothing is driven before the machines have had their minimum-off time, not even an accessory
/// that is energised at rest.
fn at_rest_undriven(mut row: Row) -> Row {
    if row.call == Call::Idle {
        row.demanded.clear();
    }
    row
}

/// G that may be either in heat is driven: air costs nothing, heat without it does.
fn with_fan_in_heat(mut row: Row) -> Row {
    let fan = Terminal::known("G");
    if row.call.is_heat()
        && let Some(cell) = row.cells.get_mut(&fan)
        && cell.expected == Expected::Either
    {
        cell.expected = Expected::On;
        cell.reason = format!("{}; on real loads it is driven", cell.reason);
        row.demanded.insert(fan);
    }
    row
}

fn changeover_with_fan(mut row: Row, table: &TruthTable) -> Row {
    let fan = Terminal::known("G");
    let fan_row = table.row(&Call::FanOnly);
    if let Some(cell) = fan_row.and_then(|fan_row| fan_row.cells.get(&fan)) {
        let mut cell = cell.clone();
        cell.reason = "the fan runs: were this line crossed with heat, heat would have air".into();
        row.cells.insert(fan.clone(), cell);
        row.demanded.insert(fan);
    }
    row
}

/// What hangs on the plan beside its steps; `None` on dummy loads without a master relay.
pub(super) fn equipment_plan(
    profile: &Profile,
    bench: &BenchMap,
    steps: &[PlannedStep],
) -> Option<EquipmentPlan> {
    if bench.loads == Loads::Dummy && bench.master.is_none() {
        return None;
    }
    let mut machines: BTreeMap<Terminal, Machine> = profile
        .lines()
        .into_iter()
        .map(|(line, role)| (line.clone(), Machine::of(&line, role)))
        .collect();
    // What hangs on a line that the profile lacks is asked about where no device says that the
    // line is dead.
    let by_device = |sense: &Sense| {
        let shows_state = matches!(sense.quantity, Quantity::Presence | Quantity::AcVolts);
        shows_state && sense.means != SenseMeans::Operator
    };
    for line in bench.lines.values() {
        if !line.senses.iter().any(by_device) {
            let unknown = machines.entry(line.terminal.clone());
            unknown.or_insert(Machine::Other);
        }
    }
    let starts_machines = bench.loads == Loads::Real;
    let mut planned = BTreeMap::new();
    if starts_machines {
        for (at, step) in steps.iter().enumerate() {
            let on = step_on_machines(profile, &machines, step, steps.get(at + 1));
            planned.insert(step.number, on);
        }
        ask_warmth_once(steps, &mut planned);
    }
    let amps = bench.lines.values().filter_map(|line| {
        let sealed = line.load.as_ref()?.sealed_ohms?;
        Some((line.terminal.clone(), CurrentBand::of_coil(sealed)))
    });
    let heat_lines = profile.auxiliary_lines().iter();
    Some(EquipmentPlan {
        checklist: Check::applying(profile, bench.loads),
        starts_machines,
        senses_own_relays: bench.under_test == UnderTest::Equipment,
        master: bench.master.clone(),
        replaces: profile.auxiliary() == Auxiliary::Replaces,
        times: times(profile),
        inputs: machines
            .keys()
            .filter(|line| profile.is_input(line))
            .cloned()
            .collect(),
        auxiliary: heat_lines.chain(profile.emergency()).cloned().collect(),
        machines,
        currents: amps.collect(),
        own_ohms: own_ohms(bench),
        steps: planned,
    })
}

/// At the equipment a `load` describes the machine's own coil: that must not be there when it is
/// said to be lifted.
fn own_ohms(bench: &BenchMap) -> BTreeMap<Terminal, Ohms> {
    if bench.under_test == UnderTest::Equipment {
        return BTreeMap::new();
    }
    bench
        .lines
        .values()
        .filter_map(|line| Some((line.terminal.clone(), line.load.as_ref()?.dc_ohms?)))
        .collect()
}

fn times(profile: &Profile) -> MachineTimes {
    let has_compressor = profile.compressor_stages() > 0;
    let least_hold = if profile.heat() == Heat::Electric && profile.heat_stages() > 0 {
        ELECTRIC_FAN_HOLD
    } else {
        Seconds(0)
    };
    let replaces = profile.auxiliary() == Auxiliary::Replaces;
    MachineTimes {
        minimum_off: if has_compressor {
            profile.minimum_off()
        } else {
            Seconds(0)
        },
        minimum_on: MINIMUM_ON,
        air_after_fan: AIR,
        air_after_heat: Seconds(profile.heat_fan_delay().0 + AIR.0),
        fan_hold: profile.fan_off_delay().max(least_hold),
        cool_down: if replaces {
            profile.cool_down()
        } else {
            Seconds(0)
        },
        defrost: DEFROST,
        look_round: LOOK_ROUND,
    }
}

fn step_on_machines(
    profile: &Profile,
    machines: &BTreeMap<Terminal, Machine>,
    step: &PlannedStep,
    next: Option<&PlannedStep>,
) -> StepOnMachines {
    let machine = |line: &Terminal| machines.get(line);
    let comes_first =
        |line: &&Terminal| matches!(machine(line), Some(Machine::Valve | Machine::Fan));
    let first: Vec<Terminal> = step.drive.iter().filter(comes_first).cloned().collect();
    let then: Vec<Terminal> = step
        .drive
        .iter()
        .filter(|line| !comes_first(line))
        .cloned()
        .collect();
    let called = |wanted: &dyn Fn(&Machine) -> bool| then.iter().filter_map(machine).any(wanted);
    let runs_compressor = called(&Machine::is_compressor);
    let runs_heat = called(&Machine::is_heat);
    let has_fan = first
        .iter()
        .any(|line| machine(line) == Some(&Machine::Fan));
    let air_from = if has_fan {
        AirFrom::FanLine
    } else if runs_compressor && !profile.fan_line() {
        AirFrom::Compressor
    } else if (runs_heat || runs_compressor) && profile.fan_in_heat() != Some(FanInHeat::None) {
        AirFrom::Heat
    } else {
        AirFrom::Nowhere
    };
    // What is live because it is driven, and what is live because it is joined to that.
    let on = step
        .cells
        .iter()
        .filter(|(_, cell)| cell.expected == Expected::On)
        .map(|(line, _)| line);
    let mut may_run: BTreeSet<Machine> = on.filter_map(machine).cloned().collect();
    if air_from != AirFrom::Nowhere {
        may_run.insert(Machine::Fan);
    }
    if profile.interface() == Some(Interface::Conventional) && runs_compressor {
        // The equipment starts whatever stage it wants.
        may_run.insert(Machine::SecondStage);
    }
    StepOnMachines {
        first,
        runs_compressor,
        runs_heat,
        compressor_heats: runs_compressor && step.call.is_heat(),
        air_from,
        kept_on: next.is_some_and(|next| goes_on(step, next, runs_compressor || runs_heat)),
        asks_warmth: false,
        then,
        may_run,
    }
}

/// Whether the next step is this one with more stages: it then keeps what runs.
fn goes_on(step: &PlannedStep, next: &PlannedStep, runs: bool) -> bool {
    let same_mode = step.call.is_cooling() == next.call.is_cooling()
        && step.call.is_heat() == next.call.is_heat()
        && (step.call == Call::EmergencyHeat) == (next.call == Call::EmergencyHeat);
    let adds = step.drive.iter().all(|line| next.drive.contains(line));
    runs && same_mode && adds
}

/// The supply air is asked about in the first cooling and the first heating call of the
/// compressor.
fn ask_warmth_once(steps: &[PlannedStep], planned: &mut BTreeMap<u32, StepOnMachines>) {
    for cooling in [true, false] {
        let first = steps.iter().find(|step| {
            let runs = planned
                .get(&step.number)
                .is_some_and(|on| on.runs_compressor && !on.runs_heat);
            runs && step.call.is_cooling() == cooling
        });
        if let Some(on) = first.and_then(|step| planned.get_mut(&step.number)) {
            on.asks_warmth = true;
        }
    }
}
