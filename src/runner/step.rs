//! One call: set, read back, settle, read, judge, release, check the release.
//!
//! Place in the data's path: the sequencer makes steps in the plan's order. A step is made again
//! after a link's trouble, from open relays; what has been judged stays judged. Relays close one by
//! one, and the supply is read after each: where it collapses, everything opens and the line is not
//! driven again in this run. How a room controller's own pattern is waited for is `controller`'s.

use super::judge;
use super::measure::{PointReading, ReadOrder};
use super::recorder::Unrecorded;
use super::requests::Halt;
use super::sequencer::{Sequencer, Stop};
use super::supply::{SupplyPoints, SupplyReading, read_supply};
use crate::domain::bench_map::{SenseMeans, UnderTest};
use crate::domain::plan::{MadeBy, PlannedDrive, PlannedStep, SensePoint, Target};
use crate::domain::{Expected, Observed, Question, Verdict};
use crate::event::{
    EventKind, LineJudged, RelayReason, Rule, StepFinished, StepStarted, Waiting, WaitingFor,
};
use crate::units::{Microseconds, Milliseconds, Quantity, Terminal};
use std::collections::BTreeMap;

/// What one attempt at driving and reading came to.
pub(super) enum Driven {
    /// The lines were read while driven.
    Read {
        lines: Vec<PointReading>,
        supply: SupplyReading,
        /// Why a room controller's full pattern was given up; else empty.
        given_up: String,
    },
    /// The supply was dead before anything was driven.
    SupplyDead,
    /// The supply collapsed as this line's relay closed; everything was opened at once.
    Collapsed { line: Terminal, recovered: bool },
    /// The bench does not supply what its file says, in words.
    WrongLevel(String),
}

