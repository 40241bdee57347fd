//! The journal's chain, and what reading it back accepts.

use super::fixture::{Run, TestClock, all_pass, cut_short, fold, render, swapped, view};
use coilcall::event::EventKind;
use coilcall::port::RunJournal;
use coilcall::report::{DiagnosisView, Format};
use coilcall::store::{
    FIRST_PREV, FileJournal, LineProblem, ReplayError, line_hash, read_journal, verify_chain,
};
use std::fs;
use std::path::{Path, PathBuf};

/// Writes bytes as a journal and returns its path.
fn file(dir: &Path, bytes: &[u8]) -> PathBuf {
    let path = dir.join("run.jsonl");
    fs::write(&path, bytes).expect("written");
    path
}

fn bytes(run: &Run) -> Vec<u8> {
    let mut bytes = Vec::new();
    for line in run.journal.lines().iter() {
        bytes.extend(line.as_bytes());
        bytes.push(b'\n');
    }
    bytes
}

/// The problem with a journal whose line (from 1) was edited.
fn edited(number: usize, edit: impl Fn(&str) -> String) -> (String, u64, LineProblem) {
    let run = all_pass();
    let mut lines = run.journal.lines().to_vec();
    lines[number - 1] = edit(&lines[number - 1]);
    let dir = tempfile::tempdir().expect("a directory");
    let path = file(dir.path(), (lines.join("\n") + "\n").as_bytes());
    let error = read_journal(&path).expect_err("edited");
    let text = error.to_string();
    match error {
        ReplayError::Line { line, problem, .. } => (text, line, problem),
        other => panic!("{other}"),
    }
}

#[test]
fn each_line_carries_the_hash_of_the_one_before() {
    let run = all_pass();
    let mut before = FIRST_PREV.to_owned();
    for (line, event) in run.journal.lines().iter().zip(run.journal.events().iter()) {
        assert_eq!(event.prev, before);
        // Straight from the hash function's own crate, not from the code under test.
        before = blake3::hash(line.as_bytes()).to_hex().to_string();
    }
    assert_eq!(run.journal.head_hash(), before);
    assert_eq!(
        line_hash(b""),
        "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"
    );
}

#[tokio::test]
async fn a_file_journal_reads_back_as_written() {
    let dir = tempfile::tempdir().expect("a directory");
    let journal = FileJournal::create(dir.path(), "r1").expect("made");
    let clock = TestClock::default();
    let mut live = Vec::new();
    for event in all_pass().events() {
        live.push(journal.append(&clock, event.kind).expect("written"));
    }
    journal.sync().await.expect("on the disk");

    let replay = read_journal(journal.path()).expect("whole");
    assert_eq!(replay.events, live);
    assert_eq!(replay.state, fold(&live));
    assert_eq!(replay.file_name, "r1.jsonl");
    assert_eq!(replay.head_hash, journal.head_hash());
    assert!(!replay.torn_tail && !replay.cut_short);
}

#[test]
fn live_and_replayed_reports_are_the_same_to_the_byte() {
    let dir = tempfile::tempdir().expect("a directory");
    for run in [all_pass(), swapped(), cut_short()] {
        let replay = read_journal(&file(dir.path(), &bytes(&run))).expect("whole");
        for format in Format::ALL {
            let undetermined = DiagnosisView::undetermined;
            let live = render(&run.view_with(undetermined()), format);
            let again = view(&replay.state, &replay.head_hash, undetermined());
            assert_eq!(live, render(&again, format));
        }
    }
}

#[test]
fn a_torn_last_line_is_dropped_and_said_at_every_length() {
    let run = all_pass();
    let whole = bytes(&run);
    let last = run.journal.lines().last().expect("lines").len();
    let before_last = whole.len() - last - 1;
    let dir = tempfile::tempdir().expect("a directory");
    for kept in before_last + 1..whole.len() {
        let replay = read_journal(&file(dir.path(), &whole[..kept])).expect("tolerated");
        assert!(replay.torn_tail && replay.cut_short, "{kept}");
        assert_eq!(replay.events.len(), run.events().len() - 1);
    }
    let at_the_edge = read_journal(&file(dir.path(), &whole[..before_last])).expect("whole lines");
    assert!(!at_the_edge.torn_tail && at_the_edge.cut_short);
}

