//! Reading a journal back.
//!
//! Place in the data's path: a closed (or cut short) journal goes in, its events and the folded
//! [`RunState`] come out; reports start here. Every line is checked: version, number, hash of the
//! line before, time. One torn line at the end, without a newline, is what a lost power leaves
//! behind: it is dropped and said. Anything else is an error that names file and line. Nothing is
//! judged here.

use super::chain::{FIRST_PREV, line_hash};
use crate::event::{EventKind, FORMAT_VERSION, RunEvent, RunState};
use crate::units::Microseconds;
use serde::Deserialize;
use std::fs::File;
use std::io::{self, BufRead, BufReader};
use std::path::Path;

/// A journal as read.
#[derive(Debug)]
pub struct Replay {
    /// Every event, in order.
    pub events: Vec<RunEvent>,
    /// The events folded.
    pub state: RunState,
    /// The journal's file name, without its folder.
    pub file_name: String,
    /// The hash of the last whole line.
    pub head_hash: String,
    /// Whether an unfinished last line was dropped.
    pub torn_tail: bool,
    /// Whether the journal ends before its run did.
    pub cut_short: bool,
}

/// What a check of the chain found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChainReport {
    /// Number of whole lines.
    pub events: u64,
    /// The hash of the last whole line.
    pub head_hash: String,
    /// Whether an unfinished last line was dropped.
    pub torn_tail: bool,
    /// Whether the journal ends before its run did.
    pub cut_short: bool,
}

/// What is wrong with one line.
#[derive(Debug, thiserror::Error)]
pub enum LineProblem {
    /// It cannot be read as an event.
    #[error("this is not an event of format version {FORMAT_VERSION}: {0}")]
    Unreadable(serde_json::Error),
    /// A newer program wrote it.
    #[error(
        "written in format version {found}; this program reads up to version {FORMAT_VERSION}: \
         use the program that wrote it, or a newer one"
    )]
    Newer {
        /// The version found.
        found: u32,
    },
    /// A line is missing, doubled or out of order.
    #[error("event number {expected} was expected here, and number {found} is here")]
    Number {
        /// The number that belongs here.
        expected: u64,
        /// The number found.
        found: u64,
    },
    /// It does not match the hash that the next line carries.
    #[error(
        "this line does not match the hash kept in line {}: one of the two was changed after it \
         was written",
        .next
    )]
    Changed {
        /// The line that carries the hash.
        next: u64,
    },
    /// The first line carries the hash of another.
    #[error("this first line carries the hash of a line before it, which is missing")]
    NoBeginning,
    /// The time since the run began went back.
    #[error("the time since the run began goes back here")]
    TimeGoesBack,
    /// `run-started` is not first, or comes again.
    #[error("'{found}' stands where it cannot: 'run-started' comes first and once")]
    Misplaced {
        /// The event found.
        found: &'static str,
    },
    /// Something follows `run-finished`.
    #[error("the run was finished in the line before; nothing may follow")]
    AfterTheEnd,
}

/// A journal that cannot be read back.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// The file cannot be read.
    #[error("journal {file} cannot be read")]
    File {
        /// The file.
        file: String,
        /// Why.
        source: io::Error,
    },
    /// There is no whole line in it.
    #[error("journal {file} holds no event")]
    Empty {
        /// The file.
        file: String,
    },
    /// One line is wrong.
    #[error("journal {file}, line {line}: {problem}")]
    Line {
        /// The file.
        file: String,
        /// The line, from 1.
        line: u64,
        /// What is wrong with it.
        problem: LineProblem,
    },
}

/// Reads a journal and folds it.
///
/// # Errors
/// [`ReplayError`], naming file and line.
pub fn read_journal(path: &Path) -> Result<Replay, ReplayError> {
    let mut events = Vec::new();
    let mut state = RunState::default();
    let report = replay_each(path, |event| {
        state.apply(&event);
        events.push(event);
    })?;
    Ok(Replay {
        events,
        state,
        file_name: file_name(path),
        head_hash: report.head_hash,
        torn_tail: report.torn_tail,
        cut_short: report.cut_short,
    })
}

