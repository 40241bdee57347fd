//! One step as a report shows it: the planned cells joined with what was judged and read.
//!
//! Place in the data's path: made by [`RunView`](super::RunView) from the plan and the folded
//! step. A step or a line that the run did not reach is there too, with the verdict `none`, so
//! that every planned cell has a place in a report.

use super::look_at;
use crate::domain::bench_map::{Rail, UnderTest};
use crate::domain::plan::{Plan, PlannedStep, Target};
use crate::domain::{Call, Expected, Observed, Verdict};
use crate::event::{LineJudged, Rule};
use crate::event::{Read, RunState, StepState};
use crate::units::{DeviceName, End, Microseconds, Milliseconds, Quantity, Terminal, Volts};
use serde::Serialize;
use std::collections::BTreeMap;

/// A reading's value: presence, or a number in the quantity's unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(untagged)]
pub enum ReadingValue {
    /// Present or absent, by an input or by a person.
    Present(bool),
    /// A number.
    Number(f64),
}

/// One reading.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadingView {
    /// Which quantity.
    pub quantity: Quantity,
    /// Its value; `None` where there was none (overload, not a number, nothing clear).
    pub value: Option<ReadingValue>,
    /// The state that it shows.
    pub state: Observed,
    /// Standard uncertainty in the quantity's unit.
    pub u: Option<f64>,
    /// By which device.
    pub device: DeviceName,
    /// At which end.
    pub end: End,
}

impl ReadingView {
    fn of(read: &Read) -> Self {
        let value = match read.quantity {
            Quantity::Presence | Quantity::Observation => match read.result.state {
                Observed::On => Some(ReadingValue::Present(true)),
                Observed::Off => Some(ReadingValue::Present(false)),
                Observed::Indeterminate | Observed::NotMeasured => None,
            },
            Quantity::AcVolts | Quantity::Resistance | Quantity::AcAmps => {
                read.result.value.map(ReadingValue::Number)
            }
        };
        Self {
            quantity: read.quantity,
            value,
            state: read.result.state,
            u: read.u,
            device: read.device.clone(),
            end: read.end,
        }
    }
}

/// A measured value with its uncertainty and where it was read; `None` for presence.
#[must_use]
pub fn reading_words(reading: &ReadingView) -> Option<String> {
    let Some(ReadingValue::Number(number)) = reading.value else {
        return None;
    };
    let unit = reading.quantity.unit();
    let uncertainty = reading.u.map_or_else(String::new, |u| {
        format!(", standard uncertainty {u:.2} {unit}")
    });
    Some(format!(
        "{number:.2} {unit} by \"{}\" at the {} end{uncertainty}",
        reading.device, reading.end
    ))
}

/// One reading of the supply within a step.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyView {
    /// The supply terminal, against the common of the same end.
    pub rail: Rail,
    /// The reading.
    pub reading: ReadingView,
    /// Whether the supply was cut on purpose at that moment.
    pub while_cut: bool,
}

/// One line within a step.
#[derive(Debug, Clone, PartialEq)]
pub struct LineView {
    /// The line.
    pub terminal: Terminal,
    /// What it had to be.
    pub expected: Expected,
    /// Why it had to be so.
    pub expected_because: String,
    /// What it was seen to be.
    pub observed: Observed,
    /// How that came out; `none` where it was not judged.
    pub verdict: Verdict,
    /// By which rule; `None` where it was not judged.
    pub rule: Option<Rule>,
    /// Why it came out so.
    pub reason: String,
    /// The readings behind it.
    pub readings: Vec<ReadingView>,
}

impl LineView {
    /// Whether it was judged and did not pass.
    #[must_use]
    pub fn is_trouble(&self) -> bool {
        self.verdict > Verdict::Pass
    }

    /// Whether nothing is said of the line: the bench could not tell, or the supply was gone.
    #[must_use]
    pub fn is_unread(&self) -> bool {
        self.verdict == Verdict::Inconc && self.rule != Some(Rule::Cell)
    }
}

/// Under which condition of a room controller's supply a step was made.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum ConditionView {
    /// At another level of the supply.
    Level {
        /// Its name.
        name: String,
        /// R to C with no output on.
        volts: Volts,
    },
    /// Over a loss of the supply and its return.
    PowerLoss {
        /// How long the supply was to be cut.
        lasts_ms: Milliseconds,
        /// How long the compressor has to stay off, from the cut.
        minimum_off_ms: Milliseconds,
    },
}

