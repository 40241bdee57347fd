//! The top of the text report: what is not safe, what was tested, how it came out.

use super::page::{Page, WIDTH};
use crate::event::DeviceSafe;
use crate::report::RunView;
use crate::report::wording::{
    self, MADE_SAFE, SIMULATED, ended_early, loads, meaning, profile, put_in, to_the_second,
    under_test,
};
use std::io;

/// The loudest thing of all, where the run did not end safe.
pub(super) fn not_safe(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    if view.is_confirmed_safe() {
        if view.still_live.is_empty() {
            return Ok(());
        }
        page.boxed(
            '!',
            "STILL LIVE",
            &[format!(
                "Live with every relay open: {}. Another source feeds it, or a relay is welded. \
                 Treat it as live; isolate every supply before touching.",
                terminals(view)
            )],
        )?;
        return page.gap();
    }
    let mut paragraphs = vec![
        String::new(),
        "Treat every line, and every machine behind it, as live.".to_owned(),
    ];
    paragraphs.extend(unsafe_boards(view));
    if !view.still_live.is_empty() {
        paragraphs.push(format!(
            "Still live with every relay open: {}.",
            terminals(view)
        ));
    }
    paragraphs.push(String::new());
    paragraphs.push("Do this now:".to_owned());
    paragraphs.push(
        "1. Isolate the supply at its disconnect, mains included. Stopping this program is not \
         isolation."
            .to_owned(),
    );
    paragraphs.push("2. Lock it and tag it, so that nobody switches it on again.".to_owned());
    paragraphs.push(
        "3. Prove dead, each line to C and to earth, with a meter that you check on a known live \
         source before and after."
            .to_owned(),
    );
    page.line(&"!".repeat(WIDTH))?;
    page.boxed('!', "NOT CONFIRMED SAFE", &paragraphs)?;
    page.line(&"!".repeat(WIDTH))?;
    page.gap()
}

fn unsafe_boards(view: &RunView) -> Vec<String> {
    if view.boards.is_empty() {
        return vec![
            "The record does not show that the relays were opened and read back at the end."
                .to_owned(),
        ];
    }
    view.boards
        .iter()
        .filter(|board| !board.confirmed_open)
        .map(unsafe_board)
        .collect()
}

fn unsafe_board(board: &DeviceSafe) -> String {
    let mut text = format!("Relay board \"{}\": ", board.device);
    if board.still_closed.is_empty() {
        text.push_str("its relays did not read back open");
    } else {
        let labels: Vec<String> = board.still_closed.iter().map(|c| c.label()).collect();
        text.push_str(&format!("still closed: {}", labels.join(", ")));
    }
    if !board.trouble.is_empty() {
        text.push_str(&format!(" ({})", board.trouble));
    }
    text.push('.');
    if !board.was_closed {
        text.push_str(" This run closed none of them.");
    }
    text
}

fn terminals(view: &RunView) -> String {
    let names: Vec<&str> = view.still_live.iter().map(|line| line.as_str()).collect();
    names.join(", ")
}

/// What was tested, when, and under what conditions.
pub(super) fn title(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    page.line("CONTROL WIRING TEST REPORT")?;
    page.line(&"=".repeat(WIDTH))?;
    let subject = match (&view.subject, view.subject_removed) {
        (Some(subject), _) => subject.as_str(),
        (None, true) => "(recorded, but its record was removed)",
        (None, false) => "(none given)",
    };
    page.hanging("Subject     ", subject)?;
    page.hanging("Run         ", &view.run_id)?;
    page.hanging("Started     ", &to_the_second(view.started))?;
    let finished = view.finished.map_or_else(
        || "never: the record was cut short".to_owned(),
        to_the_second,
    );
    page.hanging("Finished    ", &finished)?;
    let test = view.retest_of.as_ref().map_or_else(
        || "first test".to_owned(),
        |run| format!("retest after correction of run {run}"),
    );
    page.hanging(
        "Test        ",
        &format!("{test} of {}", under_test(view.under_test)),
    )?;
    page.hanging("Loads       ", loads(view.loads))?;
    if let Some(arming) = &view.arming {
        page.hanging("Armed       ", &wording::arming(arming))?;
    }
    if let Some(waits) = &view.machine_waits {
        page.hanging("Waited      ", &format!("for {waits}"))?;
    }
    page.hanging("Bench       ", &view.bench.name)?;
    page.hanging("Profile     ", &profile(view))?;
    if !view.conditions.is_empty() {
        page.hanging("Conditions  ", &view.conditions.join("; "))?;
    }
    Ok(())
}

/// That nothing real was tested, where nothing was.
pub(super) fn simulated(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    let Some(simulated) = &view.simulated else {
        return Ok(());
    };
    page.gap()?;
    page.boxed('#', "SIMULATED", &[SIMULATED.to_owned(), put_in(simulated)])
}

/// How it came out, in words.
pub(super) fn result(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    page.heading("RESULT")?;
    page.hanging("", &view.headline())?;
    page.hanging("", meaning(view))?;
    if !view.note.is_empty() {
        page.hanging("", &view.note)?;
    }
    if let Some(ended) = ended_early(view) {
        page.hanging("", ended)?;
    }
    if view.is_confirmed_safe() {
        page.hanging("", MADE_SAFE)?;
    }
    Ok(())
}
