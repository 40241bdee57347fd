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
use crate::domain::{Machine, Observed, Question, Understood};
use crate::event::{EventKind, LineJudged, RelayReason, Rule, Waiting, WaitingFor};
use crate::units::{Microseconds, Milliseconds, Terminal};

/// How often a held step is looked at.
pub(super) const LOOK_EVERY: Milliseconds = Milliseconds(5_000);
/// How often a countdown is said again.
const SAY_EVERY: Microseconds = Microseconds(60_000_000);
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

    /// Says what is waited for, and again each minute.
    fn say_countdown(
        &self,
        why: WaitingFor,
        until: Microseconds,
        said: Option<Microseconds>,
    ) -> Result<Option<Microseconds>, Unrecorded> {
        let now = self.recorder.now();
        if said.is_some_and(|said| now.0 < said.0 + SAY_EVERY.0) {
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

    /// Relays as meant, supply alive.
    pub(super) async fn see_bench(&self, _this: OnMachines<'_>) -> Result<(), Ended> {
        self.relays().confirm().await?;
        if !self.is_supply_dead().await? {
            return Ok(());
        }
        Err(Ended::Seen(
            "the supply was lost during the call".to_owned(),
        ))
    }

    /// Holds what runs until a moment, and looks at the bench all the while.
    pub(super) async fn hold_until(
        &self,
        this: OnMachines<'_>,
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
            self.see_bench(this).await?;
        }
    }

    /// Looks at the bench until the end of time; for as long as a person is waited for.
    async fn watch(&self, this: OnMachines<'_>) -> Ended {
        loop {
            self.pause(LOOK_EVERY).await;
            if let Err(ended) = self.see_bench(this).await {
                return ended;
            }
        }
    }

    /// Asks a person, and looks at the bench until there is an answer.
    pub(super) async fn ask_and_watch(
        &self,
        this: OnMachines<'_>,
        question: &Question,
        deadline: Option<Microseconds>,
    ) -> Result<Understood, Ended> {
        let operator = self.operator();
        tokio::select! {
            biased;
            answer = operator.ask_until(question, deadline) => Ok(answer?),
            ended = self.watch(this) => Err(ended),
        }
    }

    /// Y, W and E open first, the fan after the blower's off-delay, the changeover line after the
    /// compressor's minimum-off time, whatever follows; the master stays for the release check.
    pub(super) async fn release_in_order(&self, this: OnMachines<'_>) -> Result<(), Ended> {
        let times = &this.equipment.times;
        let timers = self.knowledge.borrow().timers;
        if let Some(until) = timers.may_release_at(times) {
            self.hold_until(this, WaitingFor::MinimumOn, until).await?;
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
                self.hold_until(this, WaitingFor::FanHold, until).await?;
            }
            self.open_line(fan).await?;
        }
        for line in this.on.first.iter().filter(|line| !is_fan(line)) {
            if this.on.runs_compressor {
                let until = self.knowledge.borrow().timers.may_call_at(times);
                self.hold_until(this, WaitingFor::MinimumOff, until).await?;
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

    /// Every line dead with its relay open and the master still closed; then the master opens.
    pub(super) async fn check_release(&self, this: OnMachines<'_>) -> Result<String, Ended> {
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
            let judged: Vec<LineJudged> = live
                .iter()
                .map(|line| {
                    let reason = format!(
                        "{line} is still live with every call released: a relay that does not \
                         open, or another source on the line"
                    );
                    LineJudged {
                        rule: Rule::Release,
                        ..self.wrong_line(this, line, &reason)
                    }
                })
                .collect();
            self.record_judged(&judged)?;
            let names: Vec<&str> = live.iter().map(Terminal::as_str).collect();
            let names = names.join(" ");
            return Err(Ended::Seen(format!(
                "{names} live with every call released"
            )));
        }
        if let Some(master) = &this.equipment.master {
            self.relays().open(master, RelayReason::Release).await?;
        }
        Ok(String::new())
    }
}
