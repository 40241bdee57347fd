//! Progress lines as events come.

use super::fixture::{
    Run, all_pass, cut_short, error_before_any_step, everything_dead, link_trouble, swapped,
    terminal,
};
use coilcall::domain::{Call, Question, Verdict};
use coilcall::event::{EventKind, FinishReason, Waiting, WaitingFor};
use coilcall::terminal::Progress;
use coilcall::units::Microseconds;
use std::io::{self, Write};

fn progress(run: &Run) -> String {
    let mut bytes = Vec::new();
    let mut progress = Progress::new(&mut bytes);
    for event in run.events() {
        progress.observe(&event);
    }
    assert_eq!(*progress.state(), run.state());
    String::from_utf8(bytes).expect("progress is UTF-8")
}

#[track_caller]
fn check(run: &Run, lines: &[&str]) {
    let text = progress(run);
    for line in lines {
        assert!(
            text.lines().any(|shown| shown == *line),
            "no '{line}' in:\n{text}"
        );
    }
}

#[test]
fn one_line_for_each_step() {
    let run = all_pass();
    check(
        &run,
        &[
            "  1/5   idle               pass",
            "  3/5   cooling-1          pass",
            "PASS: in all 5 calls every line was as this profile demands.",
        ],
    );
    let steps = progress(&run).lines().filter(|l| l.contains("/5 ")).count();
    assert_eq!(steps, 5);
}

#[test]
fn wrong_lines_are_named_as_they_are_found() {
    check(
        &swapped(),
        &[
            "  ##  SIMULATED, seed 7",
            "  2/5   fan-only           FAIL: Y1 expected dead, seen LIVE; G expected \
             live, seen DEAD",
            "FAIL: 2 of 5 calls wrong: fan-only, emergency-heat.",
            "SIMULATED: no real wiring was tested.",
        ],
    );
    check(
        &everything_dead(),
        &["  2/5   fan-only           FAIL: G expected live, seen DEAD"],
    );
}

#[test]
fn trouble_is_loud() {
    check(
        &link_trouble(),
        &[
            "  !!  TROUBLE on \"board\" (try 1): read inputs 1-16 of unit 1 on link board: no \
             complete reply in time (0 of 7 bytes in 800 ms); asking again",
            "  3/5   cooling-1          inconclusive: the inputs of board did not answer",
        ],
    );
    check(
        &error_before_any_step(),
        &[
            "!!!!! NOT CONFIRMED SAFE: relay board \"board\": did not read back open (no complete \
             reply in time) !!!!!",
            "BENCH ERROR: the bench itself failed; this says nothing of the wiring.",
            "!!!!! NOT CONFIRMED SAFE: isolate the supply, lock it, prove dead !!!!!",
        ],
    );
}

#[test]
fn only_long_waits_are_shown() {
    let run = Run::begin(|_| {});
    for why in [WaitingFor::Settle, WaitingFor::MinimumOff] {
        run.add(EventKind::Waiting(Waiting {
            why,
            until: Microseconds(300_000_000),
        }));
    }
    // The clock stands at 0.3 s at the third event.
    check(
        &run,
        &["  ..  WAITING for the compressor's minimum-off time, at most 5 min"],
    );
    assert_eq!(progress(&run).matches("WAITING").count(), 1);
}

#[test]
fn a_question_says_its_answers_once_and_how_long_it_stands() {
    let run = Run::begin(|_| {});
    let asked = |text: &str, choices: &[&str]| {
        run.add(EventKind::Waiting(Waiting {
            why: WaitingFor::Operator,
            until: Microseconds(180_000_000),
        }));
        run.add(EventKind::Asked {
            prompt: 0,
            about: Question::MakeCall {
                call: Call::FanOnly,
                lines: vec![terminal("G")],
                two_supplies: false,
            },
            text: text.to_owned(),
            choices: choices.iter().map(|choice| (*choice).to_owned()).collect(),
        });
    };
    asked("Put G on R. Done?", &["done", "cannot"]);
    asked(
        "Which of Y1 G are live? (names, or none)",
        &["Y1", "G", "none"],
    );
    check(
        &run,
        &[
            "  ??  Put G on R. Done? [done / cannot] (180 s)",
            "  ??  Which of Y1 G are live? (names, or none) (180 s)",
        ],
    );
    assert!(!progress(&run).contains("WAITING"));
}

#[test]
fn an_early_end_says_what_stands_open_and_what_may_still_be_on() {
    let ended = |by_jumper: bool| {
        let run = Run::begin(|started| {
            if by_jumper {
                started.plan.drives.clear();
            }
        });
        run.make_safe(&[], &[]);
        run.finish(Verdict::Inconc, FinishReason::Cancelled, "cancelled");
        run
    };
    check(
        &ended(false),
        &["Every relay was opened and read back open: no isolation."],
    );
    check(
        &ended(true),
        &["A jumper may still be on: take every jumper off."],
    );
}

struct Closed {
    writes: u32,
}

impl Write for Closed {
    fn write(&mut self, _: &[u8]) -> io::Result<usize> {
        self.writes += 1;
        Err(io::ErrorKind::BrokenPipe.into())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[test]
fn a_closed_terminal_does_not_stop_the_fold() {
    let run = cut_short();
    let mut closed = Closed { writes: 0 };
    let mut progress = Progress::new(&mut closed);
    for event in run.events() {
        progress.observe(&event);
    }
    assert_eq!(*progress.state(), run.state());
    drop(progress);
    assert_eq!(closed.writes, 1);
}