impl ConditionView {
    fn of(step: u32, plan: &Plan) -> Option<Self> {
        if let Some(level) = plan.level_of(step) {
            return Some(Self::Level {
                name: level.name.clone(),
                volts: level.volts,
            });
        }
        let cut = plan.interruption_in(step)?;
        Some(Self::PowerLoss {
            lasts_ms: cut.lasts,
            minimum_off_ms: cut.minimum_off,
        })
    }

    /// In words, behind the call's name.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Level { name, volts } => {
                format!("with the supply at {name}: {volts} with no output on")
            }
            Self::PowerLoss { lasts_ms, .. } => format!(
                "while it stood the power was cut for {} s, then came back",
                lasts_ms.0 as f64 / 1000.0
            ),
        }
    }
}

/// Columns of a call's name where every step is made at the usual supply.
pub const CALL_WIDTH: usize = 18;

/// Columns that the longest name of a plan's steps needs.
#[must_use]
pub fn name_width(plan: &Plan) -> usize {
    let names = plan.steps.iter().map(|step| plan.step_name(step).len() + 1);
    names.fold(CALL_WIDTH, usize::max)
}

/// One step.
#[derive(Debug, Clone, PartialEq)]
pub struct StepView {
    /// Its number in the plan, from 1.
    pub number: u32,
    /// The call.
    pub call: Call,
    /// Its name: the call, and the condition of the supply where it is not the usual one.
    pub name: String,
    /// Under which condition of a room controller's supply it was made; `None` for the usual one.
    pub condition: Option<ConditionView>,
    /// The lines that were to be driven.
    pub driven: Vec<Terminal>,
    /// Whether a room controller was to make the call.
    pub by_controller: bool,
    /// Attempts made; 0 where the run did not reach it.
    pub attempts: u32,
    /// How it came out; `none` where it was not finished.
    pub verdict: Verdict,
    /// Whether it came to its end.
    pub finished: bool,
    /// What is to be said of it as a whole; empty where nothing is.
    pub note: String,
    /// Every line, in the order of the strip.
    pub lines: Vec<LineView>,
    /// Every reading of the supply, in the order made.
    pub supply: Vec<SupplyView>,
    /// What to look at; empty where nothing is wrong.
    pub look_at: Vec<String>,
    /// From when to when it was made, its last attempt; `None` where it did not come to its end.
    pub span: Option<(Microseconds, Microseconds)>,
}

impl StepView {
    /// The planned step, joined with what became of it.
    pub(super) fn of(
        planned: &PlannedStep,
        made: Option<&StepState>,
        state: &RunState,
        plan: &Plan,
    ) -> Self {
        let readings: BTreeMap<u64, &Read> = made
            .map_or(&[][..], |step| step.readings.as_slice())
            .iter()
            .map(|read| (read.id, read))
            .collect();
        let find = |id: u64| {
            readings
                .get(&id)
                .copied()
                .or_else(|| state.other_readings.iter().find(|read| read.id == id))
        };
        let mut view = Self {
            number: planned.number,
            call: planned.call.clone(),
            name: plan.step_name(planned),
            condition: ConditionView::of(planned.number, plan),
            driven: planned.drive.clone(),
            by_controller: plan.under_test == UnderTest::Controller,
            attempts: made.map_or(0, |step| step.attempts),
            verdict: made.and_then(|step| step.verdict).unwrap_or_default(),
            finished: made.is_some_and(|step| step.verdict.is_some()),
            note: made.map(|step| step.note.clone()).unwrap_or_default(),
            lines: lines_of(planned, made, &find),
            supply: readings
                .values()
                .filter_map(|read| supply_of(read, state))
                .collect(),
            look_at: Vec::new(),
            span: made.and_then(|step| Some((step.started_us, step.finished_us?))),
        };
        view.look_at = look_at::for_step(&view, plan);
        view
    }

    /// How the call was made, in words.
    pub(super) fn how_called(&self) -> String {
        let driven: Vec<&str> = self.driven.iter().map(Terminal::as_str).collect();
        match (self.by_controller, driven.as_slice()) {
            (true, _) if self.call == Call::Idle => "nothing asked of the controller".to_owned(),
            (true, _) => "asked of the room controller".to_owned(),
            (false, []) => "no relay closed".to_owned(),
            (false, driven) => format!("the bench called {}", driven.join(", ")),
        }
    }

    /// Whether the note says what no line's reason has said.
    pub(super) fn has_note_of_its_own(&self) -> bool {
        let said = |line: &LineView| line.reason.contains(&self.note);
        !self.note.is_empty() && !self.lines.iter().any(said)
    }

