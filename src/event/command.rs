//! What may be asked of a run from outside.
//!
//! Place in the data's path: terminal, web, an answers file or the simulator send these; the
//! runner's dispatcher takes them in order. There is no other way to change a run.

/// One request to a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Command {
    /// Begin.
    Start,
    /// Stop, make safe with read-back, and finish.
    Cancel,
    /// Stop without waiting for anything but the open-all itself.
    CancelAtOnce,
    /// Arm a run on real loads, by a person's name.
    Arm {
        /// Who takes the responsibility.
        by: String,
    },
    /// No answer can come any more: the input is closed, or the answers file has no more.
    NobodyAnswers,
    /// Answer a prompt.
    Answer {
        /// The prompt's number.
        prompt: u32,
        /// The answer as given.
        text: String,
        /// By which way it came.
        via: String,
    },
}
