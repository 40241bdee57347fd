//! The live table on a screen of its own, which does what the table tells it and no more.

use super::fixture::{Run, all_pass, link_trouble, swapped};
use coilcall::domain::{Call, Observed, Question, Verdict};
use coilcall::event::{EventKind, RelayReason, Waiting, WaitingFor};
use coilcall::terminal::LiveTable;
use coilcall::units::Microseconds;
use indicatif::TermLike;
use std::io;
use std::sync::{Arc, Mutex};

/// Lines and the cursor's place among them. As on a real terminal, a line that is full goes on in
/// the next one with the next character.
#[derive(Debug, Default)]
struct Lines {
    lines: Vec<Vec<char>>,
    row: usize,
    column: usize,
}

impl Lines {
    fn put(&mut self, letter: char, width: usize) {
        if letter == '\n' || self.column == width {
            self.row += 1;
            self.column = 0;
        }
        if letter == '\n' {
            return;
        }
        if self.lines.len() <= self.row {
            self.lines.resize(self.row + 1, Vec::new());
        }
        let line = &mut self.lines[self.row];
        if line.len() <= self.column {
            line.resize(self.column + 1, ' ');
        }
        line[self.column] = letter;
        self.column += 1;
    }

    fn clear(&mut self) {
        if let Some(line) = self.lines.get_mut(self.row) {
            line.clear();
        }
        self.column = 0;
    }
}

/// A screen that never scrolls: every line stays to be looked at.
#[derive(Debug, Clone, Default)]
struct Screen {
    width: u16,
    shown: Arc<Mutex<Lines>>,
}

impl Screen {
    fn with<T>(&self, act: impl FnOnce(&mut Lines) -> T) -> T {
        act(&mut self.shown.lock().expect("no test panics while it writes"))
    }

    fn text(&self) -> Vec<String> {
        self.with(|shown| {
            let lines = shown.lines.iter();
            let texts = lines.map(|line| line.iter().collect::<String>().trim_end().to_owned());
            texts.filter(|text| !text.is_empty()).collect()
        })
    }
}

impl TermLike for Screen {
    fn width(&self) -> u16 {
        self.width
    }

    fn move_cursor_up(&self, n: usize) -> io::Result<()> {
        self.with(|shown| shown.row = shown.row.saturating_sub(n));
        Ok(())
    }

    fn move_cursor_down(&self, n: usize) -> io::Result<()> {
        self.with(|shown| shown.row += n);
        Ok(())
    }

    fn move_cursor_right(&self, _: usize) -> io::Result<()> {
        Ok(())
    }

    fn move_cursor_left(&self, _: usize) -> io::Result<()> {
        Ok(())
    }

    fn write_line(&self, text: &str) -> io::Result<()> {
        self.write_str(text)?;
        self.write_str("\n")
    }

    fn write_str(&self, text: &str) -> io::Result<()> {
        let width = usize::from(self.width);
        self.with(|shown| text.chars().for_each(|letter| shown.put(letter, width)));
        Ok(())
    }

    fn clear_line(&self) -> io::Result<()> {
        self.with(Lines::clear);
        Ok(())
    }

    fn flush(&self) -> io::Result<()> {
        Ok(())
    }
}

fn table(width: u16) -> (Screen, Option<LiveTable>) {
    let screen = Screen {
        width,
        ..Screen::default()
    };
    let table = LiveTable::new(screen.clone(), false);
    (screen, table)
}

fn shown(run: &Run, width: u16) -> Vec<String> {
    let (screen, table) = table(width);
    let mut table = table.expect("wide enough");
    for event in run.events() {
        table.observe(&event);
    }
    drop(table);
    screen.text()
}

#[track_caller]
fn check(run: &Run, width: u16, expected: &[&str]) {
    let shown = shown(run, width);
    for line in expected {
        assert!(shown.iter().any(|s| s == line), "no '{line}' in {shown:#?}");
    }
}

#[test]
fn one_row_for_each_call_and_one_column_for_each_line() {
    check(
        &swapped(),
        100,
        &[
            "        call              result       Y1     G      O      W2",
            "  1/5   idle              pass         .      .      .      .",
            "  2/5   fan-only          FAIL         [ON]   [OFF]  .      .",
            "  3/5   cooling-1         pass         on     on     on     .",
            "FAIL: 2 of 5 calls wrong: fan-only, emergency-heat.",
            "SIMULATED: no real wiring was tested.",
        ],
    );
    let rows = shown(&all_pass(), 100);
    let of_calls = rows.iter().filter(|row| row.contains("/5  ")).count();
    assert_eq!(of_calls, 5, "{rows:#?}");
}

#[test]
fn what_goes_wrong_beyond_the_last_column_is_named_below_its_row() {
    check(
        &swapped(),
        60,
        &[
            "        call              result       Y1     G      O",
            "  2/5   fan-only          FAIL         [ON]   [OFF]  .",
        ],
    );
    let mut run = Run::begin(|_| {});
    run.step(2, &["G", "W2"]);
    check(&run, 60, &["                          and W2 [ON]"]);
}

