//! A room controller's supply: levels selected before a call, and its loss while a call stands.
//!
//! A level's relay stays closed from step to step and is opened before another one closes, with no
//! call made; the supply is read before the call, and where it is not the level's the bench is to
//! blame and not the controller. Over a power loss the call stands first; while the supply is cut
//! no output may be live, and once it is back the controller has to reach the call's pattern by
//! itself, its compressor no earlier than its minimum-off time after the cut.
//!
//! Place in the data's path: part of a step, around `step`'s driving and reading. Whatever ends the
//! sequence opens these relays with all others: open, they leave the usual supply on.

use super::judge;
use super::measure::PointReading;
use super::requests::Halt;
use super::sequencer::{Sequencer, Stop};
use super::step::Driven;
use super::supply::{SupplyPoints, SupplyReading, read_supply};
use crate::domain::bench_map::RelayAt;
use crate::domain::measurement::Bands;
use crate::domain::plan::{Interruption, PlannedLevel, PlannedStep};
use crate::domain::{Expected, Observed, Verdict};
use crate::event::{
    Changed, EventKind, LineJudged, RelayReason, Rule, Supplied, SupplySet, WaitingFor,
};
use crate::units::{Microseconds, Milliseconds, Terminal};
use std::collections::BTreeMap;

/// What one attempt at a power loss came to.
enum PowerLost {
    /// The call never stood: the supply was not cut.
    NotCut(Driven),
    /// The supply was cut and came back.
    Cut(Box<OverLoss>),
}

/// What was read before, during and after a power loss.
struct OverLoss {
    before: (Vec<PointReading>, SupplyReading),
    during: (Vec<PointReading>, SupplyReading),
    after: (Vec<PointReading>, SupplyReading),
    /// Why the full pattern was given up after the return; empty where it stands.
    given_up: String,
    /// Compressor lines with the moment since the cut at which each was first seen live again.
    came_on: BTreeMap<Terminal, Milliseconds>,
}

