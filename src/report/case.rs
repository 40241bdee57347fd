//! A run as a list of test cases, for the formats of test tools.
//!
//! Place in the data's path: a [`RunView`] in, cases out; JUnit and TAP write them. A case is one
//! planned call, then every call that the run left out, the changeover where the profile has one,
//! the making safe, and the run as a whole, so that no outcome of a run is lost in a tool that
//! counts cases.

use super::cell_mark::CellMark;
use super::run_view::{ChangeoverView, RunView};
use super::step_view::StepView;
use super::wording;
use crate::domain::Verdict;
use crate::event::ChangeoverOutcome;
use crate::units::Microseconds;

/// How a case came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Outcome {
    /// Checked and right.
    Right,
    /// Not made, or not applicable.
    Skipped,
    /// Neither right nor wrong could be shown.
    Unclear,
    /// Checked and wrong.
    Wrong,
    /// The bench failed.
    BenchError,
}

/// One case.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Case {
    /// Its name; the same in every run of the same plan.
    pub(super) name: String,
    /// How it came out.
    pub(super) outcome: Outcome,
    /// That in one sentence; empty where it is right.
    pub(super) message: String,
    /// Line by line, what did not pass.
    pub(super) details: Vec<String>,
    /// How long it took.
    pub(super) took: Microseconds,
}

impl Case {
    fn new(name: &str, outcome: Outcome, message: &str) -> Self {
        Self {
            name: name.to_owned(),
            outcome,
            message: message.to_owned(),
            details: Vec::new(),
            took: Microseconds(0),
        }
    }
}

/// Every case of a run.
pub(super) fn cases(view: &RunView) -> Vec<Case> {
    let mut cases: Vec<Case> = view.steps.iter().map(of_step).collect();
    for left in &view.left_out {
        let name = left.call.to_string();
        cases.push(Case::new(&name, Outcome::Skipped, &left.why));
    }
    cases.extend(view.changeover.as_ref().map(of_changeover));
    cases.push(of_making_safe(view));
    cases.push(of_run(view, &cases));
    cases
}

fn of_step(step: &StepView) -> Case {
    let outcome = match step.worst() {
        Verdict::Error => Outcome::BenchError,
        Verdict::Fail => Outcome::Wrong,
        Verdict::Inconc => Outcome::Unclear,
        _ if step.attempts == 0 => Outcome::Skipped,
        Verdict::Pass if step.finished => Outcome::Right,
        Verdict::Pass | Verdict::None => Outcome::Unclear,
    };
    let troubled: Vec<String> = step
        .lines
        .iter()
        .filter(|line| line.is_trouble())
        .map(|line| {
            let meaning = CellMark::of(line).meaning();
            format!(
                "{} {}",
                line.terminal,
                meaning.trim_start_matches("WRONG: ")
            )
        })
        .collect();
    let message = match outcome {
        Outcome::Right => String::new(),
        Outcome::Skipped => "the run ended before this call".to_owned(),
        _ if !troubled.is_empty() => troubled.join("; "),
        _ if !step.note.is_empty() => step.note.clone(),
        _ => step.result_word().to_owned(),
    };
    let details = step.lines.iter().filter(|line| line.is_trouble());
    Case {
        name: step.name.clone(),
        outcome,
        message,
        details: details
            .map(|line| {
                format!(
                    "{}: expected {} ({}), observed {}: {}",
                    line.terminal, line.expected, line.expected_because, line.observed, line.reason
                )
            })
            .chain((!step.note.is_empty()).then(|| step.note.clone()))
            .collect(),
        took: step.span.map_or(Microseconds(0), |(from, until)| {
            Microseconds(until.0.saturating_sub(from.0))
        }),
    }
}

fn of_changeover(changeover: &ChangeoverView) -> Case {
    let outcome = match changeover.outcome {
        ChangeoverOutcome::Follows => Outcome::Right,
        ChangeoverOutcome::NotShown => Outcome::Skipped,
        ChangeoverOutcome::Inverted | ChangeoverOutcome::StuckOn | ChangeoverOutcome::StuckOff => {
            Outcome::Wrong
        }
    };
    let words = wording::changeover(changeover);
    let said = |part: &str| {
        words
            .iter()
            .find(|(name, _)| *name == part)
            .map_or_else(String::new, |(_, words)| words.clone())
    };
    let message = match outcome {
        Outcome::Right => String::new(),
        _ => said("Outcome"),
    };
    let mut case = Case::new("changeover", outcome, &message);
    case.details.push(changeover.evidence.clone());
    case
}

fn of_making_safe(view: &RunView) -> Case {
    if view.is_confirmed_safe() && view.still_live.is_empty() {
        return Case::new("made-safe", Outcome::Right, "");
    }
    let mut case = if view.is_confirmed_safe() {
        Case::new(
            "made-safe",
            Outcome::Wrong,
            "a line is still live with every relay open",
        )
    } else {
        Case::new(
            "made-safe",
            Outcome::BenchError,
            "NOT CONFIRMED SAFE: isolate the supply, lock it, prove dead",
        )
    };
    for board in view.boards.iter().filter(|board| !board.confirmed_open) {
        let labels: Vec<String> = board.still_closed.iter().map(|c| c.label()).collect();
        case.details.push(format!(
            "relay board \"{}\" did not read back open; still closed: {}; {}",
            board.device,
            if labels.is_empty() {
                "unknown".to_owned()
            } else {
                labels.join(", ")
            },
            board.trouble
        ));
    }
    let live = view.still_live.iter();
    case.details
        .extend(live.map(|line| format!("{line} is still live")));
    case
}

/// Right only where the run was made to its end and its verdict is shown by the other cases.
fn of_run(view: &RunView, others: &[Case]) -> Case {
    let worst = others.iter().map(|case| case.outcome).max();
    let of_verdict = match view.verdict {
        Verdict::Pass => Outcome::Right,
        Verdict::None | Verdict::Inconc => Outcome::Unclear,
        Verdict::Fail => Outcome::Wrong,
        Verdict::Error => Outcome::BenchError,
    };
    let is_through = !view.is_cut_short() && wording::ended_early(view).is_none();
    if is_through && worst.is_some_and(|worst| worst >= of_verdict) {
        return Case::new("run-complete", Outcome::Right, "");
    }
    let mut case = Case::new(
        "run-complete",
        of_verdict.max(Outcome::Unclear),
        &view.headline(),
    );
    case.details
        .extend(wording::ended_early(view).map(str::to_owned));
    case.details
        .extend((!view.note.is_empty()).then(|| view.note.clone()));
    case
}
