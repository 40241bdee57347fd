//! Finding a run by what a person types: a path, the beginning of its id, or `last`.
//!
//! Place in the data's path: the command line hands over RUN and the runs' directory, and gets a
//! journal's path. Only file names are looked at; nothing is opened.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// The extension of a journal's file.
pub const JOURNAL_EXTENSION: &str = "jsonl";

/// How many runs an error lists; the newest are listed.
const LISTED: usize = 8;

/// A run that could not be found.
#[derive(Debug, thiserror::Error)]
pub enum LocateError {
    /// RUN is a path, and there is no such file.
    #[error("there is no journal {path}")]
    NoSuchFile {
        /// The path as given.
        path: String,
    },
    /// The runs' directory cannot be read.
    #[error("the runs in {dir} cannot be read")]
    Directory {
        /// The directory.
        dir: String,
        /// Why.
        source: io::Error,
    },
    /// There is no run at all.
    #[error("there is no run in {dir}")]
    NoRuns {
        /// The directory.
        dir: String,
    },
    /// No id begins so.
    #[error(
        "no run in {dir} begins with '{given}'; the newest are: {}",
        listed(candidates)
    )]
    Unknown {
        /// What was given.
        given: String,
        /// The directory.
        dir: String,
        /// Every run, oldest first.
        candidates: Vec<String>,
    },
    /// More than one id begins so.
    #[error("'{given}' fits {} runs in {dir}: {}", candidates.len(), listed(candidates))]
    Ambiguous {
        /// What was given.
        given: String,
        /// The directory.
        dir: String,
        /// The runs that fit, oldest first.
        candidates: Vec<String>,
    },
}

fn listed(ids: &[String]) -> String {
    let newest = ids.iter().rev().take(LISTED).cloned().collect::<Vec<_>>();
    match ids.len().saturating_sub(LISTED) {
        0 => newest.join(", "),
        more => format!("{} and {more} more", newest.join(", ")),
    }
}

/// The journal that RUN means: a path (anything with a folder or the journals' extension in it),
/// `last`, an id, or the beginning of exactly one id in the directory.
///
/// # Errors
/// [`LocateError`], with the runs that could have been meant.
pub fn locate_run(dir: &Path, run: &str) -> Result<PathBuf, LocateError> {
    let as_path = Path::new(run);
    let has_folder = as_path
        .parent()
        .is_some_and(|parent| !parent.as_os_str().is_empty());
    if has_folder || as_path.extension().is_some_and(|e| e == JOURNAL_EXTENSION) {
        return if as_path.is_file() {
            Ok(as_path.to_path_buf())
        } else {
            Err(LocateError::NoSuchFile {
                path: run.to_owned(),
            })
        };
    }
    let shown = dir.display().to_string();
    let ids = run_ids(dir).map_err(|source| LocateError::Directory {
        dir: shown.clone(),
        source,
    })?;
    let file_of = |id: &str| dir.join(format!("{id}.{JOURNAL_EXTENSION}"));
    let Some(newest) = ids.last() else {
        return Err(LocateError::NoRuns { dir: shown });
    };
    if run == "last" {
        return Ok(file_of(newest));
    }
    if ids.iter().any(|id| id == run) {
        return Ok(file_of(run));
    }
    let fitting: Vec<String> = ids
        .iter()
        .filter(|id| !run.is_empty() && id.starts_with(run))
        .cloned()
        .collect();
    match fitting.as_slice() {
        [only] => Ok(file_of(only)),
        [] => Err(LocateError::Unknown {
            given: run.to_owned(),
            dir: shown,
            candidates: ids,
        }),
        _ => Err(LocateError::Ambiguous {
            given: run.to_owned(),
            dir: shown,
            candidates: fitting,
        }),
    }
}

/// Every run's id in the directory, oldest first: ids sort by the time they were made.
///
/// # Errors
/// Where the directory cannot be read.
pub fn run_ids(dir: &Path) -> io::Result<Vec<String>> {
    let mut ids = Vec::new();
    for entry in fs::read_dir(dir)? {
        let path = entry?.path();
        let is_journal = path.extension().is_some_and(|e| e == JOURNAL_EXTENSION);
        if let (true, Some(id)) = (is_journal, path.file_stem()) {
            ids.push(id.to_string_lossy().into_owned());
        }
    }
    ids.sort();
    Ok(ids)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn directory(ids: &[&str]) -> tempfile::TempDir {
        let dir = tempfile::tempdir().expect("a directory");
        for id in ids {
            fs::write(dir.path().join(format!("{id}.jsonl")), "").expect("a file");
        }
        fs::write(dir.path().join("0199z.subject.json"), "{}").expect("a file");
        dir
    }

    #[track_caller]
    fn check(run: &str, expected: &str) {
        let dir = directory(&["0199a1", "0199a2", "0199b"]);
        let found = match locate_run(dir.path(), run) {
            Ok(path) => path
                .file_name()
                .expect("a file")
                .to_string_lossy()
                .into_owned(),
            Err(error) => error
                .to_string()
                .replace(&dir.path().display().to_string(), "DIR"),
        };
        assert_eq!(found, expected);
    }

    #[test]
    fn a_run_is_found_by_what_a_person_types() {
        check("last", "0199b.jsonl");
        check("0199b", "0199b.jsonl");
        check("0199a2", "0199a2.jsonl");
    }

    #[test]
    fn errors_list_what_could_have_been_meant() {
        check("0199a", "'0199a' fits 2 runs in DIR: 0199a2, 0199a1");
        check(
            "7",
            "no run in DIR begins with '7'; the newest are: 0199b, 0199a2, 0199a1",
        );
        check(
            "",
            "no run in DIR begins with ''; the newest are: 0199b, 0199a2, 0199a1",
        );
        check("elsewhere/x", "there is no journal elsewhere/x");
    }

    #[test]
    fn an_exact_id_wins_over_longer_ones() {
        let dir = directory(&["a", "ab"]);
        let path = locate_run(dir.path(), "a").expect("exact");
        assert_eq!(path, dir.path().join("a.jsonl"));
    }

    #[test]
    fn an_empty_directory_is_said() {
        let dir = directory(&[]);
        let error = locate_run(dir.path(), "last").expect_err("no run");
        assert!(matches!(error, LocateError::NoRuns { .. }), "{error}");
    }
}
