//! Wrong usage: exit 2, nothing opened, and words that lead to the right usage.

use super::{BENCH, PROFILE, coilcall, coilcall_in, journals, simulated_run};
use std::path::Path;

/// The run is refused with these words, and no journal was begun.
#[track_caller]
fn check_run(more: &[&str], words: &[&str]) {
    let folder = tempfile::tempdir().expect("a folder");
    simulated_run(folder.path(), more).refused(words);
    assert_eq!(journals(folder.path()), Vec::<std::path::PathBuf>::new());
}

#[test]
fn no_command_or_an_unknown_one_shows_the_usage() {
    coilcall::<&str>(&[]).refused(&["Usage: coilcall", "run", "simulate", "report"]);
    coilcall(&["reprot"]).refused(&["'reprot'", "similar", "report"]);
    coilcall(&["run", "--bench", BENCH]).refused(&["--profile <FILE>"]);
    coilcall(&["run", "--bnech", BENCH]).refused(&["--bnech", "--bench"]);
    let seed = ["--seed", "many"];
    check_run(&seed, &["'many'", "--seed"]);
}

#[test]
fn help_and_version_are_data() {
    for asked in ["--help", "--version"] {
        let ran = coilcall(&[asked]);
        assert_eq!(ran.code, Some(0));
        assert!(ran.text().contains("coilcall") && ran.stderr.is_empty());
    }
    assert!(
        coilcall(&["--help"])
            .text()
            .contains("Isolate and prove dead")
    );
}

#[test]
fn an_unknown_call_names_the_nearest_and_all() {
    let known = "idle, fan-only, cooling-1";
    check_run(
        &["--calls", "coling-1"],
        &["did you mean cooling-1?", known],
    );
    check_run(&["--calls", "idle,fan_only"], &["did you mean fan-only?"]);
    check_run(&["--calls", "warm"], &["'warm' is not a call", known]);
    check_run(&["--calls", ""], &["is not a call"]);
}

#[test]
fn a_call_that_cannot_be_made_says_why() {
    check_run(
        &["--calls", "cooling-2"],
        &["cooling-2", "no cooling stage 2"],
    );
    check_run(&["--calls", "defrost"], &["observed, never called"]);
    check_run(&["--calls", "alone:R"], &["alone:R", "Y1 G O W2"]);
    check_run(&["--calls", "alone:B"], &["alone:B", "Y1 G O W2"]);
    // On a heat pump W is either of two lines, and both are named.
    check_run(&["--calls", "alone:W"], &["W1", "W2"]);
}

#[test]
fn an_unknown_fault_names_the_nearest_kind() {
    check_run(
        &["--fault", "opne:Y1"],
        &["did you mean open?", "short", "swap"],
    );
    check_run(&["--fault", "swap:Y1"], &["swap:LINE,LINE"]);
    check_run(&["--fault", "Y1"], &["kinds:"]);
    check_run(
        &["--link-fault", "tardy:board=900"],
        &["'tardy'", "late", "silent"],
    );
}

#[test]
fn a_fault_that_makes_no_sense_here_names_what_would() {
    check_run(&["--fault", "open:Y9"], &["Y9", "Y1", "W2"]);
    check_run(&["--fault", "open:W"], &["W1", "W2"]);
    check_run(
        &["--link-fault", "late:boar=900"],
        &["boar", "did you mean board?"],
    );
    let folder = tempfile::tempdir().expect("a folder");
    let ran = coilcall(&[
        "run",
        "--simulate",
        "--out",
        folder.path().to_str().expect("UTF-8"),
        "--bench",
        BENCH,
        "--profile",
        "profiles/furnace-1-stage-fuel-cooling-1-stage.toml",
        "--fault",
        "inverted-changeover",
    ]);
    ran.refused(&["inverted-changeover", "no changeover"]);
    assert_eq!(journals(folder.path()), Vec::<std::path::PathBuf>::new());
}

#[test]
fn faults_are_for_the_simulator() {
    for fault in [["--fault", "open:Y1"], ["--link-fault", "silent:board"]] {
        let mut arguments = vec!["run", "--bench", BENCH, "--profile", PROFILE];
        arguments.extend(fault);
        coilcall(&arguments).refused(&["--simulate"]);
    }
}

