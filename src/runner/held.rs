//! Waiting before a step, holding what runs, and releasing it in the machines' own order.
//!
//! Nothing is waited for blindly: relays, supply and watchdogs are looked at all the while, and a
//! person's answer is awaited beside it. A lost link, a lost supply and a relay that opened by
//! itself end the step.
//!
//! Place in the data's path: `equipment` makes the steps, `timers` says until when, this waits.

use super::equipment::{Ended, OnMachines};
use super::judge;
use super::recorder::Unrecorded;
use super::requests::Halt;
use super::sequencer::Sequencer;
use super::supply::{SupplyPoints, read_supply};
use crate::domain::bench_map::SenseMeans;
use crate::domain::{Machine, Observed, Question, Understood};
use crate::event::{EventKind, LineJudged, RelayReason, Rule, Waiting, WaitingFor};
use crate::units::{Microseconds, Milliseconds, Terminal};
use std::cell::Cell;
use std::pin::pin;

/// How often a held step is looked at.
pub(super) const LOOK_EVERY: Milliseconds = Milliseconds(5_000);
/// How often a countdown is said again.
const SAY_EVERY: Microseconds = Microseconds(60_000_000);
/// How long before its end a countdown is said once more.
const LAST_WORD: Microseconds = Microseconds(10_000_000);
/// How many looks in a row may find the supply dead before the first call.
const DEAD_LOOKS: u32 = 12;
/// How often a supply may go and come back before the first call.
const SUPPLY_RETURNS: u32 = 3;

