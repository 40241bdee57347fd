//! The machines behind the wiring, and a person who stands beside them.
//!
//! Place in the data's path: the world tells the house, moment by moment, which loads are pulled
//! in; the house knows what runs, since when, and what would have come to harm:
//! compressor starts inside the minimum-off time, heat without air. It has no protection of its own
//! and no delay that would hide a mistake, so that harm shows. The person answers what is asked as
//! they see it and never knows what was called.
//!
//! Delays (from memory, the short end): the equipment's own blower follows electric heat after 2 s
//! and other heat after 45 s.

use crate::domain::profile::{Changeover, FanInHeat, Heat, Interface, Profile};
use crate::domain::{Machine, Question, Warmth};
use crate::units::{Microseconds, Seconds, Terminal};
use std::collections::{BTreeMap, BTreeSet};

/// One span in which a machine ran.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MachineRun {
    /// The machine.
    pub machine: Machine,
    /// From when.
    pub from: Microseconds,
    /// Until when; `None` while it runs.
    pub to: Option<Microseconds>,
}

/// A defrost that the outdoor unit makes by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Defrost {
    /// How long the compressor has heated when it begins.
    pub after: Seconds,
    /// How long it lasts.
    pub lasts: Seconds,
}

/// The machines of one profile.
#[derive(Debug)]
pub(super) struct House {
    machines: BTreeMap<Terminal, Machine>,
    changeover: Option<Changeover>,
    conventional: bool,
    has_fan_line: bool,
    own_fan_after: Option<Microseconds>,
    minimum_off: Microseconds,
    defrost: Option<Defrost>,
    /// Lines whose load was in at the last moment.
    pulled_in: BTreeSet<Terminal>,
    running: BTreeMap<Machine, Microseconds>,
    history: Vec<MachineRun>,
    compressor_stopped: Microseconds,
    short_cycles: u32,
    heating_since: Option<Microseconds>,
    heat_without_air: Microseconds,
    without_air_since: Option<Microseconds>,
}

impl House {
    /// Everything at rest, power on at this moment.
    pub(super) fn new(profile: &Profile) -> Self {
        let machines = profile
            .lines()
            .into_iter()
            .map(|(line, role)| (line.clone(), Machine::of(&line, role)))
            .collect();
        let own_fan = matches!(
            profile.fan_in_heat(),
            Some(FanInHeat::Equipment | FanInHeat::Either)
        );
        let delay = match profile.heat() {
            Heat::Electric => Microseconds(2_000_000),
            Heat::Fuel | Heat::Hydronic => Microseconds(45_000_000),
        };
        Self {
            machines,
            changeover: profile.changeover(),
            conventional: profile.interface() == Some(Interface::Conventional),
            has_fan_line: profile.fan_line(),
            own_fan_after: own_fan.then_some(delay),
            minimum_off: Microseconds(profile.minimum_off().0 * 1_000_000),
            defrost: None,
            pulled_in: BTreeSet::new(),
            running: BTreeMap::new(),
            history: Vec::new(),
            compressor_stopped: Microseconds(0),
            short_cycles: 0,
            heating_since: None,
            heat_without_air: Microseconds(0),
            without_air_since: None,
        }
    }

    /// The equipment places its valve as the other convention has it: nothing electrical changes.
    pub(super) fn turn_its_valve_round(&mut self) {
        self.changeover = self.changeover.map(|changeover| match changeover {
            Changeover::O => Changeover::B,
            Changeover::B => Changeover::O,
        });
    }

    pub(super) fn set_defrost(&mut self, defrost: Defrost) {
        self.defrost = Some(defrost);
    }

    /// When the defrost of this heating call begins and ends.
    pub(super) fn defrost_changes(&self) -> impl Iterator<Item = Microseconds> {
        let changes = self
            .defrost
            .zip(self.heating_since)
            .map(|(defrost, since)| {
                let begins = since.0 + defrost.after.0 * 1_000_000;
                let ends = begins.saturating_add(defrost.lasts.0.saturating_mul(1_000_000));
                [Microseconds(begins), Microseconds(ends)]
            });
        changes.into_iter().flatten()
    }

    /// Whether the outdoor unit defrosts now.
    pub(super) fn defrosts(&self, now: Microseconds) -> bool {
        let passed = self.defrost_changes().filter(|at| *at <= now);
        passed.count() == 1
    }

