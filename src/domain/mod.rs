//! F1: the trade's rules, pure: no I/O, no clock, no randomness, no logging.
//!
//! A [`Profile`] says what the equipment is, the [`TruthTable`] follows from it, the [`BenchMap`]
//! says what can be driven and sensed, and the [`Plan`] joins them into steps. Verdicts compare
//! what was expected with what was observed.

pub mod bench_map;
mod call;
pub mod circuit;
pub mod diagnosis;
pub mod measurement;
mod output;
pub mod plan;
pub mod profile;
mod question;
pub mod reply_times;
mod truth_table;
mod verdict;

pub use bench_map::BenchMap;
pub use call::{Call, UnknownCall};
pub use output::{Expected, Observed};
pub use plan::Plan;
pub use profile::{Profile, ProfileDraft, ProfileProblem};
pub use question::{Question, Understood};
pub use truth_table::{Cell, Row, TruthTable};
pub use verdict::{Verdict, judge_cell};
