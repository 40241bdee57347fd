//! The run as CSV (RFC 4180): one row for each line in each call.
//!
//! Where a line was read more than once in a call, the columns of its readings hold one value for
//! each reading, in the same order, with `|` between them. A cell that a spreadsheet would take
//! for a formula has an apostrophe put before it (OWASP, CSV injection).
//!
//! Place in the data's path: the last step from a [`RunView`] to a file that a spreadsheet or a
//! statistics program reads.

use super::run_view::RunView;
use super::step_view::{ConditionView, LineView, ReadingValue, ReadingView, StepView};
use std::io::{self, Write};

const COLUMNS: [&str; 24] = [
    "run_id",
    "subject",
    "simulated",
    "step",
    "call",
    "step_verdict",
    "supply",
    "terminal",
    "driven",
    "expected",
    "observed",
    "verdict",
    "rule",
    "expected_because",
    "reason",
    "quantity",
    "value",
    "unit",
    "u",
    "device",
    "end",
    "profile",
    "bench",
    "condition",
];

/// Writes the run.
pub(super) fn write(view: &RunView, out: &mut dyn Write) -> io::Result<()> {
    let mut rows = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(out);
    rows.write_record(COLUMNS)?;
    for step in &view.steps {
        for line in &step.lines {
            rows.write_record(row(view, step, line).map(|cell| guarded(&cell)))?;
        }
    }
    rows.flush()
}

fn row(view: &RunView, step: &StepView, line: &LineView) -> [String; COLUMNS.len()] {
    let joined = |part: fn(&ReadingView) -> String| {
        let parts: Vec<String> = line.readings.iter().map(part).collect();
        parts.join("|")
    };
    [
        view.run_id.clone(),
        view.subject.clone().unwrap_or_default(),
        view.simulated.is_some().to_string(),
        step.number.to_string(),
        step.call.to_string(),
        step.verdict.to_string(),
        step.supply_state().to_string(),
        line.terminal.to_string(),
        step.driven.contains(&line.terminal).to_string(),
        line.expected.to_string(),
        line.observed.to_string(),
        line.verdict.to_string(),
        line.rule.map(word).unwrap_or_default().to_owned(),
        line.expected_because.clone(),
        line.reason.clone(),
        joined(|reading| quantity(reading).to_owned()),
        joined(value),
        joined(|reading| reading.quantity.unit().to_owned()),
        joined(|reading| reading.u.map_or_else(String::new, |u| u.to_string())),
        joined(|reading| reading.device.to_string()),
        joined(|reading| reading.end.to_string()),
        view.profile.name.clone(),
        view.bench.name.clone(),
        condition(step),
    ]
}

/// The condition of a room controller's supply; empty for the usual one.
fn condition(step: &StepView) -> String {
    match &step.condition {
        None => String::new(),
        Some(ConditionView::Level { name, .. }) => format!("level {name}"),
        Some(ConditionView::PowerLoss { .. }) => "power-loss".to_owned(),
    }
}

fn word(rule: crate::event::Rule) -> &'static str {
    use crate::event::Rule;
    match rule {
        Rule::Cell => "cell",
        Rule::Release => "release",
        Rule::Supply => "supply",
        Rule::Machines => "machines",
        Rule::PowerLoss => "power-loss",
        Rule::ControllerTimer => "controller-timer",
        Rule::BenchTrouble => "bench-trouble",
    }
}

fn quantity(reading: &ReadingView) -> &'static str {
    use crate::units::Quantity;
    match reading.quantity {
        Quantity::Presence => "presence",
        Quantity::AcVolts => "ac-volts",
        Quantity::Resistance => "resistance",
        Quantity::AcAmps => "ac-amps",
        Quantity::Observation => "observation",
    }
}

fn value(reading: &ReadingView) -> String {
    match reading.value {
        Some(ReadingValue::Number(number)) => number.to_string(),
        Some(ReadingValue::Present(present)) => present.to_string(),
        None => String::new(),
    }
}

/// The cell as a spreadsheet shows it and never computes it.
fn guarded(cell: &str) -> String {
    let plain: String = cell
        .chars()
        .map(|c| if c.is_control() { '?' } else { c })
        .collect();
    let is_number = plain.parse::<f64>().is_ok();
    if !is_number && plain.starts_with(['=', '+', '-', '@']) {
        return format!("'{plain}");
    }
    plain
}
