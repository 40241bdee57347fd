//! Events on their way out: stamped, journalled, folded, then shown.
//!
//! Place in the data's path: every part of the runner reports here and nowhere else. Once the
//! journal is lost nothing more is recorded, and the caller stops; making safe goes on without it.

use super::setup::Observer;
use crate::event::{EventKind, RunState};
use crate::port::{Clock, JournalLost, RunJournal};
use crate::units::Microseconds;
use std::cell::{Cell, RefCell};
use std::rc::Rc;

/// The journal is gone; the error itself is kept by the [`Recorder`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Unrecorded;

/// Takes events in.
pub(super) struct Recorder {
    journal: Rc<dyn RunJournal>,
    clock: Rc<dyn Clock>,
    observer: RefCell<Observer>,
    state: RefCell<RunState>,
    lost: RefCell<Option<JournalLost>>,
    next_reading: Cell<u64>,
    pending_sync: RefCell<Option<tokio::task::JoinHandle<Result<(), JournalLost>>>>,
}

impl Recorder {
    pub(super) fn new(
        journal: Rc<dyn RunJournal>,
        clock: Rc<dyn Clock>,
        observer: Observer,
    ) -> Self {
        Self {
            journal,
            clock,
            observer: RefCell::new(observer),
            state: RefCell::new(RunState::default()),
            lost: RefCell::new(None),
            next_reading: Cell::new(0),
            pending_sync: RefCell::new(None),
        }
    }

    /// Time since the run began.
    pub(super) fn now(&self) -> Microseconds {
        self.clock.elapsed()
    }

    /// Writes the event, then folds and shows it.
    pub(super) fn record(&self, kind: EventKind) -> Result<(), Unrecorded> {
        if self.lost.borrow().is_some() {
            return Err(Unrecorded);
        }
        match self.journal.append(self.clock.as_ref(), kind) {
            Ok(event) => {
                self.state.borrow_mut().apply(&event);
                (self.observer.borrow_mut())(&event);
                Ok(())
            }
            Err(lost) => {
                self.lost.replace(Some(lost));
                Err(Unrecorded)
            }
        }
    }

    /// A reading's number, never given twice.
    pub(super) fn next_reading_id(&self) -> u64 {
        let id = self.next_reading.get();
        self.next_reading.set(id + 1);
        id
    }

    /// Begins to bring the journal onto the disk, while the run goes on.
    pub(super) fn begin_sync(&self) {
        let journal = Rc::clone(&self.journal);
        let handle = tokio::task::spawn_local(async move { journal.sync().await });
        self.pending_sync.replace(Some(handle));
    }

    /// Waits for what [`begin_sync`](Self::begin_sync) began.
    pub(super) async fn end_sync(&self) -> Result<(), Unrecorded> {
        let Some(handle) = self.pending_sync.take() else {
            return Ok(());
        };
        match handle.await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(lost)) => {
                self.lost.replace(Some(lost));
                Err(Unrecorded)
            }
            Err(join) => {
                let source = std::io::Error::other(join);
                self.lost.replace(Some(JournalLost {
                    file: "journal".to_owned(),
                    source,
                }));
                Err(Unrecorded)
            }
        }
    }

    /// What is known of the run so far.
    pub(super) fn state(&self) -> std::cell::Ref<'_, RunState> {
        self.state.borrow()
    }

    /// Whether the journal is lost.
    pub(super) fn is_lost(&self) -> bool {
        self.lost.borrow().is_some()
    }

    /// Why the journal was lost, where it was.
    pub(super) fn take_lost(&self) -> Option<JournalLost> {
        self.lost.take()
    }
}
