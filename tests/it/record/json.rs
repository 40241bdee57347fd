//! The run as JSON against the published contract, key by key.

use super::fixture::{
    Run, all_pass, cut_short, error_before_any_step, link_trouble, render, swapped,
};
use coilcall::domain::Verdict;
use coilcall::event::FinishReason;
use coilcall::report::{Conclusion, DiagnosisView, Format, RunView, SuspectGroup, write_each};
use serde_json::{Value, json};
use std::io::{self, Write};

fn parsed(view: &RunView) -> Value {
    serde_json::from_str(&render(view, Format::Json)).expect("valid JSON")
}

/// Checks that an object has exactly these keys; their order is checked on the text.
#[track_caller]
fn keys(value: &Value, expected: &[&str]) {
    let mut expected = expected.to_vec();
    expected.sort_unstable();
    let mut keys: Vec<&str> = value
        .as_object()
        .expect("an object")
        .keys()
        .map(String::as_str)
        .collect();
    keys.sort_unstable();
    assert_eq!(keys, expected);
}

#[test]
fn every_level_has_exactly_the_published_keys() {
    let diagnosis = DiagnosisView {
        conclusion: Conclusion::Fault,
        groups: vec![SuspectGroup {
            probability: Some(0.97),
            suspects: vec!["swap:Y1,G".to_owned()],
            confirm: "lift G at the equipment end".to_owned(),
        }],
        next: Some("ohms from Y1 to Y1".to_owned()),
    };
    let run = parsed(&swapped().view_with(diagnosis));
    keys(
        &run,
        &[
            "format",
            "version",
            "run_id",
            "subject",
            "simulated",
            "under_test",
            "loads",
            "profile",
            "bench",
            "started",
            "finished",
            "verdict",
            "made_safe",
            "still_live",
            "steps",
            "changeover",
            "not_proven",
            "diagnosis",
            "journal",
        ],
    );
    let step = &run["steps"][1];
    keys(step, &["call", "verdict", "lines", "supply", "note"]);
    let line = &step["lines"][0];
    keys(
        line,
        &[
            "terminal", "expected", "observed", "verdict", "reason", "readings",
        ],
    );
    keys(
        &line["readings"][0],
        &["quantity", "value", "unit", "u", "device", "end"],
    );
    keys(
        &run["changeover"],
        &["convention", "outcome", "shown", "evidence"],
    );
    keys(&run["diagnosis"], &["conclusion", "groups", "next"]);
    keys(
        &run["diagnosis"]["groups"][0],
        &["probability", "suspects", "confirm"],
    );
    keys(&run["journal"], &["path", "head_hash"]);
    assert!(run["profile"]["name"].is_string() && run["profile"]["changeover"] == "o");
    assert_eq!(run["bench"]["name"], "Panel 1");
}

#[test]
fn top_level_keys_come_in_the_published_order() {
    let text = render(&all_pass().view(), Format::Json);
    let keys: Vec<&str> = text
        .lines()
        .filter_map(|line| line.strip_prefix("  \""))
        .filter_map(|rest| rest.split('"').next())
        .collect();
    assert_eq!(
        keys,
        [
            "format",
            "version",
            "run_id",
            "subject",
            "simulated",
            "under_test",
            "loads",
            "profile",
            "bench",
            "started",
            "finished",
            "verdict",
            "made_safe",
            "still_live",
            "steps",
            "changeover",
            "not_proven",
            "diagnosis",
            "journal",
        ]
    );
}

#[test]
fn values_are_the_recorded_ones() {
    let run = parsed(&swapped().view());
    assert_eq!(run["format"], "coilcall.run");
    assert_eq!(run["version"], 1);
    assert_eq!(run["simulated"], true);
    assert_eq!(run["under_test"], "wiring");
    assert_eq!(run["verdict"], "fail");
    assert_eq!(run["made_safe"], true);
    assert_eq!(run["subject"], Value::Null);
    assert_eq!(run["started"], "2026-03-02T08:00:00Z");
    assert_eq!(run["steps"].as_array().expect("steps").len(), 5);
    let fan = &run["steps"][1];
    assert_eq!(fan["call"], "fan-only");
    assert_eq!(fan["verdict"], "fail");
    assert_eq!(
        fan["lines"][1],
        json!({
            "terminal": "G", "expected": "on", "observed": "off", "verdict": "fail",
            "reason": "G was read off",
            "readings": [{
                "quantity": "presence", "value": false, "unit": "", "u": null,
                "device": "board", "end": "equipment",
            }],
        })
    );
    assert_eq!(fan["lines"][0]["readings"][0]["value"], true);
    assert_eq!(
        fan["supply"],
        json!({"state": "on", "readings": [{
            "rail": "R", "end": "equipment", "state": "on", "quantity": "presence",
            "value": true, "unit": "", "u": null, "device": "board",
        }]})
    );
    assert_eq!(
        run["changeover"],
        json!({
            "convention": "o", "outcome": "follows", "shown": "signal",
            "evidence": "O on in cooling-1, off in heating-1",
        })
    );
    assert_eq!(
        run["diagnosis"],
        json!({"conclusion": "undetermined", "groups": [], "next": null})
    );
}