impl Sequencer<'_> {
    /// The level of the supply that is selected now; `None` for the usual one.
    fn level_now(&self) -> Option<&PlannedLevel> {
        let relay = self.knowledge.borrow().level.clone()?;
        let power = self.plan.power.as_ref()?;
        power.levels.iter().find(|level| level.relay == relay)
    }

    /// Where a voltage counts as on and as off at the supply of this moment.
    pub(super) fn bands(&self) -> Bands {
        let level = self.level_now();
        level.map_or(self.plan.bands, |level| level.bands)
    }

    /// Selects the level at which the step is made. No call is made meanwhile, and of two levels'
    /// relays the first reads back open before the second closes.
    pub(super) async fn select_level(&self, step: &PlannedStep) -> Result<(), Halt> {
        let wanted = self.plan.level_of(step.number);
        let selected = self.knowledge.borrow().level.clone();
        if wanted.map(|level| &level.relay) == selected.as_ref() {
            return Ok(());
        }
        if let Some(relay) = &selected {
            self.relays().open(relay, RelayReason::Level).await?;
            self.knowledge.borrow_mut().level = None;
        }
        let to = match wanted {
            None => Supplied::Usual,
            Some(level) => {
                self.relays()
                    .close(&level.relay, RelayReason::Level)
                    .await?;
                self.knowledge.borrow_mut().level = Some(level.relay.clone());
                Supplied::Level {
                    name: level.name.clone(),
                    volts: level.volts,
                }
            }
        };
        self.record(EventKind::SupplySet(SupplySet {
            step: step.number,
            to,
        }))?;
        self.wait(WaitingFor::Settle, self.plan.timing.settle).await
    }

    /// Why the supply is not the step's level, where a meter shows that it is not.
    pub(super) fn missed_level(
        &self,
        step: &PlannedStep,
        supply: &SupplyReading,
    ) -> Option<String> {
        let level = self.plan.level_of(step.number)?;
        let measured = supply.source.iter().filter_map(|point| {
            let volts = point.volts.as_ref()?;
            level.is_missed_by(volts).then_some((&point.point, volts))
        });
        let (point, volts) = measured.into_iter().next()?;
        Some(format!(
            "{} reads {:.2} with the level {} selected, which is {} by the bench file: the bench's \
             own supply, not the controller",
            point.target, volts.volts, level.name, level.volts
        ))
    }

    /// Makes a call, cuts the supply while it stands, gives it back, and judges what followed.
    pub(super) async fn make_step_over_power_loss(
        &self,
        step: &PlannedStep,
        cut: &Interruption,
    ) -> Result<(), Stop> {
        let made = self.attempt(step, || self.lose_power(step, cut)).await?;
        match made {
            None => Ok(()),
            Some(PowerLost::NotCut(driven)) => self.judge_driven(step, driven).await,
            Some(PowerLost::Cut(over)) => self.judge_over_loss(step, cut, &over).await,
        }
    }

    async fn lose_power(&self, step: &PlannedStep, cut: &Interruption) -> Result<PowerLost, Halt> {
        let before = match self.drive_and_read(step).await? {
            Driven::Read {
                lines,
                supply,
                given_up,
            } if given_up.is_empty() => (lines, supply),
            Driven::Read {
                lines,
                supply,
                given_up,
            } => {
                let given_up = format!("{given_up}; the power was not cut");
                return Ok(PowerLost::NotCut(Driven::Read {
                    lines,
                    supply,
                    given_up,
                }));
            }
            other => return Ok(PowerLost::NotCut(other)),
        };
        let cut_at = self.recorder.now();
        self.relays()
            .close(&cut.relay, RelayReason::Interrupt)
            .await?;
        self.record_supplied(step, Supplied::Nothing)?;
        self.wait(WaitingFor::PowerLoss, cut.lasts).await?;
        let during = self.read_all(step).await?;
        // A relay that fell open meanwhile would look like a controller that lost nothing.
        self.relays().confirm().await?;
        self.relays()
            .open(&cut.relay, RelayReason::Interrupt)
            .await?;
        self.record_supplied(step, Supplied::Usual)?;
        let returned_at = self.recorder.now();
        let mut looks = Looks::new(self.compressor_lines(step), returned_at);
        let waited = self
            .wait_watched(step, WaitingFor::PowerReturn, &mut |now, readings| {
                looks.see(now, readings);
            })
            .await?;
        let supply = read_supply(&self.measure(), self.plan, SupplyPoints::All).await?;
        self.relays().confirm().await?;
        for changed in looks.changes.values() {
            self.record(EventKind::Changed(changed.clone()))?;
        }
        let since_cut = |changed: &Changed| Milliseconds((changed.after_us.0 - cut_at.0) / 1000);
        let came_on = looks.changes.iter();
        Ok(PowerLost::Cut(Box::new(OverLoss {
            before,
            during,
            after: (waited.readings, supply),
            given_up: waited.given_up,
            came_on: came_on
                .map(|(line, changed)| (line.clone(), since_cut(changed)))
                .collect(),
        })))
    }

    fn record_supplied(&self, step: &PlannedStep, to: Supplied) -> Result<(), Halt> {
        let step = step.number;
        Ok(self.record(EventKind::SupplySet(SupplySet { step, to }))?)
    }

    /// The lines that run a compressor in this call.
    fn compressor_lines(&self, step: &PlannedStep) -> Vec<Terminal> {
        let power = self.plan.power.as_ref();
        let lines = power.into_iter().flat_map(|power| &power.compressor);
        let called = |line: &&Terminal| {
            let cell = step.cells.get(*line);
            cell.is_some_and(|cell| cell.expected == Expected::On)
        };
        lines.filter(called).cloned().collect()
    }

    /// Every line and every point of the supply, nothing presumed.
    async fn read_all(
        &self,
        step: &PlannedStep,
    ) -> Result<(Vec<PointReading>, SupplyReading), Halt> {
        let measure = self.measure();
        let mut order = self.line_order(None);
        order.call = Some(&step.call);
        let lines = measure.read(&order).await?;
        let supply = read_supply(&measure, self.plan, SupplyPoints::All).await?;
        Ok((lines, supply))
    }

    async fn judge_over_loss(
        &self,
        step: &PlannedStep,
        cut: &Interruption,
        over: &OverLoss,
    ) -> Result<(), Stop> {
        let (lines, supply) = &over.before;
        let (before, mut verdict) = self.judge_read(step, lines, (supply, ""))?;
        let live = self.judge_during(step, cut, &over.during);
        let early = over.too_early(step, cut);
        if is_fed(&over.during.1) {
            verdict = verdict.join(Verdict::Inconc);
        }
        for judged in [&live, &early] {
            verdict = verdict.join(judge::worst(judged));
            self.record_judged(judged)?;
        }
        let (lines, supply) = &over.after;
        let after_return = match over.given_up.as_str() {
            "" => String::new(),
            why => format!("after the power came back: {why}"),
        };
        let lost = self.lost_setting(&before, lines);
        let parts = [after_return, lost].into_iter();
        let parts: Vec<String> = parts.filter(|part| !part.is_empty()).collect();
        let given_up = parts.join("; ");
        let (_, after) = self.judge_read(step, lines, (supply, &given_up))?;
        let note = over.note(cut, &given_up);
        self.release_and_finish(step, &before, (verdict.join(after), note))
            .await
    }

    /// Lines that were not dead while the controller had no power. Where the supply is seen to have
    /// reached the controller, the bench did not cut it; where nobody looked, it may not have.
    fn judge_during(
        &self,
        step: &PlannedStep,
        cut: &Interruption,
        (lines, supply): &(Vec<PointReading>, SupplyReading),
    ) -> Vec<LineJudged> {
        let relay = relay_words(&cut.relay);
        let bands = self.plan.bands_in(step.number);
        let mut judged = Vec::new();
        for point in lines {
            let terminal = point.point.target.terminal();
            let (verdict, doubt) = point.judge(Expected::Off, &bands);
            let has_say =
                step.cells.contains_key(&terminal) && !self.plan.unreliable.contains_key(&terminal);
            if verdict == Verdict::Pass || !has_say {
                continue;
            }
            let (verdict, rule, why) = if is_fed(supply) {
                let why = format!(
                    "R to C was live at the controller with {relay} closed: the bench did not cut \
                     the power, so nothing is shown"
                );
                (Verdict::Inconc, Rule::BenchTrouble, why)
            } else if verdict == Verdict::Inconc {
                (verdict, Rule::PowerLoss, doubt.to_owned())
            } else if supply.far.is_empty() {
                let why = format!(
                    "another source feeds it, or the bench's {relay} did not cut the power"
                );
                (verdict, Rule::PowerLoss, why)
            } else {
                (
                    verdict,
                    Rule::PowerLoss,
                    "another source feeds it".to_owned(),
                )
            };
            let seen = if point.state == Observed::On {
                "live"
            } else {
                "not clearly dead"
            };
            judged.push(LineJudged {
                step: step.number,
                reason: format!("{terminal} was {seen} while the controller had no power: {why}"),
                terminal,
                expected: Expected::Off,
                observed: point.state,
                verdict,
                readings: vec![point.id],
                rule,
            });
        }
        judged
    }

    /// What is to be said where the changeover line was right before the loss and is wrong after
    /// it; empty where it is not so.
    fn lost_setting(&self, before: &[LineJudged], after: &[PointReading]) -> String {
        let Some(changeover) = &self.plan.changeover else {
            return String::new();
        };
        let line = &changeover.terminal;
        let was = before.iter().find(|judged| judged.terminal == *line);
        let decided = was.filter(|judged| {
            judged.expected != Expected::Either && judged.verdict == Verdict::Pass
        });
        let now = judge::observed(after, line);
        let others_answer = before.iter().any(|judged| {
            judged.terminal != *line
                && judged.expected == Expected::On
                && judge::observed(after, &judged.terminal) == Observed::On
        });
        match decided {
            Some(judged) if others_answer && now != judged.observed => format!(
                "{line} was {} before the power loss and {now} after it: the controller lost its \
                 setting of the reversing valve (O/B)",
                judged.observed
            ),
            _ => String::new(),
        }
    }
}

