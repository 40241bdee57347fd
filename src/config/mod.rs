//! F2: files to validated domain values, every problem at once.
//!
//! Place in the data's path: [`read_profile`] makes a [`Profile`](crate::domain::Profile) and
//! [`read_bench`] a [`BenchMap`](crate::domain::BenchMap) with its link and device descriptions;
//! [`fit`] compares the two. A file is parsed once, into a document that knows where each value
//! stands; each table is then read on its own, so that a mistake in one hides none in the next,
//! and the rules between tables are checked last. What is returned is valid, or it is
//! [`ConfigErrors`] with every problem's place.
//!
//! It opens no link and knows no run. No default is silent: docs/bench-file.md and
//! docs/profile-file.md state each one, and [`effective_bench`] and [`effective_profile`] list
//! what holds.

mod answers_file;
mod bench_file;
mod effective;
mod electrical;
mod fit;
mod limits;
mod locate;
mod nearest;
mod problem;
mod profile_file;
mod redirect;
mod schema;
mod source;
mod table;

pub use answers_file::{AnswersFile, read_answers};
pub use bench_file::{BenchFile, parse_bench, read_bench};
pub use effective::{effective_bench, effective_profile};
pub use electrical::circuit_values;
pub use fit::fit;
pub use problem::{ConfigErrors, ConfigProblem};
pub use profile_file::{ProfileFile, parse_profile, read_profile};
pub use redirect::redirect_links;
pub use schema::{answers_schema, bench_schema, profile_schema};