#[test]
fn a_torn_line_elsewhere_is_an_error() {
    let (text, line, problem) = edited(5, |line| line[..line.len() / 2].to_owned());
    assert!(matches!(problem, LineProblem::Unreadable(_)), "{text}");
    assert_eq!(line, 5);
}

#[test]
fn a_changed_line_is_named() {
    let (text, line, problem) = edited(6, |line| line.replacen("\"off\"", "\"on\"", 1));
    assert!(
        matches!(problem, LineProblem::Changed { next: 7 }),
        "{text}"
    );
    assert_eq!(line, 6);
    assert!(text.contains("run.jsonl, line 6: "), "{text}");
}

#[test]
fn a_missing_or_doubled_line_is_named() {
    let run = all_pass();
    let dir = tempfile::tempdir().expect("a directory");
    let mut missing = run.journal.lines().to_vec();
    missing.remove(3);
    let mut doubled = run.journal.lines().to_vec();
    doubled.insert(4, doubled[3].clone());
    for (lines, at) in [(missing, "line 4: "), (doubled, "line 5: ")] {
        let path = file(dir.path(), (lines.join("\n") + "\n").as_bytes());
        let error = verify_chain(&path).expect_err("out of order");
        assert!(error.to_string().contains(at), "{error}");
        assert!(error.to_string().contains("was expected here"), "{error}");
    }
}

#[test]
fn a_newer_version_is_refused_plainly() {
    let newer = |line: &str| line.replacen("\"v\":1", "\"v\":2", 1);
    for edit in [&newer as &dyn Fn(&str) -> String, &|line: &str| {
        newer(line).replacen("\"kind\"", "\"novelty\":1,\"kind\"", 1)
    }] {
        let (text, line, problem) = edited(1, edit);
        assert!(matches!(problem, LineProblem::Newer { found: 2 }), "{text}");
        assert_eq!(line, 1);
        assert!(text.contains("written in format version 2"), "{text}");
    }
}

#[test]
fn an_unknown_key_is_not_ignored() {
    let (text, line, _) = edited(2, |line| line.replacen("\"kind\"", "\"x\":1,\"kind\"", 1));
    assert_eq!(line, 2, "{text}");
    assert!(text.contains("unknown field `x`"), "{text}");
}

#[test]
fn nothing_may_follow_the_end_nor_precede_the_beginning() {
    let dir = tempfile::tempdir().expect("a directory");
    let run = all_pass();
    run.add(EventKind::Resumed {
        why: "after the end".to_owned(),
    });
    let error = read_journal(&file(dir.path(), &bytes(&run))).expect_err("after the end");
    assert!(error.to_string().contains("nothing may follow"), "{error}");

    let run = all_pass();
    let rest = bytes(&run).split_off(run.journal.lines()[0].len() + 1);
    let error = read_journal(&file(dir.path(), &rest)).expect_err("beginning lost");
    assert!(
        error.to_string().contains("line 1: event number 0"),
        "{error}"
    );
}

#[test]
fn an_empty_or_missing_journal_is_said() {
    let dir = tempfile::tempdir().expect("a directory");
    for empty in [&b""[..], &b"{\"v\":1"[..]] {
        let error = read_journal(&file(dir.path(), empty)).expect_err("no event");
        assert!(matches!(error, ReplayError::Empty { .. }), "{error}");
    }
    let error = read_journal(&dir.path().join("nowhere.jsonl")).expect_err("missing");
    assert!(error.to_string().contains("nowhere.jsonl"), "{error}");
}

#[test]
fn the_chain_is_checked_without_keeping_events() {
    let dir = tempfile::tempdir().expect("a directory");
    let run = cut_short();
    let report = verify_chain(&file(dir.path(), &bytes(&run))).expect("whole");
    assert_eq!(report.events, run.events().len() as u64);
    assert_eq!(report.head_hash, run.journal.head_hash());
    assert!(report.cut_short && !report.torn_tail);
}
