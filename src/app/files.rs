//! A profile and a bench read together, with every problem of both.

use super::error::AppError;
use crate::config::{BenchFile, ProfileFile, fit, read_bench, read_profile};
use std::path::Path;

/// Two files that fit each other.
#[derive(Debug)]
pub struct Loaded {
    /// The profile.
    pub profile: ProfileFile,
    /// The bench.
    pub bench: BenchFile,
    /// What is allowed, yet worth a word.
    pub notes: Vec<String>,
}

/// Reads both files and compares them.
///
/// # Errors
/// Everything that is wrong with either, or with the two together.
pub fn load(profile: &Path, bench: &Path) -> Result<Loaded, AppError> {
    let (profile, bench) = match (read_profile(profile), read_bench(bench)) {
        (Ok(profile), Ok(bench)) => (profile, bench),
        (Err(first), Err(second)) => return Err(first.and(second).into()),
        (Err(problems), Ok(_)) | (Ok(_), Err(problems)) => return Err(problems.into()),
    };
    let notes = fit(&profile, &bench)?;
    Ok(Loaded {
        profile,
        bench,
        notes,
    })
}
