//! F4: the record on disk: the journal, reading it back, finding a run, and what may be forgotten.
//!
//! Place in the data's path: the runner appends through [`FileJournal`] (or [`MemoryJournal`],
//! the same chain without a disk); `run`, `report` and every later reader start from
//! [`read_journal`]. Subjects and names lie in a [`SubjectRecord`] beside the journal, which holds
//! only salted hashes of them. Nothing here judges, and nothing is worded as a report.

mod chain;
mod journal;
mod locate;
mod memory_journal;
mod replay;
mod subject;

pub use chain::{FIRST_PREV, line_hash};
pub use journal::FileJournal;
pub use locate::{JOURNAL_EXTENSION, LocateError, locate_run, run_ids};
pub use memory_journal::MemoryJournal;
pub use replay::{
    ChainReport, LineProblem, Replay, ReplayError, read_journal, replay_each, verify_chain,
};
pub use subject::{Sealed, SubjectError, SubjectRecord, commitment, subject_path};
