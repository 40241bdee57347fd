//! Steps on real machines: timers, order, air within seconds, silence of what was not called.
//!
//! A step ends in one of two ways. It is made and released in the machine's own order, or it is
//! [`Ended`]: everything opens at once, master first, overriding minimum-on, fan hold and order,
//! and the run goes no further. Nothing is driven a second time, and whatever is unclear ends it.
//!
//! While a step is held (a timer runs, a person looks round) the relays, the supply and the lines
//! that nothing drives are read again and again: a lost link, a lost supply and a watchdog that
//! opened a relay are stops like any other.
//!
//! Place in the data's path: in place of `step` where `loads = "real"`; `timers` says when,
//! `machines` what a person's answer and the readings come to.

use super::held::LOOK_EVERY;
use super::judge;
use super::machines::Seen;
use super::measure::PointReading;
use super::recorder::Unrecorded;
use super::requests::Halt;
use super::sequencer::{Sequencer, Stop};
use crate::domain::plan::{AirFrom, EquipmentPlan, PlannedStep, StepOnMachines};
use crate::domain::{Call, Expected, Machine, Observed, Question, Understood, Verdict, Warmth};
use crate::event::{EventKind, LineJudged, RelayReason, Rule, Waiting, WaitingFor};
use crate::units::{Microseconds, Seconds, Terminal};

/// Why a step ends before its time.
#[derive(Debug)]
pub(super) enum Ended {
    /// A link's trouble, a silent person or a lost journal.
    Halted(Halt),
    /// What was seen of machines or lines.
    Seen(String),
}

impl From<Halt> for Ended {
    fn from(halt: Halt) -> Self {
        Self::Halted(halt)
    }
}

impl From<Unrecorded> for Ended {
    fn from(_: Unrecorded) -> Self {
        Self::Halted(Halt::Unrecorded)
    }
}

/// One step with everything known of it.
#[derive(Clone, Copy)]
pub(super) struct OnMachines<'a> {
    pub(super) equipment: &'a EquipmentPlan,
    pub(super) step: &'a PlannedStep,
    pub(super) on: &'a StepOnMachines,
}

