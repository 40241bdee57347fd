//! F3: makes the calls, reads, judges, and leaves every relay open.
//!
//! [`run`] takes opened ports, a journal, a clock and a plan; it follows the plan and returns a
//! [`RunOutcome`]. Everything that happens becomes an event, written to the journal before it is
//! shown or acted on. The runner cannot tell a real bench from a simulated one, prints nothing and
//! opens nothing.
//!
//! Parts: `dispatcher` (one biased select loop over commands and the sequence), `sequencer` (start,
//! steps, changeover), `step` (one call), `measure` (sampling, retries by kind), `judge` (pure),
//! `safety` (open-all first and last), `recorder` (events out).

mod dispatcher;
mod judge;
mod measure;
mod recorder;
mod safety;
mod sequencer;
mod setup;
mod step;
mod supply;

pub use dispatcher::run;
pub use setup::{Observer, Policy, Ports, RunOutcome, RunSetup};
