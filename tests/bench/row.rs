//! One row of the table, and the statistics in it.

use std::fmt;
use std::time::Duration;

/// One measured thing.
pub(crate) struct Row {
    pub(crate) what: String,
    pub(crate) result: String,
    /// The goal in words, and whether it was met; `None` for a figure to compare with.
    pub(crate) goal: Option<(String, bool)>,
}

impl fmt::Display for Row {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (goal, met) = match &self.goal {
            None => ("", ""),
            Some((goal, true)) => (goal.as_str(), "yes"),
            Some((goal, false)) => (goal.as_str(), "no"),
        };
        write!(f, "| {} | {} | {goal} | {met} |", self.what, self.result)
    }
}

/// The middle value; of an even number of values the upper middle one.
pub(crate) fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}

/// The value that nine of ten do not exceed.
pub(crate) fn ninetieth(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() * 9 / 10]
}

/// Median with the smallest and the largest value, in a unit.
pub(crate) fn spread(values: &[f64], decimals: usize) -> String {
    let least = values.iter().copied().fold(f64::INFINITY, f64::min);
    let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let middle = median(values);
    format!("{middle:.decimals$} ({least:.decimals$} to {most:.decimals$})")
}

pub(crate) fn microseconds(time: Duration) -> f64 {
    time.as_secs_f64() * 1e6
}

pub(crate) fn milliseconds(time: Duration) -> f64 {
    time.as_secs_f64() * 1e3
}
