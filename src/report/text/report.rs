//! The order of the text report's parts.
//!
//! Place in the data's path: what must be acted on comes first (safety, the result, what could
//! explain it), the evidence next, what limits it and where it is kept last.

use super::page::Page;
use super::{closing, findings, heading, matrix};
use crate::report::RunView;
use std::io::{self, Write};

/// Writes the whole report.
pub(in crate::report) fn write(view: &RunView, out: &mut dyn Write) -> io::Result<()> {
    let page = &mut Page::new(out);
    heading::not_safe(view, page)?;
    heading::title(view, page)?;
    heading::simulated(view, page)?;
    heading::result(view, page)?;
    findings::suspects(view, page)?;
    matrix::write(view, page)?;
    findings::steps(view, page)?;
    findings::changeover(view, page)?;
    findings::controller_supply(view, page)?;
    closing::not_proven(view, page)?;
    closing::troubles(view, page)?;
    closing::cautions(view, page)?;
    closing::record(view, page)
}
