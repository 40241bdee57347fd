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
