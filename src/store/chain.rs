//! The chain that ties a journal's lines together: each carries the hash of the one before.
//!
//! Place in the data's path: journals stamp events with [`Chain`] before they write them; the
//! reader recomputes the same hashes. The chain shows that a line was changed, dropped or moved.
//! It does not show a change of the very last line, nor that lines are missing at the end: for
//! those the head hash must have been kept elsewhere.

use crate::event::{EventKind, FORMAT_VERSION, RunEvent};
use crate::port::Clock;
use crate::units::Microseconds;

/// What the first line carries in the place of a hash: 64 zeros.
pub const FIRST_PREV: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// BLAKE3 of a line without its newline, in hexadecimal.
#[must_use]
pub fn line_hash(line: &[u8]) -> String {
    blake3::hash(line).to_hex().to_string()
}

/// Where a chain stands: the next number and the hash that the next line carries.
#[derive(Debug)]
pub(super) struct Chain {
    next_seq: u64,
    head: String,
    elapsed: Microseconds,
}

impl Chain {
    /// A chain without a line.
    pub(super) fn new() -> Self {
        Self {
            next_seq: 0,
            head: FIRST_PREV.to_owned(),
            elapsed: Microseconds(0),
        }
    }

    /// The hash of the last line; [`FIRST_PREV`] where there is none.
    pub(super) fn head(&self) -> &str {
        &self.head
    }

    /// The next event and its line, without a newline. The chain stays where it is until
    /// [`advance`](Self::advance): a line that could not be written is not part of it.
    pub(super) fn stamp(
        &self,
        clock: &dyn Clock,
        kind: EventKind,
    ) -> Result<(RunEvent, String), serde_json::Error> {
        let event = RunEvent {
            v: FORMAT_VERSION,
            seq: self.next_seq,
            at: clock.wall(),
            // The format promises that this never goes back, whatever the clock does.
            elapsed_us: clock.elapsed().max(self.elapsed),
            prev: self.head.clone(),
            kind,
        };
        let line = serde_json::to_string(&event)?;
        Ok((event, line))
    }

    /// Takes a written line into the chain.
    pub(super) fn advance(&mut self, event: &RunEvent, line: &str) {
        self.next_seq = event.seq + 1;
        self.elapsed = event.elapsed_us;
        self.head = line_hash(line.as_bytes());
    }
}
