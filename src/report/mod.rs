//! F4: what a finished (or cut short) run looks like, format by format.
//!
//! Place in the data's path: [`RunView`] resolves once everything that a report shows, from the
//! folded events; a format then only lays it out on the writer that it is given. Nothing here
//! opens a file, judges, or reads the configuration: the journal alone is enough.

mod arming_view;
mod budget_text;
mod case;
mod cell_mark;
pub mod circuit_table;
mod csv;
pub mod expected_table;
mod faults_page;
mod format;
mod html;
mod junit;
mod look_at;
mod run_json;
mod run_view;
mod schema;
mod step_view;
mod supply_words;
mod suspect_words;
mod tap;
mod text;
mod timeline;
mod wording;

pub use arming_view::ArmingView;
pub use budget_text::budget_lines;
pub use cell_mark::CellMark;
pub use faults_page::faults_page;
pub use format::{Format, UnknownFormat, write_each, write_report};
pub use run_view::{
    ChangeoverView, Conclusion, DiagnosisView, NotStarted, RunView, SuspectGroup, TroubleCount,
};
pub use schema::{expected_schema, run_schema};
pub use step_view::{
    CALL_WIDTH, ConditionView, LineView, ReadingValue, ReadingView, StepView, SupplyView,
    name_width, reading_words,
};
pub use supply_words::planned_supply;
pub use suspect_words::suspect_in_words;
pub use timeline::{DrivenSpan, LineTrace, Look, Timeline};
