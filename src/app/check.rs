//! `check`: files validated, every problem at once, and the defaults that hold.

use super::error::{AppError, Exit};
use super::files::{Kind, looks_like};
use crate::config::{
    BenchFile, ConfigErrors, ProfileFile, circuit_values, effective_bench, effective_profile, fit,
    read_bench, read_profile,
};
use crate::domain::circuit::{Budget, values_at_level};
use crate::domain::plan::make_plan;
use crate::report::{budget_lines, planned_supply};
use std::io::Write;
use std::path::{Path, PathBuf};

/// What is to be checked.
#[derive(Debug, Clone, Default)]
pub struct CheckRequest {
    /// Files of either kind.
    pub files: Vec<PathBuf>,
    /// A profile.
    pub profile: Option<PathBuf>,
    /// A bench; compared with the profile where both are given.
    pub bench: Option<PathBuf>,
    /// JSON in place of text.
    pub json: bool,
}

/// One file as checked.
enum Checked {
    Profile(PathBuf, Box<Result<ProfileFile, ConfigErrors>>),
    Bench(PathBuf, Box<Result<BenchFile, ConfigErrors>>),
}

impl Checked {
    fn path(&self) -> &Path {
        match self {
            Self::Profile(path, _) | Self::Bench(path, _) => path,
        }
    }

    fn kind(&self) -> &'static str {
        match self {
            Self::Profile(..) => Kind::Profile.word(),
            Self::Bench(..) => Kind::Bench.word(),
        }
    }

    fn outcome(&self) -> Result<Vec<String>, &ConfigErrors> {
        match self {
            Self::Profile(_, read) => (**read).as_ref().map(effective_profile),
            Self::Bench(_, read) => (**read).as_ref().map(effective_bench),
        }
    }
}

/// Checks every file, writes what was found, and says how it came out.
///
/// # Errors
/// The writer's.
pub fn check(request: &CheckRequest, out: &mut dyn Write) -> Result<Exit, AppError> {
    // A file that is named twice is told of once.
    let is_named_once = |path: &&PathBuf| {
        request.profile.as_ref() != Some(*path) && request.bench.as_ref() != Some(*path)
    };
    let files = request.files.iter().filter(is_named_once);
    let mut checked: Vec<Checked> = files.map(|path| by_its_keys(path)).collect();
    if let Some(path) = &request.profile {
        checked.push(Checked::Profile(path.clone(), Box::new(read_profile(path))));
    }
    if let Some(path) = &request.bench {
        checked.push(Checked::Bench(path.clone(), Box::new(read_bench(path))));
    }
    let together = together(request, &checked);
    let right = checked.iter().all(|file| file.outcome().is_ok())
        && together.as_ref().is_none_or(Result::is_ok);
    if request.json {
        write_json(&checked, together.as_ref(), out)?;
    } else {
        write_text(&checked, together.as_ref(), out)?;
    }
    Ok(if right { Exit::Pass } else { Exit::Usage })
}

/// Whether a file is a bench or a profile shows from its keys; one that shows neither, or that
/// cannot be read, is reported as a profile's problem, which says the same.
fn by_its_keys(path: &Path) -> Checked {
    match looks_like(path) {
        Some(Kind::Bench) => Checked::Bench(path.to_owned(), Box::new(read_bench(path))),
        Some(Kind::Profile) | None => {
            Checked::Profile(path.to_owned(), Box::new(read_profile(path)))
        }
    }
}

