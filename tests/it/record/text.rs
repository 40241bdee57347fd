//! The text report, read as a person would.

use super::fixture::{
    Run, all_pass, cut_short, error_before_any_step, everything_dead, everything_dead_with,
    link_trouble, render, swapped, terminal,
};
use coilcall::domain::bench_map::Loads;
use coilcall::domain::{Cell, Expected, Observed, Verdict};
use coilcall::event::{FinishReason, Rule, RunStarted};
use coilcall::report::{Conclusion, DiagnosisView, Format, RunView, SuspectGroup};
use coilcall::units::End;

/// The report's words in one line, so that neither wrapping nor boxes matter.
fn flat(text: &str) -> String {
    text.split_whitespace()
        .filter(|word| !word.starts_with("!!!") && !word.starts_with("###"))
        .collect::<Vec<_>>()
        .join(" ")
}

#[track_caller]
fn says(text: &str, part: &str) {
    assert!(flat(text).contains(&flat(part)), "no '{part}' in:\n{text}");
}

#[track_caller]
fn says_not(text: &str, part: &str) {
    assert!(!flat(text).contains(&flat(part)), "'{part}' in:\n{text}");
}

/// The cells of one call's row, after its name.
fn row(text: &str, call: &str) -> Vec<String> {
    let line = text
        .lines()
        .find(|line| line.split_whitespace().next() == Some(call))
        .unwrap_or_else(|| panic!("no row {call} in:\n{text}"));
    line.split_whitespace().skip(1).map(str::to_owned).collect()
}

#[test]
fn all_pass_says_so_and_what_it_does_not_prove() {
    let text = all_pass().text();
    says(
        &text,
        "PASS: in all 5 calls every line was as this profile demands.",
    );
    assert_eq!(
        row(&text, "cooling-1"),
        ["pass", "live", "on", "on", "on", "."]
    );
    assert_eq!(row(&text, "idle"), ["pass", "live", ".", ".", ".", "."]);
    says(&text, "voltage not proven");
    says(
        &text,
        "calls not made: auxiliary-heat (it was not asked for)",
    );
    says(&text, "C is not proven");
    says(&text, "cooling-2 the profile has one compressor stage");
    says(
        &text,
        "the signal at the terminal is shown; what the equipment makes of it takes an air \
         temperature",
    );
    says(&text, "Relay board \"board\" has no watchdog set");
    says(&text, "Started 2026-03-02 08:00:00 UTC");
    for absent in [
        "WRONG",
        "Look at:",
        "NOT CONFIRMED SAFE",
        "SIMULATED",
        "WHAT COULD",
    ] {
        says_not(&text, absent);
    }
}

#[test]
fn a_single_fault_is_told_call_by_call() {
    let text = swapped().text();
    says(&text, "FAIL: 2 of 5 calls wrong: fan-only, emergency-heat.");
    assert_eq!(
        row(&text, "fan-only"),
        ["FAIL", "live", "[ON]", "[OFF]", ".", "."]
    );
    assert_eq!(
        row(&text, "heating-1"),
        ["pass", "live", "on", "on", ".", "."]
    );
    says(&text, "[ON] WRONG: live, should be dead");
    says(&text, "fan-only: FAIL (step 2; the bench called G)");
    says(
        &text,
        "Y1 [ON] should be dead: fan-only leaves Y1 alone. Y1 was read on.",
    );
    says(
        &text,
        "G [OFF] should be live: fan-only runs G. G was read off.",
    );
    says(&text, "Y1 and G: one answered in place of the other.");
    says(
        &text,
        "Follow G from relay 2 of \"board\" (does it close?) to input 2 of \"board\"",
    );
    // Both wrong calls give the same advice; it is told once, before the matrix.
    assert_eq!(flat(&text).matches("Follow G from").count(), 1, "{text}");
    assert!(
        text.find("Look at:") < text.find("CALLS AND LINES"),
        "{text}"
    );
    says(&text, "SIMULATED");
    says(
        &text,
        "Seed 7. Wiring faults put in: swap:Y1,G. Link faults put in: none.",
    );
    says_not(&text, "One cause");
}

#[test]
fn everything_dead_points_at_one_cause_before_many() {
    let text = everything_dead().text();
    says(
        &text,
        "FAIL: the supply is live, yet no line that was called ever answered: the R conductor or \
         the relays' common is open.",
    );
    says(&text, "Look at: - One cause explains every call.");
    says(&text, "cooling-1 FAIL: Y1, G, O stayed dead");
    says(&text, "STUCK OFF: O is dead in cooling and in heating");
    says_not(&text, "Follow G from");
}