#[test]
fn a_cut_short_run_is_inconclusive_and_has_no_end() {
    let run = parsed(&cut_short().view());
    assert_eq!(run["finished"], Value::Null);
    assert_eq!(run["verdict"], "inconc");
    assert_eq!(run["made_safe"], false);
    assert_eq!(run["changeover"]["outcome"], "not-shown");
    assert_eq!(run["changeover"]["shown"], Value::Null);
    assert_eq!(run["steps"][2]["verdict"], "none");
    assert_eq!(run["steps"][2]["lines"][0]["verdict"], "pass");
    assert_eq!(run["steps"][4]["lines"][0]["observed"], "not-measured");
    assert_eq!(
        run["steps"][4]["supply"],
        json!({"state": "not-measured", "readings": []})
    );
}

#[test]
fn bench_errors_and_link_trouble_are_not_faults() {
    let run = parsed(&error_before_any_step().view());
    assert_eq!(run["verdict"], "error");
    assert_eq!(run["made_safe"], false);
    let run = parsed(&link_trouble().view());
    assert_eq!(run["verdict"], "inconc");
    assert_eq!(run["steps"][2]["lines"][0]["observed"], "not-measured");
    assert_eq!(run["steps"][2]["lines"][0]["readings"], json!([]));
}

#[test]
fn a_profile_without_changeover_has_a_null_there() {
    let run = Run::begin(|started| {
        started.plan.changeover = None;
        started.profile.changeover = None;
    });
    run.make_safe(&[], &["W2"]);
    run.finish(Verdict::Inconc, FinishReason::Cancelled, "");
    let json = parsed(&run.view());
    assert_eq!(json["changeover"], Value::Null);
    assert_eq!(json["profile"]["changeover"], Value::Null);
    assert_eq!(json["still_live"], json!(["W2"]));
}

/// A run of other moments, with the same id and events.
#[test]
fn only_the_named_keys_are_volatile() {
    let mut one = parsed(&all_pass().view());
    let mut other = {
        let run = all_pass();
        let mut state = run.state();
        let later = "2031-01-01T00:00:00Z".parse().expect("a time");
        state.started.as_mut().expect("begun").0 = later;
        state.started.as_mut().expect("begun").1.run_id = "another".to_owned();
        state.finished.as_mut().expect("ended").0 = later;
        let view = RunView::new(&state, None, "b.jsonl", "f", DiagnosisView::undetermined());
        parsed(&view.expect("begun"))
    };
    assert_ne!(one, other);
    for run in [&mut one, &mut other] {
        for key in ["run_id", "started", "finished"] {
            run[key] = Value::Null;
        }
        run["journal"] = Value::Null;
    }
    assert_eq!(one, other);
}

struct Broken;

impl Write for Broken {
    fn write(&mut self, _: &[u8]) -> io::Result<usize> {
        Err(io::ErrorKind::StorageFull.into())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[test]
fn a_broken_writer_does_not_starve_the_next() {
    let view = all_pass().view();
    let (mut text, mut json) = (Vec::new(), Vec::new());
    let failed = write_each(
        &view,
        &mut [
            (Format::Json, &mut Broken),
            (Format::Text, &mut text),
            (Format::Text, &mut Broken),
            (Format::Json, &mut json),
        ],
    );
    let kinds: Vec<_> = failed.iter().map(|(f, e)| (*f, e.kind())).collect();
    assert_eq!(
        kinds,
        [
            (Format::Json, io::ErrorKind::StorageFull),
            (Format::Text, io::ErrorKind::StorageFull)
        ]
    );
    assert_eq!(text, render(&view, Format::Text).into_bytes());
    assert_eq!(json, render(&view, Format::Json).into_bytes());
}
