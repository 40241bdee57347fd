//! What a run leaves: streams kept apart, the subject and its removal, the same bytes for the same
//! seed, and journals that were tampered with.

use super::contract::{array, assert_run};
use super::{BENCH, PROFILE, coilcall, journals, simulated_run, stock};
use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

#[test]
fn data_goes_to_standard_output_and_all_else_to_standard_error() {
    let folder = tempfile::tempdir().expect("a folder");
    let ran = simulated_run(folder.path(), &["--json", "--fault", "open:O"]);
    assert_eq!(ran.code, Some(1));
    assert_run(&ran.json());
    for word in [
        "SIMULATED, seed 1",
        "cooling-1",
        "FAIL: O expected live, seen DEAD",
    ] {
        assert!(ran.stderr.contains(word), "{word:?} in {}", ran.stderr);
    }
    let out = folder.path().to_str().expect("UTF-8");
    let report = coilcall(&["report", "last", "--json", "--out", out]);
    assert_eq!((report.code, report.stderr.as_str()), (Some(0), ""));
    assert_eq!(report.stdout, ran.stdout);
}

#[test]
fn only_the_calls_asked_for_are_made() {
    let folder = tempfile::tempdir().expect("a folder");
    // Y is another name of Y1; the order is the run's own.
    let ran = simulated_run(folder.path(), &["--json", "--calls", "cooling-1,alone:Y"]);
    assert_eq!(ran.code, Some(0), "{}", ran.stderr);
    let told = ran.json();
    let calls: Vec<&Value> = array(&told["steps"])
        .iter()
        .map(|step| &step["call"])
        .collect();
    assert_eq!(calls, ["alone:Y1", "cooling-1"]);
    assert_eq!(
        told["changeover"]["outcome"], "not-shown",
        "heating was not called"
    );
    let not_proven = told["not_proven"].to_string();
    assert!(not_proven.contains("calls"), "{not_proven}");
}

/// The documents of two runs with the same seed, the values that may differ blanked.
#[test]
fn the_same_seed_gives_the_same_document() {
    let run = |seed: &str| {
        let folder = tempfile::tempdir().expect("a folder");
        let late = ["--link-fault", "late:board=900%0.1"];
        let faults = [&late[..], &["--link-fault", "garbage:board%0.05"]].concat();
        let more = [
            &["--json", "--seed", seed, "--fault", "swap:Y1,O"],
            &faults[..],
        ]
        .concat();
        let ran = simulated_run(folder.path(), &more);
        let journal = fs::read_to_string(&journals(folder.path())[0]).expect("a journal");
        let mut told = ran.json();
        blank(&mut told);
        let events = journal.lines().map(|line| {
            let mut event: Value = serde_json::from_str(line).expect("an event");
            blank(&mut event);
            event["prev"] = Value::Null;
            event
        });
        (ran.code, told, events.collect::<Vec<_>>())
    };
    let first = run("7");
    assert_eq!(first.0, Some(1));
    assert_eq!(first, run("7"));
    assert_ne!(first.2, run("8").2, "another seed disturbs other replies");
}

