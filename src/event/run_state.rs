//! The one fold over events: what is known of a run so far.
//!
//! Place in the data's path: live and replayed events go through [`RunState::apply`]; terminal,
//! web, reports and diagnosis read nothing else. The fold does no I/O and decides nothing: every
//! verdict stands in an event.

use super::run_event::{
    ChangeoverJudged, ChangeoverOutcome, EventKind, LineJudged, MadeSafe, Read, RelaysSet, Rule,
    RunEvent, RunFinished, RunStarted, ShownBy, TroubleSeen, Waiting, WaitingFor,
};
use super::supply_set::Supplied;
use crate::domain::bench_map::UnderTest;
use crate::domain::diagnosis::{Evidence, ObservedStep, ValveEffect};
use crate::domain::{Check, Expected, Observed, Plan, Question, Understood, Verdict};
use crate::units::{Microseconds, Terminal};
use jiff::Timestamp;
use std::collections::{BTreeMap, BTreeSet};

/// A line within a step.
#[derive(Debug, Clone, PartialEq)]
pub struct LineState {
    /// The judgement with the worst verdict so far; the first of equals is kept.
    pub judged: LineJudged,
}

/// A step so far.
#[derive(Debug, Clone, PartialEq)]
pub struct StepState {
    /// Its number in the plan.
    pub number: u32,
    /// Attempts made.
    pub attempts: u32,
    /// When its last attempt began.
    pub started_us: Microseconds,
    /// When it ended.
    pub finished_us: Option<Microseconds>,
    /// Lines judged.
    pub lines: BTreeMap<Terminal, LineState>,
    /// Readings made during it, by id.
    pub readings: Vec<Read>,
    /// Its verdict; `None` until it is finished.
    pub verdict: Option<Verdict>,
    /// Its note.
    pub note: String,
}

/// That a named person armed the run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ArmedState {
    /// When.
    pub at: Timestamp,
    /// Who, as a salted commitment.
    pub by: String,
    /// What they confirmed.
    pub confirmed: Vec<String>,
}

/// One point of the checklist that was asked about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CheckState {
    /// The point.
    pub check: Check,
    /// Whether it was confirmed; `None` where nobody gave an answer that is one.
    pub confirmed: Option<bool>,
    prompt: u32,
}

/// A run so far.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RunState {
    /// The first event, once it is there.
    pub started: Option<(Timestamp, RunStarted)>,
    /// Devices and what they said they are.
    pub identities: Vec<(String, String)>,
    /// Steps begun, in order.
    pub steps: Vec<StepState>,
    /// Every relay command.
    pub relays: Vec<RelaysSet>,
    /// Readings outside any step.
    pub other_readings: Vec<Read>,
    /// Every trouble.
    pub troubles: Vec<TroubleSeen>,
    /// When a named person armed the run, and what they confirmed.
    pub armed: Option<ArmedState>,
    /// The points of the checklist, as far as they were asked about.
    pub checks: Vec<CheckState>,
    /// Waits for machines: what for, until when, and how long from where it was first said.
    pub machine_waits: Vec<(WaitingFor, Microseconds, Microseconds)>,
    /// When the supply of a room controller was cut, and when it came back; `None` where no event
    /// says so.
    pub cuts: Vec<(Microseconds, Option<Microseconds>)>,
    /// Until when the person last asked is waited for.
    pub answer_until: Option<Microseconds>,
    /// The changeover's judgement.
    pub changeover: Option<ChangeoverJudged>,
    /// The last making-safe.
    pub made_safe: Option<MadeSafe>,
    /// The last event, once it is there.
    pub finished: Option<(Timestamp, RunFinished)>,
    /// Number of events applied.
    pub events: u64,
}

