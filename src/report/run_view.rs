//! Everything that a report shows of a run, resolved once.
//!
//! Place in the data's path: made from the folded events, the subject (where it may be shown), the
//! journal's name and head hash, and the diagnosis; read by every format. A view never judges: all
//! verdicts stand in events. What a run does not prove is gathered here, so that no format forgets
//! it.

use super::arming_view::ArmingView;
use super::step_view::StepView;
use super::timeline::Timeline;
use super::wording::machine_waits;
use crate::domain::bench_map::{Loads, UnderTest};
use crate::domain::plan::{CallLeftOut, Plan, Target};
use crate::domain::profile::Changeover;
use crate::domain::{Expected, Observed, Verdict};
use crate::event::{
    BenchSummary, ChangeoverOutcome, DeviceSafe, FinishReason, ProfileSummary, RunStarted,
    RunState, ShownBy, SimulatedBy, StepState,
};
use crate::units::{DeviceName, End, Quantity, Terminal, TroubleKind};
use jiff::Timestamp;
use std::collections::{BTreeMap, BTreeSet};

/// There is no `run-started` to make a view from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the run has not started: there is nothing to report")]
pub struct NotStarted;

/// What a diagnosis came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Conclusion {
    /// Nothing is wrong.
    Healthy,
    /// A fault explains the readings.
    Fault,
    /// The readings, or what is known of the bench, do not suffice.
    Undetermined,
}

impl Conclusion {
    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Healthy => "healthy",
            Self::Fault => "fault",
            Self::Undetermined => "undetermined",
        }
    }
}

/// Suspects that these readings cannot tell apart.
#[derive(Debug, Clone, PartialEq)]
pub struct SuspectGroup {
    /// The group's probability, where one was computed.
    pub probability: Option<f64>,
    /// The suspects, in the fault grammar.
    pub suspects: Vec<String>,
    /// The test that would confirm them, or tell them apart.
    pub confirm: String,
}

/// A diagnosis as a report shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct DiagnosisView {
    /// What it came to.
    pub conclusion: Conclusion,
    /// Groups of suspects, the likeliest first.
    pub groups: Vec<SuspectGroup>,
    /// The next best measurement.
    pub next: Option<String>,
}

impl DiagnosisView {
    /// No diagnosis was made, or none could be.
    #[must_use]
    pub fn undetermined() -> Self {
        Self {
            conclusion: Conclusion::Undetermined,
            groups: Vec::new(),
            next: None,
        }
    }
}

/// How the changeover came out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChangeoverView {
    /// `o` or `b`.
    pub convention: String,
    /// The line that carries it.
    pub terminal: Terminal,
    /// How it came out.
    pub outcome: ChangeoverOutcome,
    /// By what it was shown.
    pub shown: Option<ShownBy>,
    /// What was read in which call.
    pub evidence: String,
}

/// How often one kind of trouble was met on one device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TroubleCount {
    /// The device.
    pub device: DeviceName,
    /// The kind.
    pub kind: TroubleKind,
    /// How often.
    pub count: usize,
    /// The first of them, in words.
    pub first: String,
}

