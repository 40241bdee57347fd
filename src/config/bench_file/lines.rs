//! `[[line]]`: what drives a line, what senses it, what hangs on it.
//!
//! Place in the data's path: makes [`BenchLine`]s, and keeps where each was said so that a
//! comparison with a profile can point into the file.

use super::missing_table;
use super::points::{Points, RelayUse};
use super::senses::{read_sense, usual_end};
use crate::config::source::{Findings, Span};
use crate::config::table::{Located, Reals, TableReader};
use crate::domain::bench_map::{BenchLine, Drive, Load, Rail, UnderTest};
use crate::units::{Ohms, Terminal};
use std::collections::BTreeMap;

/// Where the file says something of a line, and what only the file says.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::config) struct LineDeclared {
    /// The terminal.
    pub(in crate::config) terminal: Terminal,
    /// The line's key path, `line[0]`.
    pub(in crate::config) key: String,
    /// Where the terminal is named.
    pub(in crate::config) named: Span,
    /// Whether it is named by the alias `W`.
    pub(in crate::config) by_w: bool,
    /// Where its drive is.
    pub(in crate::config) drive: Option<Span>,
    /// The drive's `common`, where stated.
    pub(in crate::config) common: Option<Rail>,
    /// For each sense by a device: its place, and its `supply` where stated.
    pub(in crate::config) senses: Vec<(Span, Option<Rail>)>,
    /// The load's place, and its `supply` where stated.
    pub(in crate::config) load: Option<(Span, Option<Rail>)>,
}

/// The lines of a file.
pub(super) struct Lines {
    /// By terminal.
    pub(super) lines: BTreeMap<Terminal, BenchLine>,
    /// In the file's order.
    pub(super) declared: Vec<LineDeclared>,
}

pub(super) fn read_lines(
    root: &TableReader<'_>,
    points: &Points<'_>,
    under_test: UnderTest,
) -> Lines {
    let mut lines = Lines {
        lines: BTreeMap::new(),
        declared: Vec::new(),
    };
    if !root.has("line") {
        root.findings()
            .add(missing_table("[line]", "at least one line to prove"));
    }
    let tables = root.tables("line");
    if tables.is_empty() {
        points.hide_uses();
    }
    for table in tables {
        let Some((line, declared)) = read_line(table, points, under_test) else {
            continue;
        };
        let first = lines
            .declared
            .iter()
            .find(|known| known.terminal == declared.terminal);
        if let Some(first) = first {
            let message = format!("line {} is given twice", declared.terminal);
            let key = format!("{}.terminal", declared.key);
            let place = Located {
                value: (),
                span: declared.named,
                key,
            };
            root.findings().add(
                place
                    .finding(message)
                    .other(first.named.clone(), "first given here")
                    .help("several senses of one line stand in one [[line]]: sense = [ …, … ]"),
            );
            continue;
        }
        lines.declared.push(declared);
        if let Some(line) = line {
            lines.lines.insert(line.terminal.clone(), line);
        }
    }
    lines
}

/// The line where it could be taken, and what was declared where its terminal could.
fn read_line(
    table: TableReader<'_>,
    points: &Points<'_>,
    under_test: UnderTest,
) -> Option<(Option<BenchLine>, LineDeclared)> {
    let findings = table.findings();
    table.require("terminal", "the line's terminal, such as \"Y1\"");
    let name = table.string("terminal");
    let by_w = name.as_ref().is_some_and(|name| name.value == "W");
    let what = name.as_ref().map(|name| name.value.clone());
    let terminal = name.and_then(|name| line_terminal(name, findings));
    let what = match &terminal {
        Some(terminal) => terminal.value.to_string(),
        None => what.unwrap_or_else(|| "a line without a terminal".to_owned()),
    };
    let unnamed = Terminal::known("unnamed");
    let known = terminal.as_ref().map_or(&unnamed, |t| &t.value);
    let mut declared = LineDeclared {
        terminal: known.clone(),
        key: table.place().key,
        named: terminal.as_ref().map_or(0..0, |t| t.span.clone()),
        by_w,
        drive: None,
        common: None,
        senses: Vec::new(),
        load: None,
    };
    let drive = read_drive(&table, points, under_test, &what, &mut declared);
    let mut senses = Vec::new();
    for inner in table.one_or_more("sense") {
        let read = read_sense(&inner, points, &what, usual_end(under_test));
        inner.finish();
        if let Some(read) = read {
            let supply = read.supply.map(|supply| supply.value);
            declared.senses.push((read.place.span, supply));
            senses.push(read.sense);
        }
    }
    let load = read_load(&table, &mut declared);
    if !table.has("sense") {
        let message = if table.has("drive") {
            format!("line {what} is driven but not sensed, so nothing is proven")
        } else {
            format!("line {what} is neither driven nor sensed")
        };
        findings.add(
            table
                .place()
                .finding(message)
                .help("add sense = { device = …, input = … } or sense = { operator = true }"),
        );
    }
    table.finish();
    let terminal = terminal?.value;
    // A drive or sense that could not be taken was said; what is missing here never gets out.
    let line = (!senses.is_empty()).then_some(BenchLine {
        terminal,
        drive,
        senses,
        load,
    });
    Some((line, declared))
}