impl RunState {
    /// Takes one event in. Events are applied in the order of their numbers.
    pub fn apply(&mut self, event: &RunEvent) {
        self.events += 1;
        match &event.kind {
            EventKind::RunStarted(started) => {
                self.started = Some((event.at, started.as_ref().clone()));
            }
            EventKind::DeviceIdentified {
                device, identity, ..
            } => {
                self.identities.push((device.to_string(), identity.clone()));
            }
            EventKind::StepStarted(step) => {
                // A step that is made again begins with every relay open.
                self.note_supply(&Supplied::Usual, event.elapsed_us);
                self.begin_step(step.step, event.elapsed_us);
            }
            EventKind::RelaysSet(set) => self.relays.push(set.clone()),
            EventKind::Read(read) => match self.steps.last_mut() {
                Some(step) if step.verdict.is_none() => step.readings.push(read.clone()),
                _ => self.other_readings.push(read.clone()),
            },
            EventKind::Trouble(trouble) => self.troubles.push(trouble.clone()),
            EventKind::LineJudged(judged) => self.judge_line(judged),
            EventKind::StepFinished(finished) => {
                let mut latest_first = self.steps.iter_mut().rev();
                if let Some(step) = latest_first.find(|s| s.number == finished.step) {
                    step.verdict = Some(finished.verdict);
                    step.note.clone_from(&finished.note);
                    step.finished_us = Some(event.elapsed_us);
                }
            }
            EventKind::ChangeoverJudged(judged) => self.changeover = Some(judged.clone()),
            EventKind::MadeSafe(safe) => {
                self.note_supply(&Supplied::Usual, event.elapsed_us);
                self.made_safe = Some(safe.clone());
            }
            EventKind::RunFinished(finished) => {
                self.finished = Some((event.at, finished.clone()));
            }
            EventKind::Armed { by, confirmed } => {
                let (at, by, confirmed) = (event.at, by.clone(), confirmed.clone());
                self.armed = Some(ArmedState { at, by, confirmed });
            }
            EventKind::Asked { prompt, about, .. } => self.note_asked(*prompt, about),
            EventKind::Answered { prompt, text, .. } => self.note_answered(*prompt, text),
            EventKind::Waiting(waiting) => self.note_wait(waiting, event.elapsed_us),
            EventKind::SupplySet(set) => self.note_supply(&set.to, event.elapsed_us),
            EventKind::Changed(_)
            | EventKind::Suspended { .. }
            | EventKind::Resumed { .. }
            | EventKind::Revealed { .. } => {}
        }
    }

    /// A point that is asked about again after an answer that is none is one point.
    fn note_asked(&mut self, prompt: u32, about: &Question) {
        let Question::Confirm { check } = about else {
            return;
        };
        match self.checks.iter_mut().find(|asked| asked.check == *check) {
            Some(asked) => asked.prompt = prompt,
            None => self.checks.push(CheckState {
                check: *check,
                confirmed: None,
                prompt,
            }),
        }
    }

    fn note_answered(&mut self, prompt: u32, text: &str) {
        let mut asked = self.checks.iter_mut();
        let Some(asked) = asked.find(|asked| asked.prompt == prompt) else {
            return;
        };
        let question = Question::Confirm { check: asked.check };
        asked.confirmed = match question.understand(text) {
            Ok(Understood::Yes) => Some(true),
            Ok(_) => Some(false),
            Err(_no_answer) => None,
        };
    }

    /// A countdown is said again and again; it is one wait as long as its end stays.
    fn note_wait(&mut self, waiting: &Waiting, now: Microseconds) {
        let Waiting { why, until } = *waiting;
        if why == WaitingFor::Operator {
            self.answer_until = Some(until);
        }
        let is_for_machines = match why {
            WaitingFor::MinimumOff
            | WaitingFor::MinimumOn
            | WaitingFor::FanHold
            | WaitingFor::CoolDown
            | WaitingFor::Defrost => true,
            WaitingFor::Settle
            | WaitingFor::Release
            | WaitingFor::ControllerTimer
            | WaitingFor::PowerLoss
            | WaitingFor::PowerReturn
            | WaitingFor::Replug
            | WaitingFor::Operator => false,
        };
        let said_before = self.machine_waits.last();
        let is_new = said_before.is_none_or(|(last, end, _)| (*last, *end) != (why, until));
        if is_for_machines && is_new {
            let span = Microseconds(until.0.saturating_sub(now.0));
            self.machine_waits.push((why, until, span));
        }
    }

    fn note_supply(&mut self, to: &Supplied, now: Microseconds) {
        let open = self.cuts.last_mut().filter(|(_, until)| until.is_none());
        match (to, open) {
            (Supplied::Nothing, None) => self.cuts.push((now, None)),
            (Supplied::Usual | Supplied::Level { .. }, Some((_, until))) => *until = Some(now),
            (Supplied::Nothing, Some(_)) | (Supplied::Usual | Supplied::Level { .. }, None) => {}
        }
    }

    /// Whether the supply of a room controller was cut on purpose at this moment.
    #[must_use]
    pub fn is_cut(&self, at: Microseconds) -> bool {
        let mut cuts = self.cuts.iter();
        cuts.any(|(from, until)| *from <= at && until.is_none_or(|until| at < until))
    }

    fn begin_step(&mut self, number: u32, at: Microseconds) {
        if let Some(step) = self.steps.iter_mut().find(|step| step.number == number) {
            step.attempts += 1;
            step.started_us = at;
            return;
        }
        self.steps.push(StepState {
            number,
            attempts: 1,
            started_us: at,
            finished_us: None,
            lines: BTreeMap::new(),
            readings: Vec::new(),
            verdict: None,
            note: String::new(),
        });
    }

