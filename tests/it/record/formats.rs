//! JUnit, TAP, CSV and HTML, read back by parsers that were written by others.
//!
//! Outside sources: junitparser, tap.py and PyYAML (PyPI), Python's csv, html.parser and
//! xml.etree; WCAG 2.1, 1.4.3, for contrast. Expected values are those of the hand-made runs.

use super::fixture::{
    RUN_ID, Run, all_pass, cut_short, error_before_any_step, everything_dead, fold, link_trouble,
    plan, render, swapped, view,
};
use coilcall::domain::{Observed, Verdict};
use coilcall::event::{FinishReason, RelayReason, Rule, RunEvent};
use coilcall::report::{DiagnosisView, Format};
use serde_json::{Value, json};
use std::process::Command;

/// What the outside parser makes of a report.
fn read_outside(run: &Run, format: Format) -> Value {
    read_text(&render(&run.view(), format), format)
}

fn read_text(text: &str, format: Format) -> Value {
    let python = std::env::var_os("COILCALL_PYTHON").expect(
        "COILCALL_PYTHON is not set: scripts/test installs what this test needs and sets it",
    );
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("report");
    std::fs::write(&file, text).expect("written");
    let output = Command::new(python)
        .arg(concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/tests/outside/read_reports.py"
        ))
        .arg(format.word())
        .arg(&file)
        .output()
        .expect("the interpreter runs");
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{errors}\n{text}");
    serde_json::from_slice(&output.stdout).expect("the reader prints JSON")
}

fn every_run() -> Vec<Run> {
    vec![
        all_pass(),
        swapped(),
        everything_dead(),
        link_trouble(),
        error_before_any_step(),
        cut_short(),
        awkward(),
    ]
}

/// Names and words that each format has to escape.
fn awkward() -> Run {
    let mut run = Run::begin(|started| {
        started.bench.name = "=1+1 <b>&amp; \"x\", #4 \\ \u{1b}[31m ]]> é".to_owned();
        started.profile.name = "# SKIP ]]> ' \u{0} -- |".to_owned();
        started.plan.left_out[0].why = "no # TODO \\ yes".to_owned();
    });
    run.begin_step(2, Observed::On);
    run.judge(2, ("G", Observed::Off), Verdict::Fail, Rule::Cell);
    run.end_step(2, Verdict::Fail, "a note: \"- [x]\"\n  ...\nok 1 - forged");
    run.make_safe(&[2], &["G"]);
    run.finish(Verdict::Fail, FinishReason::Cancelled, "");
    run
}

#[test]
fn every_format_is_the_same_live_and_replayed() {
    for run in every_run() {
        let lines = run.journal.lines().to_vec();
        let replayed: Vec<RunEvent> = lines
            .iter()
            .map(|line| serde_json::from_str(line).expect("an event"))
            .collect();
        let head = run.journal.head_hash();
        let again = view(&fold(&replayed), &head, DiagnosisView::undetermined());
        for format in Format::ALL {
            assert_eq!(render(&run.view(), format), render(&again, format));
        }
    }
}

#[test]
fn every_format_names_itself_and_an_unknown_one_is_told_them_all() {
    for format in Format::ALL {
        assert_eq!(format.word().parse(), Ok(format));
    }
    let unknown = "xml".parse::<Format>().expect_err("no format");
    assert_eq!(
        unknown.to_string(),
        "'xml' is not a report format; expected text, json, junit, tap, csv, html"
    );
}

/// Name and kind of every case that is not a success.
fn troubled(suite: &Value) -> Vec<(String, String)> {
    let cases = suite["cases"].as_array().expect("cases");
    cases
        .iter()
        .filter(|case| case["results"] != json!([]))
        .map(|case| {
            let kind = &case["results"][0]["kind"];
            (
                case["name"].as_str().expect("a name").to_owned(),
                kind.as_str().expect("a kind").to_owned(),
            )
        })
        .collect()
}

#[track_caller]
fn check_junit(run: &Run, counts: [u32; 4], expected: &[(&str, &str)]) {
    let read = read_outside(run, Format::Junit);
    assert_eq!(read["root"], "testsuites");
    let suite = &read["suites"][0];
    assert_eq!(read["suites"].as_array().map(Vec::len), Some(1));
    assert_eq!(suite["counts"], json!(counts));
    let troubled = troubled(suite);
    let troubled: Vec<(&str, &str)> = troubled
        .iter()
        .map(|(name, kind)| (name.as_str(), kind.as_str()))
        .collect();
    assert_eq!(troubled, expected);
}

const LEFT_OUT: [(&str, &str); 2] = [("auxiliary-heat", "Skipped"), ("cooling-2", "Skipped")];