/// The terminal that a name means in a bench file.
pub(in crate::config) fn terminal_of(name: &str) -> Result<Terminal, String> {
    match name {
        "Y" => Ok(Terminal::known("Y1")),
        "W" => Ok(Terminal::known("W1")),
        other => Terminal::new(other).map_err(|error| error.to_string()),
    }
}

/// The terminal that a line's name means: Y is Y1 and W is W1; R and C are no lines.
fn line_terminal(name: Located<String>, findings: &Findings) -> Option<Located<Terminal>> {
    match terminal_of(&name.value) {
        Ok(terminal) if terminal.is_supply() => {
            let message = format!("{terminal} carries the supply; it is no line and never driven");
            findings.add(
                name.finding(message)
                    .help("the supply is sensed by sense = { … } in [supply]"),
            );
            None
        }
        Ok(terminal) => Some(name.map(|_| terminal)),
        Err(message) => {
            findings.add(name.finding(message));
            None
        }
    }
}

fn read_drive(
    table: &TableReader<'_>,
    points: &Points<'_>,
    under_test: UnderTest,
    what: &str,
    declared: &mut LineDeclared,
) -> Option<Drive> {
    let inner = table.table("drive")?;
    let relay = points.relay(&inner, RelayUse::Drive(what.to_owned()));
    let common = inner.word("common", Rail::ALL, Rail::word);
    declared.drive = Some(inner.place().span);
    declared.common = common.map(|common| common.value);
    if under_test == UnderTest::Controller {
        let message = format!(
            "{what} must not be driven by the bench: the room controller under test makes the calls"
        );
        inner.findings().add(
            inner
                .place()
                .finding(message)
                .help("provoke the call instead: [stimulus.cooling-1]"),
        );
    }
    inner.finish();
    Some(Drive {
        relay: relay?,
        common: declared
            .common
            .unwrap_or_else(|| Rail::usual_for(&declared.terminal)),
    })
}

fn read_load(table: &TableReader<'_>, declared: &mut LineDeclared) -> Option<Load> {
    let inner = table.table("load")?;
    let sealed = inner.number("sealed_ohms", Reals::Positive);
    let power_factor = inner.number("power_factor", Reals::Fraction);
    let unsealed = inner.number("unsealed_ohms", Reals::Positive);
    let dc = inner.number("dc_ohms", Reals::Positive);
    let supply = inner.word("supply", Rail::ALL, Rail::word);
    declared.load = Some((inner.place().span, supply.map(|supply| supply.value)));
    // An open armature lowers a coil's impedance, and its winding's resistance is a part of it.
    for (part, what) in [
        (&unsealed, "with the armature open"),
        (&dc, "to an ohmmeter"),
    ] {
        if let (Some(sealed), Some(part)) = (&sealed, part)
            && part.value > sealed.value
        {
            let message = format!(
                "a coil of {} ohm sealed cannot have {} ohm {what}",
                sealed.value, part.value
            );
            let finding = part.finding(message);
            inner
                .findings()
                .add(finding.other(sealed.span.clone(), "the sealed coil"));
        }
    }
    inner.finish();
    let ohms = |located: Option<Located<f64>>| located.map(|located| Ohms(located.value));
    Some(Load {
        sealed_ohms: ohms(sealed),
        power_factor: power_factor.map(|located| located.value),
        unsealed_ohms: ohms(unsealed),
        dc_ohms: ohms(dc),
    })
}