/// A run as a report shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct RunView {
    /// The run's id.
    pub run_id: String,
    /// What was under test, where it may be shown.
    pub subject: Option<String>,
    /// Whether a subject was recorded that is not shown: its record was removed.
    pub subject_removed: bool,
    /// When it began.
    pub started: Timestamp,
    /// When it ended; `None` where it was cut short.
    pub finished: Option<Timestamp>,
    /// Present where the bench was simulated.
    pub simulated: Option<SimulatedBy>,
    /// What was being proven.
    pub under_test: UnderTest,
    /// What hung on the lines.
    pub loads: Loads,
    /// Who armed the run and on what; `None` where nobody has to.
    pub arming: Option<ArmingView>,
    /// What was waited for on account of machines; `None` where nothing was.
    pub machine_waits: Option<String>,
    /// The profile in a few words.
    pub profile: ProfileSummary,
    /// Hash of the profile's file.
    pub profile_hash: String,
    /// The bench in a few words.
    pub bench: BenchSummary,
    /// Hash of the bench's file.
    pub bench_hash: String,
    /// The program's version.
    pub program_version: String,
    /// The run that this one repeats after a correction.
    pub retest_of: Option<String>,
    /// What the run was asked to do beyond its files.
    pub conditions: Vec<String>,
    /// Devices and what they said they are.
    pub devices: Vec<(String, String)>,
    /// How it came out.
    pub verdict: Verdict,
    /// Why it ended; `None` where it was cut short.
    pub reason: Option<FinishReason>,
    /// What is to be said of it as a whole; empty where nothing is.
    pub note: String,
    /// Whether every relay read back open at the end.
    pub made_safe: bool,
    /// Lines still live with every relay open.
    pub still_live: Vec<Terminal>,
    /// The relay boards at the end; empty where making safe is not in the record.
    pub boards: Vec<DeviceSafe>,
    /// Every line, in the order of the strip.
    pub lines: Vec<Terminal>,
    /// Lines that no call uses and that were never seen anything but dead.
    pub quiet_lines: Vec<Terminal>,
    /// The end at which the transformer sits.
    pub source_end: End,
    /// Every planned step, made or not.
    pub steps: Vec<StepView>,
    /// How the changeover came out; `None` where the profile has none.
    pub changeover: Option<ChangeoverView>,
    /// Calls that were not made.
    pub left_out: Vec<CallLeftOut>,
    /// What the run does not prove, in words.
    pub not_proven: Vec<String>,
    /// Troubles by device and kind.
    pub troubles: Vec<TroubleCount>,
    /// The diagnosis.
    pub diagnosis: DiagnosisView,
    /// What was commanded and read, in time.
    pub timeline: Timeline,
    /// The journal's file name.
    pub journal_file: String,
    /// The hash of the journal's last line.
    pub head_hash: String,
}

impl RunView {
    /// The same with the name of whoever armed the run.
    #[must_use]
    pub fn with_armed_by(mut self, name: Option<String>) -> Self {
        if let Some(arming) = self.arming.as_mut().filter(|arming| arming.at.is_some()) {
            arming.by = name;
        }
        self
    }

    /// Resolves everything that a report shows; the name of whoever armed the run is
    /// [`with_armed_by`](Self::with_armed_by)'s.
    ///
    /// # Errors
    /// [`NotStarted`] where the state holds no `run-started`.
    pub fn new(
        state: &RunState,
        subject: Option<String>,
        journal_file: &str,
        head_hash: &str,
        diagnosis: DiagnosisView,
    ) -> Result<Self, NotStarted> {
        let (started, first) = state.started.as_ref().ok_or(NotStarted)?;
        let plan = &first.plan;
        let made: BTreeMap<u32, &StepState> =
            state.steps.iter().map(|step| (step.number, step)).collect();
        let steps: Vec<StepView> = plan
            .steps
            .iter()
            .map(|planned| StepView::of(planned, made.get(&planned.number).copied(), state, plan))
            .collect();
        let finished = state.finished.as_ref();
        Ok(Self {
            run_id: first.run_id.clone(),
            subject_removed: subject.is_none() && first.commitments.subject.is_some(),
            subject,
            started: *started,
            finished: finished.map(|(at, _)| *at),
            simulated: first.conditions.simulated.clone(),
            under_test: plan.under_test,
            loads: plan.loads,
            arming: ArmingView::of(state, plan),
            machine_waits: machine_waits(state),
            profile: first.profile.clone(),
            profile_hash: first.profile_hash.clone(),
            bench: first.bench.clone(),
            bench_hash: first.bench_hash.clone(),
            program_version: first.program_version.clone(),
            retest_of: first.retest_of.clone(),
            conditions: first.conditions.notes.clone(),
            devices: state.identities.clone(),
            verdict: state.verdict(),
            reason: finished.map(|(_, finished)| finished.reason),
            note: finished
                .map(|(_, finished)| finished.note.clone())
                .unwrap_or_default(),
            made_safe: state.is_made_safe(),
            still_live: state
                .made_safe
                .as_ref()
                .map(|safe| safe.still_live.clone())
                .unwrap_or_default(),
            boards: state
                .made_safe
                .as_ref()
                .map(|safe| safe.devices.clone())
                .unwrap_or_default(),
            lines: lines_of(plan, &steps),
            quiet_lines: quiet_lines(plan, &steps),
            source_end: plan.source_end,
            timeline: Timeline::of(state),
            changeover: changeover_of(first, state),
            left_out: plan.left_out.clone(),
            not_proven: not_proven(first, state, &steps),
            troubles: count_troubles(state),
            steps,
            diagnosis,
            journal_file: journal_file.to_owned(),
            head_hash: head_hash.to_owned(),
        })
    }