#[test]
fn junit_counts_what_was_wrong_unclear_and_not_made() {
    // Five calls, two calls left out, changeover, made-safe, run-complete.
    check_junit(&all_pass(), [10, 0, 0, 2], &LEFT_OUT);
    check_junit(
        &swapped(),
        [10, 2, 0, 2],
        &[
            ("fan-only", "Failure"),
            ("emergency-heat", "Failure"),
            LEFT_OUT[0],
            LEFT_OUT[1],
        ],
    );
    check_junit(
        &link_trouble(),
        [10, 0, 1, 3],
        &[
            ("cooling-1", "Error"),
            LEFT_OUT[0],
            LEFT_OUT[1],
            ("changeover", "Skipped"),
        ],
    );
    check_junit(
        &error_before_any_step(),
        [10, 0, 1, 8],
        &[
            ("idle", "Skipped"),
            ("fan-only", "Skipped"),
            ("cooling-1", "Skipped"),
            ("heating-1", "Skipped"),
            ("emergency-heat", "Skipped"),
            LEFT_OUT[0],
            LEFT_OUT[1],
            ("changeover", "Skipped"),
            ("made-safe", "Error"),
        ],
    );
    check_junit(
        &cut_short(),
        [10, 0, 3, 5],
        &[
            ("cooling-1", "Error"),
            ("heating-1", "Skipped"),
            ("emergency-heat", "Skipped"),
            LEFT_OUT[0],
            LEFT_OUT[1],
            ("changeover", "Skipped"),
            ("made-safe", "Error"),
            ("run-complete", "Error"),
        ],
    );
}

#[test]
fn junit_tells_the_lines_of_a_failure_and_keeps_moments_under_their_names() {
    let read = read_outside(&swapped(), Format::Junit);
    let suite = &read["suites"][0];
    assert_eq!(suite["properties"]["run_id"], RUN_ID);
    assert_eq!(suite["properties"]["started"], "2026-03-02T08:00:00Z");
    assert_eq!(suite["properties"]["simulated"], "true");
    let failure = &suite["cases"][1]["results"][0];
    assert_eq!(
        failure["message"],
        "Y1 live, should be dead; G dead, should be live"
    );
    let text = failure["text"].as_str().expect("a text");
    assert!(
        text.contains("G: expected on (fan-only runs G), observed off: G was read off"),
        "{text}"
    );
    let awkward = read_outside(&awkward(), Format::Junit);
    let bench = awkward["suites"][0]["properties"]["bench"].as_str();
    // XML 1.0 has no place for control characters; the serializer drops the escape sequence.
    assert_eq!(bench, Some("=1+1 <b>&amp; \"x\", #4 \\  ]]> é"));
}

#[test]
fn tap_has_one_plan_and_a_point_for_each_case() {
    for run in every_run() {
        let read = read_outside(&run, Format::Tap);
        assert_eq!(read["version"], 14);
        assert_eq!(read["plan"], 10);
        assert_eq!(read["unknown"], json!([]));
        assert_eq!(read["bail"], false);
        let points = read["points"].as_array().expect("points");
        let numbers: Vec<u64> = points
            .iter()
            .filter_map(|point| point["number"].as_u64())
            .collect();
        assert_eq!(numbers, (1..=10).collect::<Vec<u64>>());
    }
    let read = read_outside(&swapped(), Format::Tap);
    let fan = &read["points"][1];
    assert_eq!(fan["ok"], false);
    assert_eq!(fan["description"], "- fan-only");
    assert_eq!(fan["yaml"]["severity"], "fail");
    assert_eq!(
        fan["yaml"]["lines"][1],
        "G: expected on (fan-only runs G), observed off: G was read off"
    );
    assert!(read["points"][6]["skip"].is_string());
    assert_eq!(
        read["points"][0],
        json!({
            "ok": true, "number": 1, "description": "- idle", "skip": null, "yaml": null,
        })
    );
}

#[test]
fn tap_lets_no_text_pass_for_a_line_of_its_own() {
    let text = render(&awkward().view(), Format::Tap);
    // TAP 14: "#" and "\" are escaped in a description and a directive's reason.
    assert!(text.contains("# SKIP no \\# TODO \\\\ yes\n"), "{text}");
    let read = read_text(&text, Format::Tap);
    let note = &read["points"][1]["yaml"]["lines"][1];
    assert_eq!(*note, "a note: \"- [x]\"\n  ...\nok 1 - forged");
}

#[test]
fn csv_has_a_row_for_each_line_in_each_call() {
    let read = read_outside(&swapped(), Format::Csv);
    let rows = read.as_array().expect("rows");
    assert_eq!(rows.len(), 5 * 4);
    let of = |call: &str, terminal: &str| -> &Value {
        rows.iter()
            .find(|row| row["call"] == call && row["terminal"] == terminal)
            .expect("a row")
    };
    let row = of("fan-only", "G");
    for (column, expected) in [
        ("run_id", RUN_ID),
        ("simulated", "true"),
        ("step", "2"),
        ("step_verdict", "fail"),
        ("supply", "on"),
        ("driven", "true"),
        ("expected", "on"),
        ("observed", "off"),
        ("verdict", "fail"),
        ("rule", "cell"),
        ("expected_because", "fan-only runs G"),
        ("reason", "G was read off"),
        ("quantity", "presence"),
        ("value", "false"),
        ("device", "board"),
        ("end", "equipment"),
    ] {
        assert_eq!(row[column], expected, "{column}");
    }
    assert_eq!(of("fan-only", "Y1")["value"], "true");
    assert_eq!(of("idle", "W2")["verdict"], "pass");
    // No spreadsheet computes a cell.
    let awkward = read_outside(&awkward(), Format::Csv);
    let bench = awkward[0]["bench"].as_str().expect("a bench");
    assert!(bench.starts_with("'=1+1 <b>&amp; \"x\", #4"), "{bench}");
}

