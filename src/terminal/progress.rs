//! Plain progress lines: one for each step when it ends, loud ones for what needs a person.
//!
//! Place in the data's path: the app hands over each event once the journal has it. State shows by
//! word and shape, without colour, so that a log keeps it. A writer that fails is given up and the
//! run goes on: nobody's terminal may stop a run.

use super::narration::{Narration, plain};
use crate::event::{RunEvent, RunState};
use std::io::{self, Write};

/// Shows a run on a writer, event by event.
pub struct Progress<W> {
    out: W,
    state: RunState,
    is_broken: bool,
}

impl<W: Write> Progress<W> {
    /// Progress on a writer; usually stderr.
    pub fn new(out: W) -> Self {
        Self {
            out,
            state: RunState::default(),
            is_broken: false,
        }
    }

    /// The events so far, folded.
    #[must_use]
    pub fn state(&self) -> &RunState {
        &self.state
    }

    /// Takes one event in and shows what is to be shown of it.
    pub fn observe(&mut self, event: &RunEvent) {
        self.state.apply(event);
        if self.is_broken {
            return;
        }
        let text = Narration { state: &self.state }.text_of(event);
        if !text.is_empty() && self.show(&text).is_err() {
            self.is_broken = true;
        }
    }

    fn show(&mut self, text: &str) -> io::Result<()> {
        self.out.write_all(plain(text).as_bytes())?;
        self.out.flush()
    }
}