    /// Whether the bench may be approached as far as this run knows: every relay read back open
    /// and, on real loads, no line still live.
    #[must_use]
    pub fn is_confirmed_safe(&self) -> bool {
        self.made_safe && (self.loads != Loads::Real || self.still_live.is_empty())
    }

    /// Whether the record ends before the run did.
    #[must_use]
    pub fn is_cut_short(&self) -> bool {
        self.finished.is_none()
    }

    /// Whether lines were called and not one of them ever came alive, nor any other.
    #[must_use]
    pub fn nothing_answered(&self) -> bool {
        let lines = || self.steps.iter().flat_map(|step| &step.lines);
        let called = lines()
            .filter(|line| line.expected == Expected::On && line.verdict != Verdict::None)
            .count();
        let dead = lines()
            .filter(|line| line.expected == Expected::On && line.observed == Observed::Off)
            .count();
        called >= 2 && dead == called && lines().all(|line| line.observed != Observed::On)
    }

    /// Where to look, in the order in which the calls point there; each place once.
    #[must_use]
    pub fn advice(&self) -> Vec<String> {
        if self.one_cause().is_some() {
            return vec![
                "One cause explains every call. Follow R from the transformer to the relays' \
                 common, then C, and any plug between bench and panel, before any single line."
                    .to_owned(),
            ];
        }
        if self.nothing_answered() {
            return vec![
                "One cause before many: the supply (disconnect, transformer, fuse), R and C, the \
                 relays' common, a plug between bench and panel. Read R to C at both ends before \
                 following single lines."
                    .to_owned(),
            ];
        }
        let mut given = BTreeSet::new();
        self.steps
            .iter()
            .flat_map(|step| &step.look_at)
            .filter(|advice| given.insert(advice.as_str()))
            .cloned()
            .collect()
    }

