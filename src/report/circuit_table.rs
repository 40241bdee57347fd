//! A solved circuit for people and for programs: what `circuit` prints.
//!
//! Place in the data's path: after the solution, before the terminal. It rounds for people only,
//! and judges nothing.

use crate::domain::circuit::{ClosedContacts, LoadState, Solution};
use crate::units::Terminal;
use std::io::{self, Write};

/// Currents below this are left out of the text: a meter's, a gap's, a coupling's.
const WORTH_A_LINE: f64 = 0.001;

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
    for load in solution.loads() {
        let called = closed.0.contains(&load.terminal);
        let state = match (load.state, called) {
            (LoadState::PulledIn, true) => "in",
            (LoadState::PulledIn, false) => "IN, not called",
            (LoadState::DroppedOut, true) => "OUT, called",
            (LoadState::DroppedOut, false) => "out",
            (LoadState::Chatters, _) => "CHATTERS",
        };
        writeln!(
            out,
            "  {:<5}{:6.2} V across it, {:6.3} A   {state}",
            load.terminal.as_str(),
            load.volts.0,
            load.amps.0
        )?;
    }
    Ok(())
}

/// The strips only: what a technician can touch.
fn write_nodes(solution: &Solution, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "\nVOLTS against C at the equipment")?;
    writeln!(
        out,
        "  {:<12}{:>11}{:>11}{:>11}",
        "", "controller", "equipment", "outdoor"
    )?;
    let places = ["controller", "equipment", "outdoor"];
    let mut rows: Vec<(&str, [Option<f64>; 3])> = Vec::new();
    for (name, tension) in solution.nodes() {
        let Some((terminal, place)) = name.split_once('@') else {
            continue;
        };
        let Some(column) = places.iter().position(|known| *known == place) else {
            continue;
        };
        let index = rows.iter().position(|(known, _)| *known == terminal);
        let index = index.unwrap_or_else(|| {
            rows.push((terminal, [None; 3]));
            rows.len() - 1
        });
        rows[index].1[column] = Some(tension.norm());
    }
    for (terminal, volts) in rows {
        let cells = volts.map(|volts| match volts {
            Some(volts) => format!("{volts:>11.2}"),
            None => format!("{:>11}", "-"),
        });
        writeln!(out, "  {terminal:<12}{}", cells.concat().trim_end())?;
    }
    Ok(())
}

fn write_currents(solution: &Solution, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "\nCURRENTS of 1 mA and more")?;
    let mut none = true;
    for (element, current) in solution.branches() {
        if current.norm() >= WORTH_A_LINE {
            writeln!(out, "  {element:<40}{:8.3} A", current.norm())?;
            none = false;
        }
    }
    if none {
        writeln!(out, "  none")?;
    }
    Ok(())
}