#[test]
fn where_the_bench_feeds_the_relays_r_is_no_suspect_of_a_dead_panel() {
    let text = everything_dead_with(
        |started| started.plan.source_end = End::Controller,
        Observed::On,
    )
    .text();
    says(&text, "the relays' common or the C conductor is open.");
}

#[test]
fn a_dead_panel_on_a_dead_supply_is_not_put_down_to_one_conductor() {
    let text = everything_dead_with(|_| {}, Observed::Off).text();
    says(&text, "FAIL: 4 of 5 calls wrong");
    says(&text, "One cause before many: the supply");
    says_not(&text, "the supply is live");
}

#[test]
fn lines_that_no_call_uses_share_a_sentence_until_one_comes_alive() {
    let add_spare = |started: &mut RunStarted| {
        started.plan.lines.push(terminal("E"));
        for step in &mut started.plan.steps {
            let cell = Cell {
                expected: Expected::Off,
                reason: "not a line of this profile".to_owned(),
            };
            step.cells.insert(terminal("E"), cell);
        }
    };
    let mut run = Run::begin(add_spare);
    run.begin_step(1, Observed::On);
    run.judge(1, ("E", Observed::Off), Verdict::Pass, Rule::Cell);
    run.end_step(1, Verdict::Pass, "");
    says(
        &run.text(),
        "Lines that no call uses, dead whenever they were read, as they should be: E.",
    );
    says(&run.text(), "call result R-C Y1 G O W2");
    let mut run = Run::begin(add_spare);
    run.begin_step(1, Observed::On);
    run.judge(1, ("E", Observed::On), Verdict::Fail, Rule::Cell);
    run.end_step(1, Verdict::Fail, "");
    says_not(&run.text(), "Lines that no call uses");
    says(&run.text(), "call result R-C Y1 G O W2 E");
}

#[test]
fn link_trouble_is_never_told_as_a_fault() {
    let text = link_trouble().text();
    says(
        &text,
        "INCONCLUSIVE: the run shows neither right nor wrong; not clear in cooling-1.",
    );
    says(&text, "This is not a pass.");
    assert_eq!(
        row(&text, "cooling-1"),
        ["inconclusive", "live", "?", "?", "?", "?"]
    );
    says(
        &text,
        "Nothing could be told of any line: the inputs could not be read. Put that right first",
    );
    says(&text, "\"board\" 2 times: no complete reply in time.");
    says(
        &text,
        "not clear for every line: the inputs could not be read",
    );
    says(&text, "NOT SHOWN by the calls that were made");
    for absent in ["WRONG:", "FAIL", "Follow", "WHAT COULD"] {
        says_not(&text, absent);
    }
}

#[test]
fn a_bench_error_says_nothing_of_the_wiring() {
    let text = error_before_any_step().text();
    says(
        &text,
        "BENCH ERROR: the bench itself failed; this says nothing of the wiring.",
    );
    says(&text, "board did not answer on link board");
    says(&text, "This run closed none of them.");
    assert_eq!(row(&text, "idle"), ["not", "made"]);
    says(&text, "5 of 5 planned calls did not come to their end");
}

#[test]
fn a_cut_short_record_says_where_it_ends() {
    let text = cut_short().text();
    says(
        &text,
        "INCONCLUSIVE: the record ends before the run did, after 2 of 5 calls.",
    );
    says(&text, "Finished never: the record was cut short");
    assert_eq!(row(&text, "cooling-1"), ["not", "finished", "live", "on"]);
    assert_eq!(row(&text, "heating-1"), ["not", "made"]);
    says(
        &text,
        "The record does not show that the relays were opened and read back",
    );
}

#[test]
fn what_is_not_safe_comes_before_everything_else() {
    let run = all_but_safe(|_| {}, &[0, 2], &["Y1"]);
    let text = run.text();
    let first: String = text.lines().take(3).collect();
    says(&first, "NOT CONFIRMED SAFE");
    says(&text, "still closed: relay 1, relay 3");
    says(&text, "Still live with every relay open: Y1.");
    for step in ["1. Isolate the supply", "2. Lock it", "3. Prove dead"] {
        says(&text, step);
    }
    says_not(
        &text,
        "At the end every relay was opened and read back open",
    );
}