#[test]
fn a_missing_file_names_its_nearest_sibling() {
    let near = "profiles/heat-pump-1-stage-electic-o.toml";
    let ran = coilcall(&["run", "--bench", BENCH, "--profile", near, "--simulate"]);
    ran.refused(&[
        "there is no such file",
        "did you mean",
        PROFILE,
        "nothing was opened",
    ]);
    let ran = coilcall(&["expected", "--profile", near]);
    ran.refused(&["there is no such file", PROFILE]);
    let far = "benches/none/panel.toml";
    let ran = coilcall(&["run", "--bench", far, "--profile", PROFILE, "--simulate"]);
    ran.refused(&["there is no directory benches/none"]);
    let both = ["run", "--bench", far, "--profile", near, "--simulate"];
    coilcall(&both).refused(&[far, near, "2 problems"]);
}

#[test]
fn files_of_the_wrong_kind_are_named_as_such() {
    let ran = coilcall(&["run", "--bench", PROFILE, "--profile", BENCH, "--simulate"]);
    ran.refused(&[
        "wrong kind",
        "--bench was given profiles/heat-pump-1-stage-electric-o.toml (profile)",
        "--profile was given benches/panel-16.toml (bench)",
    ]);
}

#[test]
fn an_out_folder_that_cannot_be_used_is_named() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("taken");
    std::fs::write(&file, "").expect("a file");
    let name = file.to_str().expect("UTF-8");
    simulated_run(&file, &[]).refused(&[name, "this is a file"]);
    let below = file.join("runs");
    simulated_run(&below, &[]).refused(&["taken/runs", "because:"]);
}

#[test]
fn a_run_that_cannot_be_found_says_what_there_is() {
    let folder = tempfile::tempdir().expect("a folder");
    let report = |run: &str, out: &str| coilcall_in(folder.path(), &["report", run, "--out", out]);
    report("last", "runs").refused(&["the runs in runs cannot be read", "--out"]);
    std::fs::create_dir(folder.path().join("runs")).expect("a folder");
    report("last", "runs").refused(&["there is no run in runs", "--out"]);
    report("elsewhere/x.jsonl", "runs").refused(&["there is no journal elsewhere/x.jsonl"]);
    let runs = folder.path().join("runs");
    for _ in 0..2 {
        assert_eq!(simulated_run(&runs, &["--calls", "idle"]).code, Some(0));
    }
    let ids: Vec<String> = journals(&runs).iter().map(|path| id_of(path)).collect();
    let [first, second] = ids.as_slice() else {
        panic!("two runs: {ids:?}");
    };
    report("zz", "runs").refused(&["'zz'", first, second]);
    // Ids begin with the time, so both begin alike.
    report(&first[..6], "runs").refused(&["fits 2 runs", first, second]);
    let named = report(first, "runs");
    assert_eq!(named.code, Some(0), "{}", named.stderr);
    assert!(named.text().contains(first));
    assert!(report("last", "runs").text().contains(second));
}

fn id_of(journal: &Path) -> String {
    let stem = journal.file_stem().expect("a name");
    stem.to_str().expect("UTF-8").to_owned()
}

#[test]
fn an_unknown_format_lists_the_known_ones() {
    let folder = tempfile::tempdir().expect("a folder");
    assert_eq!(
        simulated_run(folder.path(), &["--calls", "idle"]).code,
        Some(0)
    );
    let out = folder.path().to_str().expect("UTF-8");
    let report = |format: &str| coilcall(&["report", "last", "--out", out, "--format", format]);
    report("jsn").refused(&["'jsn'", "text, json"]);
    report("text,jsn").refused(&["'jsn'", "text, json"]);
    let both = report("json,text");
    assert_eq!(both.code, Some(0), "{}", both.stderr);
    assert!(both.text().starts_with('{') && both.text().contains("END OF REPORT"));
    coilcall(&["report", "last", "--json", "--format", "text"]).refused(&["--json", "--format"]);
}