fn blank(value: &mut Value) {
    match value {
        Value::Object(object) => {
            for (key, inner) in object {
                let volatile = ["run_id", "started", "finished", "path", "head_hash", "at"];
                if volatile.contains(&key.as_str()) && !inner.is_object() {
                    *inner = Value::Null;
                } else {
                    blank(inner);
                }
            }
        }
        Value::Array(items) => items.iter_mut().for_each(blank),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

#[test]
fn the_subject_is_shown_until_it_is_deleted_and_never_in_the_journal() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().to_str().expect("UTF-8");
    let ran = simulated_run(
        folder.path(),
        &["--json", "--subject", "Panel 4, learner 17"],
    );
    assert_eq!(ran.json()["subject"], "Panel 4, learner 17");
    let journal = journals(folder.path()).remove(0);
    let text = fs::read_to_string(&journal).expect("a journal");
    assert!(
        !text.contains("learner 17"),
        "a name cannot be taken out of a chain"
    );
    let report = |format: &str| coilcall(&["report", "last", "--out", out, "--format", format]);
    let subject = |text: &str| {
        let line = text.lines().find(|line| line.starts_with("Subject"));
        line.expect("a line for the subject").to_owned()
    };
    let before = report("text");
    assert!(subject(before.text()).ends_with("Panel 4, learner 17"));
    let beside = journal.with_extension("subject.json");
    let kept = fs::read_to_string(&beside).expect("the record beside the journal");
    fs::write(&beside, kept.replace("learner 17", "learner 18")).expect("our own file");
    report("text").refused(&["subject", "does not belong to this journal"]);
    fs::remove_file(&beside).expect("our own file");
    let after = report("text");
    assert_eq!(after.code, Some(0), "{}", after.stderr);
    assert!(!after.text().contains("learner"));
    assert!(
        subject(after.text()).contains("removed"),
        "{}",
        subject(after.text())
    );
    assert_eq!(report("json").json()["subject"], Value::Null);
    // All but the subject is as before.
    let rest = |text: &str| {
        let lines = text.lines().filter(|line| !line.starts_with("Subject"));
        lines.map(str::to_owned).collect::<Vec<_>>()
    };
    assert_eq!(rest(before.text()), rest(after.text()));
}

#[test]
fn a_run_without_a_subject_says_that_none_was_given() {
    let folder = tempfile::tempdir().expect("a folder");
    let ran = simulated_run(folder.path(), &["--calls", "idle"]);
    assert!(
        ran.text().contains("Subject     (none given)"),
        "{}",
        ran.text()
    );
    let entries = fs::read_dir(folder.path()).expect("the folder");
    assert_eq!(entries.count(), 1, "the journal alone");
}

/// A journal with one thing changed is refused, and the line is named.
struct Tampering {
    _folder: tempfile::TempDir,
    journal: PathBuf,
    lines: Vec<String>,
}

impl Tampering {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        assert_eq!(
            simulated_run(folder.path(), &["--calls", "idle"]).code,
            Some(0)
        );
        let journal = journals(folder.path()).remove(0);
        let text = fs::read_to_string(&journal).expect("a journal");
        let lines = text.lines().map(str::to_owned).collect();
        Self {
            _folder: folder,
            journal,
            lines,
        }
    }

    fn report(&self, lines: &[String]) -> super::Ran {
        let mut text = lines.join("\n");
        text.push('\n');
        self.report_bytes(text.as_bytes())
    }

    fn report_bytes(&self, bytes: &[u8]) -> super::Ran {
        fs::write(&self.journal, bytes).expect("our own file");
        coilcall(&["report", self.journal.to_str().expect("UTF-8")])
    }

    /// The report is refused; the message names this line and says these words.
    #[track_caller]
    fn refused(&self, change: impl FnOnce(&mut Vec<String>), line: usize, words: &[&str]) {
        let mut lines = self.lines.clone();
        change(&mut lines);
        let ran = self.report(&lines);
        let place = format!("{}, line {line}:", self.journal.display());
        ran.refused(&[&place]);
        ran.refused(words);
    }
}

#[test]
fn a_changed_journal_names_the_line() {
    let tampering = Tampering::new();
    let count = tampering.lines.len();
    assert!(count > 6, "{count} lines");
    let changed = |lines: &mut Vec<String>| {
        lines[3] = lines[3].replacen("\"elapsed_us\":", "\"elapsed_us\": ", 1);
    };
    tampering.refused(changed, 4, &["was changed after it was written"]);
    tampering.refused(|lines| drop(lines.remove(2)), 3, &["number"]);
    let doubled = |lines: &mut Vec<String>| lines.insert(3, lines[2].clone());
    tampering.refused(doubled, 4, &["number"]);
    tampering.refused(|lines| lines.swap(2, 3), 3, &["number"]);
    let nonsense = |lines: &mut Vec<String>| lines[1] = "relay 3 is closed".to_owned();
    tampering.refused(nonsense, 2, &["not an event"]);
    let newer = |lines: &mut Vec<String>| lines[0] = lines[0].replacen("\"v\":1", "\"v\":9", 1);
    tampering.refused(newer, 1, &["format version 9", "newer"]);
    tampering.refused(|lines| drop(lines.remove(0)), 1, &["number 0 was expected"]);
    let more = |lines: &mut Vec<String>| lines.push(lines[2].clone());
    tampering.refused(more, count + 1, &[]);
    assert_eq!(
        tampering.report(&tampering.lines).code,
        Some(0),
        "unchanged, it reads"
    );
}

#[test]
fn a_journal_without_a_whole_line_is_said_to_hold_no_event() {
    let tampering = Tampering::new();
    let name = tampering.journal.display().to_string();
    for bytes in [&b""[..], &tampering.lines[0].as_bytes()[..100]] {
        tampering
            .report_bytes(bytes)
            .refused(&[&name, "holds no event"]);
    }
    tampering.report_bytes(b"\n").refused(&[&name, "line 1"]);
    tampering
        .report_bytes(b"\xff\xfe\x00\n")
        .refused(&[&name, "line 1"]);
}

