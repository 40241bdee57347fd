//! What is said of each event in plain lines.
//!
//! Place in the data's path: the folded state and the newest event in, text out; progress lines
//! and the live table put it on their writer. State shows by word and shape, without colour.

use crate::domain::bench_map::{Loads, UnderTest};
use crate::domain::plan::{EquipmentPlan, PlannedDrive, PlannedStep};
use crate::domain::{Expected, Observed, Verdict};
use crate::event::{
    EventKind, LineJudged, MadeSafe, NextAction, RelayReason, RelaysSet, Rule, RunEvent,
    RunStarted, RunState, StepFinished, StepStarted, Supplied, TroubleSeen, Waiting, WaitingFor,
};
use crate::report::{CALL_WIDTH, DiagnosisView, RunView, name_width};

/// The events so far, from which the newest is told.
pub(super) struct Narration<'s> {
    /// The fold, the newest event included.
    pub(super) state: &'s RunState,
}

/// The text without control characters: what a device or a file says of itself must not move the
/// cursor.
pub(super) fn plain(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() && c != '\n' { '?' } else { c })
        .collect()
}

impl Narration<'_> {
    /// What is to be said of the event, in whole lines; empty where nothing is.
    pub(super) fn text_of(&self, event: &RunEvent) -> String {
        match &event.kind {
            EventKind::RunStarted(started) => begun(started),
            EventKind::DeviceIdentified {
                device, identity, ..
            } => format!("      \"{device}\": {identity}\n"),
            EventKind::StepStarted(step) if step.attempt > 1 => format!(
                "  >>  {}: once more (attempt {})\n",
                self.call_of(step.step),
                step.attempt
            ),
            EventKind::StepStarted(step) => self.comes_next(step),
            EventKind::RelaysSet(set) => self.relays_moved(set),
            EventKind::StepFinished(finished) => self.step_over(finished),
            EventKind::Trouble(trouble) => trouble_met(trouble),
            EventKind::Waiting(waiting) => self.wait(waiting, event),
            EventKind::Asked { text, choices, .. } => self.asked(text, choices, event),
            EventKind::SupplySet(set) => supplied(&set.to),
            EventKind::Suspended { why } => {
                format!("  ##  STANDS STILL: {why}\n{}", self.cautions())
            }
            EventKind::Resumed { .. } if self.state.armed.is_some() => String::new(),
            EventKind::Resumed { why } => format!("  >>  goes on: {why}\n"),
            EventKind::Armed { .. } => self.armed(),
            EventKind::MadeSafe(safe) => made_safe(safe),
            EventKind::RunFinished(_) => self.over(),
            EventKind::Read(_)
            | EventKind::Changed(_)
            | EventKind::Answered { .. }
            | EventKind::LineJudged(_)
            | EventKind::ChangeoverJudged(_)
            | EventKind::Revealed { .. } => String::new(),
        }
    }

    /// Whether machines may start.
    fn is_real(&self) -> bool {
        let started = self.state.started.as_ref();
        started.is_some_and(|(_, first)| first.plan.loads == Loads::Real)
    }

    /// What whoever stands beside live equipment must have read before it starts.
    fn cautions(&self) -> String {
        if !self.is_real() {
            return String::new();
        }
        let lines = [
            "Machines start and stop by themselves from here on: keep clear of fans,",
            "belts and live parts, and tell everyone on site. The same cabinets hold",
            "mains. Before touching a conductor isolate every supply, lock it, prove",
            "dead: this program isolates nothing. Ctrl-C opens every relay at once.",
            "Local code and licensed practice come first.",
        ];
        lines.map(|line| format!("      {line}\n")).concat()
    }

    fn armed(&self) -> String {
        if !self.is_real() {
            return "  ##  ARMED: every load is said to be lifted\n".to_owned();
        }
        let equipment = self.state.started.as_ref();
        let equipment = equipment.and_then(|(_, first)| first.plan.equipment.as_ref());
        let mut text =
            "  ##  ARMED: real machines will start\n      You will be asked for them by \
                        these names:\n"
                .to_owned();
        for machine in equipment.map_or(Vec::new(), EquipmentPlan::all_machines) {
            text.push_str(&format!("      {machine:<13} {}\n", machine.meaning()));
        }
        text
    }

    /// On real loads: what the next call starts, before its countdown.
    fn comes_next(&self, step: &StepStarted) -> String {
        let started = self.state.started.as_ref();
        let equipment = started.and_then(|(_, first)| first.plan.equipment.as_ref());
        let on = equipment.and_then(|equipment| equipment.steps.get(&step.step));
        let (Some(on), total) = (on, self.plan().len()) else {
            return String::new();
        };
        let call = self.call_of(step.step);
        let what = if step.intended.is_empty() {
            "nothing is called; everything must be at rest".to_owned()
        } else {
            let machines: Vec<String> = on.may_run.iter().map(ToString::to_string).collect();
            format!("starts {}", machines.join(", "))
        };
        format!("  >>  NEXT {}/{total} {call}: {what}\n", step.step)
    }

    /// On real loads: which lines are called from this moment on.
    fn relays_moved(&self, set: &RelaysSet) -> String {
        let called = matches!(set.reason, RelayReason::Call | RelayReason::Release);
        let started = self.state.started.as_ref().filter(|_| called);
        let Some((_, first)) = started.filter(|_| self.is_real()) else {
            return String::new();
        };
        let here = |drive: &&PlannedDrive| drive.relay.device == set.device;
        let drives = first.plan.drives.iter().filter(here);
        let drives: Vec<&PlannedDrive> = drives.collect();
        let called_by = |set: &RelaysSet| -> Vec<&str> {
            let closed = drives
                .iter()
                .filter(|d| set.intended.contains(&d.relay.coil));
            closed.map(|drive| drive.terminal.as_str()).collect()
        };
        let names = called_by(set);
        let of_board = self
            .state
            .relays
            .iter()
            .rev()
            .filter(|s| s.device == set.device);
        // The master relay and a meter's call no line.
        if of_board.skip(1).map(called_by).next().unwrap_or_default() == names {
            return String::new();
        }
        match names.as_slice() {
            [] => "  =>  called now: nothing\n".to_owned(),
            names => format!("  =>  called now: {}\n", names.join(" ")),
        }
    }

    /// The planned steps.
    pub(super) fn plan(&self) -> &[PlannedStep] {
        self.state
            .started
            .as_ref()
            .map_or(&[], |(_, started)| &started.plan.steps)
    }

    /// The call of a step, with the condition of the supply where it is not the usual one.
    pub(super) fn call_of(&self, number: u32) -> String {
        let started = self.state.started.as_ref();
        let plan = started.map(|(_, started)| &started.plan);
        let named = plan.and_then(|plan| Some(plan.step_name(plan.step(number)?)));
        named.unwrap_or_else(|| format!("step {number}"))
    }

    /// The width of the longest step's name; a column's where all are short.
    pub(super) fn call_width(&self) -> usize {
        let started = self.state.started.as_ref();
        started.map_or(CALL_WIDTH, |(_, started)| name_width(&started.plan))
    }

    fn step_over(&self, finished: &StepFinished) -> String {
        let total = self.plan().len();
        let verdict = match finished.verdict {
            Verdict::Fail => "FAIL",
            Verdict::Error => "BENCH ERROR",
            other => other.spoken(),
        };
        let wrong: Vec<String> = self
            .state
            .steps
            .iter()
            .filter(|step| step.number == finished.step)
            .flat_map(|step| step.lines.values())
            .filter(|line| line.judged.verdict > Verdict::Pass)
            .map(|line| wrong_line(&line.judged))
            .collect();
        let mut text = format!(
            "{:>3}/{total:<3} {:<width$} {verdict}",
            finished.step,
            self.call_of(finished.step),
            width = self.call_width()
        );
        // A call that was not made has one reason, not one for each line.
        if finished.verdict > Verdict::Pass && !finished.note.is_empty() {
            text.push_str(&format!(": {}", finished.note));
        } else if !wrong.is_empty() {
            text.push_str(&format!(": {}", wrong.join("; ")));
        }
        text.push('\n');
        text
    }

    fn wait(&self, waiting: &Waiting, event: &RunEvent) -> String {
        let what = match waiting.why {
            // They last fractions of a second and happen in every step.
            WaitingFor::Settle | WaitingFor::Release => return String::new(),
            // The question follows and says how long.
            WaitingFor::Operator => return String::new(),
            WaitingFor::MinimumOff => "the compressor's minimum-off time",
            WaitingFor::MinimumOn => "the compressor's minimum-on time",
            WaitingFor::FanHold => "the blower to run on",
            WaitingFor::CoolDown => "heat and compressor to cool down between them",
            WaitingFor::Defrost => "the equipment's defrost to end",
            WaitingFor::ControllerTimer => "the room controller's own timer",
            WaitingFor::PowerLoss => "the end of the power loss",
            WaitingFor::PowerReturn => "the room controller to come back to its call by itself",
            WaitingFor::Replug => "the port to come back: plug the adapter in again",
        };
        let left = waiting.until.0.saturating_sub(event.elapsed_us.0);
        format!(
            "  ..  WAITING for {what}, at most {}\n",
            duration(left.div_ceil(1_000_000))
        )
    }

    /// Whether a person makes the calls by jumper, so that no relay takes one off.
    fn is_by_jumper(&self) -> bool {
        self.state.started.as_ref().is_some_and(|(_, started)| {
            let plan = &started.plan;
            plan.drives.is_empty() && plan.under_test != UnderTest::Controller
        })
    }

    /// The question, the answers that its words do not hold already, and how long it stands.
    fn asked(&self, text: &str, choices: &[String], event: &RunEvent) -> String {
        let words: Vec<&str> = text
            .split(|c: char| !(c.is_alphanumeric() || c == '/'))
            .collect();
        let choices = if choices
            .iter()
            .all(|choice| words.contains(&choice.as_str()))
        {
            String::new()
        } else {
            format!(" [{}]", choices.join(" / "))
        };
        let until = self.state.answer_until.unwrap_or(event.elapsed_us);
        let left = until
            .0
            .saturating_sub(event.elapsed_us.0)
            .div_ceil(1_000_000);
        format!("  ??  {text}{choices} ({left} s)\n")
    }

    /// A run that was stopped has left a compressor in the middle of its work.
    fn rest_of_the_compressor(&self) -> String {
        let started = self
            .state
            .started
            .as_ref()
            .filter(|_| self.state.armed.is_some());
        let equipment = started.and_then(|(_, started)| started.plan.equipment.as_ref());
        match equipment.map(|equipment| equipment.times.minimum_off.0) {
            None | Some(0) => String::new(),
            Some(seconds) => format!(
                "Leave the compressor off for its minimum-off time, {}, before it is called \
                 again.\n",
                duration(seconds)
            ),
        }
    }

    fn over(&self) -> String {
        let view = RunView::new(self.state, None, "", "", DiagnosisView::undetermined());
        let Ok(view) = view else {
            return String::new();
        };
        let mut text = format!("\n{}\n", view.headline());
        if !view.note.is_empty() {
            text.push_str(&format!("{}\n", view.note));
            if self.is_by_jumper() {
                text.push_str("A jumper may still be on: take every jumper off.\n");
            } else if view.is_confirmed_safe() {
                text.push_str("Every relay was opened and read back open: no isolation.\n");
            }
        }
        text.push_str(&self.rest_of_the_compressor());
        if view.simulated.is_some() {
            text.push_str("SIMULATED: no real wiring was tested.\n");
        }
        if !view.is_confirmed_safe() {
            text.push_str(
                "!!!!! NOT CONFIRMED SAFE: isolate the supply, lock it, prove dead !!!!!\n",
            );
        }
        text
    }
}

