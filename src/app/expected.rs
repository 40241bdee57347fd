//! `expected`: the truth table that a profile demands.

use super::error::AppError;
use crate::config::read_profile;
use crate::domain::TruthTable;
use crate::report::expected_table::{write_json, write_text};
use std::io::Write;
use std::path::Path;

/// Writes the truth table of a profile file.
///
/// # Errors
/// Everything that is wrong with the file; the writer's errors.
pub fn expected(profile: &Path, json: bool, out: &mut dyn Write) -> Result<(), AppError> {
    let file = read_profile(profile)?;
    let table = TruthTable::of(&file.profile);
    if json {
        write_json(&file.profile, &table, out)?;
    } else {
        write_text(&file.profile, &table, out)?;
    }
    Ok(())
}
