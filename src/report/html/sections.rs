//! The parts of the page that are words: result, explanation, limits, record.

use super::mark;
use super::matrix::class_of;
use crate::domain::Verdict;
use crate::event::Rule;
use crate::report::{
    CellMark, Conclusion, LineView, RunView, StepView, SuspectGroup, reading_words, supply_words,
    suspect_in_words, wording,
};
use crate::units::Terminal;
use maud::{Markup, html};

/// The loudest thing of all, where the run did not end safe.
pub(super) fn not_safe(view: &RunView) -> Markup {
    let live: Vec<&str> = view.still_live.iter().map(Terminal::as_str).collect();
    let live = live.join(", ");
    html! {
        @if !view.is_confirmed_safe() {
            section.alarm role="alert" {
                h2 { "Not confirmed safe" }
                p { "Treat every line, and every machine behind it, as live." }
                @if view.boards.is_empty() {
                    p {
                        "The record does not show that the relays were opened and read back at \
                         the end."
                    }
                }
                @for board in view.boards.iter().filter(|board| !board.confirmed_open) {
                    p {
                        "Relay board \u{201c}" (board.device) "\u{201d}: "
                        @if board.still_closed.is_empty() {
                            "its relays did not read back open"
                        } @else {
                            "still closed: "
                            (board.still_closed.iter().map(|c| c.label())
                                .collect::<Vec<_>>().join(", "))
                        }
                        @if !board.trouble.is_empty() { " (" (board.trouble) ")" }
                        "."
                        @if !board.was_closed { " This run closed none of them." }
                    }
                }
                @if !live.is_empty() { p { "Still live with every relay open: " (live) "." } }
                ol {
                    li { "Isolate the supply at its disconnect, mains included. Stopping the \
                          program is not isolation." }
                    li { "Lock it and tag it." }
                    li { "Prove dead, each line to C and to earth, with a meter that you check \
                          on a known live source before and after." }
                }
            }
        } @else if !live.is_empty() {
            section.alarm role="alert" {
                h2 { "Still live" }
                p {
                    "Live with every relay open: " (live) ". Another source feeds it, or a relay \
                     is welded. Treat it as live; isolate every supply before touching."
                }
            }
        }
    }
}

/// Result and circumstances.
pub(super) fn heading(view: &RunView) -> Markup {
    let verdict = match view.verdict {
        Verdict::Pass => "on",
        Verdict::Inconc | Verdict::Error => "unclear",
        Verdict::Fail => "wrong",
        Verdict::None => "none",
    };
    html! {
        header class=(format!("verdict {}", class_of(view.verdict))) {
            p.kind { "Control wiring test report" }
            h1 { (mark::shape(verdict)) " " (view.verdict.spoken()) }
            p.headline { (headline(view)) }
            p { (wording::meaning(view)) }
            @if !view.note.is_empty() { p { (view.note) } }
            @if let Some(ended) = wording::ended_early(view) { p { (ended) } }
            @if view.is_confirmed_safe() { p { (wording::MADE_SAFE) } }
        }
        dl.facts {
            @for (name, value) in facts(view) {
                // A long value gets the whole width.
                div.whole[value.chars().count() > 45] { dt { (name) } dd { (value) } }
            }
        }
    }
}

