//! A room controller makes the call: its own timers are waited for.
//!
//! A controller stages up by time, holds its compressor off for minutes and lets the fan lead or
//! lag. While the lines show a pattern that is legal on the way (rest, fan, a smaller stage of the
//! same call), the step waits; a pattern that is none of these, twice in a row, is judged at once;
//! the full pattern never reached within the wait is judged as it stands.
//!
//! Place in the data's path: part of a step, in place of its settling and reading.

use super::judge;
use super::measure::{PointReading, ReadOrder};
use super::requests::Halt;
use super::sequencer::Sequencer;
use crate::domain::bench_map::SenseMeans;
use crate::domain::plan::{PlannedStep, SensePoint, Target};
use crate::domain::{Cell, Expected, Observed, Verdict};
use crate::event::{EventKind, Waiting, WaitingFor};
use crate::units::{Microseconds, Milliseconds, Terminal, TroubleKind};
use std::collections::{BTreeMap, BTreeSet};

/// What every line must be, by terminal.
type Pattern = BTreeMap<Terminal, Cell>;

/// What a pattern is on the way to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Progress {
    /// The full pattern.
    Full,
    /// A legal one: wait.
    Legal,
    /// Neither.
    Wrong,
}

/// What the waiting came to.
pub(super) struct Waited {
    /// The last readings.
    pub(super) readings: Vec<PointReading>,
    /// Why the full pattern was given up, in words; empty where it stands.
    pub(super) given_up: String,
}

/// The part of the time waited so far that may pass between two looks: what it adds to a wait is
/// small beside it, and a long wait stays cheap.
const LOOK_SHARE: u64 = 20;

/// Between the two looks at a wrong pattern: longer than a fan lags behind its call (0 to 7 s, from
/// memory), so that no line is blamed that was only on its way.
const FAN_LAG: Milliseconds = Milliseconds(10_000);

/// What is waited for.
struct Wanted<'a> {
    full: &'a Pattern,
    on_the_way: Vec<&'a Pattern>,
    step: Option<&'a PlannedStep>,
    why: WaitingFor,
    /// Lines that are known to be wrong: they have no say in what the controller does.
    known_wrong: BTreeSet<Terminal>,
}

/// Sees every look while a pattern is waited for: its moment, and what was read.
pub(super) type Watcher<'a> = dyn FnMut(Microseconds, &[PointReading]) + 'a;

