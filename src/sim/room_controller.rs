//! A room controller under test: a call is asked of it, and its own timers let it answer.
//!
//! Place in the data's path: the world tells it the time, what is asked and whether it has power;
//! it says which of its output relays are commanded. What a faulty relay makes of that is
//! `contact_fault`'s, and where the output goes is the physics'. It knows no bytes and no relay of
//! the bench.
//!
//! It steps up through the smaller stages of a call, holds its compressor off and on for a minimum
//! time, lets the fan lag behind and run on, and after a loss of power begins again. Time is only
//! ever looked at when something asks, so hours of waiting cost nothing.

use super::random::{Draws, Purpose};
use crate::domain::profile::{ChangeoverAtRest, LineRole, Profile};
use crate::domain::{Call, Expected, Row, TruthTable};
use crate::units::{Microseconds, Terminal, Volts};
use std::collections::{BTreeMap, BTreeSet};

/// One second.
const SECOND: u64 = 1_000_000;

/// The index of this device's draws among those of the whole bench; 0 is the mains' phase.
const DRAWS: usize = 1;

/// The controller's own times, in microseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Timers {
    /// From power to the first output.
    power_up: u64,
    /// From one stage to the next.
    stage_up: u64,
    /// From the compressor's end, or from power, to its next start.
    minimum_off: u64,
    /// From the compressor's start to its earliest end.
    minimum_on: u64,
    /// From the call to the fan.
    fan_on: u64,
    /// From the end of the call to the fan's.
    fan_off: u64,
}

impl Timers {
    /// Times of our own choice within what is usual (from memory): power-up 5 to 120 s, stage-up 5
    /// to 10 min, minimum off 3 to 5 min, minimum on 2 to 5 min, fan on 0 to 7 s, off 30 to 90 s.
    fn drawn(draws: &mut Draws) -> Self {
        let mut seconds = |range| draws.within(range) * SECOND;
        Self {
            power_up: seconds(5..=120),
            stage_up: seconds(300..=600),
            minimum_off: seconds(180..=300),
            minimum_on: seconds(120..=300),
            fan_on: seconds(0..=7),
            fan_off: seconds(30..=90),
        }
    }
}

/// One stage on the way to a call.
#[derive(Debug, Clone)]
struct Rung {
    /// Lines that are on.
    on: BTreeSet<Terminal>,
    /// Lines that the profile leaves open here.
    open: BTreeSet<Terminal>,
    runs_compressor: bool,
}

/// What it is doing.
#[derive(Debug, Clone)]
struct Active {
    call: Call,
    rung: usize,
    since: u64,
}

/// Something that happens by itself at a known time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Next {
    Enter(usize),
    Leave,
}

/// A fault of a room controller's own, which shows only in what becomes of its supply.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ControllerFault {
    /// After a loss of power its compressor waits for nothing but the start of the controller.
    RestartsAtOnce,
    /// After a loss of power it follows the other convention of the reversing valve (O/B).
    ForgetsConvention,
    /// After a loss of power it stays dark.
    StaysDark,
    /// Its output relays hold only while it has these volts.
    OutputsNeed(Volts),
}

/// A room controller.
#[derive(Debug)]
pub(super) struct RoomController {
    fault: Option<ControllerFault>,
    /// Whether it has lost its power and got it back.
    lost_power: bool,
    timers: Timers,
    at_rest: Rung,
    ladders: BTreeMap<Call, Vec<Rung>>,
    valve: Option<Terminal>,
    /// Whether it keeps the reversing valve (O/B) as the last mode left it.
    holds_valve: bool,
    /// Whether it runs the fan in heat where the profile leaves that open.
    fan_where_open: bool,
    has_power: bool,
    ready_at: u64,
    compressor_may_start: u64,
    compressor_since: u64,
    wanted: Call,
    wanted_since: u64,
    active: Option<Active>,
    fan_from: u64,
    fan_until: u64,
    valve_was_on: bool,
}

