//! Completions, manual pages and schemas, as a shell gets them.

use super::{coilcall, simulated_run, stock, stock_files};
use crate::config::schema::judged_outside;
use serde_json::Value;

#[test]
fn the_files_beside_the_ready_made_ones_are_what_schema_prints() {
    for kind in ["profile", "bench", "answers"] {
        let file = format!("{kind}.schema.json");
        let printed = coilcall(&["schema", kind]);
        assert_eq!(printed.code, Some(0), "{}", printed.stderr);
        let kept = std::fs::read_to_string(stock(&file)).expect("the file is there");
        assert_eq!(
            printed.text(),
            kept,
            "coilcall schema {kind} > benches-config/{file}"
        );
    }
}

#[test]
fn every_shell_gets_completions_that_name_every_command() {
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let printed = coilcall(&["completions", shell]);
        assert_eq!(printed.code, Some(0), "{}", printed.stderr);
        assert_eq!(printed.stderr, "");
        for command in ["expected", "check", "run", "self-test", "schema"] {
            assert!(printed.text().contains(command), "{command} in {shell}");
        }
    }
    coilcall(&["completions", "tcsh-like"]).refused(&["invalid value", "bash"]);
}

#[test]
fn manual_pages_go_to_standard_output_or_into_a_folder() {
    let page = coilcall(&["man"]);
    assert_eq!(page.code, Some(0), "{}", page.stderr);
    assert!(page.text().contains(".TH coilcall 1"), "{}", page.text());
    let folder = tempfile::tempdir().expect("a folder");
    let pages = folder.path().join("share/man1");
    let written = coilcall(&["man", "--dir", pages.to_str().expect("UTF-8")]);
    assert_eq!(
        (written.code, written.text()),
        (Some(0), ""),
        "{}",
        written.stderr
    );
    for name in ["coilcall.1", "coilcall-run.1", "coilcall-self-test.1"] {
        let text = std::fs::read_to_string(pages.join(name)).expect(name);
        assert!(text.contains(".SH SYNOPSIS"), "{name}");
    }
}

#[test]
fn a_folder_that_cannot_be_made_is_said() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("taken");
    std::fs::write(&file, "").expect("written");
    coilcall(&["man", "--dir", file.to_str().expect("UTF-8")]).refused(&["taken", "because:"]);
}

fn schema(kind: &str) -> Value {
    coilcall(&["schema", kind]).json()
}

/// Every document is what its schema says, as jsonschema (PyPI) judges it.
#[track_caller]
fn assert_valid(kind: &str, documents: &[String]) {
    let schema = schema(kind);
    let asked: Vec<(&Value, &str)> = documents.iter().map(|d| (&schema, d.as_str())).collect();
    for (said, document) in judged_outside(&asked, "json").iter().zip(documents) {
        assert_eq!(*said, None, "{document}");
    }
}

#[test]
fn runs_as_json_are_what_their_schema_says() {
    let folder = tempfile::tempdir().expect("a folder");
    let faults: [&[&str]; 6] = [
        &[],
        &["--fault", "swap:Y1,G", "--subject", "Panel 1"],
        &["--fault", "short:G,C"],
        &["--fault", "inverted-changeover@controller"],
        &["--link-fault", "silent:board"],
        &["--calls", "fan-only"],
    ];
    let told: Vec<String> = faults
        .iter()
        .map(|more| simulated_run(folder.path(), &[&["--json"], *more].concat()))
        .map(|ran| ran.text().to_owned())
        .collect();
    assert_valid("run", &told);
    // A closed schema refuses what it does not know.
    let extended = told[0].replacen("\"version\": 1", "\"version\": 1, \"more\": 2", 1);
    let renamed = told[0].replacen("\"pass\"", "\"passed\"", 1);
    let schema = schema("run");
    let wrong = [(&schema, extended.as_str()), (&schema, renamed.as_str())];
    assert!(judged_outside(&wrong, "json").iter().all(Option::is_some));
}

#[test]
fn truth_tables_as_json_are_what_their_schema_says() {
    let told: Vec<String> = stock_files("profiles")
        .iter()
        .map(|profile| coilcall(&["expected", "--json", "--profile", profile]))
        .map(|ran| ran.text().to_owned())
        .collect();
    assert_valid("expected", &told);
    let schema = schema("expected");
    let wrong = told[0].replacen("\"idle\"", "\"rest\"", 1);
    assert!(judged_outside(&[(&schema, &wrong)], "json")[0].is_some());
}

#[test]
fn on_dummy_loads_the_fastest_order_is_the_given_one() {
    let folder = tempfile::tempdir().expect("a folder");
    let calls = |order: &str| -> Vec<Value> {
        let ran = simulated_run(folder.path(), &["--json", "--order", order]);
        assert_eq!(ran.code, Some(0), "{}", ran.stderr);
        let steps = ran.json()["steps"].as_array().expect("steps").clone();
        steps.iter().map(|step| step["call"].clone()).collect()
    };
    assert_eq!(calls("fastest"), calls("given"));
    simulated_run(folder.path(), &["--order", "slowest"]).refused(&["slowest", "given", "fastest"]);
}