impl Sequencer<'_> {
    /// Waits until this step's relays may close. The supply is watched meanwhile: one that comes
    /// back starts the compressor's time anew, and one that stays away ends the run.
    pub(super) async fn wait_for_machines(&self, this: OnMachines<'_>) -> Result<(), Ended> {
        if this.step.drive.is_empty() {
            return Ok(());
        }
        let (mut dead_looks, mut returns, mut said) = (0, 0, None);
        loop {
            let is_dead = self.is_supply_dead().await?;
            let now = self.recorder.now();
            if is_dead {
                dead_looks += 1;
                said = None;
            } else if dead_looks > 0 {
                (dead_looks, returns) = (0, returns + 1);
                self.knowledge.borrow_mut().timers.stopped(now);
            }
            if dead_looks > DEAD_LOOKS || returns > SUPPLY_RETURNS {
                return Err(Ended::Seen(
                    "the supply is dead, or comes and goes, with every call released: check its \
                     fuse and its source before the wiring"
                        .to_owned(),
                ));
            }
            let timers = self.knowledge.borrow().timers;
            let (why, until) = timers.may_begin_at(this.on, &this.equipment.times);
            if !is_dead && now >= until {
                return Ok(());
            }
            if !is_dead {
                said = self.say_countdown(why, until, said)?;
            }
            let left = Milliseconds(until.0.saturating_sub(now.0).div_ceil(1000));
            let slice = if is_dead {
                LOOK_EVERY
            } else {
                left.min(LOOK_EVERY)
            };
            self.pause(slice).await;
        }
    }

    /// Says what is waited for, again each minute, and once more shortly before its end.
    fn say_countdown(
        &self,
        why: WaitingFor,
        until: Microseconds,
        said: Option<Microseconds>,
    ) -> Result<Option<Microseconds>, Unrecorded> {
        let now = self.recorder.now();
        let last_word = Microseconds(until.0.saturating_sub(LAST_WORD.0));
        let is_time = |said: Microseconds| {
            now.0 >= said.0 + SAY_EVERY.0 || (now >= last_word && said < last_word)
        };
        if said.is_some_and(|said| !is_time(said)) {
            return Ok(said);
        }
        self.record(EventKind::Waiting(Waiting { why, until }))?;
        Ok(Some(now))
    }

    /// Whether R to C is dead at any point at which a device looks. A point at the harness counts
    /// like one at the transformer: what does not reach the relays feeds nothing.
    pub(super) async fn is_supply_dead(&self) -> Result<bool, Halt> {
        let supply = read_supply(&self.measure(), self.plan, SupplyPoints::All).await?;
        let far_dead = supply.far.iter().any(|point| point.state != Observed::On);
        Ok(far_dead || !supply.dead.is_empty())
    }

    /// Relays as meant, supply alive. Where nothing is called its loss ends nothing, and starts the
    /// compressor's time anew.
    pub(super) async fn see_bench(&self) -> Result<(), Ended> {
        self.relays().confirm().await?;
        let anything_called = !self.knowledge.borrow().closed_now().is_empty();
        if !self.is_supply_dead().await? {
            return Ok(());
        }
        if !anything_called {
            let now = self.recorder.now();
            self.knowledge.borrow_mut().timers.stopped(now);
            return Ok(());
        }
        Err(Ended::Seen(
            "the supply was lost during the call".to_owned(),
        ))
    }

    /// Holds what runs until a moment, and looks at the bench all the while.
    pub(super) async fn hold_until(
        &self,
        why: WaitingFor,
        until: Microseconds,
    ) -> Result<(), Ended> {
        let mut said = None;
        loop {
            let now = self.recorder.now();
            if now >= until {
                return Ok(());
            }
            said = self.say_countdown(why, until, said)?;
            let left = Milliseconds((until.0 - now.0).div_ceil(1000));
            self.pause(left.min(LOOK_EVERY)).await;
            self.see_bench().await?;
        }
    }

    /// Asks a person, and looks at the bench until there is an answer. A look that is under way
    /// then is brought to its end: a meter's multiplexer must not be left closed by it.
    pub(super) async fn ask_and_watch(
        &self,
        question: &Question,
        deadline: Option<Microseconds>,
    ) -> Result<Understood, Ended> {
        let (looking, answered) = (Cell::new(false), Cell::new(false));
        let watching = async {
            loop {
                self.pause(LOOK_EVERY).await;
                looking.set(true);
                let seen = self.see_bench().await;
                looking.set(false);
                if seen.is_err() || answered.get() {
                    return seen;
                }
            }
        };
        let operator = self.operator();
        let mut watching = pin!(watching);
        let answer = tokio::select! {
            biased;
            answer = operator.ask_until(question, deadline) => answer?,
            ended = &mut watching => {
                return Err(ended.expect_err("without an answer only what is seen ends the watch"));
            }
        };
        answered.set(true);
        if looking.get() {
            watching.await?;
        }
        Ok(answer)
    }

    /// Y, W and E open first, the fan after the blower's off-delay, the changeover line after the
    /// compressor's minimum-off time, whatever follows; the master stays for the release check.
    pub(super) async fn release_in_order(&self, this: OnMachines<'_>) -> Result<(), Ended> {
        let times = &this.equipment.times;
        let timers = self.knowledge.borrow().timers;
        if let Some(until) = timers.may_release_at(times) {
            self.hold_until(WaitingFor::MinimumOn, until).await?;
        }
        for line in this.on.then.iter().rev() {
            self.open_line(line).await?;
        }
        let now = self.recorder.now();
        {
            let timers = &mut self.knowledge.borrow_mut().timers;
            timers.compressor_released(now);
            if this.on.runs_heat {
                timers.heat_released(now);
            }
        }
        let is_fan = |line: &&Terminal| this.equipment.machines.get(*line) == Some(&Machine::Fan);
        if let Some(fan) = this.on.first.iter().find(is_fan) {
            if !this.on.then.is_empty() {
                let until = Microseconds(now.0 + times.fan_hold.0 * 1_000_000);
                self.hold_until(WaitingFor::FanHold, until).await?;
            }
            self.open_line(fan).await?;
        }
        for line in this.on.first.iter().filter(|line| !is_fan(line)) {
            if this.on.runs_compressor {
                let until = self.knowledge.borrow().timers.may_call_at(times);
                self.hold_until(WaitingFor::MinimumOff, until).await?;
            }
            self.open_line(line).await?;
        }
        Ok(())
    }

    async fn open_line(&self, line: &Terminal) -> Result<(), Ended> {
        if let Some(drive) = self.plan.drive(line) {
            self.relays()
                .open(&drive.relay, RelayReason::Release)
                .await?;
        }
        Ok(())
    }

    /// Every line dead with its relay open and the master still closed, every machine that was
    /// called at rest, the supply alive; then the master opens.
    pub(super) async fn check_release(&self, this: OnMachines<'_>) -> Result<(), Ended> {
        self.wait(WaitingFor::Release, self.plan.timing.release)
            .await?;
        let order = self.line_order(None);
        let readings = self.measure().read(&order).await?;
        let live: Vec<Terminal> = this
            .step
            .cells
            .keys()
            .filter(|line| !this.equipment.inputs.contains(line))
            .filter(|line| judge::observed(&readings, line) == Observed::On)
            .cloned()
            .collect();
        if !live.is_empty() {
            let why = "is still live with every call released: a relay that does not open, or \
                       another source on the line";
            self.note_live_at_rest(&live);
            return Err(self.live_after_release(this, &live, why)?);
        }
        if !this.on.then.is_empty() {
            self.look_round_released(this).await?;
        }
        self.supply_lives("the last relay opened").await?;
        if let Some(master) = &this.equipment.master {
            self.relays().open(master, RelayReason::Release).await?;
        }
        Ok(())
    }

    /// Keeps lines that are live with every call released and that no input will see again once
    /// everything is open.
    pub(super) fn note_live_at_rest(&self, live: &[Terminal]) {
        let is_input = |line: &Terminal| {
            let mut points = self.plan.line_points(line);
            points.any(|point| matches!(point.means, SenseMeans::Input { .. }))
        };
        let unseen = live.iter().filter(|line| !is_input(line)).cloned();
        self.knowledge.borrow_mut().live_at_rest.extend(unseen);
    }

    /// Lines that answer with every call released, each with why that is wrong.
    pub(super) fn live_after_release(
        &self,
        this: OnMachines<'_>,
        live: &[Terminal],
        why: &str,
    ) -> Result<Ended, Unrecorded> {
        let judged: Vec<LineJudged> = live
            .iter()
            .map(|line| LineJudged {
                rule: Rule::Release,
                ..self.wrong_line(this, line, &format!("{line} {why}"))
            })
            .collect();
        self.record_judged(&judged)?;
        let names: Vec<&str> = live.iter().map(Terminal::as_str).collect();
        Ok(Ended::Seen(format!("{} {why}", names.join(" "))))
    }
}
