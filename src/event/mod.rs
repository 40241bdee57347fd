//! F2: what happened, in the one form that is recorded, shown and replayed.
//!
//! A [`RunEvent`] is written to the journal before it is shown or acted on. [`RunState`] is the
//! one fold over events, live or replayed; a [`Command`] is the only way in which anyone changes
//! a run. Events own their data and never hold a handle.

mod command;
mod run_event;
mod run_state;
mod supply_set;

pub use command::Command;
pub use run_event::{
    BenchSummary, Changed, ChangeoverJudged, ChangeoverOutcome, Commitments, Conditions,
    DeviceSafe, EventKind, FORMAT_VERSION, FinishReason, LineJudged, MadeSafe, NextAction,
    ProfileSummary, Read, ReadResult, RelayReason, RelaysSet, Rule, RunEvent, RunFinished,
    RunStarted, ShownBy, SimulatedBy, StepFinished, StepStarted, TroubleSeen, Waiting, WaitingFor,
};
pub use run_state::{ArmedState, CheckState, LineState, RunState, StepState};
pub use supply_set::{Supplied, SupplySet};
