//! Whole runs against the relay board: the verdict, the wrong lines, the suspect, the record.
//!
//! Every expected cell is worked by hand from the truth table of the profile: Y1 G O W2 in
//! fan-only is G, cooling-1 Y1 G O, heating-1 Y1 G, auxiliary-heat Y1 G W2, emergency-heat G W2.

use super::peer::{Peer, SOUND};
use super::process::Running;
use crate::command_line::contract;
use serde_json::Value;
use std::collections::BTreeSet;

const CALLS: [&str; 10] = [
    "idle",
    "alone:Y1",
    "alone:G",
    "alone:O",
    "alone:W2",
    "fan-only",
    "cooling-1",
    "heating-1",
    "auxiliary-heat",
    "emergency-heat",
];

/// Makes the run, and checks what holds for every run. Returns its JSON, and the relays as the
/// board saw them.
#[track_caller]
fn run(wiring: &str, exit: i32) -> (Value, Vec<String>) {
    let peer = Peer::start(wiring);
    let live = Running::start(peer.run(800).arg("--json")).finish();
    assert_eq!(live.code, Some(exit), "{}", live.stderr);
    let told = live.json();
    contract::assert_run(&told);
    let calls: Vec<&str> = steps(&told)
        .iter()
        .map(|step| text(&step["call"]))
        .collect();
    assert_eq!(calls, CALLS);
    assert_eq!(told["made_safe"], true);
    assert_eq!(told["simulated"], false);
    assert_eq!(peer.line.journals().len(), 1);
    let replayed = peer.line.report(&["--json"]);
    assert_eq!(replayed.code, Some(0), "{}", replayed.stderr);
    assert_eq!(
        replayed.stdout, live.stdout,
        "the same bytes from the journal"
    );
    let relays = peer.relays();
    assert_eq!(
        relays.last().map(String::as_str),
        Some(""),
        "every relay open"
    );
    (told, relays)
}

/// A run in which every call is made: each relay by itself, and up to the whole patterns of
/// cooling-1 and auxiliary-heat.
#[track_caller]
fn run_all(wiring: &str, exit: i32) -> Value {
    let (told, relays) = run(wiring, exit);
    for pattern in ["0", "1", "2", "3", "0 1 2", "0 1 3"] {
        assert!(
            relays.iter().any(|closed| closed == pattern),
            "{pattern} in {relays:?}"
        );
    }
    told
}

fn steps(run: &Value) -> &[Value] {
    run["steps"].as_array().expect("steps")
}

fn text(value: &Value) -> &str {
    value.as_str().expect("a text")
}

/// The wrong lines as `call line observed`.
fn wrong(run: &Value) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for step in steps(run) {
        for line in step["lines"].as_array().expect("lines") {
            if line["verdict"] == "fail" {
                let parts = [&step["call"], &line["terminal"], &line["observed"]].map(text);
                found.insert(parts.join(" "));
            }
        }
    }
    found
}

#[track_caller]
fn check(wiring: &str, expected: &[&str], suspect: &str) {
    let told = run_all(wiring, 1);
    assert_eq!(told["verdict"], "fail");
    let expected: BTreeSet<String> = expected.iter().map(|cell| (*cell).to_owned()).collect();
    assert_eq!(wrong(&told), expected);
    assert_eq!(told["diagnosis"]["conclusion"], "fault");
    let first = told["diagnosis"]["groups"][0]["suspects"].to_string();
    assert!(
        first.contains(&format!("\"{suspect}\"")),
        "{suspect} in {first}"
    );
}

#[test]
fn sound_wiring_passes() {
    let told = run_all(SOUND, 0);
    assert_eq!(told["verdict"], "pass");
    assert_eq!(wrong(&told), BTreeSet::new());
    assert_eq!(told["diagnosis"]["conclusion"], "healthy");
    assert_eq!(told["changeover"]["outcome"], "follows");
    assert_eq!(told["changeover"]["shown"], "signal");
    assert_eq!(told["still_live"], serde_json::json!([]));
}

#[test]
fn the_report_of_a_sound_run_is_the_same_text_live_and_replayed() {
    let peer = Peer::start(SOUND);
    let live = Running::start(&mut peer.run(800)).finish();
    assert_eq!(live.code, Some(0), "{}", live.stderr);
    assert!(
        live.text().contains("PASS: in all 10 calls"),
        "{}",
        live.text()
    );
    assert!(!live.text().contains("SIMULATED"), "a real serial line");
    assert!(
        live.stderr.contains("10/10  emergency-heat     pass"),
        "{}",
        live.stderr
    );
    assert_eq!(peer.line.report(&[]).stdout, live.stdout);
}

#[test]
fn exchanged_conductors_fail() {
    check(
        "0>1,1>0,2>2,3>3,=15",
        &[
            "alone:Y1 Y1 off",
            "alone:Y1 G on",
            "alone:G Y1 on",
            "alone:G G off",
            "fan-only Y1 on",
            "fan-only G off",
            "emergency-heat Y1 on",
            "emergency-heat G off",
        ],
        "swap:Y1,G",
    );
}

#[test]
fn an_open_conductor_fails() {
    check(
        "0>0,1>1,3>3,=15",
        &["alone:O O off", "cooling-1 O off"],
        "open:O",
    );
}

#[test]
fn a_line_that_is_always_live_fails_and_is_named_as_still_live() {
    let told = run_all("0>0,1>1,2>2,=3,=15", 1);
    assert_eq!(told["still_live"], serde_json::json!(["W2"]));
    let expected = [
        "idle W2 on",
        "alone:Y1 W2 on",
        "alone:G W2 on",
        "alone:O W2 on",
        "fan-only W2 on",
        "cooling-1 W2 on",
        "heating-1 W2 on",
    ];
    let wrong = wrong(&told);
    for cell in expected {
        assert!(wrong.contains(cell), "{cell} in {wrong:?}");
    }
    assert!(wrong.iter().all(|cell| cell.contains(" W2 ")), "{wrong:?}");
    let groups = told["diagnosis"]["groups"].to_string();
    assert!(groups.contains("\"stuck-closed:W2\""), "{groups}");
}

#[test]
fn touching_conductors_fail() {
    check(
        "0>0,0>1,1>0,1>1,2>2,3>3,=15",
        &[
            "alone:Y1 G on",
            "alone:G Y1 on",
            "fan-only Y1 on",
            "emergency-heat Y1 on",
        ],
        "short:Y1,G",
    );
}

/// Nothing is live and neither is the supply: the unit was not shown to be wrong.
#[test]
fn a_dead_supply_is_inconclusive() {
    let (told, relays) = run("=14", 3);
    assert!(
        relays.iter().all(String::is_empty),
        "nothing to call with: {relays:?}"
    );
    assert_eq!(told["verdict"], "inconc");
    assert_eq!(wrong(&told), BTreeSet::new());
    for step in steps(&told) {
        assert_eq!(step["supply"]["state"], "off", "{step}");
    }
}
