//! A profile and a bench read together, with every problem of both.

use super::error::AppError;
use crate::config::{BenchFile, ProfileFile, circuit_values, fit, read_bench, read_profile};
use crate::domain::circuit::CircuitValues;
use crate::domain::{BenchMap, Profile};
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

/// Reads both files, compares them and puts their electrical values together.
///
/// # Errors
/// Everything that is wrong with either, or with the two together.
pub fn load(profile: &Path, bench: &Path) -> Result<Loaded, AppError> {
    let read = (read_profile(profile), read_bench(bench));
    if (read.0.is_err() && looks_like(profile) == Some(Kind::Bench))
        || (read.1.is_err() && looks_like(bench) == Some(Kind::Profile))
    {
        return Err(AppError::Usage(mistaken(profile, bench)));
    }
    let (profile, mut bench) = match read {
        (Ok(profile), Ok(bench)) => (profile, bench),
        (Err(first), Err(second)) => return Err(first.and(second).into()),
        (Err(problems), Ok(_)) | (Ok(_), Err(problems)) => return Err(problems.into()),
    };
    let notes = fit(&profile, &bench)?;
    bench.map.circuit = circuit_values(&profile, Some(&bench))?;
    Ok(Loaded {
        profile,
        bench,
        notes,
    })
}

/// A profile, a bench where one is given, and the electrical values that hold for them.
///
/// # Errors
/// Everything that is wrong with either, or with the two together.
pub(super) fn load_values(
    profile: &Path,
    bench: Option<&Path>,
) -> Result<(Profile, Option<BenchMap>, CircuitValues), AppError> {
    if let Some(bench) = bench {
        let loaded = load(profile, bench)?;
        let values = loaded.bench.map.circuit.clone();
        return Ok((loaded.profile.profile, Some(loaded.bench.map), values));
    }
    let file = read_profile(profile)?;
    let values = circuit_values(&file, None)?;
    Ok((file.profile, None, values))
}

/// The two kinds of file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// What the equipment is.
    Profile,
    /// What it is tested with.
    Bench,
}

impl Kind {
    /// The word for messages.
    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Profile => "profile",
            Self::Bench => "bench",
        }
    }
}

/// Whether a file is a bench or a profile, as its keys show; `None` where they show neither.
pub(super) fn looks_like(path: &Path) -> Option<Kind> {
    let text = std::fs::read_to_string(path).ok()?;
    let begins = |keys: &[&str]| {
        text.lines()
            .any(|line| keys.iter().any(|key| line.trim_start().starts_with(key)))
    };
    if begins(&["under_test", "[link", "[device", "[[line]]"]) {
        Some(Kind::Bench)
    } else if begins(&["[equipment"]) {
        Some(Kind::Profile)
    } else {
        None
    }
}

fn mistaken(profile: &Path, bench: &Path) -> String {
    let told = [(profile, Kind::Profile), (bench, Kind::Bench)].map(|(path, asked)| {
        let found = looks_like(path).map_or("neither kind", Kind::word);
        format!("--{} was given {} ({found})", asked.word(), path.display())
    });
    format!("the files are of the wrong kind: {}", told.join(", "))
}
