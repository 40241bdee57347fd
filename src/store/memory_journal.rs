//! A journal that is kept in memory: the same events, the same chain, no disk.
//!
//! Place in the data's path: takes [`FileJournal`](super::FileJournal)'s place in tests and sweeps.
//! Its lines, each with a newline, are a journal file's bytes.

use super::chain::Chain;
use crate::event::{EventKind, RunEvent};
use crate::port::{Clock, JournalLost, LocalFuture, RunJournal};
use std::cell::{Ref, RefCell};

/// A journal in memory.
#[derive(Debug)]
pub struct MemoryJournal {
    kept: RefCell<Kept>,
}

#[derive(Debug)]
struct Kept {
    chain: Chain,
    events: Vec<RunEvent>,
    lines: Vec<String>,
}

impl Default for MemoryJournal {
    fn default() -> Self {
        Self::new()
    }
}

impl MemoryJournal {
    /// An empty journal.
    #[must_use]
    pub fn new() -> Self {
        Self {
            kept: RefCell::new(Kept {
                chain: Chain::new(),
                events: Vec::new(),
                lines: Vec::new(),
            }),
        }
    }

    /// The events so far. Not to be held across an append.
    #[must_use]
    pub fn events(&self) -> Ref<'_, [RunEvent]> {
        Ref::map(self.kept.borrow(), |kept| kept.events.as_slice())
    }

    /// The lines so far, without newlines. Not to be held across an append.
    #[must_use]
    pub fn lines(&self) -> Ref<'_, [String]> {
        Ref::map(self.kept.borrow(), |kept| kept.lines.as_slice())
    }

    /// The hash of the last line.
    #[must_use]
    pub fn head_hash(&self) -> String {
        self.kept.borrow().chain.head().to_owned()
    }
}

impl RunJournal for MemoryJournal {
    fn append(&self, clock: &dyn Clock, kind: EventKind) -> Result<RunEvent, JournalLost> {
        let mut kept = self.kept.borrow_mut();
        let (event, line) = kept.chain.stamp(clock, kind).map_err(|error| JournalLost {
            file: "in memory".to_owned(),
            source: error.into(),
        })?;
        kept.chain.advance(&event, &line);
        kept.events.push(event.clone());
        kept.lines.push(line);
        Ok(event)
    }

    fn sync(&self) -> LocalFuture<'_, Result<(), JournalLost>> {
        Box::pin(std::future::ready(Ok(())))
    }
}
