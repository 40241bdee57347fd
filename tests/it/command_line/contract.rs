//! The published keys of the JSON documents, held one by one.
//!
//! Outside source: the contract as it is written down for other programs; nothing here is made from
//! the program's own types.

use serde_json::Value;

/// Exactly these keys, in any order.
#[track_caller]
pub(super) fn exactly(value: &Value, keys: &[&str]) {
    let object = value
        .as_object()
        .unwrap_or_else(|| panic!("an object: {value}"));
    let mut found: Vec<&str> = object.keys().map(String::as_str).collect();
    let mut expected = keys.to_vec();
    found.sort_unstable();
    expected.sort_unstable();
    assert_eq!(found, expected, "{value}");
}

#[track_caller]
fn at_least(value: &Value, keys: &[&str]) {
    for key in keys {
        assert!(value.get(key).is_some(), "{key} in {value}");
    }
}

#[track_caller]
fn one_of(value: &Value, words: &[&str]) {
    let word = value.as_str().unwrap_or_else(|| panic!("a word: {value}"));
    assert!(words.contains(&word), "{word} among {words:?}");
}

#[track_caller]
fn text(value: &Value) {
    assert!(value.is_string(), "a text: {value}");
}

#[track_caller]
pub(super) fn array(value: &Value) -> &[Value] {
    value
        .as_array()
        .unwrap_or_else(|| panic!("an array: {value}"))
}

const VERDICTS: [&str; 5] = ["none", "pass", "inconc", "fail", "error"];
const EXPECTED: [&str; 3] = ["on", "off", "either"];
const OBSERVED: [&str; 4] = ["on", "off", "indeterminate", "not-measured"];

/// A `coilcall.run` document, version 1.
#[track_caller]
pub(crate) fn assert_run(run: &Value) {
    let mut run = run.clone();
    let arming = run.as_object_mut().expect("an object").remove("arming");
    assert_eq!(arming.is_some(), run["loads"] != "dummy", "{run}");
    if let Some(arming) = arming {
        exactly(&arming, &["by", "at", "checklist"]);
        for check in array(&arming["checklist"]) {
            exactly(check, &["point", "confirmed"]);
        }
    }
    let run = &run;
    exactly(
        run,
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
    assert_eq!(run["format"], "coilcall.run");
    assert_eq!(run["version"], 1);
    text(&run["run_id"]);
    assert!(run["subject"].is_null() || run["subject"].is_string());
    assert!(run["simulated"].is_boolean() && run["made_safe"].is_boolean());
    one_of(&run["under_test"], &["wiring", "controller", "equipment"]);
    one_of(&run["loads"], &["dummy", "disconnected", "real"]);
    at_least(&run["profile"], &["name", "changeover"]);
    at_least(&run["bench"], &["name"]);
    text(&run["started"]);
    assert!(run["finished"].is_null() || run["finished"].is_string());
    one_of(&run["verdict"], &VERDICTS);
    array(&run["still_live"]).iter().for_each(text);
    array(&run["not_proven"]).iter().for_each(text);
    array(&run["steps"]).iter().for_each(assert_step);
    if !run["changeover"].is_null() {
        assert_changeover(&run["changeover"]);
    }
    assert_diagnosis(&run["diagnosis"]);
    exactly(&run["journal"], &["path", "head_hash"]);
    text(&run["journal"]["path"]);
    text(&run["journal"]["head_hash"]);
}

fn assert_step(step: &Value) {
    let mut keys = vec!["call", "verdict", "lines", "supply", "note"];
    if let Some(condition) = step.get("condition") {
        keys.push("condition");
        let of_kind: &[&str] = match condition["kind"].as_str() {
            Some("level") => &["kind", "name", "volts"],
            Some("power-loss") => &["kind", "lasts_ms", "minimum_off_ms"],
            other => panic!("{other:?}"),
        };
        exactly(condition, of_kind);
    }
    exactly(step, &keys);
    text(&step["call"]);
    one_of(&step["verdict"], &VERDICTS);
    assert!(step["supply"].is_object(), "{step}");
    for line in array(&step["lines"]) {
        let keys = [
            "terminal", "expected", "observed", "verdict", "reason", "readings",
        ];
        exactly(line, &keys);
        text(&line["terminal"]);
        one_of(&line["expected"], &EXPECTED);
        one_of(&line["observed"], &OBSERVED);
        one_of(&line["verdict"], &VERDICTS);
        text(&line["reason"]);
        for reading in array(&line["readings"]) {
            exactly(
                reading,
                &["quantity", "value", "unit", "u", "device", "end"],
            );
            one_of(&reading["end"], &["controller", "equipment"]);
            assert!(reading["u"].is_null() || reading["u"].is_f64(), "{reading}");
        }
    }
}

fn assert_changeover(changeover: &Value) {
    exactly(changeover, &["convention", "outcome", "shown", "evidence"]);
    one_of(&changeover["convention"], &["o", "b"]);
    let outcomes = ["follows", "inverted", "stuck-on", "stuck-off", "not-shown"];
    one_of(&changeover["outcome"], &outcomes);
    if !changeover["shown"].is_null() {
        one_of(&changeover["shown"], &["signal", "effect"]);
    }
    text(&changeover["evidence"]);
}

fn assert_diagnosis(diagnosis: &Value) {
    exactly(diagnosis, &["conclusion", "groups", "next"]);
    one_of(
        &diagnosis["conclusion"],
        &["healthy", "fault", "undetermined"],
    );
    for group in array(&diagnosis["groups"]) {
        exactly(group, &["probability", "suspects", "confirm"]);
        assert!(!array(&group["suspects"]).is_empty(), "{group}");
        array(&group["suspects"]).iter().for_each(text);
        text(&group["confirm"]);
    }
}

/// A `coilcall.expected` document, version 1.
#[track_caller]
pub(super) fn assert_expected(document: &Value) {
    exactly(
        document,
        &["format", "version", "profile", "rows", "invariants"],
    );
    assert_eq!(document["format"], "coilcall.expected");
    assert_eq!(document["version"], 1);
    at_least(
        &document["profile"],
        &["name", "kind", "interface", "changeover", "stages"],
    );
    array(&document["invariants"]);
    let calls: Vec<&Value> = array(&document["rows"])
        .iter()
        .map(|row| &row["call"])
        .collect();
    assert_eq!(
        calls,
        [
            "idle",
            "fan-only",
            "cooling-1",
            "cooling-2",
            "heating-1",
            "heating-2",
            "auxiliary-heat",
            "auxiliary-heat-2",
            "emergency-heat",
        ]
    );
    let mut present: Option<Vec<&String>> = None;
    for row in array(&document["rows"]) {
        at_least(row, &["call", "applicable", "lines"]);
        let lines = row["lines"].as_object().expect("lines by terminal");
        if row["applicable"] == false {
            assert!(lines.is_empty(), "{row}");
            continue;
        }
        assert_eq!(row["applicable"], true);
        let terminals: Vec<&String> = lines.keys().collect();
        assert!(!terminals.is_empty(), "{row}");
        assert_eq!(
            *present.get_or_insert(terminals.clone()),
            terminals,
            "the same lines"
        );
        for cell in lines.values() {
            exactly(cell, &["expected", "reason"]);
            one_of(&cell["expected"], &EXPECTED);
            assert!(!cell["reason"].as_str().expect("a reason").is_empty());
        }
    }
}