/// The headline without its first word, which stands above it in large letters.
fn headline(view: &RunView) -> String {
    let headline = view.headline();
    let Some((_, rest)) = headline.split_once(": ") else {
        return headline;
    };
    let mut letters = rest.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

fn facts(view: &RunView) -> Vec<(&'static str, String)> {
    let subject = match (&view.subject, view.subject_removed) {
        (Some(subject), _) => subject.clone(),
        (None, true) => "(recorded, but its record was removed)".to_owned(),
        (None, false) => "(none given)".to_owned(),
    };
    let finished = view.finished.map_or_else(
        || "never: the record was cut short".to_owned(),
        wording::to_the_second,
    );
    let test = view.retest_of.as_ref().map_or_else(
        || "first test".to_owned(),
        |run| format!("retest after correction of run {run}"),
    );
    let mut facts = vec![
        ("Subject", subject),
        ("Bench", view.bench.name.clone()),
        ("Profile", wording::profile(view)),
        ("Started", wording::to_the_second(view.started)),
        ("Finished", finished),
        (
            "Test",
            format!("{test} of {}", wording::under_test(view.under_test)),
        ),
        ("Loads", wording::loads(view.loads).to_owned()),
    ];
    if let Some(arming) = &view.arming {
        facts.push(("Armed", wording::arming(arming)));
    }
    if let Some(waits) = &view.machine_waits {
        facts.push(("Waited", format!("for {waits}")));
    }
    if !view.conditions.is_empty() {
        facts.push(("Conditions", view.conditions.join("; ")));
    }
    facts
}

/// That nothing real was tested, where nothing was.
pub(super) fn simulated(view: &RunView) -> Markup {
    html! {
        @if let Some(simulated) = &view.simulated {
            section.simulated {
                h2 { "Simulated" }
                p { (wording::SIMULATED) }
                p { (wording::put_in(simulated)) }
            }
        }
    }
}

/// What could explain the readings, and where to look.
pub(super) fn explanation(view: &RunView) -> Markup {
    let diagnosis = &view.diagnosis;
    let advice = view.advice();
    if diagnosis.groups.is_empty() && diagnosis.next.is_none() && advice.is_empty() {
        return html! {};
    }
    let undetermined =
        diagnosis.conclusion == Conclusion::Undetermined && view.verdict == Verdict::Fail;
    html! {
        section {
            h2 { (view.explanation_title()) }
            @if undetermined {
                p { "Undetermined: these readings do not single out a fault." }
            }
            @if diagnosis.conclusion == Conclusion::Healthy {
                p { "No fault is needed to explain the readings." }
            }
            @if !diagnosis.groups.is_empty() {
                ol.suspects { @for group in &diagnosis.groups { (suspects(group)) } }
            }
            @if let Some(next) = &diagnosis.next { p { b { "Measure next: " } (next) } }
            @if !advice.is_empty() {
                h3 { "Look at" }
                ul { @for place in advice { li { (place) } } }
            }
        }
    }
}

fn suspects(group: &SuspectGroup) -> Markup {
    html! {
        li {
            @if group.suspects.len() > 1 {
                p { "One of these; the readings cannot tell which:" }
            }
            @for suspect in &group.suspects {
                p.suspect { b { (suspect_in_words(suspect)) } " " code { (suspect) } }
            }
            @if let Some(probability) = group.probability {
                p { "Probability " (format!("{probability:.2}")) }
            }
            @if !group.confirm.is_empty() { p { b { "To confirm: " } (group.confirm) } }
        }
    }
}

/// Each call that did not pass, line by line.
pub(super) fn troubled_calls(view: &RunView) -> Markup {
    let troubled: Vec<&StepView> = view
        .steps
        .iter()
        .filter(|step| step.worst() > Verdict::Pass)
        .collect();
    if troubled.is_empty() {
        return html! {};
    }
    html! {
        section {
            h2 { "What was wrong or not clear, call by call" }
            @for step in troubled { (troubled_call(step)) }
        }
    }
}

fn troubled_call(step: &StepView) -> Markup {
    html! {
        article.call {
            h3 {
                span class=(format!("tag {}", class_of(step.worst()))) { (step.result_word()) }
                " " (step.name)
                small {
                    " step " (step.number) ", " (step.how_called())
                    @if step.attempts > 1 { ", made " (step.attempts) " times" }
                }
            }
            @if let Some(condition) = &step.condition { p { (condition.words()) "." } }
            ul {
                @for line in step.lines.iter().filter(|l| l.is_trouble() && !l.is_unread()) {
                    (troubled_line(line))
                }
                @for (reason, names) in step.unread() {
                    li.unclear {
                        b { (names) } " " (mark::cell(CellMark::Unclear)) ": "
                        span.why { (reason) }
                    }
                }
            }
            @if step.has_note_of_its_own() { p { (step.note) } }
        }
    }
}

fn troubled_line(line: &LineView) -> Markup {
    let shown = CellMark::of(line);
    let values: Vec<String> = line.readings.iter().filter_map(reading_words).collect();
    html! {
        li class=(mark::look(shown).0) {
            b { (line.terminal) } " " (mark::cell(shown))
            span.why {
                ": "
                @if line.rule == Some(Rule::Cell) && !line.expected_because.is_empty() {
                    (line.expected_because.trim_end_matches('.')) ". "
                }
                (line.reason)
                @if !values.is_empty() { " (" (values.join("; ")) ")" }
            }
        }
    }
}

/// How the changeover came out.
pub(super) fn changeover(view: &RunView) -> Markup {
    html! {
        @if let Some(changeover) = &view.changeover {
            section {
                h2 { "Reversing valve (O/B)" }
                dl.facts {
                    @for (name, words) in wording::changeover(changeover) {
                        div { dt { (name) } dd { (words) } }
                    }
                }
            }
        }
    }
}

/// What was done to a room controller's supply.
pub(super) fn controller_supply(view: &RunView) -> Markup {
    let entries = supply_words::controller_supply(view);
    html! {
        @if !entries.is_empty() {
            section {
                h2 { (supply_words::HEADING) }
                dl.facts {
                    @for (name, words) in &entries { div { dt { (name) } dd { (words) } } }
                }
            }
        }
    }
}

/// What the run does not prove, and which calls this equipment does not know.
pub(super) fn limits(view: &RunView) -> Markup {
    let absent: Vec<_> = view.left_out.iter().filter(|l| !l.applicable).collect();
    html! {
        section {
            h2 { "What this run does not prove" }
            ul {
                @for item in &view.not_proven { li { (item) } }
                li { (wording::NOT_BEYOND) }
            }
            @if !absent.is_empty() {
                h3 { "Calls that this equipment does not know" }
                dl.facts {
                    @for left in absent { div { dt { (left.call) } dd { (left.why) } } }
                }
            }
        }
    }
}

/// Link troubles by device and kind.
pub(super) fn troubles(view: &RunView) -> Markup {
    html! {
        section {
            h2 { "Link troubles" }
            @if view.troubles.is_empty() {
                p { "None: every request was answered in time and in full." }
            } @else {
                ul {
                    @for trouble in &view.troubles {
                        li {
                            "\u{201c}" (trouble.device) "\u{201d}, " (trouble.count) "\u{d7} "
                            (trouble.kind) ". First: " (trouble.first) "."
                        }
                    }
                }
                p {
                    "A disturbed reading was repeated or left open; none was taken as a state of \
                     the wiring."
                }
            }
            @for board in &view.bench.boards_without_watchdog {
                p {
                    "Relay board \u{201c}" (board) "\u{201d} has no watchdog set: if the program \
                     is killed or the link is lost, its relays stay as they are."
                }
            }
        }
    }
}

/// What anyone must keep in mind.
pub(super) fn cautions() -> Markup {
    html! {
        section.cautions {
            h2 { "Cautions" }
            ul { @for caution in wording::CAUTIONS { li { (caution) } } }
        }
    }
}

/// Where the run is kept, and by what it is known again.
pub(super) fn record(view: &RunView) -> Markup {
    let mut facts = vec![
        ("Run", view.run_id.clone()),
        ("Journal", view.journal_file.clone()),
        ("Head hash", view.head_hash.clone()),
        ("Program", format!("coilcall {}", view.program_version)),
        ("Profile file", view.profile_hash.clone()),
        ("Bench file", view.bench_hash.clone()),
    ];
    let said = view.devices.iter();
    facts.extend(said.map(|(device, who)| ("Device", format!("\u{201c}{device}\u{201d}: {who}"))));
    html! {
        section.record {
            h2 { "Record" }
            dl.facts.hashes { @for (name, value) in facts { div { dt { (name) } dd { (value) } } } }
            div.signatures {
                @for who in ["Tester", "Witness"] {
                    p { span { (who) } span.rule {} span { "Date" } span.rule.short {} }
                }
            }
        }
    }
}