#[test]
fn repeated_requests_are_counted_and_the_rest_is_told() {
    let shown = shown(&link_trouble(), 100);
    let row =
        "  3/5   cooling-1         inconclusive ?      ?      ?      ?      1 request repeated";
    assert!(shown.iter().any(|line| line == row), "{shown:#?}");
    let told = shown.iter().filter(|line| line.contains("TROUBLE")).count();
    assert_eq!(told, 1, "{shown:#?}");
    for line in &shown {
        assert!(line.chars().count() <= 100, "{line}");
    }
}

#[test]
fn the_row_being_made_shows_what_is_called() {
    let run = Run::begin(|_| {});
    let (screen, table) = table(100);
    let mut table = table.expect("wide enough");
    let mut run = run;
    run.begin_step(2, Observed::On);
    run.relays(RelayReason::Call, &["G"], true);
    for event in run.events() {
        table.observe(&event);
    }
    let shown = screen.text();
    let last = shown.last().expect("a row");
    assert_eq!(last, "  2/5   fan-only          ...                 call");
}

#[test]
fn a_narrow_terminal_gets_no_table() {
    assert!(table(59).1.is_none());
}

fn ask(run: &Run, choices: &[&str]) {
    run.add(EventKind::Waiting(Waiting {
        why: WaitingFor::Operator,
        until: Microseconds(180_300_000),
    }));
    run.add(EventKind::Asked {
        prompt: 1,
        about: Question::Warmth {
            call: Call::FanOnly,
        },
        text: "Are the filters in, the registers open, and every cover closed again?".to_owned(),
        choices: choices.iter().map(|choice| (*choice).to_owned()).collect(),
    });
}

#[test]
fn an_answer_is_typed_behind_a_prompt_below_its_question() {
    let run = Run::begin(|_| {});
    ask(&run, &["yes", "no"]);
    let (screen, table) = table(60);
    let mut table = table.expect("wide enough");
    let mut events = run.events();
    events.iter().for_each(|event| table.observe(event));
    let asked = [
        "  ??  Are the filters in, the registers open, and every",
        "      cover closed again? [yes / no] (180 s)",
        "  >",
    ];
    let shown = screen.text();
    assert_eq!(shown[shown.len() - 3..], asked, "{shown:#?}");
    assert_eq!(screen.with(|lines| lines.column), 6, "{shown:#?}");
    // What is typed stays, and what follows stands below it.
    screen.write_str("yes\n").expect("a screen in memory");
    run.add(EventKind::Answered {
        prompt: 1,
        text: "yes".to_owned(),
        via: "keyboard".to_owned(),
    });
    run.add(EventKind::Suspended {
        why: "a test".to_owned(),
    });
    let known = events.len();
    events = run.events();
    events[known..]
        .iter()
        .for_each(|event| table.observe(event));
    let shown = screen.text();
    assert_eq!(
        shown[shown.len() - 2..],
        ["  >   yes", "  ##  STANDS STILL: a test"],
        "{shown:#?}"
    );
}

#[test]
fn a_prompt_that_nobody_answers_leaves_no_trace() {
    let mut run = Run::begin(|_| {});
    run.begin_step(2, Observed::On);
    ask(&run, &["yes", "no"]);
    run.end_step(2, Verdict::Inconc, "nobody answered");
    let shown = shown(&run, 100);
    assert!(
        !shown.iter().any(|line| line.starts_with("  >")),
        "{shown:#?}"
    );
    let last = shown.last().expect("a row");
    assert!(
        last.starts_with("  2/5   fan-only          inconclusive"),
        "{last}"
    );
}

#[test]
fn a_wait_that_goes_on_is_told_once_in_a_call() {
    let mut run = Run::begin(|_| {});
    for step in [2, 3] {
        run.begin_step(step, Observed::On);
        let now = run.events().last().expect("an event").elapsed_us.0;
        for _ in 0..2 {
            run.add(EventKind::Waiting(Waiting {
                why: WaitingFor::ControllerTimer,
                until: Microseconds(now + 60_000_000),
            }));
        }
    }
    let shown = shown(&run, 100);
    let told = shown.iter().filter(|line| line.contains("WAITING"));
    assert_eq!(told.count(), 2, "{shown:#?}");
}

#[test]
fn columns_that_fit_stay_columns() {
    let wide = Run::begin(|_| {});
    wide.add(EventKind::Suspended {
        why: "fan    blower".to_owned(),
    });
    check(&wide, 100, &["  ##  STANDS STILL: fan    blower"]);
}

#[test]
fn no_control_character_reaches_the_terminal() {
    let run = Run::begin(|started| started.bench.name = "Panel \u{1b}[2J".to_owned());
    run.add(EventKind::Suspended {
        why: "\u{7}\u{1b}]0;x".to_owned(),
    });
    let shown = shown(&run, 100).join("\n");
    assert!(shown.contains("Panel ?[2J"), "{shown}");
    assert!(
        !shown.contains(|c: char| c.is_control() && c != '\n'),
        "{shown:?}"
    );
}