    fn judge_line(&mut self, judged: &LineJudged) {
        // It is nearly always the last step; a long run must not search through all of them.
        let Some(step) = self
            .steps
            .iter_mut()
            .rev()
            .find(|step| step.number == judged.step)
        else {
            return;
        };
        match step.lines.get_mut(&judged.terminal) {
            Some(line) if judged.verdict > line.judged.verdict => line.judged = judged.clone(),
            Some(_) => {}
            None => {
                step.lines.insert(
                    judged.terminal.clone(),
                    LineState {
                        judged: judged.clone(),
                    },
                );
            }
        }
    }

    /// What the run showed, for diagnosis; `None` before its first event.
    #[must_use]
    pub fn evidence(&self) -> Option<Evidence> {
        let plan = &self.started.as_ref()?.1.plan;
        let changeover = plan
            .changeover
            .as_ref()
            .map(|planned| planned.terminal.clone());
        let judged = || {
            self.steps
                .iter()
                .flat_map(|step| step.lines.values())
                .map(|l| &l.judged)
        };
        let common = Terminal::known("C");
        Some(Evidence {
            lines: plan.lines.iter().cloned().collect(),
            drives: plan
                .drives
                .iter()
                .map(|d| (d.terminal.clone(), d.common))
                .collect(),
            by_controller: plan.under_test == UnderTest::Controller,
            tied: plan.tied.clone(),
            changeover,
            valve_effect: self.valve_effect(),
            steps: self.observed_steps(plan),
            far_common_dead: judged().any(|l| l.terminal == common && l.verdict == Verdict::Fail),
            supply_dead: judged().any(|l| l.rule == Rule::Supply && l.verdict == Verdict::Inconc),
            all_right: self.verdict() == Verdict::Pass,
        })
    }

    fn valve_effect(&self) -> Option<ValveEffect> {
        let judged = self.changeover.as_ref()?;
        judged.shown.filter(|shown| *shown == ShownBy::Effect)?;
        match judged.outcome {
            ChangeoverOutcome::Follows => Some(ValveEffect::Follows),
            ChangeoverOutcome::Inverted => Some(ValveEffect::Inverted),
            ChangeoverOutcome::StuckOn => Some(ValveEffect::AlwaysActs),
            ChangeoverOutcome::StuckOff => Some(ValveEffect::NeverActs),
            ChangeoverOutcome::NotShown => None,
        }
    }

    fn observed_steps(&self, plan: &Plan) -> Vec<ObservedStep> {
        self.steps
            .iter()
            // What shows only at another supply, or over a loss of it, is no fault of the wiring.
            .filter(|step| plan.condition(step.number).is_none())
            .filter_map(|step| {
                let planned = plan.step(step.number)?;
                let collapsed = step.lines.values().any(|line| {
                    line.judged.rule == Rule::Supply
                        && line.judged.verdict == Verdict::Fail
                        && line.judged.observed == Observed::NotMeasured
                });
                let seen: BTreeMap<Terminal, bool> = step
                    .lines
                    .iter()
                    .filter(|(_, state)| state.judged.rule != Rule::ControllerTimer)
                    .filter_map(|(line, state)| match state.judged.observed {
                        Observed::On => Some((line.clone(), true)),
                        Observed::Off => Some((line.clone(), false)),
                        Observed::Indeterminate | Observed::NotMeasured => None,
                    })
                    .filter(|(line, _)| planned.cells.contains_key(line))
                    .collect();
                let by_controller = plan.under_test == UnderTest::Controller;
                let lines_that_are = |wanted: Expected| -> BTreeSet<Terminal> {
                    let cells = planned.cells.iter().filter(|_| by_controller);
                    let found = cells.filter(|(_, cell)| cell.expected == wanted);
                    found.map(|(line, _)| line.clone()).collect()
                };
                let mut drive = lines_that_are(Expected::On);
                drive.extend(planned.drive.iter().cloned());
                (collapsed || !seen.is_empty()).then(|| ObservedStep {
                    call: planned.call.clone(),
                    drive,
                    free: lines_that_are(Expected::Either),
                    seen,
                    collapsed,
                })
            })
            .collect()
    }

    /// The run's verdict: that of its last event, or inconclusive where it was cut short.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        self.finished
            .as_ref()
            .map_or(Verdict::Inconc, |(_, finished)| finished.verdict)
    }

    /// Whether every relay read back open at the end.
    #[must_use]
    pub fn is_made_safe(&self) -> bool {
        self.made_safe
            .as_ref()
            .is_some_and(|safe| safe.devices.iter().all(|device| device.confirmed_open))
    }
}