    /// From this moment on these lines' loads are in.
    pub(super) fn advance(&mut self, now: Microseconds, pulled_in: BTreeSet<Terminal>) {
        let was_heating = self.is_on(&Machine::Heat) || self.is_on(&Machine::SecondHeat);
        self.pulled_in = pulled_in;
        let called: BTreeSet<Machine> = self
            .pulled_in
            .iter()
            .filter_map(|line| self.machines.get(line))
            .cloned()
            .collect();
        let heats = called.contains(&Machine::Heat) || called.contains(&Machine::SecondHeat);
        for machine in [&Machine::Heat, &Machine::SecondHeat] {
            self.switch(machine, called.contains(machine), now);
        }
        let compresses = called.contains(&Machine::Compressor);
        if compresses != self.is_on(&Machine::Compressor) {
            if !compresses {
                self.compressor_stopped = now;
            } else if now.0 - self.compressor_stopped.0 < self.minimum_off.0 {
                self.short_cycles += 1;
            }
        }
        for (machine, _) in self.running.clone() {
            if !called.contains(&machine) && machine != Machine::Fan {
                self.switch(&machine, false, now);
            }
        }
        for machine in called.iter().filter(|machine| **machine != Machine::Fan) {
            self.switch(machine, true, now);
        }
        let fan = self.fan_blows(&called, now);
        self.switch(&Machine::Fan, fan, now);
        self.heating_since = match self.compressor_heats() {
            true => self.heating_since.or(Some(now)),
            false => None,
        };
        self.count_heat_without_air((was_heating, heats, fan), now);
    }

    fn is_on(&self, machine: &Machine) -> bool {
        self.running.contains_key(machine)
    }

    fn switch(&mut self, machine: &Machine, on: bool, now: Microseconds) {
        if on == self.is_on(machine) {
            return;
        }
        if on {
            self.running.insert(machine.clone(), now);
            self.history.push(MachineRun {
                machine: machine.clone(),
                from: now,
                to: None,
            });
        } else {
            self.running.remove(machine);
            let mut latest_first = self.history.iter_mut().rev();
            if let Some(run) = latest_first.find(|run| run.machine == *machine) {
                run.to = Some(now);
            }
        }
    }

    fn fan_blows(&self, called: &BTreeSet<Machine>, now: Microseconds) -> bool {
        if called.contains(&Machine::Fan) {
            return true;
        }
        if !self.has_fan_line && called.contains(&Machine::Compressor) {
            return true;
        }
        let by_itself = |machine: &&Machine| {
            let conventional = self.conventional && **machine == Machine::Compressor;
            machine.is_heat() || conventional
        };
        self.own_fan_after.is_some_and(|delay| {
            called
                .iter()
                .filter(by_itself)
                .filter_map(|machine| self.running.get(machine))
                .any(|since| now.0 >= since.0 + delay.0)
        })
    }

    fn compressor_heats(&self) -> bool {
        if !self.is_on(&Machine::Compressor) {
            return false;
        }
        let valve = self.is_on(&Machine::Valve);
        match self.changeover {
            Some(Changeover::O) => !valve,
            Some(Changeover::B) => valve,
            None => self.conventional && self.pulled_in.contains(&Terminal::known("W1")),
        }
    }

    fn count_heat_without_air(&mut self, (was, heats, fan): (bool, bool, bool), now: Microseconds) {
        if let Some(since) = self.without_air_since.filter(|_| was) {
            let span = now.0 - since.0;
            self.heat_without_air = self.heat_without_air.max(Microseconds(span));
        }
        self.without_air_since = match heats && !fan {
            true => self.without_air_since.filter(|_| was).or(Some(now)),
            false => None,
        };
    }

    /// Every run of every machine so far.
    pub(super) fn history(&self) -> &[MachineRun] {
        &self.history
    }

    /// Compressor starts inside the minimum-off time, power-on included.
    pub(super) fn short_cycles(&self) -> u32 {
        self.short_cycles
    }

    /// The longest span of heat without air.
    pub(super) fn heat_without_air(&self) -> Microseconds {
        self.heat_without_air
    }

    /// What the person sees now, in the words of the question's answers.
    pub(super) fn answer(&self, question: &Question) -> String {
        match question {
            Question::Machines { machines, .. } => {
                let runs = |machine: &&Machine| self.is_on(machine);
                let words: Vec<String> = machines
                    .iter()
                    .filter(runs)
                    .map(ToString::to_string)
                    .collect();
                if words.is_empty() {
                    "none".to_owned()
                } else {
                    words.join(" ")
                }
            }
            Question::Warmth { .. } => {
                let warmth = if !self.is_on(&Machine::Compressor) {
                    Warmth::Unclear
                } else if self.compressor_heats() {
                    Warmth::Warmer
                } else {
                    Warmth::Colder
                };
                warmth.word().to_owned()
            }
            _ if self.is_on(&Machine::Fan) => "yes".to_owned(),
            _ => "no".to_owned(),
        }
    }
}
