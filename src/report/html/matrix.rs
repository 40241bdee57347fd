//! The matrix of calls and lines as a table.

use super::mark;
use crate::domain::{Observed, Verdict};
use crate::report::{CellMark, RunView, StepView};
use crate::units::Terminal;
use maud::{Markup, html};
use std::collections::BTreeSet;

/// A table of up to so many calls is kept on one printed page.
const SHORT: usize = 18;

/// The matrix with its legend.
pub(super) fn section(view: &RunView) -> Markup {
    let lines = view.used_lines();
    let has_supply = view.steps.iter().any(|step| !step.supply.is_empty());
    html! {
        section #matrix.short[view.steps.len() <= SHORT] {
            h2 { "Calls and lines" }
            @if view.steps.is_empty() {
                p { "The plan holds no call." }
            } @else {
                div.scroll tabindex="0" role="region" aria-label="Calls and lines" {
                    table.matrix {
                        caption { "What each line was seen to be in each call" }
                        thead { tr {
                            th scope="col" { "Call" }
                            th scope="col" { "Result" }
                            @if has_supply { th scope="col" { "R\u{2013}C" } }
                            @for line in &lines { th scope="col" { (line) } }
                        } }
                        tbody {
                            @for step in &view.steps { (row(step, &lines, has_supply)) }
                        }
                    }
                }
                (legend(view, &lines, has_supply))
            }
        }
    }
}

/// The class that goes with a verdict.
pub(super) fn class_of(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "pass",
        Verdict::Inconc => "unclear",
        Verdict::Fail => "fail",
        Verdict::Error => "error",
        Verdict::None => "none",
    }
}

fn row(step: &StepView, lines: &[&Terminal], has_supply: bool) -> Markup {
    let class = if step.finished || step.worst() > Verdict::Pass {
        class_of(step.worst())
    } else {
        "none"
    };
    html! {
        tr {
            th scope="row" { (step.name) }
            td class=(format!("result {class}")) { (step.result_word()) }
            @if has_supply { (supply_cell(step.supply_state())) }
            @for terminal in lines { (cell(step, terminal)) }
        }
    }
}

fn supply_cell(state: Observed) -> Markup {
    let (class, name, word) = match state {
        Observed::On => ("on", "on", "live"),
        Observed::Off => ("wrong", "wrong", "DEAD"),
        Observed::Indeterminate => ("unclear", "unclear", "unclear"),
        Observed::NotMeasured => ("none", "none", "not read"),
    };
    html! { td class=(class) { (mark::shape(name)) " " span.word { (word) } } }
}

fn cell(step: &StepView, terminal: &Terminal) -> Markup {
    let Some(line) = step.line(terminal) else {
        return html! { td.none { (mark::shape("none")) " " span.word { "not planned" } } };
    };
    let shown = CellMark::of(line);
    let why = format!(
        "{terminal} in {}: expected {}, seen {}. {}",
        step.name, line.expected, line.observed, line.expected_because
    );
    html! { td class=(mark::look(shown).0) title=(why) { (mark::cell(shown)) } }
}

fn legend(view: &RunView, lines: &[&Terminal], has_supply: bool) -> Markup {
    let marks: BTreeSet<CellMark> = view
        .steps
        .iter()
        .flat_map(|step| lines.iter().filter_map(|line| step.line(line)))
        .map(CellMark::of)
        .collect();
    html! {
        ul.legend {
            @for shown in marks {
                li class=(mark::look(shown).0) {
                    (mark::shape(mark::look(shown).1)) " "
                    b { (mark::words(shown).0) } ": " (shown.meaning())
                }
            }
            @if has_supply {
                li {
                    b { "R\u{2013}C" }
                    ": the supply, read after each relay that closed and at the end of the call"
                }
            }
        }
        @if let Some(sentence) = view.quiet_sentence() { p.quiet { (sentence) } }
    }
}