/// The profile and the bench against each other, where exactly one good one of each is named.
fn together(
    request: &CheckRequest,
    checked: &[Checked],
) -> Option<Result<Vec<String>, Vec<String>>> {
    request.profile.as_ref().and(request.bench.as_ref())?;
    let profile = checked.iter().rev().find_map(|file| match file {
        Checked::Profile(_, read) => (**read).as_ref().ok(),
        Checked::Bench(..) => None,
    })?;
    let bench = checked.iter().rev().find_map(|file| match file {
        Checked::Bench(_, read) => (**read).as_ref().ok(),
        Checked::Profile(..) => None,
    })?;
    Some(match fit(profile, bench) {
        Err(errors) => Err(vec![errors.render(false)]),
        Ok(mut notes) => match make_plan(&profile.profile, &bench.map, None) {
            Err(error) => Err(vec![format!("error: {error}")]),
            Ok(plan) => {
                notes.push("what a run on this bench does not prove:".to_owned());
                notes.extend(plan.not_proven.iter().map(|text| format!("  - {text}")));
                notes.extend(planned_supply(&plan));
                match budget(profile, bench) {
                    Ok(lines) => {
                        notes.extend(lines);
                        Ok(notes)
                    }
                    Err(problem) => Err(vec![problem]),
                }
            }
        },
    })
}

/// What the supply has to give, and where it cannot.
fn budget(profile: &ProfileFile, bench: &BenchFile) -> Result<Vec<String>, String> {
    let values = circuit_values(profile, Some(bench)).map_err(|errors| errors.render(false))?;
    let (profile, bench) = (&profile.profile, &bench.map);
    let refuse = |error| format!("error: {error}");
    let budget = Budget::of(profile, Some(bench), &values).map_err(refuse)?;
    let mut lines = vec!["supply budget:".to_owned()];
    let budgeted = budget_lines(&budget).into_iter();
    lines.extend(budgeted.map(|line| format!("  {line}")));
    let warnings = budget.warnings().into_iter();
    lines.extend(warnings.map(|warning| format!("  warning: {warning}")));
    for level in &bench.supply.levels {
        let at_level = values_at_level(profile, bench, &values, level.volts).map_err(refuse)?;
        let budget = Budget::of(profile, Some(bench), &at_level).map_err(refuse)?;
        let warnings = budget.warnings().into_iter();
        let name = &level.name;
        lines.extend(warnings.map(|warning| format!("  warning: at {name}: {warning}")));
    }
    Ok(lines)
}

fn write_text(
    checked: &[Checked],
    together: Option<&Result<Vec<String>, Vec<String>>>,
    out: &mut dyn Write,
) -> std::io::Result<()> {
    for file in checked {
        match file.outcome() {
            Ok(effective) => {
                writeln!(
                    out,
                    "{}: a good {}. In force:",
                    file.path().display(),
                    file.kind()
                )?;
                for line in effective {
                    writeln!(out, "  {line}")?;
                }
            }
            Err(errors) => writeln!(out, "{}", errors.render(false))?,
        }
        writeln!(out)?;
    }
    match together {
        None => {}
        Some(Ok(notes)) => {
            writeln!(out, "The profile fits the bench.")?;
            for note in notes {
                writeln!(out, "  {note}")?;
            }
        }
        Some(Err(problems)) => {
            writeln!(out, "The profile does not fit the bench.")?;
            for problem in problems {
                writeln!(out, "{problem}")?;
            }
        }
    }
    Ok(())
}

fn write_json(
    checked: &[Checked],
    together: Option<&Result<Vec<String>, Vec<String>>>,
    out: &mut dyn Write,
) -> std::io::Result<()> {
    let files: Vec<serde_json::Value> = checked
        .iter()
        .map(|file| {
            let (problems, effective) = match file.outcome() {
                Ok(effective) => (serde_json::json!([]), effective),
                Err(errors) => (errors.to_json(), Vec::new()),
            };
            serde_json::json!({
                "path": file.path().display().to_string(),
                "kind": file.kind(),
                "problems": problems,
                "effective": effective,
            })
        })
        .collect();
    let fit = together.map(|outcome| match outcome {
        Ok(notes) => serde_json::json!({ "fits": true, "notes": notes, "problems": [] }),
        Err(problems) => serde_json::json!({ "fits": false, "notes": [], "problems": problems }),
    });
    let document = serde_json::json!({
        "format": "coilcall.check",
        "version": 1,
        "files": files,
        "together": fit,
    });
    serde_json::to_writer_pretty(&mut *out, &document)?;
    writeln!(out)
}
