//! One call: close, read back, settle, read, judge, release, check the release.
//!
//! Place in the data's path: the sequencer makes steps in the plan's order. A step is made again
//! after a link's trouble, from open relays; what has been judged stays judged. Relays close one by
//! one, and the supply is read after each: where it collapses, everything opens and the line is not
//! driven again in this run.

use super::judge;
use super::measure::{Halt, Lost, Measure, PointReading, ReadOrder};
use super::recorder::Unrecorded;
use super::safety::closed_relays;
use super::sequencer::{Knowledge, Sequencer, Stop};
use super::supply::{SupplyPoints, SupplyReading, read_supply};
use crate::domain::plan::{PlannedDrive, PlannedStep, SensePoint, Target};
use crate::domain::{Expected, Observed, Verdict};
use crate::event::{
    EventKind, LineJudged, NextAction, RelayReason, RelaysSet, Rule, StepFinished, StepStarted,
    Waiting, WaitingFor,
};
use crate::port::RelayBoard;
use crate::units::{
    CoilAddress, DeviceName, Microseconds, Milliseconds, Terminal, Trouble, TroubleKind,
};
use std::collections::BTreeSet;

/// What one attempt at driving and reading came to.
enum Driven {
    /// The lines were read while driven.
    Read {
        lines: Vec<PointReading>,
        supply: SupplyReading,
    },
    /// The supply was dead before anything was driven.
    SupplyDead,
    /// The supply collapsed as this line's relay closed; everything was opened at once.
    Collapsed { line: Terminal, recovered: bool },
}

