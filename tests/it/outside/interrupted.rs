//! Ctrl-C once and twice, a request to terminate, a terminal that is closed: relays open, always.

use super::peer::{Peer, SOUND};
use super::process::Running;
use std::time::{Duration, Instant};

/// The run is stopped in the middle by one signal, or the same one twice.
#[track_caller]
fn check(signals: &[&str]) {
    let mut peer = Peer::start(SOUND);
    let run = Running::start(peer.run(800).arg("--json"));
    peer.wait_until_a_relay_closes();
    for signal in signals {
        run.signal(signal);
    }
    let ended = run.finish();
    assert_eq!(ended.code, Some(130), "{}", ended.stderr);
    let told = ended.json();
    assert_eq!(told["made_safe"], true);
    assert_eq!(told["verdict"], "inconc");
    let finished = told["steps"].as_array().expect("steps");
    let judged = finished.iter().filter(|step| step["verdict"] != "none");
    assert!(judged.count() < 10, "it stopped before the last call");
    assert_eq!(peer.line.report(&["--json"]).stdout, ended.stdout);
    let relays = peer.relays();
    assert!(relays.iter().any(|closed| !closed.is_empty()), "{relays:?}");
    assert_eq!(relays.last().map(String::as_str), Some(""), "{relays:?}");
}

#[test]
fn an_interrupt_opens_the_relays() {
    check(&["INT"]);
}

#[test]
fn two_interrupts_open_the_relays() {
    check(&["INT", "INT"]);
}

#[test]
fn a_request_to_terminate_opens_the_relays() {
    check(&["TERM"]);
}

#[test]
fn a_closed_terminal_opens_the_relays() {
    check(&["HUP"]);
}

/// With a dead board the first interrupt waits for read-backs that never come; the second does not.
#[test]
fn a_second_interrupt_ends_the_waiting_for_a_dead_board() {
    let mut peer = Peer::start(SOUND);
    // Five tries of thirty seconds each, and quarantines twice as long: minutes without the second.
    let mut run = Running::start(peer.run(30_000).arg("--json"));
    run.wait_for(|said| said.contains("alone:Y1"));
    peer.wait_until_a_relay_closes();
    peer.server.kill();
    run.signal("INT");
    run.signal("TERM");
    let since = Instant::now();
    let ended = run.finish();
    assert!(
        since.elapsed() < Duration::from_secs(20),
        "{:?}",
        since.elapsed()
    );
    assert_eq!(ended.code, Some(5), "{}", ended.stderr);
    assert_eq!(ended.json()["made_safe"], false);
    assert!(
        ended.stderr.contains("NOT CONFIRMED SAFE"),
        "{}",
        ended.stderr
    );
}
