//! The timing diagram: every line's relay command as a step line, every look at it as a mark.
//!
//! Each call has a column of the same width; within it, time runs linearly from the call's start
//! to its end. A look lies high where the line was live and low where it was dead, so that a right
//! look lies on its own step line and a wrong one beside it.

use crate::domain::bench_map::UnderTest;
use crate::domain::{Observed, Verdict};
use crate::report::{CellMark, ConditionView, LineTrace, Look, RunView, StepView};
use crate::units::{Microseconds, Terminal};
use maud::{Markup, html};
use std::fmt::Write as _;

const WIDTH: f64 = 1000.0;
/// Room for the names of the lines.
const LEFT: f64 = 64.0;
/// Room for the names of the calls, the condition of the supply, and the times.
const TOP: f64 = 54.0;
const ROW: f64 = 38.0;
const HIGH: f64 = 9.0;
const LOW: f64 = 29.0;
/// Columns side by side, so that the longest call's name fits its column.
const COLUMNS: usize = 8;
/// Looks alike that lie closer than this cover each other; as many show as much.
const APART: f64 = 6.0;
/// Beyond this many calls a diagram is no longer read.
const MOST_CALLS: usize = 120;

/// One call's column.
struct Column<'v> {
    step: &'v StepView,
    from: Microseconds,
    until: Microseconds,
    left: f64,
    width: f64,
}

impl Column<'_> {
    fn x(&self, at: Microseconds) -> f64 {
        let whole = micros(self.until) - micros(self.from);
        let part = (micros(at) - micros(self.from)) / whole.max(1.0);
        // A little room on both sides keeps marks off the neighbour's.
        self.left + self.width * (0.03 + 0.94 * part.clamp(0.0, 1.0))
    }

    fn holds(&self, at: Microseconds) -> bool {
        (self.from..=self.until).contains(&at)
    }
}

fn micros(at: Microseconds) -> f64 {
    // A run is far shorter than 2^53 microseconds (285 years).
    at.0 as f64
}

fn seconds(at: Microseconds) -> String {
    format!("{:.3} s", micros(at) / 1e6)
}

/// From when to when, as short as its column: hours of waiting need no milliseconds.
fn span_words(from: Microseconds, until: Microseconds) -> String {
    let decimals = if micros(until) < 100e6 { 3 } else { 1 };
    let (from, until) = (micros(from) / 1e6, micros(until) / 1e6);
    format!("{from:.decimals$}\u{2013}{until:.decimals$} s")
}

/// The diagram in bands of calls.
pub(super) fn section(view: &RunView) -> Markup {
    let made: Vec<&StepView> = view.steps.iter().filter(|s| s.span.is_some()).collect();
    if made.is_empty() {
        return html! {};
    }
    html! {
        section #timing {
            h2 { "Timing" }
            @if made.len() > MOST_CALLS {
                p { "The run holds " (made.len()) " calls; a diagram is drawn up to "
                    (MOST_CALLS) "." }
            } @else {
                p.note {
                    "Each call has the same width; within it, time runs from its start to its \
                     end. "
                    @if view.under_test != UnderTest::Controller {
                        "The step line is the bench's relay command, high while it calls. "
                    }
                    "A mark is one look at the line: high where it was live, low where it was \
                     dead. Times are from the start of the run."
                }
                div.diagrams { @for steps in made.chunks(COLUMNS) { (band(view, steps)) } }
                (legend())
            }
        }
    }
}

fn legend() -> Markup {
    html! {
        ul.legend {
            li.on { (super::mark::shape("on")) " seen live" }
            li.dead { (super::mark::shape("dead")) " seen dead" }
            li.wrong { (super::mark::shape("wrong")) " seen otherwise than it should be" }
            li.unclear { (super::mark::shape("unclear")) " seen, but not clear" }
        }
    }
}

fn band(view: &RunView, steps: &[&StepView]) -> Markup {
    let lines = view.used_lines();
    let width = (WIDTH - LEFT) / COLUMNS as f64;
    let columns: Vec<Column<'_>> = steps
        .iter()
        .enumerate()
        .filter_map(|(index, step)| {
            let (from, until) = step.span?;
            Some(Column {
                step,
                from,
                until,
                left: LEFT + width * index as f64,
                width,
            })
        })
        .collect();
    let right = LEFT + width * columns.len() as f64;
    let rows = lines.len() + 1;
    let height = TOP + ROW * rows as f64 + 4.0;
    let names: Vec<&str> = steps.iter().map(|step| step.name.as_str()).collect();
    let label = format!("Timing of {}", names.join(", "));
    html! {
        svg.timing xmlns="http://www.w3.org/2000/svg" role="img" aria-label=(label)
            viewBox=(format!("0 0 {WIDTH} {height}")) {
            @for column in &columns { (column_head(column, height)) }
            (supply_row(view, &columns, right))
            @for (index, line) in lines.iter().enumerate() {
                (line_row(view, line, &columns, (TOP + ROW * (index + 1) as f64, right)))
            }
        }
    }
}

fn column_head(column: &Column<'_>, height: f64) -> Markup {
    let middle = column.left + column.width / 2.0;
    let class = match column.step.worst() {
        Verdict::None | Verdict::Pass => "column",
        Verdict::Inconc => "column doubtful",
        Verdict::Fail | Verdict::Error => "column troubled",
    };
    let condition = column.step.condition.as_ref();
    let condition = condition.map(|condition| match condition {
        ConditionView::Level { name, .. } => format!("at {name}"),
        ConditionView::PowerLoss { .. } => "power loss".to_owned(),
    });
    html! {
        g class=(class) {
            rect x=(at(column.left)) y="0" width=(at(column.width)) height=(at(height)) {}
            title { (column.step.name) }
            text.call x=(at(middle)) y="15" text-anchor="middle" { (column.step.call) }
            @if let Some(condition) = condition {
                text.took x=(at(middle)) y="30" text-anchor="middle" { (condition) }
            }
            text.took x=(at(middle)) y="45" text-anchor="middle" {
                (span_words(column.from, column.until))
            }
        }
    }
}