/// Seconds as a person counts them; from two minutes on in minutes.
fn duration(seconds: u64) -> String {
    match (seconds / 60, seconds % 60) {
        (0 | 1, _) => format!("{seconds} s"),
        (minutes, 0) => format!("{minutes} min"),
        (minutes, rest) => format!("{minutes} min {rest} s"),
    }
}

fn supplied(to: &Supplied) -> String {
    let what = match to {
        Supplied::Usual => "SUPPLY: as usual again".to_owned(),
        Supplied::Level { name, volts } => format!("SUPPLY: at {name}, {volts}"),
        Supplied::Nothing => "SUPPLY: CUT, the room controller has no power".to_owned(),
    };
    format!("  ##  {what}\n")
}

fn begun(started: &RunStarted) -> String {
    let simulated = match &started.conditions.simulated {
        Some(simulated) => format!("  ##  SIMULATED, seed {}\n", simulated.seed),
        None => String::new(),
    };
    let steps = match started.plan.steps.len() {
        1 => "1 call".to_owned(),
        count => format!("{count} calls"),
    };
    let unguarded: String = started
        .bench
        .boards_without_watchdog
        .iter()
        .map(|board| {
            format!(
                "  !!  NO WATCHDOG on relay board \"{board}\": if this program is killed, its \
                 relays stay as they are\n"
            )
        })
        .collect();
    format!(
        "run {}\n      {} on {}: {steps}, {} under test, {} loads\n{simulated}{unguarded}",
        started.run_id,
        started.profile.name,
        started.bench.name,
        started.plan.under_test,
        started.plan.loads
    )
}