/// When each of some lines was first seen live.
struct Looks {
    watched: Vec<Terminal>,
    last: Microseconds,
    changes: BTreeMap<Terminal, Changed>,
}

impl Looks {
    fn new(watched: Vec<Terminal>, from: Microseconds) -> Self {
        Self {
            watched,
            last: from,
            changes: BTreeMap::new(),
        }
    }

    fn see(&mut self, now: Microseconds, readings: &[PointReading]) {
        for line in &self.watched {
            let is_on = judge::observed(readings, line) == Observed::On;
            if is_on && !self.changes.contains_key(line) {
                let changed = Changed {
                    line: line.clone(),
                    after_us: now,
                    before_us: self.last,
                };
                self.changes.insert(line.clone(), changed);
            }
        }
        self.last = now;
    }
}

/// Whether R to C was seen live at the controller.
fn is_fed(supply: &SupplyReading) -> bool {
    supply.far.iter().any(|point| point.state == Observed::On)
}

impl OverLoss {
    /// Compressor lines that were seen live again before the minimum-off time was over. Each came
    /// on before it was seen, so that what is said here is surely so. A line that stayed live, or a
    /// controller that kept its power, came back from nothing.
    fn too_early(&self, step: &PlannedStep, cut: &Interruption) -> Vec<LineJudged> {
        let (lines, supply) = &self.during;
        let is_early = |line: &Terminal, after: Milliseconds| {
            after < cut.minimum_off && judge::observed(lines, line) != Observed::On
        };
        let came_on = self.came_on.iter().filter(|_| !is_fed(supply));
        came_on
            .filter(|(line, after)| is_early(line, **after))
            .map(|(terminal, after)| LineJudged {
                step: step.number,
                terminal: terminal.clone(),
                expected: Expected::Off,
                observed: Observed::On,
                verdict: Verdict::Fail,
                readings: Vec::new(),
                rule: Rule::PowerLoss,
                reason: format!(
                    "{terminal} was live again {} after the power was cut, too soon: the \
                     compressor has to stay off for {}",
                    seconds(*after),
                    seconds(cut.minimum_off)
                ),
            })
            .collect()
    }

    /// What is to be said of the step as a whole.
    fn note(&self, cut: &Interruption, given_up: &str) -> String {
        if is_fed(&self.during.1) {
            return "the bench did not cut the power: R to C stayed live at the controller"
                .to_owned();
        }
        let lines = self.came_on.iter();
        let lines = lines.map(|(line, after)| format!("{line} {}", seconds(*after)));
        let lines: Vec<String> = lines.collect();
        let mut note = format!("the power was off for {}", seconds(cut.lasts));
        if !lines.is_empty() {
            note.push_str(&format!("; live again after the cut: {}", lines.join(", ")));
        }
        if !given_up.is_empty() {
            note.push_str(&format!("; {given_up}"));
        }
        note
    }
}

fn seconds(span: Milliseconds) -> String {
    format!("{:.1} s", span.0 as f64 / 1000.0)
}

fn relay_words(relay: &RelayAt) -> String {
    format!("{} of {}", relay.coil.label(), relay.device)
}
