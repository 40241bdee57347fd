//! The formats of a report, and writing several of them.
//!
//! Place in the data's path: the command line names formats and gives a writer for each; here the
//! view goes to each of them in turn. A writer that fails does not keep the next from its own.

use super::RunView;
use super::{csv, html, junit, run_json, tap, text};
use std::io::{self, Write};
use std::str::FromStr;

/// A report's format.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Format {
    /// For a person, in plain characters, at most 96 columns.
    Text,
    /// `coilcall.run`, version 1.
    Json,
    /// JUnit XML, for test tools.
    Junit,
    /// TAP version 14, for test harnesses.
    Tap,
    /// One row for each line in each call, for spreadsheets.
    Csv,
    /// One HTML file for screen and print.
    Html,
}

impl Format {
    /// Every format, in the order in which messages list them.
    pub const ALL: [Self; 6] = [
        Self::Text,
        Self::Json,
        Self::Junit,
        Self::Tap,
        Self::Csv,
        Self::Html,
    ];

    /// The word of the command line.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Text => "text",
            Self::Json => "json",
            Self::Junit => "junit",
            Self::Tap => "tap",
            Self::Csv => "csv",
            Self::Html => "html",
        }
    }
}

/// A format's name that is not one.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{given}' is not a report format; expected {}", Format::ALL.map(Format::word).join(", "))]
pub struct UnknownFormat {
    /// What was given.
    pub given: String,
}

impl FromStr for Format {
    type Err = UnknownFormat;

    fn from_str(given: &str) -> Result<Self, UnknownFormat> {
        Self::ALL
            .into_iter()
            .find(|format| format.word() == given)
            .ok_or_else(|| UnknownFormat {
                given: given.to_owned(),
            })
    }
}

/// Writes one report.
///
/// # Errors
/// The writer's.
pub fn write_report(view: &RunView, format: Format, out: &mut dyn Write) -> io::Result<()> {
    match format {
        Format::Text => text::write(view, out),
        Format::Json => run_json::write(view, out),
        Format::Junit => junit::write(view, out),
        Format::Tap => tap::write(view, out),
        Format::Csv => csv::write(view, out),
        Format::Html => html::write(view, out),
    }?;
    out.flush()
}

/// Writes several reports, each to its own writer, and returns what failed. Every writer gets its
/// turn whatever becomes of the others.
pub fn write_each(
    view: &RunView,
    outs: &mut [(Format, &mut dyn Write)],
) -> Vec<(Format, io::Error)> {
    let mut failed = Vec::new();
    for (format, out) in outs {
        if let Err(error) = write_report(view, *format, *out) {
            failed.push((*format, error));
        }
    }
    failed
}