fn wrong_line(judged: &LineJudged) -> String {
    let terminal = &judged.terminal;
    if judged.rule == Rule::BenchTrouble {
        return format!("{terminal} not read");
    }
    let expected = match judged.expected {
        Expected::On => "live",
        Expected::Off => "dead",
        Expected::Either => "either",
    };
    let seen = match judged.observed {
        Observed::On => "LIVE",
        Observed::Off => "DEAD",
        Observed::Indeterminate => "neither clearly live nor dead",
        Observed::NotMeasured => "nothing",
    };
    match judged.rule {
        Rule::Release => format!("{terminal} after release expected {expected}, seen {seen}"),
        Rule::Supply => format!("the supply fell when {terminal} was called"),
        Rule::PowerLoss => judged.reason.clone(),
        Rule::ControllerTimer => format!("{terminal} could still have come"),
        Rule::Machines if judged.verdict == Verdict::Fail => judged.reason.clone(),
        Rule::Cell | Rule::Machines | Rule::BenchTrouble => {
            format!("{terminal} expected {expected}, seen {seen}")
        }
    }
}

fn trouble_met(seen: &TroubleSeen) -> String {
    let next = match seen.next {
        NextAction::Retry => "asking again",
        NextAction::ReadBack => "reading the relays back first",
        NextAction::GiveUpStep => "giving this call up",
        NextAction::Reopen => "looking for the port again",
        NextAction::Stop => "STOPPING THE RUN",
        NextAction::OpenAllAgain => "opening all relays again",
    };
    format!(
        "  !!  TROUBLE on \"{}\" (try {}): {}; {next}\n",
        seen.device, seen.attempt, seen.trouble
    )
}

/// Silent where everything read back open and nothing is live; the report says so in its place.
fn made_safe(safe: &MadeSafe) -> String {
    let mut text = String::new();
    for board in safe.devices.iter().filter(|board| !board.confirmed_open) {
        let closed: Vec<String> = board.still_closed.iter().map(|c| c.label()).collect();
        let what = match closed.as_slice() {
            [] => "did not read back open".to_owned(),
            closed => format!("still closed: {}", closed.join(", ")),
        };
        let why = match board.trouble.as_str() {
            "" => String::new(),
            trouble => format!(" ({trouble})"),
        };
        text.push_str(&format!(
            "!!!!! NOT CONFIRMED SAFE: relay board \"{}\": {what}{why} !!!!!\n",
            board.device
        ));
    }
    if !safe.still_live.is_empty() {
        let names: Vec<&str> = safe.still_live.iter().map(|line| line.as_str()).collect();
        text.push_str(&format!(
            "!!!!! STILL LIVE with every relay open: {} !!!!!\n",
            names.join(", ")
        ));
    }
    text
}