    /// The worst verdict known of it, finished or not.
    #[must_use]
    pub fn worst(&self) -> Verdict {
        self.lines
            .iter()
            .fold(self.verdict, |worst, line| worst.join(line.verdict))
    }

    /// The line of that name, where the step has it.
    #[must_use]
    pub fn line(&self, terminal: &Terminal) -> Option<&LineView> {
        self.lines.iter().find(|line| line.terminal == *terminal)
    }

    /// Lines of which nothing is said, in words, by the reason for it.
    #[must_use]
    pub fn unread(&self) -> Vec<(&str, String)> {
        let mut groups: Vec<(&str, Vec<&str>)> = Vec::new();
        for line in self.lines.iter().filter(|line| line.is_unread()) {
            let name = line.terminal.as_str();
            match groups.iter_mut().find(|(reason, _)| *reason == line.reason) {
                Some((_, names)) => names.push(name),
                None => groups.push((&line.reason, vec![name])),
            }
        }
        let told = |line: &&LineView| line.is_trouble() && !line.is_unread();
        let told = self.lines.iter().filter(told).count();
        let in_words = |names: Vec<&str>| match names.len() {
            count if count == self.lines.len() => "every line".to_owned(),
            count if count > 3 && count + told == self.lines.len() => "every other line".to_owned(),
            _ => names.join(", "),
        };
        let groups = groups.into_iter();
        groups
            .map(|(reason, names)| (reason, in_words(names)))
            .collect()
    }

    /// How it came out, in the word that tables show.
    #[must_use]
    pub fn result_word(&self) -> &'static str {
        match (self.finished, self.worst()) {
            (_, Verdict::Fail) => "FAIL",
            (true, Verdict::Pass) => "pass",
            (true, Verdict::Inconc) => "inconclusive",
            (_, Verdict::Error) => "BENCH ERROR",
            (true, Verdict::None) => "not judged",
            (false, _) if self.attempts == 0 => "not made",
            (false, _) => "not finished",
        }
    }

    /// The supply as a whole: dead if it was ever seen dead, live if every reading was live.
    /// While it was cut on purpose it says nothing of itself.
    #[must_use]
    pub fn supply_state(&self) -> Observed {
        let states = || {
            let uncut = self.supply.iter().filter(|supply| !supply.while_cut);
            uncut.map(|supply| supply.reading.state)
        };
        if self.supply.is_empty() {
            Observed::NotMeasured
        } else if states().any(|state| state == Observed::Off) {
            Observed::Off
        } else if states().all(|state| state == Observed::On) {
            Observed::On
        } else {
            Observed::Indeterminate
        }
    }
}

fn lines_of<'r>(
    planned: &PlannedStep,
    made: Option<&StepState>,
    find: &dyn Fn(u64) -> Option<&'r Read>,
) -> Vec<LineView> {
    let mut lines: BTreeMap<&Terminal, LineView> = BTreeMap::new();
    for (terminal, cell) in &planned.cells {
        let reason = match made {
            None => "the run ended before this call".to_owned(),
            Some(_) => "the run ended before this line was judged".to_owned(),
        };
        lines.insert(
            terminal,
            LineView {
                terminal: terminal.clone(),
                expected: cell.expected,
                expected_because: cell.reason.clone(),
                observed: Observed::NotMeasured,
                verdict: Verdict::None,
                rule: None,
                reason,
                readings: Vec::new(),
            },
        );
    }
    for (terminal, line) in made.iter().flat_map(|step| &step.lines) {
        let because = planned.cells.get(terminal).map(|cell| cell.reason.clone());
        lines.insert(
            terminal,
            judged_line(&line.judged, because.unwrap_or_default(), find),
        );
    }
    lines.into_values().collect()
}

fn judged_line<'r>(
    judged: &LineJudged,
    expected_because: String,
    find: &dyn Fn(u64) -> Option<&'r Read>,
) -> LineView {
    let readings = judged.readings.iter().filter_map(|id| find(*id));
    LineView {
        terminal: judged.terminal.clone(),
        expected: judged.expected,
        expected_because,
        observed: judged.observed,
        verdict: judged.verdict,
        rule: Some(judged.rule),
        reason: judged.reason.clone(),
        readings: readings.map(ReadingView::of).collect(),
    }
}

fn supply_of(read: &Read, state: &RunState) -> Option<SupplyView> {
    match &read.target {
        Target::Supply(rail) => Some(SupplyView {
            rail: *rail,
            reading: ReadingView::of(read),
            while_cut: state.is_cut(read.to_us),
        }),
        Target::Line(_) | Target::Pair(..) => None,
    }
}
