//! What every line must be in every call, each cell with its reason.
//!
//! Place in the data's path: made from the [`Profile`](super::Profile) alone; the plan takes its
//! expected cells from here, and `expected` prints it. The rules are general trade practice (common
//! practice, no source), assembled and not copied from a published table. Nothing here knows a
//! bench or a reading.
//!
//! `demand` says what a call asks of the machines, `cells` turns that into one cell for each line,
//! `ties` lets joined lines follow each other, `table` holds the result, `invariants` puts into
//! words what holds across all calls.

mod cells;
mod demand;
mod invariants;
mod table;
mod ties;

#[cfg(test)]
mod tests;

pub use table::{Cell, Row, TruthTable};
pub(super) use ties::lines_misled_by_ties;
