//! The self-test against a relay board of somebody else's making, which tells its relays write by
//! write.

use super::coilcall;
use super::peer::{Peer, SOUND};
use super::process::Running;
use std::process::Command;

/// `coilcall self-test` against this board; `loads` takes the place of dummy ones.
fn self_test(peer: &Peer, loads: &str) -> Command {
    // The bench file of a run against the same board.
    drop(peer.run(800));
    let bench = peer.line.folder.path().join("bench.toml");
    let text = std::fs::read_to_string(&bench).expect("the bench file");
    let text = text.replace("loads = \"dummy\"", &format!("loads = \"{loads}\""));
    std::fs::write(&bench, text).expect("written");
    let mut command = coilcall();
    command.args(["self-test", "--json", "--bench"]).arg(bench);
    command
}

#[test]
fn each_relay_closes_alone_and_opens_again() {
    let peer = Peer::start(SOUND);
    let ended = Running::start(&mut self_test(&peer, "dummy")).finish();
    assert_eq!(ended.code, Some(0), "{}{}", ended.text(), ended.stderr);
    let told = ended.json();
    assert!(told["devices"][0]["replies"]["reads"].as_u64() >= Some(30));
    let inputs = told["inputs"].as_array().expect("inputs");
    assert!(
        inputs.iter().all(|input| input["answered"] == true),
        "{told}"
    );
    let relays = peer.relays();
    let closed: Vec<&str> = relays
        .iter()
        .map(String::as_str)
        .filter(|r| !r.is_empty())
        .collect();
    // Y1, then G, O and W2 in the order of the strip: one at a time.
    assert_eq!(closed, ["0", "1", "2", "3"], "{relays:?}");
    assert_eq!(relays.first().map(String::as_str), Some(""), "opened first");
    assert_eq!(relays.last().map(String::as_str), Some(""), "opened last");
}

#[test]
fn on_real_loads_no_relay_is_closed() {
    let peer = Peer::start(SOUND);
    let ended = Running::start(&mut self_test(&peer, "real")).finish();
    assert_eq!(ended.code, Some(0), "{}{}", ended.text(), ended.stderr);
    let told = ended.json();
    for relay in told["relays"].as_array().expect("relays") {
        assert_eq!(relay["outcome"], "not-exercised");
        assert_eq!(relay["detail"], "no relay is closed on real loads");
    }
    assert!(told["devices"][0]["replies"]["reads"].as_u64() >= Some(30));
    let relays = peer.relays();
    assert!(!relays.is_empty(), "opened first and last");
    assert!(relays.iter().all(String::is_empty), "{relays:?}");
}

#[test]
fn an_interrupt_opens_the_relay_under_test() {
    let mut peer = Peer::start(SOUND);
    let test = Running::start(&mut self_test(&peer, "dummy"));
    peer.wait_until_a_relay_closes();
    test.signal("INT");
    let ended = test.finish();
    assert_eq!(ended.code, Some(130), "{}", ended.stderr);
    let told = ended.json();
    assert_eq!(told["made_safe"], true);
    let left = told["relays"].as_array().expect("relays").iter();
    assert!(
        left.filter(|relay| relay["outcome"] == "not-exercised")
            .count()
            > 0,
        "{told}"
    );
    assert_eq!(peer.relays().last().map(String::as_str), Some(""));
}
