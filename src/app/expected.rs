//! `expected`: the truth table that a profile demands, and what a meter should then read.

use super::error::AppError;
use super::files::load_values;
use crate::domain::circuit::{Band, CircuitValues, ClosedContacts, Tolerances, bands};
use crate::domain::{BenchMap, Profile, TruthTable};
use crate::report::expected_table::{write_json, write_json_with_volts, write_text, write_volts};
use crate::units::{Place, Terminal};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::PathBuf;

/// What is to be shown.
#[derive(Debug, Clone, Default)]
pub struct ExpectedRequest {
    /// The profile file.
    pub profile: PathBuf,
    /// A bench file, whose values and loads then hold.
    pub bench: Option<PathBuf>,
    /// Whether volts are shown too.
    pub volts: bool,
    /// JSON in place of text.
    pub json: bool,
}

/// Writes the truth table of a profile file.
///
/// # Errors
/// Everything that is wrong with the files; values outside physics; the writer's errors.
pub fn expected(request: &ExpectedRequest, out: &mut dyn Write) -> Result<(), AppError> {
    let (profile, bench, values) = load_values(&request.profile, request.bench.as_deref())?;
    let table = TruthTable::of(&profile);
    if !request.volts {
        if request.json {
            write_json(&profile, &table, out)?;
        } else {
            write_text(&profile, &table, out)?;
        }
        return Ok(());
    }
    let volts = volts_of((&profile, bench.as_ref()), &values, &table)?;
    if request.json {
        write_json_with_volts(&profile, &table, &volts, out)?;
    } else {
        write_text(&profile, &table, out)?;
        write_volts(&table, &volts, out)?;
    }
    Ok(())
}

/// For each row what its lines should read at the equipment; nothing where it does not apply.
fn volts_of(
    (profile, bench): (&Profile, Option<&BenchMap>),
    values: &CircuitValues,
    table: &TruthTable,
) -> Result<Vec<BTreeMap<Terminal, Band>>, AppError> {
    let tolerances = Tolerances::default();
    let of_row = |row: &crate::domain::Row| {
        if !row.applicable {
            return Ok(BTreeMap::new());
        }
        let closed = ClosedContacts::of(&row.demanded);
        let found = bands(
            profile,
            bench,
            (values, &tolerances),
            &closed,
            Place::Equipment,
        );
        Ok(found?)
    };
    table.rows().iter().map(of_row).collect()
}