#[test]
fn a_line_still_live_is_loud_on_dummy_loads_and_unsafe_on_real_ones() {
    let text = all_but_safe(|_| {}, &[], &["W2"]).text();
    says(&text, "STILL LIVE");
    says_not(&text, "NOT CONFIRMED SAFE");
    let text = all_but_safe(|started| started.plan.loads = Loads::Real, &[], &["W2"]).text();
    says(&text, "NOT CONFIRMED SAFE");
    says(&text, "Still live with every relay open: W2.");
}

fn all_but_safe(
    change: impl FnOnce(&mut RunStarted),
    still_closed: &[u16],
    still_live: &[&'static str],
) -> Run {
    let mut run = Run::begin(change);
    run.step(1, &[]);
    run.make_safe(still_closed, still_live);
    run.finish(Verdict::Inconc, FinishReason::Cancelled, "");
    run
}

#[test]
fn a_welded_relay_shows_after_release() {
    let mut run = Run::begin(|_| {});
    run.begin_step(2, Observed::On);
    run.judge(2, ("G", Observed::On), Verdict::Pass, Rule::Cell);
    run.judge(2, ("G", Observed::On), Verdict::Fail, Rule::Release);
    run.end_step(2, Verdict::Fail, "");
    run.make_safe(&[], &[]);
    run.finish(Verdict::Fail, FinishReason::Complete, "");
    let text = run.text();
    assert_eq!(row(&text, "fan-only"), ["FAIL", "live", "[HELD]"]);
    says(&text, "G [HELD] G was read on.");
    says(
        &text,
        "relay 2 of \"board\" may be welded, or another source feeds it",
    );
}

#[test]
fn a_dead_supply_is_looked_at_first() {
    let mut run = Run::begin(|_| {});
    run.begin_step(2, Observed::Off);
    run.judge(2, ("G", Observed::Off), Verdict::Fail, Rule::Cell);
    run.end_step(2, Verdict::Fail, "");
    run.make_safe(&[], &[]);
    run.finish(Verdict::Fail, FinishReason::Complete, "");
    let text = run.text();
    assert_eq!(row(&text, "fan-only"), ["FAIL", "DEAD", "[OFF]"]);
    says(
        &text,
        "Look at: - The supply itself was seen dead in this step: look there first",
    );
}

#[test]
fn suspects_are_told_in_words_beside_the_grammar() {
    let diagnosis = DiagnosisView {
        conclusion: Conclusion::Fault,
        groups: vec![SuspectGroup {
            probability: Some(0.97),
            suspects: vec!["swap:Y1,G".to_owned(), "open:G".to_owned()],
            confirm: "lift G at the equipment end and repeat fan-only".to_owned(),
        }],
        next: Some("ohms from G at the controller to G at the equipment".to_owned()),
    };
    let text = render(&swapped().view_with(diagnosis), Format::Text);
    says(
        &text,
        "1. One of these (probability 0.97); the readings cannot tell which:",
    );
    says(&text, "Y1 and G are exchanged (swap:Y1,G)");
    says(&text, "G is broken or not landed (open:G)");
    says(&text, "To confirm: lift G at the equipment end");
    says(&text, "Measure next: ohms from G at the controller");
}

#[test]
fn a_subject_is_shown_or_its_removal_said() {
    let run = Run::begin(|started| started.commitments.subject = Some("c".repeat(64)));
    let shown = RunView::new(
        &run.state(),
        Some("Panel 14, bay 3".to_owned()),
        "r.jsonl",
        "f",
        DiagnosisView::undetermined(),
    );
    says(
        &render(&shown.expect("begun"), Format::Text),
        "Subject Panel 14, bay 3",
    );
    says(
        &run.text(),
        "Subject (recorded, but its record was removed)",
    );
}

#[test]
fn no_line_is_wider_than_the_page_and_no_control_character_passes() {
    let wide = Run::begin(|started| {
        started.bench.name = format!("Panel \u{1b}[31m{}", "x".repeat(300));
        started.conditions.notes = vec!["only some calls ".repeat(40)];
    });
    for run in [
        all_pass(),
        swapped(),
        everything_dead(),
        link_trouble(),
        error_before_any_step(),
        cut_short(),
        wide,
    ] {
        let text = run.text();
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{line}");
            assert!(!line.contains(char::is_control), "{line:?}");
            assert_eq!(line.trim_end(), line);
        }
        assert!(text.ends_with("END OF REPORT\n"));
    }
}
