//! The electrical values of an installation: defaults, then the profile's word, then the bench's.
//!
//! Place in the data's path: after both files were read, before a circuit is made of them. A bench
//! says what hangs on its own terminals: a line's `load` goes before the profile's coil. Each file
//! was checked by itself; what only the two together make impossible is told here.

use super::bench_file::BenchFile;
use super::bench_file::circuit::{Wired, read_circuit};
use super::problem::ConfigErrors;
use super::profile_file::ProfileFile;
use super::source::{Findings, Source};
use super::table::TableReader;
use crate::domain::circuit::CircuitValues;
use std::path::Path;

/// The values that hold for a profile, on a bench where one is given.
///
/// # Errors
/// Values that are each possible and not together, at their place in the file that was read last.
pub fn circuit_values(
    profile: &ProfileFile,
    bench: Option<&BenchFile>,
) -> Result<CircuitValues, ConfigErrors> {
    let resolve = |name: &str| profile.profile.resolve_terminal(name);
    let wired = Wired {
        resolve: &resolve,
        lines: None,
    };
    let base = bench.map_or_else(CircuitValues::default, |_| CircuitValues::for_bench());
    let mut values = over(base, (&profile.path, &profile.text), &wired)?;
    let Some(bench) = bench else {
        return Ok(values);
    };
    values.coils.retain(|line, _| {
        let line = bench.map.lines.get(line);
        line.is_none_or(|line| line.load.is_none())
    });
    let wired = Wired {
        resolve: &super::bench_file::terminal_of,
        lines: None,
    };
    over(values, (&bench.path, &bench.text), &wired)
}

/// The values with those that a file's `[circuit]` states in their place.
fn over(
    values: CircuitValues,
    (path, text): (&Path, &str),
    wired: &Wired<'_>,
) -> Result<CircuitValues, ConfigErrors> {
    let file = path.display().to_string();
    let source = Source { file: &file, text };
    let document = source.document()?;
    let findings = Findings::default();
    let root = TableReader::root(&document, &findings);
    let values = read_circuit(&root, values, wired);
    if findings.any() {
        return Err(source.errors(findings.into_vec()));
    }
    Ok(values)
}