    /// The title over suspects and advice: an unclear run has places to look at, and no suspect.
    #[must_use]
    pub fn explanation_title(&self) -> &'static str {
        if self.diagnosis.groups.is_empty() && self.verdict != Verdict::Fail {
            "Where to look"
        } else {
            "What could explain it, and where to look"
        }
    }

    /// The lines that deserve a column of their own.
    #[must_use]
    pub fn used_lines(&self) -> Vec<&Terminal> {
        self.lines
            .iter()
            .filter(|line| !self.quiet_lines.contains(line))
            .collect()
    }

    /// What is to be said of all the others; `None` where there is none.
    #[must_use]
    pub fn quiet_sentence(&self) -> Option<String> {
        if self.quiet_lines.is_empty() {
            return None;
        }
        let names: Vec<&str> = self.quiet_lines.iter().map(Terminal::as_str).collect();
        let mut of_them = self
            .steps
            .iter()
            .flat_map(|step| step.lines.iter())
            .filter(|line| self.quiet_lines.contains(&line.terminal))
            .peekable();
        let is_read = of_them.any(|line| line.observed == Observed::Off);
        let seen = if is_read {
            "dead whenever they were read, as they should be"
        } else {
            "not read in this run"
        };
        Some(format!(
            "Lines that no call uses, {seen}: {}.",
            names.join(", ")
        ))
    }

    /// The one cause of a run in which nothing answered though the supply is live.
    fn one_cause(&self) -> Option<&'static str> {
        let is_live = |step: &StepView| step.supply_state() == Observed::On;
        if !self.nothing_answered() || !self.steps.iter().any(is_live) {
            return None;
        }
        let never_dead = |step: &StepView| step.supply_state() != Observed::Off;
        if !self.steps.iter().all(never_dead) {
            return None;
        }
        Some(match self.source_end {
            End::Equipment => "the R conductor or the relays' common is open",
            End::Controller => "the relays' common or the C conductor is open",
        })
    }

    /// How the run came out, in one sentence.
    #[must_use]
    pub fn headline(&self) -> String {
        let total = self.steps.len();
        let calls_with = |verdict: Verdict| -> Vec<String> {
            self.steps
                .iter()
                .filter(|step| step.worst() == verdict)
                .map(|step| step.name.clone())
                .collect()
        };
        let wrong = calls_with(Verdict::Fail);
        let unclear = calls_with(Verdict::Inconc);
        match self.verdict {
            _ if self.is_cut_short() => format!(
                "INCONCLUSIVE: the record ends before the run did, after {} of {}{}.",
                self.steps.iter().filter(|step| step.finished).count(),
                calls(total),
                listed(&wrong, "; wrong until then:")
            ),
            Verdict::None => "NOT JUDGED: no line was judged.".to_owned(),
            Verdict::Pass => format!(
                "PASS: in {} every line was as this profile demands.",
                all_calls(total)
            ),
            Verdict::Inconc if self.supply_was_dead_throughout() => {
                "INCONCLUSIVE: the supply was dead before any relay closed, so no call was made. \
                 Check its fuse and its source first."
                    .to_owned()
            }
            Verdict::Inconc => format!(
                "INCONCLUSIVE: the run shows neither right nor wrong{}.",
                listed(&unclear, "; not clear in")
            ),
            Verdict::Fail if self.one_cause().is_some() => format!(
                "FAIL: the supply is live, yet no line that was called ever answered: {}.",
                self.one_cause().unwrap_or_default()
            ),
            Verdict::Fail if wrong.is_empty() => {
                "FAIL: something is wrong outside any single call.".to_owned()
            }
            Verdict::Fail => format!(
                "FAIL: {} of {} wrong{}{}.",
                wrong.len(),
                calls(total),
                listed(&wrong, ":"),
                listed(&unclear, "; not clear in")
            ),
            Verdict::Error => {
                "BENCH ERROR: the bench itself failed; this says nothing of the wiring.".to_owned()
            }
        }
    }

    /// Whether every call was left unmade for want of supply.
    fn supply_was_dead_throughout(&self) -> bool {
        !self.steps.is_empty()
            && self.steps.iter().all(|step| {
                step.supply_state() == Observed::Off
                    && step
                        .lines
                        .iter()
                        .all(|line| line.observed == Observed::NotMeasured)
            })
    }
}

fn calls(count: usize) -> String {
    match count {
        1 => "1 call".to_owned(),
        _ => format!("{count} calls"),
    }
}

fn all_calls(count: usize) -> String {
    match count {
        1 => "the one call made".to_owned(),
        _ => format!("all {count} calls"),
    }
}

/// The calls after a lead-in, at most six of them; nothing where there is none.
fn listed(names: &[String], lead_in: &str) -> String {
    match names {
        [] => String::new(),
        names if names.len() > 6 => {
            format!(
                "{lead_in} {} and {} more",
                names[..6].join(", "),
                names.len() - 6
            )
        }
        names => format!("{lead_in} {}", names.join(", ")),
    }
}

/// The plan's lines, then lines that only a step knows.
fn lines_of(plan: &Plan, steps: &[StepView]) -> Vec<Terminal> {
    let mut lines = plan.lines.clone();
    lines.extend(
        steps
            .iter()
            .flat_map(|step| step.lines.iter().map(|line| line.terminal.clone())),
    );
    lines.sort();
    lines.dedup();
    lines
}

