//! `circuit`: one call's volts and currents, faults put in, and the netlist for an outside solver.

use super::error::AppError;
use super::files::load_values;
use crate::domain::circuit::{Circuit, ClosedContacts, Fault};
use crate::domain::{Call, Profile, TruthTable};
use crate::report::circuit_table;
use std::io::Write;
use std::path::PathBuf;

/// In which shape the circuit is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CircuitShape {
    /// Tables for people.
    Text,
    /// `coilcall.circuit`.
    Json,
    /// A netlist that `ngspice -b` solves.
    Spice,
}

/// What is to be solved.
#[derive(Debug, Clone)]
pub struct CircuitRequest {
    /// The profile file.
    pub profile: PathBuf,
    /// A bench file, whose values, loads and instruments then hold.
    pub bench: Option<PathBuf>,
    /// The call.
    pub call: Call,
    /// What is wrong.
    pub faults: Vec<Fault>,
    /// The shape.
    pub shape: CircuitShape,
}

/// Solves one call from rest, all its contacts closing at once, and writes what came of it.
///
/// # Errors
/// Everything that is wrong with the files, the call or the faults; values outside physics; the
/// writer's errors.
pub fn circuit(request: &CircuitRequest, out: &mut dyn Write) -> Result<(), AppError> {
    let (profile, bench, values) = load_values(&request.profile, request.bench.as_deref())?;
    let healthy = Circuit::new(&profile, bench.as_ref(), values)?;
    let closed = contacts_of(&profile, &healthy, &request.call)?;
    let faulty = healthy.with_faults(&request.faults)?;
    let solution = faulty.solve(&closed)?;
    let faults: Vec<String> = request.faults.iter().map(ToString::to_string).collect();
    let title = match faults.join(" ") {
        faults if faults.is_empty() => format!("{}, {}", profile.name(), request.call),
        faults => format!("{}, {} with {faults}", profile.name(), request.call),
    };
    match request.shape {
        CircuitShape::Text => circuit_table::write_text(&title, &closed, &solution, out)?,
        CircuitShape::Json => circuit_table::write_json(&solution, out)?,
        CircuitShape::Spice => write!(out, "{}", solution.to_spice(&title))?,
    }
    Ok(())
}

/// The contacts that a call closes.
fn contacts_of(
    profile: &Profile,
    circuit: &Circuit,
    call: &Call,
) -> Result<ClosedContacts, AppError> {
    if let Call::Alone(line) = call {
        if circuit.lines().contains(line) {
            return Ok([line].into_iter().collect());
        }
        let lines: Vec<&str> = circuit.lines().iter().map(|line| line.as_str()).collect();
        let lines = lines.join(" ");
        return Err(AppError::Usage(format!(
            "{call}: there is no line {line} here; lines: {lines}"
        )));
    }
    let table = TruthTable::of(profile);
    match table.row(call) {
        Some(row) if row.applicable => Ok(ClosedContacts::of(&row.demanded)),
        Some(row) => {
            let applying = table.rows().iter().filter(|row| row.applicable);
            let names: Vec<String> = applying.map(|row| row.call.to_string()).collect();
            Err(AppError::Usage(format!(
                "{call} does not apply: {}; calls that do: {}",
                row.why_not,
                names.join(", ")
            )))
        }
        None => Err(AppError::Usage(format!(
            "{call} is observed and never made; write --fault backfeed:LINE with a heating call"
        ))),
    }
}