impl Sequencer<'_> {
    /// Waits until the call's full pattern stands for the settling time.
    pub(super) async fn wait_for_pattern(&self, step: &PlannedStep) -> Result<Waited, Halt> {
        self.wait_watched(step, WaitingFor::ControllerTimer, &mut |_, _| {})
            .await
    }

    /// The same, every look shown to the watcher.
    pub(super) async fn wait_watched(
        &self,
        step: &PlannedStep,
        why: WaitingFor,
        watcher: &mut Watcher<'_>,
    ) -> Result<Waited, Halt> {
        let wanted = Wanted {
            full: &step.cells,
            on_the_way: step.on_the_way.iter().collect(),
            step: Some(step),
            why,
            known_wrong: self.knowledge.borrow().known_wrong.clone(),
        };
        self.wait_until_stable(&wanted, watcher).await
    }

    /// Waits until the controller is at rest again. A line that was wrong in the call does not cut
    /// short what the others still have to be held for, and one that stays live is known from here
    /// on: the calls that follow are looked at beside it.
    pub(super) async fn wait_for_rest(
        &self,
        step: &PlannedStep,
    ) -> Result<Vec<PointReading>, Halt> {
        let Some(rest) = &self.plan.rest else {
            return self.measure().read(&self.line_order(None)).await;
        };
        // On the way to rest a controller may hold any stage for its minimum-on time.
        let steps = self.plan.steps.iter();
        let held: Vec<&Pattern> = steps
            .flat_map(|step| std::iter::once(&step.cells).chain(&step.on_the_way))
            .collect();
        let wanted = Wanted {
            full: rest,
            on_the_way: held,
            step: None,
            why: WaitingFor::ControllerTimer,
            known_wrong: self.wrong_in(step),
        };
        let waited = self.wait_until_stable(&wanted, &mut |_, _| {}).await?;
        let must_be_dead = rest
            .iter()
            .filter(|(_, cell)| cell.expected == Expected::Off);
        let lines = must_be_dead.map(|(line, _)| line);
        let live = lines.filter(|line| judge::observed(&waited.readings, line) == Observed::On);
        self.knowledge.borrow_mut().known_wrong = live.cloned().collect();
        Ok(waited.readings)
    }

    fn wrong_in(&self, step: &PlannedStep) -> BTreeSet<Terminal> {
        let state = self.recorder.state();
        let made = state.steps.iter().rev().find(|m| m.number == step.number);
        let lines = made.into_iter().flat_map(|made| made.lines.values());
        let wrong = lines.filter(|line| line.judged.verdict == Verdict::Fail);
        let mut wrong: BTreeSet<Terminal> =
            wrong.map(|line| line.judged.terminal.clone()).collect();
        wrong.extend(self.knowledge.borrow().known_wrong.iter().cloned());
        wrong
    }

    /// Looks until the full pattern was read twice in a row, or another than those on the way was,
    /// or the time is over. A look that a link spoilt is made again, without driving anything anew.
    async fn wait_until_stable(
        &self,
        wanted: &Wanted<'_>,
        watcher: &mut Watcher<'_>,
    ) -> Result<Waited, Halt> {
        let wait = self
            .plan
            .timing
            .controller_wait_in(wanted.step.map(|step| &step.call));
        let from = self.recorder.now();
        let until = Microseconds(from.0 + wait.0 * 1000);
        let why = wanted.why;
        self.record(EventKind::Waiting(Waiting { why, until }))?;
        let mut before = None;
        let mut spoilt = 0;
        loop {
            self.pause(self.plan.timing.settle).await;
            let order = ReadOrder {
                call: wanted.step.map(|step| &step.call),
                ..self.line_order(None)
            };
            let readings = match self.measure().read(&order).await {
                Ok(readings) => readings,
                Err(halt) if is_passing(&halt) && spoilt < self.policy.step_attempts => {
                    spoilt += 1;
                    continue;
                }
                Err(halt) => return Err(halt),
            };
            let progress = self.progress(wanted, &readings);
            let twice = before == Some(progress);
            let now = self.recorder.now();
            watcher(now, &readings);
            if let Some(given_up) = ended(progress, twice, now >= until, wait) {
                return Ok(Waited { readings, given_up });
            }
            before = Some(progress);
            match progress {
                Progress::Full => {}
                Progress::Wrong => self.pause(FAN_LAG).await,
                Progress::Legal => {
                    let share = Milliseconds((now.0 - from.0) / 1000 / LOOK_SHARE);
                    let look = self.plan.timing.controller_look;
                    let pause = look.max(share).max(self.shortest_look());
                    self.pause(pause).await;
                }
            }
        }
    }

    /// A person is not asked every other second.
    fn shortest_look(&self) -> Milliseconds {
        let mut points = self.plan.sense_points.iter();
        let asks = points.any(|point| {
            let SensePoint { target, means, .. } = point;
            matches!(target, Target::Line(_)) && *means == SenseMeans::Operator
        });
        Milliseconds(if asks { 30_000 } else { 0 })
    }

    fn progress(&self, wanted: &Wanted<'_>, readings: &[PointReading]) -> Progress {
        let bands = self.bands();
        // A line on which a reading proves nothing has no say.
        let fits = |cells: &Pattern| {
            let mut reliable = cells.iter().filter(|(line, _)| {
                !self.plan.unreliable.contains_key(*line) && !wanted.known_wrong.contains(*line)
            });
            reliable.all(|(line, cell)| {
                judge::line_verdict(&bands, cell.expected, readings, line).0 == Verdict::Pass
            })
        };
        if fits(wanted.full) {
            Progress::Full
        } else if wanted.on_the_way.iter().copied().any(fits) {
            Progress::Legal
        } else {
            Progress::Wrong
        }
    }
}

/// Whether the waiting is over, and if so why the full pattern was given up.
fn ended(progress: Progress, twice: bool, over: bool, wait: Milliseconds) -> Option<String> {
    let seconds = wait.0 / 1000;
    match progress {
        Progress::Full if twice => Some(String::new()),
        Progress::Wrong if twice => {
            Some("the pattern is neither the call's nor a smaller stage of it".to_owned())
        }
        Progress::Legal if over => Some(format!(
            "the controller stayed at rest or at a smaller stage for {seconds} s"
        )),
        Progress::Full | Progress::Wrong if over => {
            Some(format!("no pattern stood still within {seconds} s"))
        }
        Progress::Full | Progress::Legal | Progress::Wrong => None,
    }
}

/// Whether looking again may help without a port being opened anew.
fn is_passing(halt: &Halt) -> bool {
    matches!(halt, Halt::Lost(lost) if lost.trouble.kind != TroubleKind::Disconnected)
}
