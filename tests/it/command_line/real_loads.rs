//! Real loads as a shell sees them: exit codes, and whose name goes where.

use super::{Ran, coilcall, journals};
use std::path::Path;

const PAIR: [&str; 4] = [
    "--bench",
    "benches/harness-inputs.toml",
    "--profile",
    "profiles/heat-pump-1-stage-electric-o.toml",
];

fn run(out: &Path, more: &[&str]) -> Ran {
    let out = ["--out", out.to_str().expect("UTF-8")];
    coilcall(&[&["run"], &PAIR[..], &out, more].concat())
}

#[test]
fn without_a_name_and_without_a_keyboard_nothing_is_opened() {
    let folder = tempfile::tempdir().expect("a folder");
    let ran = run(folder.path(), &[]);
    ran.refused(&[
        "a named person at the bench has to arm this run",
        "--armed-by",
    ]);
    assert_eq!(journals(folder.path()).len(), 0);
    run(folder.path(), &["--armed-by", " "]).refused(&["names nobody"]);
}

#[test]
fn a_line_that_stays_live_on_real_loads_is_not_confirmed_safe() {
    let folder = tempfile::tempdir().expect("a folder");
    let ran = run(
        folder.path(),
        &["--simulate", "--json", "--fault", "jumper:R,Y1"],
    );
    assert_eq!(ran.code, Some(5), "{}", ran.stderr);
    assert!(ran.stderr.contains("NOT CONFIRMED SAFE"), "{}", ran.stderr);
    let told = ran.json();
    assert_eq!(told["made_safe"], true, "every relay read back open");
    assert_eq!(told["still_live"], serde_json::json!(["Y1"]));
}

#[test]
fn the_name_lies_beside_the_journal_and_not_in_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let name = "Imogen Vale";
    let ran = run(folder.path(), &["--simulate", "--json", "--armed-by", name]);
    assert_eq!(ran.code, Some(0), "{}", ran.stderr);
    let mut beside = 0;
    for entry in std::fs::read_dir(folder.path()).expect("the folder is there") {
        let path = entry.expect("an entry").path();
        let text = std::fs::read_to_string(&path).expect("text");
        let is_journal = path.extension().is_some_and(|ending| ending == "jsonl");
        assert_eq!(text.contains(name), !is_journal, "{}", path.display());
        beside += usize::from(!is_journal);
    }
    assert_eq!(beside, 1);
}

#[test]
fn crossed_wires_stop_with_a_report_that_says_why() {
    let folder = tempfile::tempdir().expect("a folder");
    let ran = run(folder.path(), &["--simulate", "--fault", "swap:O,W2"]);
    assert_eq!(ran.code, Some(1), "{}", ran.stderr);
    let report = ran.text();
    for words in ["stopped", "heat runs", "alone:O"] {
        assert!(report.contains(words), "{words:?} in {report}");
    }
    assert!(ran.stderr.contains("ARMED"), "{}", ran.stderr);
}

#[test]
fn a_report_says_who_armed_the_run_on_what_and_forgets_the_name_with_its_record() {
    let folder = tempfile::tempdir().expect("a folder");
    let name = "Imogen Vale";
    let ran = run(folder.path(), &["--simulate", "--json", "--armed-by", name]);
    let arming = ran.json()["arming"].clone();
    assert_eq!(arming["by"], name);
    assert!(arming["at"].as_str().is_some_and(|at| at.ends_with('Z')));
    let points: Vec<(&str, bool)> = arming["checklist"]
        .as_array()
        .expect("an array")
        .iter()
        .map(|check| {
            let point = check["point"].as_str().expect("a word");
            (point, check["confirmed"] == true)
        })
        .collect();
    let all = [
        "mains-isolation",
        "outdoor-temperature",
        "crankcase-heat",
        "valves-open",
        "filters-in",
    ];
    assert_eq!(points, all.map(|point| (point, true)));

    let out = folder.path().to_str().expect("UTF-8");
    let report = |format: &str| coilcall(&["report", "last", "--out", out, "--format", format]);
    for format in ["text", "html"] {
        assert!(report(format).text().contains(name), "{format}");
    }
    let record = std::fs::read_dir(folder.path())
        .expect("the folder is there")
        .map(|entry| entry.expect("an entry").path())
        .find(|path| path.to_string_lossy().ends_with(".subject.json"));
    std::fs::remove_file(record.expect("written")).expect("removable");
    assert_eq!(
        report("json").json()["arming"]["by"],
        serde_json::Value::Null
    );
    let shown = report("text");
    let text = shown.text();
    assert!(!text.contains(name) && text.contains("the record of the name was removed"));
}

fn answers(folder: &Path, text: &str) -> String {
    let path = folder.join("answers.toml");
    std::fs::write(&path, text).expect("written");
    path.to_str().expect("UTF-8").to_owned()
}

#[test]
fn no_file_answers_for_the_person_beside_real_machines() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = answers(
        folder.path(),
        "[answers]\n\"confirm:valves-open\" = \"yes\"\n\"air:fan-only\" = \"yes\"\n",
    );
    let named = ["--armed-by", "Imogen Vale", "--answers", &file];
    run(folder.path(), &named).refused(&[
        "`confirm:valves-open` is a person's to answer at the keyboard",
        "`air:fan-only` is a person's to answer at the keyboard",
        "2 problems; nothing was opened",
    ]);
    assert_eq!(journals(folder.path()).len(), 0);
}

#[test]
fn under_simulation_a_file_may_answer_and_its_no_is_believed() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = answers(
        folder.path(),
        "[answers]\n\"confirm:mains-isolation\" = \"no\"\n",
    );
    let ran = run(folder.path(), &["--simulate", "--json", "--answers", &file]);
    assert_eq!(ran.code, Some(3), "{}", ran.stderr);
    let arming = ran.json()["arming"].clone();
    assert_eq!(arming["at"], serde_json::Value::Null);
    assert_eq!(arming["by"], serde_json::Value::Null);
    assert_eq!(arming["checklist"][0]["confirmed"], false);
    assert_eq!(arming["checklist"][1]["confirmed"], serde_json::Value::Null);
    // As it is read, wherever a line ends.
    let told = ran.stderr.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(told.contains("isolate every supply, lock it, prove dead"));
}

#[test]
fn each_call_is_announced_before_it_starts_anything() {
    let folder = tempfile::tempdir().expect("a folder");
    let ran = run(folder.path(), &["--simulate"]);
    let told = &ran.stderr;
    let place = |words: &str| {
        told.find(words)
            .unwrap_or_else(|| panic!("{words} in {told}"))
    };
    let next = place("NEXT 5/7 cooling-1: starts fan, compressor, valve");
    let called = next + told[next..].find("called now: Y1 G O").expect("called");
    let countdown = told[next..called]
        .matches("minimum-off time, at most")
        .count();
    assert!(countdown == 0 || countdown >= 2, "{countdown}");
    let first = place("NEXT 2/7 fan-only: starts fan");
    let until = first + told[first..].find("called now: G").expect("called");
    let words = &told[first..until];
    assert!(
        words.matches("minimum-off time, at most").count() >= 5,
        "{words}"
    );
    let last = words.rsplit("at most ").next().expect("a countdown");
    let last = last.split(' ').next().and_then(|n| n.parse::<u32>().ok());
    assert!(last.expect("seconds") <= 10, "{words}");
}