impl Sequencer<'_> {
    /// Makes one step and records everything about it.
    pub(super) async fn make_step(&self, step: &PlannedStep) -> Result<(), Stop> {
        if let Some((line, why)) = self.barred_line(step) {
            self.record(EventKind::StepStarted(StepStarted {
                step: step.number,
                attempt: 1,
                intended: Vec::new(),
            }))?;
            let note = format!("not made: {line} is not driven again in this run, {why}");
            return Ok(self.finish_unmade(step, Rule::Supply, &note)?);
        }
        let mut attempt = 0;
        let driven = loop {
            attempt += 1;
            self.record(EventKind::StepStarted(StepStarted {
                step: step.number,
                attempt,
                intended: step.drive.clone(),
            }))?;
            match self.drive_and_read(step).await {
                Ok(driven) => break driven,
                Err(halt) => {
                    let Lost { device, trouble } = self.recover(halt).await?;
                    if attempt >= self.policy.step_attempts {
                        let note =
                            format!("given up after {attempt} attempts: {device}: {trouble}");
                        return Ok(self.finish_unmade(step, Rule::BenchTrouble, &note)?);
                    }
                }
            }
        };
        match driven {
            Driven::Read { lines, supply } => self.judge_and_release(step, &lines, &supply).await,
            Driven::SupplyDead => {
                let note = "not made: the supply is dead with every relay open; check its fuse \
                            and its source before the wiring";
                Ok(self.finish_unmade(step, Rule::Supply, note)?)
            }
            Driven::Collapsed { line, recovered } => {
                Ok(self.finish_collapsed(step, &line, recovered)?)
            }
        }
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

    async fn drive_and_read(&self, step: &PlannedStep) -> Result<Driven, Halt> {
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
        for drive in &drives {
            self.close(drive).await?;
            self.pause(self.plan.timing.supply_settle).await?;
            let supply = read_supply(&measure, self.plan, SupplyPoints::Source).await?;
            if !supply.dead.is_empty() {
                let line = drive.terminal.clone();
                let recovered = self.open_after_collapse(step).await?;
                return Ok(Driven::Collapsed { line, recovered });
            }
        }
        self.wait(WaitingFor::Settle, step.settle_ms).await?;
        let lines = measure.read(&self.line_order(Some(step))).await?;
        let supply = read_supply(&measure, self.plan, SupplyPoints::All).await?;
        // A relay board that reset itself meanwhile would look like dead wiring.
        self.confirm_relays().await?;
        Ok(Driven::Read { lines, supply })
    }

    /// Every line point, with what should be live in the step; in a release check nothing should.
    fn line_order(&self, step: Option<&PlannedStep>) -> ReadOrder<'_> {
        let points: Vec<&SensePoint> = self
            .plan
            .sense_points
            .iter()
            .filter(|point| matches!(point.target, Target::Line(_)))
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
        ReadOrder {
            points,
            should_be_live,
            stop_when_live: false,
        }
    }

    /// Closes one line's relay and reads the whole board back. A reply that went wrong is settled
    /// by the read-back: the relay is written again only where it reads back open.
    async fn close(&self, drive: &PlannedDrive) -> Result<(), Halt> {
        let device = &drive.relay.device;
        let board = self.ports.boards[device].as_ref();
        self.knowledge
            .borrow_mut()
            .note_closing(device, drive.relay.coil);
        for attempt in 1..=self.policy.request_tries {
            let sent_us = self.recorder.now();
            self.write(board, (drive.relay.coil, true), attempt).await?;
            let closed = self.read_back(board).await?;
            let intended = self.knowledge.borrow().closed_on(device);
            self.record_set((device, RelayReason::Call), &intended, &closed, sent_us)?;
            let read: BTreeSet<CoilAddress> = closed.iter().copied().collect();
            if read == intended {
                return Ok(());
            }
            if !read.is_subset(&intended) {
                return Err(self.read_back_differs(device, &intended, &closed, attempt)?);
            }
            if attempt == self.policy.request_tries {
                return Err(self.read_back_differs(device, &intended, &closed, attempt)?);
            }
        }
        unreachable!("the loop returns at its last attempt")
    }

    /// Writes one relay once. A trouble is recorded and left to the read-back; only a port that is
    /// gone ends the step here.
    async fn write(
        &self,
        board: &dyn RelayBoard,
        (relay, closed): (CoilAddress, bool),
        attempt: u32,
    ) -> Result<(), Halt> {
        let Err(trouble) = board.set(relay, closed).await else {
            return Ok(());
        };
        let gone = trouble.kind == TroubleKind::Disconnected;
        let next = if gone {
            NextAction::Reopen
        } else {
            NextAction::ReadBack
        };
        self.measure()
            .record_trouble(board.device(), &trouble, attempt, next)?;
        if gone {
            return Err(Halt::lost(board.device(), trouble));
        }
        Ok(())
    }

    async fn read_back(&self, board: &dyn RelayBoard) -> Result<Vec<CoilAddress>, Halt> {
        let states = self
            .measure()
            .request(board.device(), || board.read_back())
            .await?;
        Ok(closed_relays(&states))
    }

    fn record_set(
        &self,
        (device, reason): (&DeviceName, RelayReason),
        intended: &BTreeSet<CoilAddress>,
        read_back: &[CoilAddress],
        sent_us: Microseconds,
    ) -> Result<(), Unrecorded> {
        self.record(EventKind::RelaysSet(RelaysSet {
            device: device.clone(),
            reason,
            intended: intended.iter().copied().collect(),
            read_back: Some(read_back.to_vec()),
            sent_us,
            confirmed_us: Some(self.recorder.now()),
        }))
    }

    fn read_back_differs(
        &self,
        device: &DeviceName,
        intended: &BTreeSet<CoilAddress>,
        read: &[CoilAddress],
        attempt: u32,
    ) -> Result<Halt, Unrecorded> {
        let words = |relays: &mut dyn Iterator<Item = &CoilAddress>| {
            let labels: Vec<String> = relays.map(|relay| relay.label()).collect();
            if labels.is_empty() {
                "none".to_owned()
            } else {
                labels.join(", ")
            }
        };
        let trouble = Trouble {
            kind: TroubleKind::ReadBackDiffers,
            tried: format!("set the relays of {device}"),
            detail: format!(
                "meant closed: {}; read back closed: {}",
                words(&mut intended.iter()),
                words(&mut read.iter())
            ),
            request: String::new(),
            reply: String::new(),
        };
        self.measure()
            .record_trouble(device, &trouble, attempt, NextAction::GiveUpStep)?;
        Ok(Halt::lost(device, trouble))
    }

    /// Reads every board that holds relays closed, and checks that it still does.
    async fn confirm_relays(&self) -> Result<(), Halt> {
        let closed_now = self.knowledge.borrow().closed_now();
        for (device, intended) in closed_now {
            let board = self.ports.boards[&device].as_ref();
            let closed = self.read_back(board).await?;
            if closed.iter().copied().collect::<BTreeSet<_>>() != intended {
                return Err(self.read_back_differs(&device, &intended, &closed, 1)?);
            }
        }
        Ok(())
    }

    async fn judge_and_release(
        &self,
        step: &PlannedStep,
        lines: &[PointReading],
        supply: &SupplyReading,
    ) -> Result<(), Stop> {
        let anything_live = {
            let mut knowledge = self.knowledge.borrow_mut();
            knowledge.anything_live |= lines.iter().any(|line| line.state == Observed::On);
            knowledge.anything_live
        };
        let judged = judge::judge_lines(step, lines, supply.known(anything_live));
        self.record_judged(&judged)?;
        let mut verdict = judged
            .iter()
            .map(|line| line.verdict)
            .max()
            .unwrap_or_default();
        if let Some(common) = self.judge_far_end(step, supply, &judged) {
            verdict = verdict.join(common.verdict);
            self.record_judged(&[common])?;
        }
        let mut note = String::new();
        match self.release_and_check().await? {
            Some(after) => {
                let live = judge::judge_release(step, &judged, &after);
                verdict = live
                    .iter()
                    .map(|line| line.verdict)
                    .fold(verdict, Verdict::join);
                self.record_judged(&live)?;
            }
            None => {
                verdict = verdict.join(Verdict::Inconc);
                "the release could not be checked".clone_into(&mut note);
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

    /// Opens what the call closed and reads every line; `None` where the lines could not be read.
    async fn release_and_check(&self) -> Result<Option<Vec<PointReading>>, Stop> {
        for _attempt in 1..=self.policy.step_attempts {
            let released = async {
                self.release().await?;
                self.wait(WaitingFor::Release, self.plan.timing.release)
                    .await?;
                self.measure().read(&self.line_order(None)).await
            };
            match released.await {
                Ok(readings) => return Ok(Some(readings)),
                Err(halt) => _ = self.recover(halt).await?,
            }
        }
        Ok(None)
    }

    /// Opens the relays of this call, the last closed first, so that Y, W and E open before the fan
    /// and the changeover line.
    async fn release(&self) -> Result<(), Halt> {
        let order = self.knowledge.borrow().release_order();
        for (device, relays) in order {
            let board = self.ports.boards[&device].as_ref();
            let mut to_open = relays;
            for attempt in 1..=self.policy.request_tries {
                let sent_us = self.recorder.now();
                for relay in &to_open {
                    self.write(board, (*relay, false), attempt).await?;
                }
                let closed = self.read_back(board).await?;
                self.record_set(
                    (&device, RelayReason::Release),
                    &BTreeSet::new(),
                    &closed,
                    sent_us,
                )?;
                if closed.is_empty() {
                    self.knowledge.borrow_mut().note_open(&device);
                    break;
                }
                if attempt == self.policy.request_tries {
                    return Err(self.read_back_differs(
                        &device,
                        &BTreeSet::new(),
                        &closed,
                        attempt,
                    )?);
                }
                to_open = closed;
            }
        }
        Ok(())
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

    fn record_judged(&self, judged: &[LineJudged]) -> Result<(), Unrecorded> {
        judged
            .iter()
            .try_for_each(|line| self.record(EventKind::LineJudged(line.clone())))
    }

    fn finish(&self, step: &PlannedStep, verdict: Verdict, note: String) -> Result<(), Unrecorded> {
        let number = step.number;
        self.record(EventKind::StepFinished(StepFinished {
            step: number,
            verdict,
            note,
        }))
    }

    async fn wait(&self, why: WaitingFor, span: Milliseconds) -> Result<(), Halt> {
        let until = Microseconds(self.recorder.now().0 + span.0 * 1000);
        self.record(EventKind::Waiting(Waiting { why, until }))?;
        self.pause(span).await
    }

    /// Waits, and lets every board with a watchdog hear from the run often enough.
    async fn pause(&self, span: Milliseconds) -> Result<(), Halt> {
        let shortest = self
            .ports
            .boards
            .values()
            .filter_map(|board| board.watchdog())
            .min();
        let Some(watchdog) = shortest else {
            tokio::time::sleep(span.duration()).await;
            return Ok(());
        };
        let slice = Milliseconds((watchdog.0 / 3).max(1));
        let end = self.recorder.now().0 + span.0 * 1000;
        loop {
            let left = end.saturating_sub(self.recorder.now().0);
            if left == 0 {
                return Ok(());
            }
            if left <= slice.0 * 1000 {
                tokio::time::sleep(Microseconds(left).duration()).await;
                return Ok(());
            }
            tokio::time::sleep(slice.duration()).await;
            for board in self
                .ports
                .boards
                .values()
                .filter(|board| board.watchdog().is_some())
            {
                self.measure()
                    .request(board.device(), || board.read_back())
                    .await?;
            }
        }
    }

    pub(super) fn measure(&self) -> Measure<'_> {
        Measure {
            ports: self.ports,
            recorder: self.recorder,
            policy: self.policy,
            timing: &self.plan.timing,
        }
    }
}

impl Knowledge {
    fn note_closing(&mut self, device: &DeviceName, relay: CoilAddress) {
        self.was_closed.insert(device.clone());
        let order = self.closed.entry(device.clone()).or_default();
        if !order.contains(&relay) {
            order.push(relay);
        }
    }

    /// The board's relays read back open.
    pub(super) fn note_open(&mut self, device: &DeviceName) {
        self.closed.remove(device);
    }

    fn closed_on(&self, device: &DeviceName) -> BTreeSet<CoilAddress> {
        self.closed
            .get(device)
            .into_iter()
            .flatten()
            .copied()
            .collect()
    }

    fn closed_now(&self) -> Vec<(DeviceName, BTreeSet<CoilAddress>)> {
        self.closed
            .keys()
            .map(|device| (device.clone(), self.closed_on(device)))
            .collect()
    }

    fn release_order(&self) -> Vec<(DeviceName, Vec<CoilAddress>)> {
        self.closed
            .iter()
            .map(|(device, relays)| (device.clone(), relays.iter().rev().copied().collect()))
            .collect()
    }
}
