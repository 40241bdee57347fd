//! The run as a table that grows: one row a call, one column a line.
//!
//! Place in the data's path: takes the same events as the plain progress lines, on a terminal. Rows
//! of finished calls scroll up like any line, so that nothing is lost on a short screen; the last
//! row is the call being made and changes in place. State shows by shape and word; colour comes on
//! top where the terminal wants it. Nobody's terminal may stop a run: what cannot be drawn is left
//! out.

use super::narration::{Narration, plain};
use crate::domain::plan::PlannedStep;
use crate::domain::{Expected, Verdict};
use crate::event::{EventKind, LineJudged, NextAction, RelayReason, RelaysSet, RunEvent, RunState};
use crate::report::{CALL_WIDTH, CellMark, name_width};
use crate::units::Terminal;
use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle, TermLike};
use std::collections::{BTreeMap, BTreeSet};

/// Columns of the number and the result, beside the call's.
const LEFT: usize = 8 + 13;
/// Columns of a line: the longest mark and a gap.
const CELL: usize = 7;
/// The header is printed again once so many lines have followed it.
const HEADER_EVERY: usize = 16;
/// A terminal narrower than this shows plain progress lines.
const NARROWEST: usize = 60;
/// How often the row may be drawn.
const HERTZ: u8 = 20;
/// Stands before the answer that is typed.
const PROMPT: &str = "  >   ";

/// Shows a run on a terminal, event by event.
pub struct LiveTable {
    state: RunState,
    /// The terminal itself, for the prompt: a progress bar leaves the cursor at the right margin.
    terminal: Box<dyn TermLike>,
    screen: MultiProgress,
    row: ProgressBar,
    width: usize,
    is_coloured: bool,
    /// Columns of the call.
    call_width: usize,
    /// Lines with a column.
    columns: Vec<Terminal>,
    /// Lines whose relay is commanded closed.
    called: BTreeSet<Terminal>,
    /// The worst judgement on each line of the call being made.
    judged: BTreeMap<Terminal, LineJudged>,
    /// Requests that were repeated during it.
    repeated: u32,
    /// Whether a person is typing an answer: nothing is drawn over it meanwhile.
    is_asking: bool,
    /// What was last said of a wait in this call.
    last_wait: String,
    /// Lines printed since the header; `None` before the first one.
    since_header: Option<usize>,
}

impl LiveTable {
    /// A table on a terminal; `None` where it is too narrow.
    #[must_use]
    pub fn new(terminal: impl TermLike + Clone + 'static, is_coloured: bool) -> Option<Self> {
        let width = usize::from(terminal.width());
        if width < NARROWEST {
            return None;
        }
        let target = ProgressDrawTarget::term_like_with_hz(Box::new(terminal.clone()), HERTZ);
        let screen = MultiProgress::with_draw_target(target);
        let row = screen.add(ProgressBar::no_length());
        let style = ProgressStyle::with_template("{wide_msg}");
        row.set_style(style.expect("the template is well formed"));
        Some(Self {
            state: RunState::default(),
            terminal: Box::new(terminal),
            screen,
            row,
            width,
            is_coloured,
            call_width: CALL_WIDTH,
            columns: Vec::new(),
            called: BTreeSet::new(),
            judged: BTreeMap::new(),
            repeated: 0,
            is_asking: false,
            last_wait: String::new(),
            since_header: None,
        })
    }

    /// Whether the person at the terminal has not asked for no colour.
    #[must_use]
    pub fn wants_colour() -> bool {
        let is_set = |name| std::env::var_os(name).is_some_and(|value| !value.is_empty());
        !is_set("NO_COLOR") && std::env::var_os("TERM").is_none_or(|term| term != "dumb")
    }