impl RoomController {
    /// One for this equipment, without power yet.
    pub(super) fn new(profile: &Profile, seed: u64) -> Self {
        let table = TruthTable::of(profile);
        let mut draws = Draws::new(seed, Purpose::Bench, DRAWS);
        let timers = Timers::drawn(&mut draws);
        let holds = draws.chance(0.5);
        let rung = |row: &Row| Rung::of(row, profile);
        let ladders = table.rows().iter().filter(|row| row.applicable).map(|row| {
            let steps = stages_of(&row.call)
                .into_iter()
                .filter_map(|stage| table.row(&stage))
                .filter(|row| row.applicable)
                .map(rung)
                .collect();
            (row.call.clone(), steps)
        });
        let idle = table.row(&Call::Idle).expect("every table has idle");
        Self {
            fault: None,
            lost_power: false,
            timers,
            at_rest: rung(idle),
            ladders: ladders.collect(),
            valve: profile.changeover().map(|convention| convention.terminal()),
            holds_valve: match profile.changeover_at_rest() {
                ChangeoverAtRest::Off => false,
                ChangeoverAtRest::FollowsMode => true,
                ChangeoverAtRest::Either => holds,
            },
            fan_where_open: draws.chance(0.5),
            has_power: false,
            ready_at: 0,
            compressor_may_start: 0,
            compressor_since: 0,
            wanted: Call::Idle,
            wanted_since: 0,
            active: None,
            fan_from: 0,
            fan_until: 0,
            valve_was_on: false,
        }
    }

    /// Lets time pass until now with what was asked before, then asks this.
    pub(super) fn follow(&mut self, now: Microseconds, wanted: &Call, has_power: bool) {
        let now = now.0;
        if !has_power {
            self.lost_power |= self.has_power;
            self.has_power = false;
            self.active = None;
            return;
        }
        if !self.has_power {
            self.has_power = true;
            self.ready_at = now + self.timers.power_up;
            self.compressor_may_start = if self.suffers(ControllerFault::RestartsAtOnce) {
                self.ready_at
            } else {
                now + self.timers.minimum_off
            };
            self.fan_until = 0;
            self.valve_was_on = false;
            self.wanted_since = now;
        }
        self.pass_time(now);
        if *wanted != self.wanted {
            self.wanted = wanted.clone();
            self.wanted_since = now;
            self.pass_time(now);
        }
    }

    pub(super) fn spoil(&mut self, fault: ControllerFault) {
        self.fault = Some(fault);
    }

    /// Whether it has this fault, and has lost its power once.
    fn suffers(&self, fault: ControllerFault) -> bool {
        self.lost_power && self.fault == Some(fault)
    }

    fn pass_time(&mut self, now: u64) {
        while let Some((at, next)) = self.next()
            && at <= now
        {
            self.happen(at, next);
        }
    }

    fn ladder(&self, call: &Call) -> &[Rung] {
        self.ladders.get(call).map_or(&[], Vec::as_slice)
    }

    fn active_rung(&self) -> Option<&Rung> {
        let active = self.active.as_ref()?;
        self.ladder(&active.call).get(active.rung)
    }

    /// What happens next if nothing else is asked, and when.
    fn next(&self) -> Option<(u64, Next)> {
        let Some(active) = &self.active else {
            if self.wanted == Call::Idle {
                return None;
            }
            let rung = self.ladder(&self.wanted).first()?;
            let at = self.wanted_since.max(self.ready_at);
            return Some((self.start_of(rung, at, false), Next::Enter(0)));
        };
        let runs = self.active_rung().is_some_and(|rung| rung.runs_compressor);
        let may_stop = if runs {
            self.compressor_since + self.timers.minimum_on
        } else {
            0
        };
        if active.call != self.wanted {
            return Some((self.wanted_since.max(may_stop), Next::Leave));
        }
        let rung = self.ladder(&active.call).get(active.rung + 1)?;
        let mut at = active.since + self.timers.stage_up;
        if !rung.runs_compressor {
            at = at.max(may_stop);
        }
        Some((self.start_of(rung, at, runs), Next::Enter(active.rung + 1)))
    }

    fn start_of(&self, rung: &Rung, at: u64, runs_already: bool) -> u64 {
        if rung.runs_compressor && !runs_already {
            at.max(self.compressor_may_start)
        } else {
            at
        }
    }

