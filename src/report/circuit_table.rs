//! A solved circuit for people and for programs: what `circuit` prints.
//!
//! Place in the data's path: after the solution, before the terminal. It rounds for people only,
//! and judges nothing.

use crate::domain::circuit::{ClosedContacts, LoadState, Solution};
use crate::units::{Place, Terminal};
use std::collections::BTreeMap;
use std::io::{self, Write};

/// Currents below this are left out of the text: a meter's, a gap's, a coupling's.
const WORTH_SHOWING_AMPS: f64 = 0.001;

/// Terminals with less than this at every place share one line of the text.
const WORTH_A_ROW_VOLTS: f64 = 0.1;

const PLACES: [Place; 3] = [Place::Controller, Place::Equipment, Place::Outdoor];

/// Writes the document `coilcall.circuit`, version 1.
///
/// # Errors
/// Whatever the writer reports.
pub fn write_json(solution: &Solution, out: &mut dyn Write) -> io::Result<()> {
    serde_json::to_writer_pretty(&mut *out, &solution.document())?;
    writeln!(out)
}

/// Writes supply, loads, nodes and currents as tables.
///
/// # Errors
/// Whatever the writer reports.
pub fn write_text(
    title: &str,
    closed: &ClosedContacts,
    solution: &Solution,
    out: &mut dyn Write,
) -> io::Result<()> {
    let called: Vec<&str> = closed.0.iter().map(Terminal::as_str).collect();
    let called = if called.is_empty() {
        "none".to_owned()
    } else {
        called.join(" ")
    };
    writeln!(out, "{title}")?;
    writeln!(out, "Contacts called closed: {called}")?;
    writeln!(out, "\nSUPPLY")?;
    for supply in solution.supplies() {
        let fuse = if supply.fuse_open { "OPEN" } else { "closed" };
        writeln!(
            out,
            "  {:<4} {:6.2} V at its terminals, {:6.2} VA drawn, {:6.3} A, fuse or limiter {fuse}",
            supply.rail.as_str(),
            supply.volts.0,
            supply.volt_amperes.0,
            supply.amps.0
        )?;
    }
    write_loads(closed, solution, out)?;
    write_nodes(solution, out)?;
    write_currents(solution, out)
}

fn write_loads(
    closed: &ClosedContacts,
    solution: &Solution,
    out: &mut dyn Write,
) -> io::Result<()> {
    writeln!(out, "\nLOADS")?;
    let mut quiet = Vec::new();
    for load in solution.loads() {
        let called = closed.0.contains(&load.terminal);
        let state = match (load.state, called) {
            (LoadState::PulledIn, true) => "in",
            (LoadState::PulledIn, false) => "IN, not called",
            (LoadState::DroppedOut, true) => "OUT, called",
            (LoadState::DroppedOut, false) => "out",
            (LoadState::Chatters, _) => "CHATTERS",
        };
        if state == "out" && load.volts.0 < WORTH_A_ROW_VOLTS {
            quiet.push(load.terminal.to_string());
            continue;
        }
        writeln!(
            out,
            "  {:<12}{:6.2} V across it, {:6.3} A   {state}",
            load.terminal.as_str(),
            load.volts.0,
            load.amps.0
        )?;
    }
    write_quiet("out, under 0.1 V", &quiet, out)
}

/// Names that share one fact, where there are any.
fn write_quiet(what: &str, names: &[String], out: &mut dyn Write) -> io::Result<()> {
    if names.is_empty() {
        return Ok(());
    }
    writeln!(out, "  {what}: {}", names.join(" "))
}