    /// Takes one event in and shows what is to be shown of it.
    pub fn observe(&mut self, event: &RunEvent) {
        self.state.apply(event);
        match &event.kind {
            EventKind::RunStarted(started) => {
                self.call_width = name_width(&started.plan);
                let room = self.width.saturating_sub(LEFT + self.call_width);
                self.columns = columns(&started.plan.steps, &started.plan.lines, room);
                self.say(event);
            }
            EventKind::Asked { .. } => {
                self.end_prompt();
                self.row.set_message(String::new());
                self.say(event);
                self.is_asking = true;
                self.show_prompt();
            }
            EventKind::Answered { .. } => {
                self.end_prompt();
                self.draw_current();
            }
            EventKind::Waiting(_) => self.say_wait(event),
            EventKind::StepStarted(step) => {
                self.judged.clear();
                self.last_wait.clear();
                self.say(event);
                if self.since_header.is_none_or(|lines| lines >= HEADER_EVERY) {
                    self.print(&self.header());
                    self.since_header = Some(0);
                }
                self.draw(step.step);
            }
            EventKind::Trouble(trouble) if is_small(trouble.next) => {
                self.repeated += 1;
                self.draw_current();
            }
            EventKind::RelaysSet(set) => {
                self.command(set);
                self.draw_current();
            }
            EventKind::LineJudged(judged) => {
                self.judge(judged);
                self.draw(judged.step);
            }
            EventKind::StepFinished(finished) => {
                // Silence ends a question too.
                self.end_prompt();
                self.row.set_message(String::new());
                let row = self.finished_row(finished.step, finished.verdict);
                self.print(&row);
                self.repeated = 0;
            }
            EventKind::RunFinished(_) => {
                self.end_prompt();
                self.row.finish_and_clear();
                self.say(event);
            }
            _ => self.say(event),
        }
    }

    /// What the plain progress lines would say.
    fn say(&mut self, event: &RunEvent) {
        let text = Narration { state: &self.state }.text_of(event);
        for line in plain(&text).lines() {
            self.print(&wrapped(line, self.width));
        }
    }

    /// A wait that goes on as it was is told once in a call.
    fn say_wait(&mut self, event: &RunEvent) {
        let text = Narration { state: &self.state }.text_of(event);
        if text != self.last_wait {
            self.say(event);
            self.last_wait = text;
        }
    }

    /// Prints above the row that changes, and above a prompt.
    fn print(&mut self, text: &str) {
        if let Some(lines) = &mut self.since_header {
            *lines += text.lines().count().max(1);
        }
        let is_asking = self.is_asking;
        self.end_prompt();
        self.attempt(|table| table.screen.println(text));
        if is_asking {
            self.is_asking = true;
            self.show_prompt();
        }
    }

    /// Leaves the cursor where the answer is to be typed.
    fn show_prompt(&self) {
        self.attempt(|table| {
            table.screen.clear()?;
            table.terminal.write_str(PROMPT)?;
            table.terminal.flush()
        });
    }

    /// Takes away a prompt that was not answered; after an answer the line is empty already.
    fn end_prompt(&mut self) {
        if self.is_asking {
            self.is_asking = false;
            self.attempt(|table| table.terminal.clear_line());
        }
    }

    /// Draws; a terminal that is gone is no reason to stop.
    fn attempt(&self, draw: impl FnOnce(&Self) -> std::io::Result<()>) {
        if draw(self).is_err() {
            self.screen.set_draw_target(ProgressDrawTarget::hidden());
        }
    }

    fn draw_current(&self) {
        let last = self.state.steps.last();
        if let Some(step) = last.filter(|step| step.verdict.is_none()) {
            self.draw(step.number);
        }
    }

    fn draw(&self, number: u32) {
        if self.is_asking {
            return;
        }
        self.row.set_message(self.row_text(number, "..."));
    }

    fn command(&mut self, set: &RelaysSet) {
        let Some((_, started)) = &self.state.started else {
            return;
        };
        if matches!(set.reason, RelayReason::Multiplex | RelayReason::Load) {
            return;
        }
        let drives = started.plan.drives.iter();
        for drive in drives.filter(|drive| drive.relay.device == set.device) {
            if set.intended.contains(&drive.relay.coil) {
                self.called.insert(drive.terminal.clone());
            } else {
                self.called.remove(&drive.terminal);
            }
        }
    }

    fn judge(&mut self, judged: &LineJudged) {
        let known = self.judged.get(&judged.terminal);
        if known.is_none_or(|known| judged.verdict > known.verdict) {
            self.judged.insert(judged.terminal.clone(), judged.clone());
        }
    }

    fn header(&self) -> String {
        let width = self.call_width;
        let mut text = format!("{:8}{:<width$}{:<13}", "", "call", "result");
        for line in &self.columns {
            text.push_str(&format!("{line:<CELL$}"));
        }
        text.trim_end().to_owned()
    }