fn at(number: f64) -> String {
    format!("{number:.1}")
}

fn supply_row(view: &RunView, columns: &[Column<'_>], right: f64) -> Markup {
    html! {
        g.row {
            (rule(TOP, right))
            text.name x="4" y=(at(TOP + 24.0)) { "R\u{2013}C" }
            @for column in columns {
                @for (look, wrong) in apart(column, &view.timeline.supply, |look| {
                    look.state == Observed::Off && !view.timeline.is_cut(look.at)
                }) {
                    (mark(column, look, TOP, ("supply R to C", wrong)))
                }
            }
        }
    }
}

fn rule(top: f64, right: f64) -> Markup {
    html! { line.rule x1="0" x2=(at(right)) y1=(at(top)) y2=(at(top)) {} }
}

fn line_row(
    view: &RunView,
    terminal: &Terminal,
    columns: &[Column<'_>],
    (top, right): (f64, f64),
) -> Markup {
    let empty = LineTrace::default();
    let trace = view.timeline.lines.get(terminal).unwrap_or(&empty);
    html! {
        g.row {
            (rule(top, right))
            text.name x="4" y=(at(top + 24.0)) { (terminal) }
            @if view.under_test != UnderTest::Controller {
                @for column in columns { (command(column, trace, terminal, top)) }
            }
            @for column in columns {
                @for (look, wrong) in apart(column, &trace.looks, |look| {
                    is_wrong(column.step, terminal, trace, look)
                }) {
                    (mark(column, look, top, (terminal.as_str(), wrong)))
                }
            }
        }
    }
}

/// The looks of one column, each with whether it is wrong. Of those alike in a row the first and
/// the last stay, and between them as many as do not cover each other: a controller that is waited
/// for is looked at a thousand times.
fn apart(
    column: &Column<'_>,
    looks: &[Look],
    is_wrong: impl Fn(Look) -> bool,
) -> Vec<(Look, bool)> {
    let here = looks.iter().filter(|look| column.holds(look.at));
    let marked: Vec<(Look, bool)> = here.map(|look| (*look, is_wrong(*look))).collect();
    let mut shown: Vec<(Look, bool)> = Vec::new();
    for (index, (look, wrong)) in marked.iter().enumerate() {
        let alike = |(other, also): &(Look, bool)| other.state == look.state && also == wrong;
        let is_covered = shown
            .last()
            .is_some_and(|last| alike(last) && column.x(look.at) - column.x(last.0.at) < APART);
        let is_last = marked.get(index + 1).is_none_or(|next| !alike(next));
        if is_last || !is_covered {
            shown.push((*look, *wrong));
        }
    }
    shown
}

/// The relay's command within one column.
fn command(column: &Column<'_>, trace: &LineTrace, terminal: &Terminal, top: f64) -> Markup {
    let (high, low) = (top + HIGH, top + LOW);
    let mut path = format!("M{} {low:.1}", at(column.left));
    let mut said = Vec::new();
    let mut is_confirmed = true;
    for span in &trace.driven {
        let until = span.until.unwrap_or(column.until);
        if until < column.from || span.from > column.until {
            continue;
        }
        is_confirmed &= span.is_confirmed;
        let (x, end) = (column.x(span.from), column.x(until));
        write!(path, "H{x:.1}V{high:.1}H{end:.1}V{low:.1}")
            .expect("writing to a string cannot fail");
        said.push(format!("from {} to {}", seconds(span.from), seconds(until)));
    }
    write!(path, "H{:.1}", column.left + column.width).expect("writing to a string cannot fail");
    let class = if is_confirmed {
        "command"
    } else {
        "command unconfirmed"
    };
    let title = match said.as_slice() {
        [] => format!("{terminal} not called in {}", column.step.name),
        spans => format!("{terminal} called {}", spans.join(", ")),
    };
    html! { path class=(class) d=(path) { title { (title) } } }
}

/// Whether a look contradicts the command, in a call in which the line is in trouble.
fn is_wrong(step: &StepView, terminal: &Terminal, trace: &LineTrace, look: Look) -> bool {
    let is_called = trace
        .driven
        .iter()
        .any(|span| span.from <= look.at && span.until.is_none_or(|until| look.at < until));
    let is_marked = step
        .line(terminal)
        .is_some_and(|line| CellMark::of(line).is_wrong());
    match look.state {
        Observed::On => is_marked && !is_called,
        Observed::Off => is_marked && is_called,
        Observed::Indeterminate | Observed::NotMeasured => false,
    }
}

fn mark(column: &Column<'_>, look: Look, top: f64, (name, wrong): (&str, bool)) -> Markup {
    let x = column.x(look.at);
    let (y, shape, word) = match look.state {
        Observed::On => (top + HIGH, "on", "live"),
        Observed::Off => (top + LOW, "dead", "dead"),
        Observed::Indeterminate => (top + (HIGH + LOW) / 2.0, "unclear", "not clearly"),
        Observed::NotMeasured => (top + (HIGH + LOW) / 2.0, "none", "not"),
    };
    let shape = if wrong { "wrong" } else { shape };
    let title = format!("{name} seen {word} at {}", seconds(look.at));
    html! {
        g class=(format!("look {shape}")) {
            title { (title) }
            circle.ground cx=(at(x)) cy=(at(y)) r="5.5" {}
            use href=(format!("#shape-{shape}")) x=(at(x - 5.0)) y=(at(y - 5.0))
                width="10" height="10" {}
        }
    }
}
