//! The top of the text report: what is not safe, what was tested, how it came out.

use super::page::{Page, WIDTH};
use crate::domain::Verdict;
use crate::domain::bench_map::{Loads, UnderTest};
use crate::event::{DeviceSafe, FinishReason};
use crate::report::RunView;
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
    let mut text = format!("Relay board {}: ", board.device);
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
    page.hanging("Started     ", &view.started.to_string())?;
    let finished = view.finished.map_or_else(
        || "never: the record was cut short".to_owned(),
        |at| at.to_string(),
    );
    page.hanging("Finished    ", &finished)?;
    page.hanging(
        "Test        ",
        &view.retest_of.as_ref().map_or_else(
            || "first test".to_owned(),
            |run| format!("retest after correction of run {run}"),
        ),
    )?;
    page.hanging("Bench       ", &view.bench.name)?;
    page.hanging("Profile     ", &profile(view))?;
    page.hanging("Under test  ", under_test(view.under_test))?;
    page.hanging("Loads       ", loads(view.loads))?;
    for note in &view.conditions {
        page.hanging("Conditions  ", note)?;
    }
    Ok(())
}

fn profile(view: &RunView) -> String {
    let profile = &view.profile;
    let mut text = format!("{} ({}", profile.name, profile.kind);
    if let Some(interface) = &profile.interface {
        text.push_str(&format!(", {interface} interface"));
    }
    text.push_str(&format!(
        ", {}, {}",
        stages(profile.compressor_stages, "compressor"),
        stages(profile.heat_stages, "heat")
    ));
    match profile.changeover.as_deref() {
        Some("o") => text.push_str(", reversing valve (O/B) energised in cooling: O"),
        Some("b") => text.push_str(", reversing valve (O/B) energised in heating: B"),
        Some(other) => text.push_str(&format!(", reversing valve (O/B): {other}")),
        None => {}
    }
    text.push(')');
    text
}

fn stages(count: u8, of: &str) -> String {
    match count {
        0 => format!("no {of} stage"),
        1 => format!("1 {of} stage"),
        _ => format!("{count} {of} stages"),
    }
}

fn under_test(under_test: UnderTest) -> &'static str {
    match under_test {
        UnderTest::Wiring => {
            "wiring: the bench makes each call at the controller end and looks at every line at \
             the equipment end"
        }
        UnderTest::Controller => {
            "controller: a room controller makes each call and the bench looks at every line"
        }
        UnderTest::Equipment => {
            "equipment: the bench makes each call in the place of the room controller"
        }
    }
}

fn loads(loads: Loads) -> &'static str {
    match loads {
        Loads::Dummy => "dummy: coils of the bench's own, no machine starts",
        Loads::Disconnected => "disconnected: the loads are lifted, no machine starts",
        Loads::Real => "real: every call starts a machine",
    }
}

/// That nothing real was tested, where nothing was.
pub(super) fn simulated(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    let Some(simulated) = &view.simulated else {
        return Ok(());
    };
    let or_none = |faults: &[String]| match faults {
        [] => "none".to_owned(),
        faults => faults.join(", "),
    };
    page.gap()?;
    page.boxed(
        '#',
        "SIMULATED",
        &[
            "No real wiring was tested, and this proves nothing of any.".to_owned(),
            format!(
                "Seed {}. Wiring faults put in: {}. Link faults put in: {}.",
                simulated.seed,
                or_none(&simulated.faults),
                or_none(&simulated.link_faults)
            ),
        ],
    )
}

/// How it came out, in words.
pub(super) fn result(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    page.heading("RESULT")?;
    page.hanging("", &view.headline())?;
    let meaning = match (view.is_cut_short(), view.verdict) {
        (true, _) => "What was judged until then stands below; the rest is open. Run it again.",
        (_, Verdict::Pass) => "What this does not prove is listed further down.",
        (_, Verdict::Inconc) => {
            "This is not a pass. Put right what is named below and run it again."
        }
        (_, Verdict::Fail) => "Do not put it into service as it is.",
        (_, Verdict::Error) => "Put the bench right and run it again.",
        (_, Verdict::None) => "Run it again.",
    };
    page.hanging("", meaning)?;
    if !view.note.is_empty() {
        page.hanging("", &view.note)?;
    }
    match view.reason {
        Some(FinishReason::Cancelled) => {
            page.hanging("", "The run was cancelled before it was through.")?;
        }
        Some(FinishReason::JournalLost) => {
            page.hanging(
                "",
                "The journal could not be written, so the run was stopped.",
            )?;
        }
        Some(FinishReason::Panicked) => {
            page.hanging("", "The program itself failed during the run.")?;
        }
        Some(FinishReason::Complete | FinishReason::BenchError) | None => {}
    }
    if view.is_confirmed_safe() {
        page.hanging(
            "",
            "At the end every relay was opened and read back open. That is not isolation.",
        )?;
    }
    Ok(())
}
