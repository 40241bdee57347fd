//! When machines last ran, and so when the next may start.
//!
//! The timers follow the machine by its function, whichever letter calls it. The full minimum-off
//! time is waited out from supply-on or program start, after every compressor call and after every
//! stop: what ran before is not known to this program, and an unknown end is taken for the latest
//! possible one.
//!
//! Place in the data's path: `equipment` writes moments as relays close and open, and waits for
//! what is given here. Pure: it reads no clock.

use crate::domain::plan::{MachineTimes, StepOnMachines};
use crate::event::WaitingFor;
use crate::units::{Microseconds, Seconds};

/// Moments since the program's start.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Timers {
    /// Since when no compressor can have run: the program's start until one has.
    rests_since: Microseconds,
    /// When the compressor that runs now was called.
    compressor_since: Option<Microseconds>,
    compressor_ended: Option<Microseconds>,
    heat_ended: Option<Microseconds>,
}

fn after(moment: Microseconds, span: Seconds) -> Microseconds {
    Microseconds(moment.0.saturating_add(span.0.saturating_mul(1_000_000)))
}

impl Timers {
    /// A line that calls a compressor has closed.
    pub(super) fn compressor_called(&mut self, now: Microseconds) {
        self.compressor_since.get_or_insert(now);
    }

    /// The lines that call a compressor have opened.
    pub(super) fn compressor_released(&mut self, now: Microseconds) {
        if self.compressor_since.take().is_some() {
            self.compressor_ended = Some(now);
            self.rests_since = now;
        }
    }

    /// The lines that call heat have opened.
    pub(super) fn heat_released(&mut self, now: Microseconds) {
        self.heat_ended = Some(now);
    }

    /// Everything was opened at once, or the supply was away: whatever may have run ended now.
    pub(super) fn stopped(&mut self, now: Microseconds) {
        self.compressor_since = None;
        self.compressor_ended = Some(now);
        self.rests_since = now;
    }

    /// From when a call may be made.
    pub(super) fn may_call_at(&self, times: &MachineTimes) -> Microseconds {
        after(self.rests_since, times.minimum_off)
    }

    /// From when this step may close its relays, with what it waits for. A compressor that runs on
    /// into the step is not waited for.
    pub(super) fn may_begin_at(
        &self,
        step: &StepOnMachines,
        times: &MachineTimes,
    ) -> (WaitingFor, Microseconds) {
        if self.compressor_since.is_some() {
            return (WaitingFor::MinimumOff, Microseconds(0));
        }
        let minimum_off = self.may_call_at(times);
        let other = match (step.runs_compressor, step.runs_heat) {
            (true, _) => self.heat_ended,
            (false, true) => self.compressor_ended,
            (false, false) => None,
        };
        let cool = other.map_or(Microseconds(0), |ended| after(ended, times.cool_down));
        if cool > minimum_off {
            (WaitingFor::CoolDown, cool)
        } else {
            (WaitingFor::MinimumOff, minimum_off)
        }
    }

    /// From when the compressor that runs may be released; `None` where none runs.
    pub(super) fn may_release_at(&self, times: &MachineTimes) -> Option<Microseconds> {
        self.compressor_since
            .map(|since| after(since, times.minimum_on))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::plan::AirFrom;
    use std::collections::BTreeSet;

    const TIMES: MachineTimes = MachineTimes {
        minimum_off: Seconds(300),
        minimum_on: Seconds(180),
        air_after_fan: Seconds(15),
        air_after_heat: Seconds(15),
        fan_hold: Seconds(90),
        cool_down: Seconds(400),
        defrost: Seconds(900),
        look_round: Seconds(60),
    };

    fn step(runs_compressor: bool, runs_heat: bool) -> StepOnMachines {
        StepOnMachines {
            first: vec![],
            then: vec![],
            may_run: BTreeSet::new(),
            runs_compressor,
            runs_heat,
            compressor_heats: false,
            air_from: AirFrom::Nowhere,
            kept_on: false,
            asks_warmth: false,
        }
    }

    fn at(seconds: u64) -> Microseconds {
        Microseconds(seconds * 1_000_000)
    }

    #[test]
    fn every_call_waits_the_minimum_off_from_program_start() {
        let timers = Timers::default();
        for (compressor, heat) in [(true, false), (false, true), (false, false)] {
            let (why, until) = timers.may_begin_at(&step(compressor, heat), &TIMES);
            assert_eq!((why, until), (WaitingFor::MinimumOff, at(300)));
        }
    }

    #[test]
    fn a_compressor_call_and_a_stop_restart_it() {
        let mut timers = Timers::default();
        timers.compressor_called(at(400));
        timers.compressor_called(at(500));
        assert_eq!(timers.may_release_at(&TIMES), Some(at(580)));
        timers.compressor_released(at(600));
        assert_eq!(timers.may_release_at(&TIMES), None);
        assert_eq!(timers.may_call_at(&TIMES), at(900));
        timers.stopped(at(700));
        assert_eq!(timers.may_call_at(&TIMES), at(1000));
    }

    #[test]
    fn releasing_what_never_ran_restarts_nothing() {
        let mut timers = Timers::default();
        timers.compressor_released(at(350));
        assert_eq!(timers.may_call_at(&TIMES), at(300));
    }

    #[test]
    fn heat_and_compressor_wait_for_each_other_where_one_replaces_the_other() {
        let mut timers = Timers::default();
        timers.heat_released(at(1000));
        let compressor = timers.may_begin_at(&step(true, false), &TIMES);
        assert_eq!(compressor, (WaitingFor::CoolDown, at(1400)));
        let mut timers = Timers::default();
        timers.compressor_called(at(1000));
        timers.compressor_released(at(2000));
        let heat = timers.may_begin_at(&step(false, true), &TIMES);
        assert_eq!(heat, (WaitingFor::CoolDown, at(2400)));
    }
}