    fn finished_row(&self, number: u32, verdict: Verdict) -> String {
        let result = match verdict {
            Verdict::Fail => "FAIL",
            Verdict::Error => "BENCH ERROR",
            other => other.spoken(),
        };
        let text = self.row_text(number, result);
        let elsewhere: Vec<String> = self
            .judged
            .values()
            .filter(|line| line.verdict == Verdict::Fail && !self.columns.contains(&line.terminal))
            .map(|line| format!("{} {}", line.terminal, CellMark::of_judged(line).text()))
            .collect();
        let mut notes = match self.repeated {
            0 => Vec::new(),
            1 => vec!["1 request repeated".to_owned()],
            count => vec![format!("{count} requests repeated")],
        };
        if !elsewhere.is_empty() {
            notes.push(format!("and {}", elsewhere.join(", ")));
        }
        let note = notes.join("; ");
        if note.is_empty() {
            return text;
        }
        let used = LEFT + self.call_width + CELL * self.columns.len();
        if used + note.chars().count() <= self.width {
            format!("{text}{note}")
        } else {
            format!("{text}\n{:indent$}{note}", "", indent = 8 + self.call_width)
        }
    }

    fn row_text(&self, number: u32, result: &str) -> String {
        let narration = Narration { state: &self.state };
        let total = narration.plan().len();
        let call = narration.call_of(number);
        let width = self.call_width;
        let mut text = format!("{number:>3}/{total:<3} {call:<width$}");
        text.push_str(&self.coloured(&format!("{result:<13}"), colour_of(result)));
        for line in &self.columns {
            let (mark, colour) = match self.judged.get(line) {
                Some(judged) => {
                    let mark = CellMark::of_judged(judged);
                    (mark.text(), colour_of_mark(mark))
                }
                None if self.called.contains(line) => ("call", "36"),
                None => ("", ""),
            };
            text.push_str(&self.coloured(&format!("{mark:<CELL$}"), colour));
        }
        text
    }

    fn coloured(&self, text: &str, colour: &str) -> String {
        if colour.is_empty() || !self.is_coloured {
            return text.to_owned();
        }
        format!("\u{1b}[{colour}m{text}\u{1b}[0m")
    }
}

/// The select-graphic-rendition numbers (ECMA-48, 8.3.117) of a result.
fn colour_of(result: &str) -> &'static str {
    match result {
        "pass" => "32",
        "FAIL" | "BENCH ERROR" => "1;31",
        "inconclusive" => "33",
        _ => "",
    }
}

fn colour_of_mark(mark: CellMark) -> &'static str {
    match mark {
        CellMark::On | CellMark::EitherOn => "1",
        CellMark::Dead | CellMark::EitherDead | CellMark::NotJudged => "",
        CellMark::Unclear => "33",
        CellMark::WrongOn | CellMark::WrongDead | CellMark::Held | CellMark::Drop => "1;31",
    }
}

/// Whether the trouble is over as soon as the request is made again. Its count stands in the row;
/// the report and the journal hold every one of them.
fn is_small(next: NextAction) -> bool {
    matches!(next, NextAction::Retry | NextAction::ReadBack)
}

/// The line broken at spaces, its further lines under its first word; as it is where it fits, so
/// that columns stay columns.
fn wrapped(line: &str, width: usize) -> String {
    if line.chars().count() < width {
        return line.to_owned();
    }
    let words = line.trim_start_matches([' ', '.', '!', '#', '>', '?']);
    let indent = line.chars().count() - words.chars().count();
    let mut text = line[..line.len() - words.len()].to_owned();
    let mut used = indent;
    for word in kept_together(words) {
        let length = word.chars().count();
        if used > indent {
            if used + 1 + length >= width {
                text.push_str(&format!("\n{:indent$}", ""));
                used = indent;
            } else {
                text.push(' ');
                used += 1;
            }
        }
        text.push_str(&word);
        used += length;
    }
    text
}

/// The words; a number with its unit, and a choice with the bar after it, count as one.
fn kept_together(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let is_unit = matches!(
            word.trim_end_matches([')', ';', ',', '.']),
            "s" | "min" | "V" | "A"
        );
        match words.last_mut() {
            Some(last)
                if word == "/" || (is_unit && last.ends_with(|c: char| c.is_ascii_digit())) =>
            {
                last.push(' ');
                last.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    words
}

/// Lines that some call uses, as many as fit; what goes wrong elsewhere is told below its row.
fn columns(steps: &[PlannedStep], lines: &[Terminal], room: usize) -> Vec<Terminal> {
    let is_used = |line: &&Terminal| {
        steps
            .iter()
            .filter_map(|step| step.cells.get(line))
            .any(|cell| cell.expected != Expected::Off)
    };
    lines
        .iter()
        .filter(is_used)
        .filter(|line| line.as_str().len() < CELL)
        .take(room / CELL)
        .cloned()
        .collect()
}