/// The strips only: what a technician can touch, each as a meter reads it with its other lead on
/// the common beside it.
fn write_nodes(solution: &Solution, out: &mut dyn Write) -> io::Result<()> {
    writeln!(
        out,
        "\nVOLTS, each terminal against the common of the same place"
    )?;
    let heads = PLACES.map(|place| format!("{:>12}", place.word()));
    writeln!(out, "  {:<12}{}", "", heads.concat())?;
    let mut rows: Vec<(&str, [Option<f64>; 3])> = Vec::new();
    for (name, tension) in solution.nodes() {
        let Some((terminal, place)) = name.split_once('@') else {
            continue;
        };
        let Some(column) = PLACES.iter().position(|known| known.word() == place) else {
            continue;
        };
        let index = rows.iter().position(|(known, _)| *known == terminal);
        let index = index.unwrap_or_else(|| {
            rows.push((terminal, [None; 3]));
            rows.len() - 1
        });
        // The common itself is read against the equipment's.
        let against_common = Terminal::new(terminal)
            .ok()
            .filter(|terminal| terminal.as_str() != "C")
            .and_then(|terminal| solution.volts(&terminal, PLACES[column]).ok());
        let volts = against_common.map_or(tension.norm(), |volts| volts.0);
        rows[index].1[column] = Some(volts);
    }
    let mut quiet = Vec::new();
    for (terminal, volts) in rows {
        if volts
            .iter()
            .flatten()
            .all(|volts| *volts < WORTH_A_ROW_VOLTS)
        {
            quiet.push(terminal.to_owned());
            continue;
        }
        let cells = volts.map(|volts| match volts {
            Some(volts) => format!("{volts:>12.2}"),
            None => format!("{:>12}", "-"),
        });
        let note = match terminal {
            "C" => "   against C at the equipment",
            _ => "",
        };
        writeln!(out, "  {terminal:<12}{}{note}", cells.concat().trim_end())?;
    }
    write_quiet("under 0.1 V everywhere", &quiet, out)
}

/// The parts that carry one terminal's current, in the order of the columns.
const COLUMNS: [(&str, &str, &str); 5] = [
    ("relay ", "", "relay"),
    ("conductor ", "@controller", "cable: near"),
    ("conductor ", "@equipment", "far end"),
    ("outdoor conductor ", "@outdoor", "outdoor"),
    ("coil ", "", "load"),
];

/// Parts whose current another one shows already.
const SHOWN_ALREADY: [&str; 3] = ["joint ", "outdoor joint ", "outdoor conductor "];

/// Column and terminal of a part that has its place in the table.
fn cell_of(element: &str) -> Option<(usize, &str)> {
    COLUMNS
        .iter()
        .enumerate()
        .find_map(|(column, (before, after, _))| {
            let terminal = element.strip_prefix(before)?.strip_suffix(after)?;
            Some((column, terminal))
        })
}

fn write_currents(solution: &Solution, out: &mut dyn Write) -> io::Result<()> {
    let mut order = Vec::new();
    let mut rows: BTreeMap<&str, [f64; 5]> = BTreeMap::new();
    let mut elsewhere = Vec::new();
    for (element, current) in solution.branches() {
        let amps = current.norm();
        if amps < WORTH_SHOWING_AMPS {
            continue;
        }
        if let Some((column, terminal)) = cell_of(element) {
            if !rows.contains_key(terminal) {
                order.push(terminal);
            }
            rows.entry(terminal).or_default()[column] = amps;
        } else if !SHOWN_ALREADY.iter().any(|word| element.starts_with(word)) {
            elsewhere.push((element, amps));
        }
    }
    writeln!(out, "\nCURRENTS in A, of 1 mA and more")?;
    if rows.is_empty() && elsewhere.is_empty() {
        return writeln!(out, "  none");
    }
    let heads = COLUMNS.map(|(_, _, head)| format!("{head:>12}"));
    writeln!(out, "  {:<12}{}", "", heads.concat())?;
    for terminal in order {
        let cells = rows[terminal].map(|amps| match amps {
            0.0 => format!("{:>12}", "-"),
            amps => format!("{amps:>12.3}"),
        });
        writeln!(out, "  {terminal:<12}{}", cells.concat())?;
    }
    let is_sense = |(element, _): &(&str, f64)| element.starts_with("sense ");
    let (senses, others): (Vec<_>, Vec<_>) = elsewhere.into_iter().partition(is_sense);
    for (element, amps) in others {
        writeln!(out, "  {element:<24}{amps:>12.3}")?;
    }
    let most = senses.iter().map(|(_, amps)| *amps).fold(0.0, f64::max);
    if most > 0.0 {
        writeln!(out, "  {:<24}{most:>12.3}", "each input, at most")?;
    }
    Ok(())
}