impl Sequencer<'_> {
    /// Makes one step and records everything about it.
    pub(super) async fn make_step(&self, step: &PlannedStep) -> Result<(), Stop> {
        if let Some((line, why)) = self.barred_line(step) {
            self.begin_step(step, 1, Vec::new())?;
            let note = format!("not made: {line} is not driven again in this run, {why}");
            return Ok(self.finish_unmade(step, Rule::Supply, &note)?);
        }
        match self.attempt(step, || self.drive_and_read(step)).await? {
            Some(driven) => self.judge_driven(step, driven).await,
            None => Ok(()),
        }
    }

    /// Makes a step until it was made once without trouble, as often as tries are left; `None`
    /// where it was given up and is recorded as such.
    pub(super) async fn attempt<T, F>(
        &self,
        step: &PlannedStep,
        make: impl Fn() -> F,
    ) -> Result<Option<T>, Stop>
    where
        F: Future<Output = Result<T, Halt>>,
    {
        for attempt in 1.. {
            self.begin_step(step, attempt, step.drive.clone())?;
            match self.while_feeding(make()).await {
                Ok(made) => return Ok(Some(made)),
                Err(halt) => {
                    let recovered = self.recover(halt).await?;
                    if !recovered.again || attempt >= self.policy.step_attempts {
                        let words = recovered.words;
                        let note = format!("given up after {}: {words}", attempts(attempt));
                        self.finish_unmade(step, Rule::BenchTrouble, &note)?;
                        break;
                    }
                }
            }
        }
        Ok(None)
    }

    /// Judges what was driven and read, and releases it.
    pub(super) async fn judge_driven(
        &self,
        step: &PlannedStep,
        driven: Driven,
    ) -> Result<(), Stop> {
        match driven {
            Driven::Read {
                lines,
                supply,
                given_up,
            } => {
                self.judge_and_release(step, &lines, (&supply, given_up))
                    .await
            }
            Driven::SupplyDead => {
                let note = "not made: the supply is dead with every relay open; check its fuse \
                            and its source before the wiring";
                Ok(self.finish_unmade(step, Rule::Supply, note)?)
            }
            Driven::Collapsed { line, recovered } => {
                Ok(self.finish_collapsed(step, &line, recovered)?)
            }
            Driven::WrongLevel(why) => {
                let note = format!("not made: {why}");
                Ok(self.finish_unmade(step, Rule::BenchTrouble, &note)?)
            }
        }
    }

    pub(super) fn begin_step(
        &self,
        step: &PlannedStep,
        attempt: u32,
        intended: Vec<Terminal>,
    ) -> Result<(), Unrecorded> {
        let step = step.number;
        self.record(EventKind::StepStarted(StepStarted {
            step,
            attempt,
            intended,
        }))
    }

    fn barred_line(&self, step: &PlannedStep) -> Option<(Terminal, String)> {
        let knowledge = self.knowledge.borrow();
        step.drive.iter().find_map(|line| {
            knowledge
                .barred
                .get(line)
                .map(|why| (line.clone(), why.clone()))
        })
    }

    pub(super) async fn drive_and_read(&self, step: &PlannedStep) -> Result<Driven, Halt> {
        self.select_level(step).await?;
        let measure = self.measure();
        let before = read_supply(&measure, self.plan, SupplyPoints::Source).await?;
        let drives: Vec<&PlannedDrive> = step
            .drive
            .iter()
            .filter_map(|line| self.plan.drive(line))
            .collect();
        let source_dead = !before.dead.is_empty() && before.live.is_empty();
        if source_dead || drives.iter().any(|drive| before.is_dead_for(drive.common)) {
            return Ok(Driven::SupplyDead);
        }
        if let Some(why) = self.missed_level(step, &before) {
            return Ok(Driven::WrongLevel(why));
        }
        match &step.made_by {
            MadeBy::Relays => {
                self.feed_call_relays(&drives).await?;
                for drive in drives {
                    if let Some(collapsed) = self.close_and_look(step, drive).await? {
                        return Ok(collapsed);
                    }
                }
            }
            MadeBy::Stimulus(relay) => {
                self.relays().close(relay, RelayReason::Stimulus).await?;
            }
            MadeBy::Operator => {
                let question = Question::MakeCall {
                    call: step.call.clone(),
                    lines: step.drive.clone(),
                    two_supplies: self.plan.has_two_supplies(),
                };
                self.operator().ask_done(&question).await?;
            }
        }
        let (lines, given_up) = if self.plan.under_test == UnderTest::Controller {
            let waited = self.wait_for_pattern(step).await?;
            (waited.readings, waited.given_up)
        } else {
            self.wait(WaitingFor::Settle, step.settle_ms).await?;
            let lines = measure.read(&self.line_order(Some(step))).await?;
            (lines, String::new())
        };
        let supply = read_supply(&measure, self.plan, SupplyPoints::All).await?;
        // A relay board that reset itself meanwhile would look like dead wiring.
        self.relays().confirm().await?;
        Ok(Driven::Read {
            lines,
            supply,
            given_up,
        })
    }

    /// Closes the relay that feeds all others, where there is one and anything is driven.
    async fn feed_call_relays(&self, drives: &[&PlannedDrive]) -> Result<(), Halt> {
        let equipment = self.plan.equipment.as_ref();
        let master = equipment.and_then(|equipment| equipment.master.as_ref());
        match master {
            Some(master) if !drives.is_empty() => {
                self.relays().close(master, RelayReason::Call).await?;
                self.pause(self.plan.timing.supply_settle).await;
                Ok(())
            }
            _ => Ok(()),
        }
    }

    /// Closes one line's relay and reads the supply; a collapse opens everything at once.
    async fn close_and_look(
        &self,
        step: &PlannedStep,
        drive: &PlannedDrive,
    ) -> Result<Option<Driven>, Halt> {
        self.relays().close(&drive.relay, RelayReason::Call).await?;
        self.pause(self.plan.timing.supply_settle).await;
        let supply = read_supply(&self.measure(), self.plan, SupplyPoints::Source).await?;
        if supply.dead.is_empty() {
            return Ok(None);
        }
        let line = drive.terminal.clone();
        let recovered = self.open_after_collapse(step).await?;
        Ok(Some(Driven::Collapsed { line, recovered }))
    }

    /// Every line point, with what should be live in the step; in a release check nothing should.
    pub(super) fn line_order<'a>(&'a self, step: Option<&'a PlannedStep>) -> ReadOrder<'a> {
        let points: Vec<&SensePoint> = self
            .plan
            .sense_points
            .iter()
            .filter(|point| matches!(point.target, Target::Line(_)))
            .filter(|point| self.is_read_in_steps(point))
            .collect();
        let should_be_live = points
            .iter()
            .map(|point| match (&point.target, step) {
                (Target::Line(line), Some(step)) => step
                    .cells
                    .get(line)
                    .is_some_and(|cell| cell.expected == Expected::On),
                _ => false,
            })
            .collect();
        let call = step.map(|step| &step.call);
        ReadOrder {
            points,
            should_be_live,
            stop_when_live: false,
            call,
        }
    }

    /// Whether a point belongs to the ordinary course of a step: ohms are read before any relay
    /// closes, a line's current by itself, and what takes a person's hands or eyes beside real
    /// machines once they are known to run as they should.
    fn is_read_in_steps(&self, point: &SensePoint) -> bool {
        match point.quantity {
            Quantity::Presence => true,
            Quantity::AcVolts => !(self.is_real() && self.takes_a_person(point)),
            Quantity::Observation => !self.is_real(),
            Quantity::Resistance | Quantity::AcAmps => false,
        }
    }

    /// Whether a person moves the meter there, or reads it.
    pub(super) fn takes_a_person(&self, point: &SensePoint) -> bool {
        point.means == SenseMeans::Operator || self.plan.is_probed(point)
    }

    async fn judge_and_release(
        &self,
        step: &PlannedStep,
        lines: &[PointReading],
        (supply, given_up): (&SupplyReading, String),
    ) -> Result<(), Stop> {
        let (judged, verdict) = self.judge_read(step, lines, (supply, &given_up))?;
        self.release_and_finish(step, &judged, (verdict, given_up))
            .await
    }

    /// Judges every line as it was read, and records it.
    pub(super) fn judge_read(
        &self,
        step: &PlannedStep,
        lines: &[PointReading],
        (supply, given_up): (&SupplyReading, &str),
    ) -> Result<(Vec<LineJudged>, Verdict), Unrecorded> {
        let anything_live = {
            let mut knowledge = self.knowledge.borrow_mut();
            knowledge.anything_live |= lines.iter().any(|line| line.state == Observed::On);
            knowledge.anything_live
        };
        let mut judged = judge::judge_lines(self.plan, step, lines, supply.known(anything_live));
        judge::credit_own_relays((self.plan, step), lines, &BTreeMap::new(), &mut judged);
        judge::spare_what_was_to_come(self.plan, step, lines, &mut judged);
        judge::add_why_given_up(&mut judged, given_up);
        self.record_judged(&judged)?;
        let mut verdict = judge::worst(&judged);
        if let Some(common) = self.judge_far_end(step, supply, &judged) {
            verdict = verdict.join(common.verdict);
            self.record_judged(&[common])?;
        }
        Ok((judged, verdict))
    }

    /// Ends the call, checks that it ended, and records how the step came out.
    pub(super) async fn release_and_finish(
        &self,
        step: &PlannedStep,
        judged: &[LineJudged],
        (mut verdict, mut note): (Verdict, String),
    ) -> Result<(), Stop> {
        match self.release_and_check(step).await? {
            Ok(after) => {
                let live = judge::judge_release(self.plan, step, judged, &after);
                verdict = live
                    .iter()
                    .map(|line| line.verdict)
                    .fold(verdict, Verdict::join);
                self.record_judged(&live)?;
            }
            Err(why) => {
                verdict = verdict.join(Verdict::Inconc);
                if !note.is_empty() {
                    note.push_str("; ");
                }
                note.push_str(&format!("the release could not be checked: {why}"));
            }
        }
        Ok(self.finish(step, verdict, note)?)
    }

    /// R to C at the far end while lines answer: dead there, it shows the common conductor open.
    fn judge_far_end(
        &self,
        step: &PlannedStep,
        supply: &SupplyReading,
        judged: &[LineJudged],
    ) -> Option<LineJudged> {
        let answered = judged
            .iter()
            .any(|line| line.expected == Expected::On && line.observed == Observed::On);
        let dead: Vec<&PointReading> = supply
            .far
            .iter()
            .filter(|point| point.state == Observed::Off)
            .collect();
        let first = dead.first()?;
        (answered && !supply.live.is_empty()).then(|| LineJudged {
            step: step.number,
            terminal: Terminal::known("C"),
            expected: Expected::On,
            observed: Observed::Off,
            verdict: Verdict::Fail,
            readings: dead.iter().map(|point| point.id).collect(),
            rule: Rule::Supply,
            reason: format!(
                "{} is dead at the {} end while the lines answer: the C conductor is open between \
                 the ends, or the bench does not sense it",
                first.point.target, first.point.end
            ),
        })
    }

    /// Ends the call and reads every line; the reason in words where that could not be done.
    async fn release_and_check(
        &self,
        step: &PlannedStep,
    ) -> Result<Result<Vec<PointReading>, String>, Stop> {
        let mut why = String::new();
        for _attempt in 1..=self.policy.step_attempts {
            match self.while_feeding(self.release_once(step)).await {
                Ok(readings) => return Ok(Ok(readings)),
                Err(halt) => {
                    let recovered = self.recover(halt).await?;
                    why = recovered.words;
                    if !recovered.again {
                        break;
                    }
                }
            }
        }
        Ok(Err(why))
    }

    async fn release_once(&self, step: &PlannedStep) -> Result<Vec<PointReading>, Halt> {
        self.relays().release().await?;
        if step.is_ended_by_a_person() {
            self.operator()
                .ask_done(&Question::EndCall {
                    call: step.call.clone(),
                })
                .await?;
        }
        if self.plan.under_test == UnderTest::Controller {
            return self.wait_for_rest(step).await;
        }
        self.wait(WaitingFor::Release, self.plan.timing.release)
            .await?;
        self.measure().read(&self.release_order(step)).await
    }

    /// Every line, but of those to which a person moves a meter's leads only what the call made
    /// live: the others were seen dead a moment ago, with the call on.
    fn release_order<'a>(&'a self, step: &PlannedStep) -> ReadOrder<'a> {
        let mut order = self.line_order(None);
        let was_live = |target: &Target| match target {
            Target::Line(line) => {
                let cell = step.cells.get(line);
                cell.is_some_and(|cell| cell.expected == Expected::On)
            }
            Target::Supply(_) | Target::Pair(..) => true,
        };
        order
            .points
            .retain(|point| !self.plan.is_probed(point) || was_live(&point.target));
        order.should_be_live = vec![false; order.points.len()];
        order
    }

    /// Opens everything at once after the supply went away, and says whether it came back.
    async fn open_after_collapse(&self, step: &PlannedStep) -> Result<bool, Halt> {
        self.open_everything().await?;
        self.wait(WaitingFor::Release, step.release_ms).await?;
        let after = read_supply(&self.measure(), self.plan, SupplyPoints::Source).await?;
        Ok(after.dead.is_empty())
    }

    fn finish_collapsed(
        &self,
        step: &PlannedStep,
        line: &Terminal,
        recovered: bool,
    ) -> Result<(), Unrecorded> {
        let after = if recovered {
            "came back once it opened"
        } else {
            "did not come back"
        };
        let alone = step.drive.len() == 1;
        let why = format!("it pulled the supply down in {}", step.call);
        self.knowledge.borrow_mut().barred.insert(line.clone(), why);
        let note = format!("the supply went dead as {line} closed, and {after}");
        let mut judged = judge::judge_unmade(step, Rule::Supply, &note);
        for cell in judged.iter_mut().filter(|cell| cell.terminal == *line) {
            cell.verdict = if alone {
                Verdict::Fail
            } else {
                Verdict::Inconc
            };
            cell.reason = if alone {
                format!("{note}: {line} is shorted to C, at the conductor or in its load")
            } else {
                format!(
                    "{note}; alone it did not: the loads together may ask too much of the supply"
                )
            };
        }
        self.record_judged(&judged)?;
        let verdict = judged
            .iter()
            .map(|cell| cell.verdict)
            .max()
            .unwrap_or_default();
        self.finish(step, verdict, note)
    }

    fn finish_unmade(&self, step: &PlannedStep, rule: Rule, note: &str) -> Result<(), Unrecorded> {
        let judged = judge::judge_unmade(step, rule, note);
        self.record_judged(&judged)?;
        self.finish(step, Verdict::Inconc, note.to_owned())
    }

    pub(super) fn record_judged(&self, judged: &[LineJudged]) -> Result<(), Unrecorded> {
        judged
            .iter()
            .try_for_each(|line| self.record(EventKind::LineJudged(line.clone())))
    }

    pub(super) fn finish(
        &self,
        step: &PlannedStep,
        verdict: Verdict,
        note: String,
    ) -> Result<(), Unrecorded> {
        let number = step.number;
        self.record(EventKind::StepFinished(StepFinished {
            step: number,
            verdict,
            note,
        }))
    }

    pub(super) async fn wait(&self, why: WaitingFor, span: Milliseconds) -> Result<(), Halt> {
        let until = Microseconds(self.recorder.now().0 + span.0 * 1000);
        self.record(EventKind::Waiting(Waiting { why, until }))?;
        self.pause(span).await;
        Ok(())
    }

    pub(super) async fn pause(&self, span: Milliseconds) {
        tokio::time::sleep(span.duration()).await;
    }

    /// Waits, and feeds watchdogs.
    pub(super) async fn pause_fed(&self, span: Milliseconds) -> Result<(), Halt> {
        let waiting = async {
            self.pause(span).await;
            Ok(())
        };
        self.while_feeding(waiting).await
    }

    /// Does the work, and lets every board with a watchdog hear from the run meanwhile, however
    /// long a meter, a person or a room controller takes.
    pub(super) async fn while_feeding<T>(
        &self,
        work: impl Future<Output = Result<T, Halt>>,
    ) -> Result<T, Halt> {
        tokio::select! {
            biased;
            done = work => done,
            halt = self.feed() => Err(halt),
        }
    }

    /// Asks every board with a watchdog for its relays, often enough; ends only where one is lost.
    async fn feed(&self) -> Halt {
        let boards: Vec<_> = self
            .ports
            .boards
            .values()
            .filter(|board| board.watchdog().is_some())
            .collect();
        let Some(shortest) = boards.iter().filter_map(|board| board.watchdog()).min() else {
            return std::future::pending().await;
        };
        loop {
            tokio::time::sleep(shortest.duration() / 3).await;
            for board in &boards {
                let requests = self.relays().requests();
                if let Err(halt) = requests.make(board.device(), || board.read_back()).await {
                    return halt;
                }
            }
        }
    }
}

fn attempts(count: u32) -> String {
    if count == 1 {
        "1 attempt".to_owned()
    } else {
        format!("{count} attempts")
    }
}