/// Checks every line of a journal without keeping its events.
///
/// # Errors
/// [`ReplayError`], naming file and line.
pub fn verify_chain(path: &Path) -> Result<ChainReport, ReplayError> {
    replay_each(path, drop)
}

/// Reads a journal event by event, each checked before it is handed on, so that a long run need
/// not be held in memory.
///
/// # Errors
/// [`ReplayError`], naming file and line; events before it have been handed on.
pub fn replay_each(
    path: &Path,
    mut take: impl FnMut(RunEvent),
) -> Result<ChainReport, ReplayError> {
    let file = path.display().to_string();
    let unreadable = |source| ReplayError::File {
        file: path.display().to_string(),
        source,
    };
    let mut reader = BufReader::new(File::open(path).map_err(unreadable)?);
    let mut check = LineCheck::new();
    let mut torn_tail = false;
    let mut line = Vec::new();
    loop {
        line.clear();
        if reader.read_until(b'\n', &mut line).map_err(unreadable)? == 0 {
            break;
        }
        if line.pop_if(|last| *last == b'\n').is_none() {
            torn_tail = true;
            break;
        }
        match check.accept(&line) {
            Ok(event) => take(event),
            Err((line, problem)) => {
                return Err(ReplayError::Line {
                    file,
                    line,
                    problem,
                });
            }
        }
    }
    if check.lines == 0 {
        return Err(ReplayError::Empty { file });
    }
    Ok(ChainReport {
        events: check.lines,
        head_hash: check.head,
        torn_tail,
        cut_short: !check.finished,
    })
}

fn file_name(path: &Path) -> String {
    path.file_name()
        .unwrap_or(path.as_os_str())
        .to_string_lossy()
        .into_owned()
}

/// What must hold from one line to the next.
struct LineCheck {
    lines: u64,
    head: String,
    elapsed: Microseconds,
    finished: bool,
}

/// Read from a line that is no event, to tell a newer program's from a broken one.
#[derive(Deserialize)]
struct VersionOnly {
    v: u32,
}

impl LineCheck {
    fn new() -> Self {
        Self {
            lines: 0,
            head: FIRST_PREV.to_owned(),
            elapsed: Microseconds(0),
            finished: false,
        }
    }

    /// Takes the next line, or names the line at fault: this one or the one before.
    fn accept(&mut self, line: &[u8]) -> Result<RunEvent, (u64, LineProblem)> {
        let number = self.lines + 1;
        let event = parse(line).map_err(|problem| (number, problem))?;
        self.check(&event).map_err(|problem| match problem {
            LineProblem::Changed { .. } => (self.lines, problem),
            _ => (number, problem),
        })?;
        self.lines = number;
        self.head = line_hash(line);
        self.elapsed = event.elapsed_us;
        self.finished = matches!(event.kind, EventKind::RunFinished(_));
        Ok(event)
    }

    fn check(&self, event: &RunEvent) -> Result<(), LineProblem> {
        if self.finished {
            return Err(LineProblem::AfterTheEnd);
        }
        if event.seq != self.lines {
            return Err(LineProblem::Number {
                expected: self.lines,
                found: event.seq,
            });
        }
        if event.prev != self.head {
            return Err(match self.lines {
                0 => LineProblem::NoBeginning,
                before => LineProblem::Changed { next: before + 1 },
            });
        }
        if event.elapsed_us < self.elapsed {
            return Err(LineProblem::TimeGoesBack);
        }
        let starts = matches!(event.kind, EventKind::RunStarted(_));
        if starts != (self.lines == 0) {
            return Err(LineProblem::Misplaced {
                found: event.kind.name(),
            });
        }
        Ok(())
    }
}

fn parse(line: &[u8]) -> Result<RunEvent, LineProblem> {
    let parsed = serde_json::from_slice::<RunEvent>(line);
    let version = match &parsed {
        Ok(event) => Some(event.v),
        Err(_) => serde_json::from_slice::<VersionOnly>(line)
            .ok()
            .map(|only| only.v),
    };
    match version {
        Some(found) if found > FORMAT_VERSION => Err(LineProblem::Newer { found }),
        _ => parsed.map_err(LineProblem::Unreadable),
    }
}
