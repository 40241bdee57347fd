//! The journal on disk: one file for each run, one line for each event.
//!
//! Place in the data's path: the runner appends every event here before anything shows it or acts
//! on it. A line and its newline go out in one write on the run's own thread; bringing them onto
//! the disk happens beside it ([`RunJournal::sync`]). After the first error nothing more is
//! written, so that a torn line can only be the last. Reading back is `replay`'s.

use super::chain::Chain;
use super::locate::JOURNAL_EXTENSION;
use crate::event::{EventKind, RunEvent};
use crate::port::{Clock, JournalLost, LocalFuture, RunJournal};
use std::cell::{Cell, RefCell};
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A journal in a file of its own, `DIR/<run_id>.jsonl`.
#[derive(Debug)]
pub struct FileJournal {
    path: PathBuf,
    /// Shared with the thread that brings it onto the disk.
    file: Arc<File>,
    chain: RefCell<Chain>,
    lost: Cell<bool>,
}

impl FileJournal {
    /// Makes the file, and the directory where it is missing. An existing journal is never
    /// overwritten.
    ///
    /// # Errors
    /// [`JournalLost`] where the file exists already or cannot be made.
    pub fn create(dir: &Path, run_id: &str) -> Result<Self, JournalLost> {
        let path = dir.join(format!("{run_id}.{JOURNAL_EXTENSION}"));
        let lost = |source| JournalLost {
            file: path.display().to_string(),
            source,
        };
        fs::create_dir_all(dir).map_err(lost)?;
        let file = OpenOptions::new()
            .append(true)
            .create_new(true)
            .open(&path)
            .map_err(lost)?;
        sync_directory(dir).map_err(lost)?;
        Ok(Self::on(path, file))
    }

    fn on(path: PathBuf, file: File) -> Self {
        Self {
            path,
            file: Arc::new(file),
            chain: RefCell::new(Chain::new()),
            lost: Cell::new(false),
        }
    }

    /// Where it lies.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The hash of the last line written.
    #[must_use]
    pub fn head_hash(&self) -> String {
        self.chain.borrow().head().to_owned()
    }

    fn refuse_after_loss(&self) -> Result<(), JournalLost> {
        if self.lost.get() {
            return Err(self.lose(io::Error::other("an earlier write failed")));
        }
        Ok(())
    }

    fn lose(&self, source: io::Error) -> JournalLost {
        self.lost.set(true);
        JournalLost {
            file: self.path.display().to_string(),
            source,
        }
    }
}

impl RunJournal for FileJournal {
    fn append(&self, clock: &dyn Clock, kind: EventKind) -> Result<RunEvent, JournalLost> {
        self.refuse_after_loss()?;
        let mut chain = self.chain.borrow_mut();
        let (event, mut line) = chain
            .stamp(clock, kind)
            .map_err(|error| self.lose(error.into()))?;
        line.push('\n');
        (&*self.file)
            .write_all(line.as_bytes())
            .map_err(|error| self.lose(error))?;
        line.pop();
        chain.advance(&event, &line);
        Ok(event)
    }

    fn sync(&self) -> LocalFuture<'_, Result<(), JournalLost>> {
        Box::pin(async move {
            self.refuse_after_loss()?;
            let file = Arc::clone(&self.file);
            tokio::task::spawn_blocking(move || file.sync_all())
                .await
                .map_err(io::Error::other)
                .and_then(|synced| synced)
                .map_err(|error| self.lose(error))
        })
    }
}

/// A file's name is on the disk only once its directory is.
#[cfg(unix)]
fn sync_directory(dir: &Path) -> io::Result<()> {
    File::open(dir)?.sync_all()
}

#[cfg(not(unix))]
fn sync_directory(_dir: &Path) -> io::Result<()> {
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::port::RunClock;

    fn resumed() -> EventKind {
        EventKind::Resumed {
            why: "test".to_owned(),
        }
    }

    #[tokio::test]
    async fn after_an_error_nothing_more_is_written() {
        let dir = tempfile::tempdir().expect("a directory");
        let path = dir.path().join("r.jsonl");
        fs::write(&path, "").expect("a file");
        // A file opened for reading refuses every write.
        let journal = FileJournal::on(path.clone(), File::open(&path).expect("it is there"));
        let clock = RunClock::start();
        let first = journal.append(&clock, resumed()).expect_err("not writable");
        assert!(first.to_string().contains("r.jsonl"), "{first}");
        let second = journal.append(&clock, resumed()).expect_err("lost");
        assert_eq!(second.source.to_string(), "an earlier write failed");
        journal
            .sync()
            .await
            .expect_err("a lost journal is not on the disk");
    }

    #[tokio::test]
    async fn an_existing_journal_is_not_overwritten() {
        let dir = tempfile::tempdir().expect("a directory");
        let journal = FileJournal::create(dir.path(), "r").expect("made");
        journal
            .append(&RunClock::start(), resumed())
            .expect("written");
        let before = fs::read(journal.path()).expect("readable");
        let error = FileJournal::create(dir.path(), "r").expect_err("it exists");
        assert_eq!(error.source.kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(fs::read(journal.path()).expect("readable"), before);
    }
}