/// What lost power leaves: whole lines, and half of one. It is a report, and says what it is.
#[test]
fn a_journal_that_ends_early_is_reported_as_inconclusive() {
    let tampering = Tampering::new();
    let whole = tampering.lines.len() - 2;
    let mut text = tampering.lines[..whole].join("\n");
    text.push('\n');
    text.push_str(&tampering.lines[whole][..20]);
    let ran = tampering.report_bytes(text.as_bytes());
    assert_eq!(ran.code, Some(0), "{}", ran.stderr);
    assert!(ran.text().contains("INCONCLUSIVE"), "{}", ran.text());
    assert!(!ran.text().contains("PASS:"), "{}", ran.text());
    assert!(ran.text().contains("NOT CONFIRMED SAFE"), "{}", ran.text());
    let journal = tampering.journal.to_str().expect("UTF-8");
    let told = coilcall(&["report", journal, "--json"]).json();
    assert_eq!(told["finished"], Value::Null);
    assert_eq!(told["verdict"], "inconc");
    assert_eq!(told["made_safe"], false);
}

/// As `coilcall … | head -1` does it: the reader takes one line and closes its end.
#[track_caller]
fn check_closed_pipe(arguments: &[&str], folder: &Path, exit: i32) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_coilcall"))
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut stdout = BufReader::with_capacity(16, child.stdout.take().expect("it is piped"));
    let mut line = String::new();
    stdout.read_line(&mut line).expect("a first line");
    assert!(!line.is_empty());
    drop(stdout);
    let mut said = String::new();
    let mut stderr = child.stderr.take().expect("it is piped");
    stderr.read_to_string(&mut said).expect("UTF-8");
    let status = child.wait().expect("it was started");
    assert_eq!(status.code(), Some(exit), "{said}");
    for word in ["error", "panicked", "pipe"] {
        assert!(!said.to_lowercase().contains(word), "{word} in {said}");
    }
}

#[test]
fn a_reader_that_has_seen_enough_is_no_error() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().to_str().expect("UTF-8");
    let top = stock("");
    // More than the 64 KiB that a pipe holds, so that the program is still writing.
    let run = [
        "run",
        "--simulate",
        "--json",
        "--out",
        out,
        "--bench",
        BENCH,
        "--profile",
        PROFILE,
    ];
    let all = [&run[..], &["--fault", "open:O"]].concat();
    check_closed_pipe(&all, &top, 1);
    let length = coilcall(&["report", "last", "--json", "--out", out])
        .stdout
        .len();
    assert!(length > 70_000, "{length} bytes");
    check_closed_pipe(&["report", "last", "--json", "--out", out], &top, 0);
    check_closed_pipe(&["expected", "--json", "--profile", PROFILE], &top, 0);
}

/// A full disk under the report must not hide that a relay may be closed: exit 5 overrides all.
#[cfg(target_os = "linux")]
#[test]
fn a_report_that_cannot_be_written_does_not_hide_an_unsafe_end() {
    let full = || {
        fs::OpenOptions::new()
            .write(true)
            .open("/dev/full")
            .expect("it is there")
    };
    let folder = tempfile::tempdir().expect("a folder");
    let run = |more: &[&str]| {
        let output = Command::new(env!("CARGO_BIN_EXE_coilcall"))
            .args(["run", "--simulate", "--bench", BENCH, "--profile", PROFILE])
            .args(more)
            .arg("--out")
            .arg(folder.path())
            .current_dir(stock(""))
            .stdout(full())
            .output()
            .expect("the program starts");
        let said = String::from_utf8(output.stderr).expect("UTF-8");
        (output.status.code(), said)
    };
    let (code, said) = run(&["--calls", "idle"]);
    assert_eq!(code, Some(4), "{said}");
    assert!(said.contains("the report cannot be written"), "{said}");
    // The adapter is pulled out while alone:Y1 is made.
    let (code, said) = run(&["--link-fault", "unplug:board@1.0"]);
    assert_eq!(code, Some(5), "{said}");
    assert!(said.contains("the report cannot be written"), "{said}");
    assert!(
        said.trim_end().ends_with("before you touch a conductor."),
        "{said}"
    );
}