/// Lines that nothing drives, that every call leaves alone, and that were never seen live, unclear
/// or wrong. A line that could not be read in some call stays quiet: the call says so itself.
fn quiet_lines(plan: &Plan, steps: &[StepView]) -> Vec<Terminal> {
    let is_quiet = |line: &&Terminal| {
        plan.drive(line).is_none()
            && steps.iter().filter_map(|step| step.line(line)).all(|seen| {
                seen.expected == Expected::Off
                    && seen.verdict < Verdict::Fail
                    && matches!(seen.observed, Observed::Off | Observed::NotMeasured)
            })
    };
    plan.lines.iter().filter(is_quiet).cloned().collect()
}

fn changeover_of(first: &RunStarted, state: &RunState) -> Option<ChangeoverView> {
    if let Some(judged) = &state.changeover {
        return Some(ChangeoverView {
            convention: judged.convention.clone(),
            terminal: judged.terminal.clone(),
            outcome: judged.outcome,
            shown: judged.shown,
            evidence: judged.evidence.clone(),
        });
    }
    let planned = first.plan.changeover.as_ref()?;
    Some(ChangeoverView {
        convention: match planned.convention {
            Changeover::O => "o",
            Changeover::B => "b",
        }
        .to_owned(),
        terminal: planned.terminal.clone(),
        outcome: ChangeoverOutcome::NotShown,
        shown: None,
        evidence: "the run ended before it was judged".to_owned(),
    })
}

const CALLS_NOT_MADE: &str = "calls not made: ";

/// What the run itself says, then what the plan implies and the run may not have said.
fn not_proven(first: &RunStarted, state: &RunState, steps: &[StepView]) -> Vec<String> {
    let plan = &first.plan;
    let mut items = match &state.finished {
        Some((_, finished)) => finished.not_proven.clone(),
        None => Vec::new(),
    };
    for item in &plan.not_proven {
        if !items.contains(item) {
            items.push(item.clone());
        }
    }
    let by_inputs_alone = {
        let mut points = plan
            .sense_points
            .iter()
            .filter(|point| matches!(point.target, Target::Line(_)))
            .peekable();
        points.peek().is_some() && points.all(|point| point.quantity == Quantity::Presence)
    };
    if by_inputs_alone && !items.iter().any(|item| item.contains("voltage not proven")) {
        items.push(
            "voltage not proven: the lines were read by digital inputs, which show presence only"
                .to_owned(),
        );
    }
    // One reason for all the calls that it keeps out, in place of their bare names.
    items.retain(|item| !item.starts_with(CALLS_NOT_MADE));
    let mut not_made: Vec<(&str, Vec<String>)> = Vec::new();
    for left in plan.left_out.iter().filter(|left| left.applicable) {
        let call = left.call.to_string();
        match not_made.iter_mut().find(|(why, _)| *why == left.why) {
            Some((_, calls)) => calls.push(call),
            None => not_made.push((&left.why, vec![call])),
        }
    }
    for (why, calls) in not_made {
        items.push(format!("{CALLS_NOT_MADE}{} ({why})", calls.join(", ")));
    }
    let unreached = steps.iter().filter(|step| !step.finished).count();
    if unreached > 0 {
        items.push(format!(
            "{unreached} of {} planned calls did not come to their end",
            steps.len()
        ));
    }
    items
}

fn count_troubles(state: &RunState) -> Vec<TroubleCount> {
    let mut counts: BTreeMap<(&DeviceName, TroubleKind), TroubleCount> = BTreeMap::new();
    for seen in &state.troubles {
        counts
            .entry((&seen.device, seen.trouble.kind))
            .and_modify(|known| known.count += 1)
            .or_insert_with(|| TroubleCount {
                device: seen.device.clone(),
                kind: seen.trouble.kind,
                count: 1,
                first: seen.trouble.to_string(),
            });
    }
    counts.into_values().collect()
}
