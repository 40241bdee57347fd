//! The end of the text report: what it does not prove, link troubles, cautions, the record.

use super::page::{Page, WIDTH};
use crate::report::RunView;
use crate::report::wording::{CAUTIONS, NOT_BEYOND};
use std::io;

/// What the run does not prove, and which calls were not made.
pub(super) fn not_proven(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    page.heading("WHAT THIS RUN DOES NOT PROVE")?;
    for item in &view.not_proven {
        page.hanging("  - ", item)?;
    }
    page.hanging("  - ", NOT_BEYOND)?;
    let mut absent = view
        .left_out
        .iter()
        .filter(|left| !left.applicable)
        .peekable();
    if absent.peek().is_some() {
        page.gap()?;
        page.line("Calls that this equipment does not know, and that were not made:")?;
        for left in absent {
            page.hanging(&format!("  {:<18} ", left.call), &left.why)?;
        }
    }
    Ok(())
}

/// Link troubles by device and kind.
pub(super) fn troubles(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    page.heading("LINK TROUBLES")?;
    if view.troubles.is_empty() {
        page.line("None: every request was answered in time and in full.")?;
    }
    for trouble in &view.troubles {
        let times = match trouble.count {
            1 => "once".to_owned(),
            count => format!("{count} times"),
        };
        page.hanging(
            &format!("  {:<12} ", format!("\"{}\"", trouble.device)),
            &format!("{times}: {}. First: {}.", trouble.kind, trouble.first),
        )?;
    }
    if !view.troubles.is_empty() {
        page.hanging(
            "",
            "A disturbed reading was repeated or left open; none was taken as a state of the \
             wiring.",
        )?;
    }
    for board in &view.bench.boards_without_watchdog {
        page.hanging(
            "",
            &format!(
                "Relay board \"{board}\" has no watchdog set: if this program is killed or the \
                 link is lost, its relays stay as they are."
            ),
        )?;
    }
    Ok(())
}

/// What anyone must keep in mind.
pub(super) fn cautions(_view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    page.heading("CAUTIONS")?;
    for caution in CAUTIONS {
        page.hanging("  - ", caution)?;
    }
    Ok(())
}

/// Where the run is kept, and by what it is known again.
pub(super) fn record(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    page.heading("RECORD")?;
    page.hanging("Journal       ", &view.journal_file)?;
    page.hanging("Head hash     ", &view.head_hash)?;
    page.hanging(
        "Program       ",
        &format!("coilcall {}", view.program_version),
    )?;
    page.hanging("Profile file  ", &view.profile_hash)?;
    page.hanging("Bench file    ", &view.bench_hash)?;
    for (device, identity) in &view.devices {
        page.hanging("Device        ", &format!("\"{device}\": {identity}"))?;
    }
    page.gap()?;
    page.line("Tester   ____________________________   Date ____________")?;
    page.line("Witness  ____________________________   Date ____________")?;
    page.gap()?;
    page.line(&"=".repeat(WIDTH))?;
    page.line("END OF REPORT")
}
