//! The matrix of calls and lines: one row a call, one column a line, each cell by word and shape.
//!
//! Lines that no call uses and that stayed dead share one sentence, so that a bench of many lines
//! still fits one block. The legend explains only shapes that are used.

use super::page::{Page, WIDTH};
use crate::domain::Observed;
use crate::report::{CALL_WIDTH, CellMark, RunView, StepView};
use crate::units::Terminal;
use std::collections::BTreeSet;
use std::io;

/// Columns of the result, and of the gaps beside it.
const RESULT: usize = 1 + 12 + 1;
/// Columns of a line: the longest mark and a gap.
const CELL: usize = 7;
/// Columns of the supply.
const SUPPLY: usize = 6;

/// Writes the matrix, its legend, and what is to be said of the lines without a column.
pub(super) fn write(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    page.heading("CALLS AND LINES")?;
    if view.steps.is_empty() {
        return page.line("The plan holds no call.");
    }
    let has_supply = view.steps.iter().any(|step| !step.supply.is_empty());
    let lines = view.used_lines();
    let width = lines
        .iter()
        .map(|line| line.as_str().len() + 2)
        .fold(CELL, usize::max);
    let names = view.steps.iter().map(|step| step.name.len());
    let name_width = names.fold(CALL_WIDTH, usize::max);
    let left = name_width + RESULT + if has_supply { SUPPLY } else { 0 };
    let room = WIDTH.saturating_sub(left);
    for (block, lines) in lines.chunks((room / width).max(1)).enumerate() {
        if block > 0 {
            page.gap()?;
        }
        let widths = (name_width, width);
        header(lines, widths, has_supply, page)?;
        for step in &view.steps {
            row(step, lines, widths, has_supply, page)?;
        }
    }
    legend(view, &lines, has_supply, page)?;
    if let Some(sentence) = view.quiet_sentence() {
        page.gap()?;
        page.hanging("", &sentence)?;
    }
    Ok(())
}

fn header(
    lines: &[&Terminal],
    (name_width, width): (usize, usize),
    has_supply: bool,
    page: &mut Page<'_>,
) -> io::Result<()> {
    let mut text = format!("{:<name_width$} {:<12} ", "call", "result");
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
    lines: &[&Terminal],
    (name_width, width): (usize, usize),
    has_supply: bool,
    page: &mut Page<'_>,
) -> io::Result<()> {
    let mut text = format!("{:<name_width$} {:<12} ", step.name, step.result_word());
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
        let mark = step.line(terminal).map_or("", |l| CellMark::of(l).text());
        text.push_str(&format!("{mark:<width$}"));
    }
    page.line(&text)
}

fn legend(
    view: &RunView,
    lines: &[&Terminal],
    has_supply: bool,
    page: &mut Page<'_>,
) -> io::Result<()> {
    let marks: BTreeSet<CellMark> = view
        .steps
        .iter()
        .flat_map(|step| lines.iter().filter_map(|line| step.line(line)))
        .map(CellMark::of)
        .collect();
    page.gap()?;
    for mark in marks {
        let shape = match mark {
            CellMark::NotJudged => "(blank)",
            other => other.text(),
        };
        page.line(&format!("  {shape:<7} {}", mark.meaning()))?;
    }
    if has_supply {
        page.hanging(
            "  R-C     ",
            "the supply, read after each relay that closed and at the end of the call",
        )?;
    }
    Ok(())
}
