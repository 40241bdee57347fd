//! A port that is missing, taken, barred or silent, and a board that dies in the middle of a run.

use super::peer::{Line, Peer, SOUND};
use super::process::{Ended, Running};
use super::script;
use std::fs::{File, Permissions};
use std::io::Read;
use std::os::unix::fs::PermissionsExt;
use std::process::Command;
use std::thread::JoinHandle;

/// The run ended as a bench error before anything could be energised, and said these words.
#[track_caller]
fn assert_bench_error(line: &Line, ended: &Ended, words: &[&str]) {
    assert_eq!(ended.code, Some(4), "{}", ended.stderr);
    for word in words {
        assert!(ended.stderr.contains(word), "{word:?} in {}", ended.stderr);
        let flat = ended
            .text()
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ");
        assert!(flat.contains(word), "{word:?} in {flat}");
    }
    let replayed = line.report(&["--json"]).json();
    assert_eq!(replayed["verdict"], "error");
    assert_eq!(
        replayed["made_safe"], false,
        "nothing is known of its relays"
    );
    assert_eq!(replayed["diagnosis"]["conclusion"], "undetermined");
    assert_eq!(line.report(&[]).stdout, ended.stdout);
}

#[test]
fn a_missing_port_is_named() {
    let line = Line::open();
    let missing = line.folder.path().join("nowhere");
    let ended = Running::start(&mut line.run_on(&missing, 200)).finish();
    assert_bench_error(&line, &ended, &["nowhere", "there is no such port"]);
}

#[test]
fn a_port_that_another_program_holds_is_said_to_be_in_use() {
    let line = Line::open();
    let mut holder = Running::start(script("hold_port.py").arg(line.near()));
    holder.wait_for(|said| said == "holding");
    let ended = Running::start(&mut line.run_on(&line.near(), 200)).finish();
    assert_bench_error(&line, &ended, &["in use by another program"]);
}

/// The superuser may open anything, so the program is run as nobody where the test is the
/// superuser's.
#[test]
fn a_port_that_may_not_be_opened_is_said_with_the_way_out() {
    let line = Line::open();
    let opened = Permissions::from_mode(0o777);
    std::fs::set_permissions(line.folder.path(), opened).expect("our own folder");
    std::fs::set_permissions(line.near(), Permissions::from_mode(0o000)).expect("our own port");
    let run = line.run_on(&line.near(), 200);
    let ended = Running::start(&mut as_nobody(&run)).finish();
    assert_bench_error(&line, &ended, &["may not be opened"]);
}

fn as_nobody(command: &Command) -> Command {
    let id = Command::new("id").arg("-u").output().expect("id is there");
    let mut changed = if id.stdout == b"0\n" {
        let mut setpriv = Command::new("setpriv");
        setpriv.args(["--reuid=65534", "--regid=65534", "--clear-groups"]);
        setpriv.arg(command.get_program());
        setpriv
    } else {
        Command::new(command.get_program())
    };
    changed.args(command.get_args());
    changed
}

/// Everything that was sent to a board that does not answer.
fn sent_to(mut port: File) -> JoinHandle<Vec<u8>> {
    std::thread::spawn(move || {
        let mut sent = Vec::new();
        // The line's end is an error on a pseudo-terminal; what came before it counts.
        let _hung_up = port.read_to_end(&mut sent);
        sent
    })
}

#[test]
fn a_silent_port_is_a_bench_error_and_nothing_is_energised() {
    let line = Line::open();
    let sent = sent_to(File::open(line.far()).expect("the far end opens"));
    let ended = Running::start(&mut line.run_on(&line.near(), 100)).finish();
    assert_bench_error(
        &line,
        &ended,
        &[
            "no complete reply in time",
            "relays 1-16 of unit 1",
            "link board",
        ],
    );
    drop(line);
    let sent = sent.join().expect("the reader ends with the line");
    // Modbus V1.1b3, 6.11: all 16 coils off is 0F 00 00 00 10 02 00 00, here to unit 1.
    let all_open = [1, 0x0F, 0, 0, 0, 0x10, 2, 0, 0];
    assert!(
        sent.windows(9).any(|bytes| bytes == all_open),
        "{sent:02x?}"
    );
    for bytes in sent.windows(9) {
        let is_write = bytes[..7] == all_open[..7];
        assert!(
            !is_write || bytes == all_open,
            "a coil was written on: {bytes:02x?}"
        );
    }
    // 6.5: a single coil is written by 05, of which nothing was sent.
    assert!(
        !sent.windows(3).any(|bytes| bytes == [1, 5, 0]),
        "{sent:02x?}"
    );
}

/// Exit 5 overrides everything: a relay was closed, and nobody can say that it is open.
#[track_caller]
fn assert_not_confirmed_safe(ended: &Ended) {
    assert_eq!(ended.code, Some(5), "{}", ended.stderr);
    let told = ended.json();
    assert_eq!(told["made_safe"], false);
    assert_eq!(told["verdict"], "error");
    assert!(
        ended.stderr.contains("NOT CONFIRMED SAFE"),
        "{}",
        ended.stderr
    );
    assert!(
        ended.stderr.contains("solate the supply"),
        "{}",
        ended.stderr
    );
}

#[test]
fn a_board_that_dies_with_a_relay_closed_is_not_confirmed_safe() {
    let mut peer = Peer::start(SOUND);
    let run = Running::start(peer.run(100).arg("--json"));
    peer.wait_until_a_relay_closes();
    peer.server.kill();
    let ended = run.finish();
    assert_not_confirmed_safe(&ended);
    assert_eq!(peer.line.report(&["--json"]).stdout, ended.stdout);
    let text = peer.line.report(&[]);
    assert!(
        text.text().contains("NOT CONFIRMED SAFE"),
        "{}",
        text.text()
    );
}

/// The port itself goes, as when an adapter is pulled out and never put back.
#[test]
fn a_port_that_is_pulled_out_with_a_relay_closed_is_not_confirmed_safe() {
    let mut peer = Peer::start(SOUND);
    let mut run = Running::start(peer.run(200).arg("--json"));
    peer.wait_until_a_relay_closes();
    let runs = peer.line.runs();
    // The folder is kept for the journal; the line and the board end.
    let folder = peer.line.pull_out();
    run.wait_for(|said| said.contains("WAITING for the port to come back"));
    let ended = run.finish();
    assert_not_confirmed_safe(&ended);
    assert!(runs.starts_with(folder.path()));
}

/// The next start finds the relays that a killed program left closed, says so and opens them.
#[test]
fn a_killed_program_leaves_relays_that_the_next_start_opens() {
    let mut peer = Peer::start(SOUND);
    let mut killed = Running::start(&mut peer.run(800));
    peer.wait_until_a_relay_closes();
    killed.kill();
    drop(killed);
    let cut_short = peer.line.report(&["--json"]);
    assert_eq!(cut_short.code, Some(0), "{}", cut_short.stderr);
    let told = cut_short.json();
    assert_eq!(told["finished"], serde_json::Value::Null);
    assert_eq!(told["verdict"], "inconc");
    assert_eq!(told["made_safe"], false);
    let next = Running::start(&mut peer.run(800)).finish();
    assert_eq!(next.code, Some(0), "{}", next.stderr);
    let flat = next.text().split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("found closed at the start"), "{flat}");
    let relays = peer.relays();
    assert_eq!(relays.last().map(String::as_str), Some(""));
}
