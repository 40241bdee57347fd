//! F3: makes the calls, reads, judges, and leaves every relay open.
//!
//! [`run`] takes opened ports, a journal, a clock and a plan; it follows the plan and returns a
//! [`RunOutcome`]. Everything that happens becomes an event, written to the journal before it is
//! shown or acted on. The runner cannot tell a real bench from a simulated one, prints nothing and
//! opens nothing.
//!
//! Parts: `dispatcher` (one biased select loop over commands and the sequence), `sequencer` (start,
//! steps, changeover), `step` (one call), `controller` (a room controller's own pattern), `power`
//! (its supply: levels, loss and return), `measure` and `meter` (inputs, meters, what a person
//! sees), `judge` (pure), `relays` (set and read back), `requests` (tries by kind of trouble),
//! `operator` (questions), `safety` (open-all first and last), `ending` (what follows however the
//! sequence ended), `knowledge` (what outlives the sequence), `recorder` (events out), `sampling`
//! (moments within the half cycle); `self_test` and `timed` (the bench by itself); `arming`,
//! `equipment`, `held`, `held_readings`, `look_round`, `machines` and `timers` (real loads).

mod arming;
mod controller;
mod dispatcher;
mod ending;
mod equipment;
mod held;
mod held_readings;
mod judge;
mod knowledge;
mod look_round;
mod machines;
mod measure;
mod meter;
mod operator;
mod power;
mod recorder;
mod relays;
mod requests;
mod safety;
mod sampling;
mod self_test;
mod sequencer;
mod setup;
mod step;
mod supply;
mod timed;
mod timers;

pub use dispatcher::run;
pub use self_test::{
    DeviceTested, InputAt, RelayOutcome, RelayTested, SelfTestFindings, SelfTestSetup, SupplySeen,
    self_test,
};
pub use setup::{Observer, Policy, Ports, RunOutcome, RunSetup};
pub use timed::Replies;
