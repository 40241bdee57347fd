//! The matrix of calls and lines: one row a call, one column a line, each cell by word and shape.
//!
//! Wide benches are laid out in several blocks. The legend explains only shapes that are used.

use super::page::{Page, WIDTH};
use crate::domain::{Expected, Observed, Verdict};
use crate::event::Rule;
use crate::report::{LineView, RunView, StepView};
use crate::units::Terminal;
use std::collections::BTreeSet;
use std::io;

/// Columns of the call's name and its result.
const LEFT: usize = 18 + 1 + 12 + 1;
/// Columns of the supply.
const SUPPLY: usize = 6;

/// A cell's shape. The order is the legend's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Shape {
    On,
    Dead,
    EitherOn,
    EitherDead,
    WrongOn,
    WrongDead,
    Held,
    Drop,
    Unclear,
    NotJudged,
}

impl Shape {
    fn mark(self) -> &'static str {
        match self {
            Self::On => "on",
            Self::Dead => ".",
            Self::EitherOn => "~on",
            Self::EitherDead => "~.",
            Self::WrongOn => "[ON]",
            Self::WrongDead => "[OFF]",
            Self::Held => "[HELD]",
            Self::Drop => "[DROP]",
            Self::Unclear => "?",
            Self::NotJudged => "",
        }
    }

    fn meaning(self) -> &'static str {
        match self {
            Self::On => "live, as it should be",
            Self::Dead => "dead, as it should be",
            Self::EitherOn => "live, and either is right",
            Self::EitherDead => "dead, and either is right",
            Self::WrongOn => "WRONG: live, should be dead",
            Self::WrongDead => "WRONG: dead, should be live",
            Self::Held => "WRONG: still live after its relay was opened",
            Self::Drop => "WRONG: the supply collapsed when this line was called",
            Self::Unclear => "not clear: neither right nor wrong could be shown",
            Self::NotJudged => "not judged",
        }
    }

    fn of(line: &LineView) -> Self {
        match (line.verdict, line.rule) {
            (Verdict::None, _) => Self::NotJudged,
            (Verdict::Inconc | Verdict::Error, _) => Self::Unclear,
            (Verdict::Fail, Some(Rule::Release)) => Self::Held,
            (Verdict::Fail, Some(Rule::Supply)) => Self::Drop,
            (Verdict::Fail, _) if line.observed == Observed::Off => Self::WrongDead,
            (Verdict::Fail, _) => Self::WrongOn,
            (Verdict::Pass, _) => match (line.expected, line.observed) {
                (Expected::Either, Observed::On) => Self::EitherOn,
                (Expected::Either, _) => Self::EitherDead,
                (Expected::On, _) => Self::On,
                (Expected::Off, _) => Self::Dead,
            },
        }
    }
}

/// Writes the matrix, its legend, and what the calls left out are.
pub(super) fn write(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    page.heading("CALLS AND LINES")?;
    if view.steps.is_empty() {
        return page.line("The plan holds no call.");
    }
    let has_supply = view.steps.iter().any(|step| !step.supply.is_empty());
    let width = view
        .lines
        .iter()
        .map(|line| line.as_str().len() + 2)
        .fold(8, usize::max);
    let room = WIDTH - LEFT - if has_supply { SUPPLY } else { 0 };
    for (block, lines) in view.lines.chunks((room / width).max(1)).enumerate() {
        if block > 0 {
            page.gap()?;
        }
        header(lines, width, has_supply, page)?;
        for step in &view.steps {
            row(step, lines, width, has_supply, page)?;
        }
    }
    legend(view, has_supply, page)
}

fn header(
    lines: &[Terminal],
    width: usize,
    has_supply: bool,
    page: &mut Page<'_>,
) -> io::Result<()> {
    let mut text = format!("{:<18} {:<12} ", "call", "result");
    if has_supply {
        text.push_str(&format!("{:<SUPPLY$}", "R-C"));
    }
    for line in lines {
        text.push_str(&format!("{line:<width$}"));
    }
    page.line(&text)
}

fn row(
    step: &StepView,
    lines: &[Terminal],
    width: usize,
    has_supply: bool,
    page: &mut Page<'_>,
) -> io::Result<()> {
    let mut text = format!("{:<18} {:<12} ", step.call, result(step));
    if has_supply {
        let supply = match step.supply_state() {
            Observed::On => "live",
            Observed::Off => "DEAD",
            Observed::Indeterminate => "?",
            Observed::NotMeasured => "",
        };
        text.push_str(&format!("{supply:<SUPPLY$}"));
    }
    for terminal in lines {
        let line = step.lines.iter().find(|line| line.terminal == *terminal);
        let mark = line.map_or("", |line| Shape::of(line).mark());
        text.push_str(&format!("{mark:<width$}"));
    }
    page.line(&text)
}

fn result(step: &StepView) -> &'static str {
    match (step.finished, step.worst()) {
        (_, Verdict::Fail) => "FAIL",
        (true, Verdict::Pass) => "pass",
        (true, Verdict::Inconc) => "inconclusive",
        (_, Verdict::Error) => "BENCH ERROR",
        (true, Verdict::None) => "not judged",
        (false, _) if step.attempts == 0 => "not made",
        (false, _) => "not finished",
    }
}

fn legend(view: &RunView, has_supply: bool, page: &mut Page<'_>) -> io::Result<()> {
    let shapes: BTreeSet<Shape> = view
        .steps
        .iter()
        .flat_map(|step| step.lines.iter().map(Shape::of))
        .collect();
    page.gap()?;
    for shape in shapes {
        let mark = match shape {
            Shape::NotJudged => "(blank)",
            other => other.mark(),
        };
        page.line(&format!("  {mark:<7} {}", shape.meaning()))?;
    }
    if has_supply {
        page.line(
            "  R-C     the supply, read after each relay that closed and at the end of the call",
        )?;
    }
    Ok(())
}