#[test]
fn html_is_well_formed_stands_alone_and_has_a_word_in_every_cell() {
    for run in every_run() {
        let read = read_outside(&run, Format::Html);
        assert_eq!(read["doctype"], true);
        assert_eq!(read["unclosed"], json!([]));
        assert_eq!(read["problems"], json!([]));
        assert_eq!(read["in_style"], json!([]));
        assert_eq!(read["tags"]["script"], Value::Null);
        assert_eq!(read["tags"]["link"], Value::Null);
        for address in read["addresses"].as_array().expect("addresses") {
            let address = address.as_str().expect("text");
            assert!(address.starts_with("#shape-"), "{address}");
        }
        for cell in read["cells"].as_array().expect("cells") {
            assert_ne!(cell, "");
        }
        for scope in read["scopes"].as_array().expect("scopes") {
            assert!(scope == "col" || scope == "row", "{scope}");
        }
        let contrasts = read["contrasts"].as_array().expect("contrasts");
        // Light, dark and print.
        assert_eq!(contrasts.len(), 3);
        for least in contrasts {
            // WCAG 2.1, 1.4.3 (AA): 4.5 to 1.
            assert!(least.as_f64() >= Some(4.5), "{contrasts:?}");
        }
    }
}

#[test]
fn html_says_in_words_what_each_cell_was() {
    let read = read_outside(&swapped(), Format::Html);
    let cells = read["cells"].as_array().expect("cells");
    let fan = cells
        .iter()
        .position(|cell| cell == "fan-only")
        .expect("a row");
    assert_eq!(
        cells[fan..fan + 7],
        [
            "fan-only",
            "FAIL",
            "live",
            "LIVEshould be dead",
            "DEADshould be live",
            "dead",
            "dead"
        ]
    );
}

/// One call with its relay commands, as a bench records them.
fn timed() -> Run {
    let mut run = Run::begin(|_| {});
    run.begin_step(2, Observed::On);
    run.relays(RelayReason::Call, &["G"], true);
    run.judge(2, ("G", Observed::On), Verdict::Pass, Rule::Cell);
    run.judge(2, ("Y1", Observed::On), Verdict::Fail, Rule::Cell);
    run.relays(RelayReason::Release, &[], true);
    run.end_step(2, Verdict::Fail, "");
    run.make_safe(&[], &[]);
    run.finish(Verdict::Fail, FinishReason::Complete, "");
    run
}

#[test]
fn the_timing_diagram_is_drawn_from_commands_and_looks() {
    let read = read_outside(&timed(), Format::Html);
    // The first drawing defines the shapes; one band of calls follows.
    let drawings = read["drawings"].as_array().expect("drawings");
    assert_eq!(drawings.len(), 2);
    // The fixture's clock moves on by 0.1 s with each event: the run begins at 0.1 s, the step at
    // 0.2 s, and its end is the tenth event. A command or a look has the moment of the event
    // before it.
    assert_eq!(
        drawings[1]["texts"],
        json!([
            "fan-only",
            "0.200\u{2013}1.000 s",
            "R\u{2013}C",
            "Y1",
            "G",
            "O",
            "W2"
        ])
    );
    let titles = drawings[1]["titles"].as_array().expect("titles");
    for title in [
        "supply R to C seen live at 0.200 s",
        "G called from 0.300 s to 0.800 s",
        "G seen live at 0.400 s",
        "Y1 not called in fan-only",
        "Y1 seen live at 0.600 s",
    ] {
        assert!(
            titles.iter().any(|t| t == title),
            "{title} not in {titles:?}"
        );
    }
    let untimed = read_outside(&error_before_any_step(), Format::Html);
    assert_eq!(untimed["drawings"].as_array().map(Vec::len), Some(1));
}

#[test]
fn a_relay_that_was_not_read_back_is_drawn_as_unconfirmed() {
    let mut run = Run::begin(|_| {});
    run.begin_step(2, Observed::On);
    run.relays(RelayReason::Call, &["G"], false);
    run.end_step(2, Verdict::Inconc, "");
    let spans = &run.view().timeline.lines[&plan().lines[1]].driven;
    assert_eq!(spans.len(), 1);
    assert!(!spans[0].is_confirmed && spans[0].until.is_none());
    let text = render(&run.view(), Format::Html);
    assert_eq!(text.matches("command unconfirmed").count(), 1, "{text}");
}