impl Sequencer<'_> {
    /// Makes every step, the full minimum-off time before the first call.
    pub(super) async fn make_steps_on_machines(
        &self,
        equipment: &EquipmentPlan,
    ) -> Result<(), Stop> {
        for step in &self.plan.steps {
            let Some(on) = equipment.steps.get(&step.number) else {
                continue;
            };
            let this = OnMachines {
                equipment,
                step,
                on,
            };
            self.begin_step(step, 1, step.drive.clone())?;
            let made = async {
                let waited = self.wait_for_machines(this).await;
                Ok(match waited {
                    Ok(()) => self.drive_and_judge(this).await,
                    Err(ended) => Err(ended),
                })
            };
            let made = self.while_feeding(made).await;
            if let Err(ended) = made.unwrap_or_else(|halt| Err(halt.into())) {
                return Err(self.end_at_once(step, ended).await?);
            }
            self.sync_step().await?;
        }
        Ok(())
    }

    /// Opens everything, then says why; cells that were not judged say it too.
    async fn end_at_once(&self, step: &PlannedStep, ended: Ended) -> Result<Stop, Stop> {
        let opened = self.open_everything().await;
        let now = self.recorder.now();
        self.knowledge.borrow_mut().timers.stopped(now);
        let why = match ended {
            Ended::Halted(Halt::Unrecorded) => return Err(Stop::Unrecorded),
            Ended::Halted(Halt::NoAnswer(words)) | Ended::Seen(words) => words,
            Ended::Halted(Halt::Lost(lost)) => format!("{}: {}", lost.device, lost.trouble),
        };
        let note = format!("stopped, everything opened at once: {why}");
        let judged_before: Vec<Terminal> = {
            let state = self.recorder.state();
            let made = state.steps.iter().find(|made| made.number == step.number);
            made.map_or(Vec::new(), |made| made.lines.keys().cloned().collect())
        };
        let mut unmade = judge::judge_unmade(step, Rule::BenchTrouble, &note);
        unmade.retain(|line| !judged_before.contains(&line.terminal));
        self.record_judged(&unmade)?;
        let verdict = self.verdict_so_far(step).join(Verdict::Inconc);
        self.finish(step, verdict, note.clone())?;
        let held = self.held(format!("{}: {note}", step.call));
        match opened {
            Ok(()) => Ok(held),
            Err(halt) => Err(self.stopped_by(&halt)),
        }
    }

    fn verdict_so_far(&self, step: &PlannedStep) -> Verdict {
        let state = self.recorder.state();
        let made = state.steps.iter().find(|made| made.number == step.number);
        made.into_iter()
            .flat_map(|made| made.lines.values())
            .map(|line| line.judged.verdict)
            .fold(Verdict::None, Verdict::join)
    }

    async fn drive_and_judge(&self, this: OnMachines<'_>) -> Result<(), Ended> {
        let OnMachines { step, on, .. } = this;
        if step.drive.is_empty() {
            let mut lines = self.see_lines(this).await?;
            let seen = self.look_round(this).await?;
            lines.extend(self.read_by_hand(this).await?);
            self.end_where_live(this, &lines)?;
            // It may be away for a while before the first call, and is waited for there.
            let note = if self.is_supply_dead().await? {
                "the supply is dead".to_owned()
            } else {
                String::new()
            };
            return self.judge_and_finish(this, &lines, &seen, note);
        }
        self.feed_relays(this).await?;
        let fan_called = self.close_lines(this, &on.first).await?;
        self.see_lines(this).await?;
        if on.air_from == AirFrom::FanLine
            && let Some(called) = fan_called
        {
            let within = this.equipment.times.air_after_fan;
            self.expect_air(this, called, within).await?;
        }
        let mut lines = self.call_machines(this).await?;
        let mut seen = self.look_round(this).await?;
        seen.amps = self.read_line_currents(this).await?;
        lines.extend(self.read_by_hand(this).await?);
        self.end_where_live(this, &lines)?;
        if on.asks_warmth {
            seen.warmth = self.ask_warmth(this).await?;
        }
        // What was read stands only where relays and supply held until here.
        self.see_bench().await?;
        if on.kept_on {
            let note = "goes on into the next call, and is released after the last".to_owned();
            return self.judge_and_finish(this, &lines, &seen, note);
        }
        self.release_in_order(this).await?;
        self.check_release(this).await?;
        self.judge_and_finish(this, &lines, &seen, String::new())
    }

    /// Closes the master, and looks whether the supply bears it.
    async fn feed_relays(&self, this: OnMachines<'_>) -> Result<(), Ended> {
        let Some(master) = &this.equipment.master else {
            return Ok(());
        };
        if self.knowledge.borrow().is_closed(master) {
            return Ok(());
        }
        self.relays().close(master, RelayReason::Call).await?;
        self.pause(self.plan.timing.supply_settle).await;
        self.supply_lives("the master relay closed").await
    }

    pub(super) async fn supply_lives(&self, what: &str) -> Result<(), Ended> {
        if !self.is_supply_dead().await? {
            return Ok(());
        }
        Err(Ended::Seen(format!("the supply went dead as {what}")))
    }

    /// Closes lines one by one, each with a look at the supply; the moment at which the last of
    /// them was called, where any was not closed before.
    async fn close_lines(
        &self,
        this: OnMachines<'_>,
        lines: &[Terminal],
    ) -> Result<Option<Microseconds>, Ended> {
        let mut called = None;
        for line in lines {
            let Some(drive) = self.plan.drive(line) else {
                return Err(Ended::Seen(format!("no relay of this bench drives {line}")));
            };
            if self.knowledge.borrow().is_closed(&drive.relay) {
                continue;
            }
            let now = self.recorder.now();
            let machine = this.equipment.machines.get(line);
            if machine.is_some_and(Machine::is_compressor) {
                self.knowledge.borrow_mut().timers.compressor_called(now);
            }
            called = Some(now);
            self.relays().close(&drive.relay, RelayReason::Call).await?;
            self.pause(self.plan.timing.supply_settle).await;
            self.supply_lives(&format!("{line} closed")).await?;
            let brings_air = this.on.air_from == AirFrom::Compressor;
            if brings_air && machine == Some(&Machine::Compressor) {
                let within = this.equipment.times.air_after_fan;
                self.expect_air(this, now, within).await?;
            }
        }
        if called.is_some() {
            let settle = this.step.settle_ms;
            self.wait(WaitingFor::Settle, settle).await?;
        }
        Ok(called)
    }

    /// Closes Y, then W and E, and reads the lines before anyone is asked anything: a line that
    /// nothing drives shows at once.
    async fn call_machines(&self, this: OnMachines<'_>) -> Result<Vec<PointReading>, Ended> {
        let called = self.close_lines(this, &this.on.then).await?;
        let lines = self.see_lines(this).await?;
        if this.on.air_from == AirFrom::Heat
            && let Some(called) = called
        {
            let within = this.equipment.times.air_after_heat;
            self.expect_air(this, called, within).await?;
        }
        Ok(lines)
    }

    /// Reads every line. One that is live and that nothing drives ends the step, a defrost's
    /// excepted.
    pub(super) async fn see_lines(&self, this: OnMachines<'_>) -> Result<Vec<PointReading>, Ended> {
        let mut readings = self
            .measure()
            .read(&self.line_order(Some(this.step)))
            .await?;
        let live = self.live_undriven(this, &readings);
        if let Some(line) = live.iter().find(|line| this.may_be_defrost(line)).cloned() {
            self.wait_for_defrost(this, &line).await?;
            readings = self
                .measure()
                .read(&self.line_order(Some(this.step)))
                .await?;
        }
        self.end_where_live(this, &readings)?;
        Ok(readings)
    }

    /// A line that is live and that nothing drives ends the step.
    fn end_where_live(&self, this: OnMachines<'_>, readings: &[PointReading]) -> Result<(), Ended> {
        let live = self.live_undriven(this, readings);
        let Some(line) = live.first() else {
            return Ok(());
        };
        if this.step.drive.is_empty() {
            self.note_live_at_rest(&live);
        }
        let why = format!("{line} is live, and nothing drives it");
        let judged: Vec<LineJudged> = live
            .iter()
            .map(|line| self.wrong_line(this, line, &format!("{line} is live, undriven")))
            .collect();
        self.record_judged(&judged)?;
        Err(Ended::Seen(why))
    }

    fn live_undriven(&self, this: OnMachines<'_>, readings: &[PointReading]) -> Vec<Terminal> {
        let must_be_dead = this.step.cells.iter().filter(|(line, cell)| {
            cell.expected == Expected::Off && !this.equipment.inputs.contains(line)
        });
        must_be_dead
            .map(|(line, _)| line)
            .filter(|line| judge::observed(readings, line) == Observed::On)
            .cloned()
            .collect()
    }

    /// A line that was not called, seen live or seen to call its machine.
    pub(super) fn wrong_line(
        &self,
        this: OnMachines<'_>,
        line: &Terminal,
        reason: &str,
    ) -> LineJudged {
        LineJudged {
            step: this.step.number,
            terminal: line.clone(),
            expected: Expected::Off,
            observed: Observed::On,
            verdict: Verdict::Fail,
            readings: Vec::new(),
            rule: Rule::Machines,
            reason: reason.to_owned(),
        }
    }

    /// The auxiliary line lives while the compressor heats and nothing drives it: the equipment may
    /// be defrosting. Y is held, and the line read again until it is dead.
    async fn wait_for_defrost(&self, this: OnMachines<'_>, line: &Terminal) -> Result<(), Ended> {
        if this.equipment.replaces {
            return Err(Ended::Seen(format!(
                "{line} is live while the compressor heats: a defrost, or another source; heat \
                 that replaces the compressor must not run with it"
            )));
        }
        let span = this.equipment.times.defrost;
        let until = Microseconds(self.recorder.now().0 + span.0 * 1_000_000);
        let why = WaitingFor::Defrost;
        self.record(EventKind::Waiting(Waiting { why, until }))?;
        while self.recorder.now() < until {
            self.pause(LOOK_EVERY).await;
            self.see_bench().await?;
            let readings = self
                .measure()
                .read(&self.line_order(Some(this.step)))
                .await?;
            let live = self.live_undriven(this, &readings);
            if !live.iter().any(|live| this.may_be_defrost(live)) {
                return Ok(());
            }
        }
        let minutes = span.0 / 60;
        let reason =
            format!("{line} was live, undriven, for {minutes} minutes: no defrost is so long");
        self.record_judged(&[self.wrong_line(this, line, &reason)])?;
        Err(Ended::Seen(reason))
    }

    /// Air within a span of the call, or the end.
    async fn expect_air(
        &self,
        this: OnMachines<'_>,
        called: Microseconds,
        within: Seconds,
    ) -> Result<(), Ended> {
        let until = Microseconds(called.0 + within.0 * 1_000_000);
        let left = until.0.saturating_sub(self.recorder.now().0) / 1_000_000;
        let call = this.step.call.clone();
        let question = Question::Air {
            call,
            within_s: left,
        };
        match self.ask_and_watch(&question, Some(until)).await {
            Ok(Understood::Yes) => Ok(()),
            Ok(_) | Err(Ended::Halted(Halt::NoAnswer(_))) => {
                let seconds = within.0;
                Err(Ended::Seen(format!(
                    "no air within {seconds} s of the call"
                )))
            }
            Err(ended) => Err(ended),
        }
    }

    /// What the supply air does once the compressor has had its minimum-on time. Who cannot tell
    /// says so; who says nothing is not there any more.
    async fn ask_warmth(&self, this: OnMachines<'_>) -> Result<Option<Warmth>, Ended> {
        let timers = self.knowledge.borrow().timers;
        if let Some(until) = timers.may_release_at(&this.equipment.times) {
            self.hold_until(WaitingFor::MinimumOn, until).await?;
        }
        let call = this.step.call.clone();
        let question = Question::Warmth { call: call.clone() };
        let answer = self.ask_and_watch(&question, None).await?;
        let Understood::Warmth(warmth) = answer else {
            unreachable!("warmth is answered with warmth")
        };
        self.knowledge.borrow_mut().warmth.insert(call, warmth);
        Ok(Some(warmth))
    }

    fn judge_and_finish(
        &self,
        this: OnMachines<'_>,
        lines: &[PointReading],
        seen: &Seen,
        note: String,
    ) -> Result<(), Ended> {
        let judged = self.judge_on_machines(this, lines, seen);
        self.record_judged(&judged)?;
        let verdict = self.verdict_so_far(this.step);
        Ok(self.finish(this.step, verdict, note)?)
    }
}

impl OnMachines<'_> {
    /// Whether the equipment's own defrost may feed the line now.
    pub(super) fn may_be_defrost(&self, line: &Terminal) -> bool {
        let heats_alone = self.on.compressor_heats && self.step.call != Call::EmergencyHeat;
        heats_alone && self.equipment.auxiliary.contains(line)
    }
}