    fn happen(&mut self, at: u64, next: Next) {
        let before = self.active_rung().cloned();
        let had = |test: fn(&Rung) -> bool| before.as_ref().is_some_and(test);
        let ran = had(|rung| rung.runs_compressor);
        let fanned = had(Rung::has_fan);
        match next {
            Next::Leave => {
                let call = self.active.take().map(|active| active.call);
                if fanned && call != Some(Call::FanOnly) {
                    self.fan_until = at + self.timers.fan_off;
                }
                // What is asked now begins once this has ended.
                self.wanted_since = self.wanted_since.max(at);
            }
            Next::Enter(rung) => {
                let since = at;
                let call = self.wanted.clone();
                if !fanned && call != Call::FanOnly && self.fan_until < at {
                    self.fan_from = at + self.timers.fan_on;
                }
                self.active = Some(Active { call, rung, since });
            }
        }
        let (runs, valve_is_on) = self.active_rung().map_or((false, None), |rung| {
            let valve = self.valve.as_ref().filter(|v| !rung.open.contains(v));
            (rung.runs_compressor, valve.map(|v| rung.on.contains(v)))
        });
        if let Some(on) = valve_is_on {
            self.valve_was_on = on;
        }
        if runs && !ran {
            self.compressor_since = at;
        } else if ran && !runs {
            self.compressor_may_start = at + self.timers.minimum_off;
        }
    }

    /// The lines whose output relay is closed while the controller has these volts.
    pub(super) fn outputs(&self, now: Microseconds, supply: Volts) -> BTreeSet<Terminal> {
        let holds = match self.fault {
            Some(ControllerFault::OutputsNeed(volts)) => supply >= volts,
            _ => !self.suffers(ControllerFault::StaysDark),
        };
        if !self.has_power || now.0 < self.ready_at || !holds {
            return BTreeSet::new();
        }
        let rung = self.active_rung().unwrap_or(&self.at_rest);
        let mut on = rung.on.clone();
        let fan = Terminal::known("G");
        if rung.open.contains(&fan) && self.fan_where_open {
            on.insert(fan.clone());
        }
        if self.active.is_some() && now.0 < self.fan_from {
            on.remove(&fan);
        }
        if self.active.is_none() && now.0 < self.fan_until {
            on.insert(fan);
        }
        if let Some(valve) = &self.valve
            && rung.runs_compressor
            && self.suffers(ControllerFault::ForgetsConvention)
            && !on.remove(valve)
        {
            on.insert(valve.clone());
        }
        if let Some(valve) = &self.valve
            && rung.open.contains(valve)
            && self.holds_valve
            && self.valve_was_on
        {
            on.insert(valve.clone());
        }
        on
    }
}

impl Rung {
    fn of(row: &Row, profile: &Profile) -> Self {
        let roles = profile.lines();
        let runs = |line: &Terminal| {
            matches!(
                roles.get(line),
                Some(LineRole::Compressor(_) | LineRole::HeatPumpHeat)
            )
        };
        let open = row
            .cells
            .iter()
            .filter(|(_, cell)| cell.expected == Expected::Either)
            .map(|(line, _)| line.clone());
        Self {
            on: row.demanded.clone(),
            open: open.collect(),
            runs_compressor: row.demanded.iter().any(runs),
        }
    }

    fn has_fan(&self) -> bool {
        self.on.contains(&Terminal::known("G"))
    }
}

/// The stages through which a controller goes up to a call, the call itself last.
fn stages_of(call: &Call) -> Vec<Call> {
    match call {
        Call::Cooling(stage) => (1..=*stage).map(Call::Cooling).collect(),
        Call::Heating(stage) => (1..=*stage).map(Call::Heating).collect(),
        Call::AuxiliaryHeat(stage) => [Call::Heating(1), Call::Heating(2)]
            .into_iter()
            .chain((1..=*stage).map(Call::AuxiliaryHeat))
            .collect(),
        other => vec![other.clone()],
    }
}

#[cfg(test)]
#[path = "room_controller_tests.rs"]
mod tests;
