//! The report for a person: plain characters, at most 80 columns, no colour.
//!
//! Place in the data's path: lays a [`RunView`](super::RunView) out on a writer. State shows by
//! word and shape alone, so that it survives a log file, a black-and-white print and a screen seen
//! by torchlight. What is not safe comes before everything else.

mod closing;
mod findings;
mod heading;
mod matrix;
mod page;
mod report;

pub(super) use report::write;
