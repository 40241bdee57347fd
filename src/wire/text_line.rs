//! Lines of text: where one ends, and the reply to one known question.
//!
//! Place in the data's path: below `scpi` and `ascii_line`, which know what a line means; above the
//! bus, which has the bytes. A line of text carries no check sum and no number of its question. So
//! everything is refused that can be told apart: bytes that are no ASCII text, a line too many,
//! anything behind the line. What remains the drivers catch by asking a second question.
//!
//! **Local echo**: a line equal to the question is dropped, and the reply may follow; if none does
//! by the deadline, that is [`Echoed`](TroubleKind::Echoed).

use super::reply::{ReplyDecoder, Step};
use crate::units::TroubleKind;

/// No line of any device here is longer.
const LONGEST_LINE: usize = 1024;
/// A line of one character and its end.
const SHORTEST_LINE: usize = 2;
/// So much of a line is repeated to a person.
const QUOTED_CHARACTERS: usize = 60;

/// Which bytes end a line that is received.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineEnds {
    /// A line feed, with or without a carriage return before it (IEEE 488.2 over a stream).
    LineFeed,
    /// Either of them or both; empty lines count for nothing.
    Either,
}

/// What a line says, as an answer to the question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Meaning<R> {
    /// The answer.
    Answer(R),
    /// A clear refusal, or an answer that must not be used: what it said.
    Refused(String),
    /// No answer to this question: expected against got.
    Other(String),
}

/// A line as evidence, shortened.
#[must_use]
pub fn quoted(line: &str) -> String {
    let mut shown: String = line.chars().take(QUOTED_CHARACTERS).collect();
    if line.chars().count() > QUOTED_CHARACTERS {
        shown.push('…');
    }
    format!("'{shown}'")
}

/// What stands at the front of received bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Front<'a> {
    /// No end yet.
    Unfinished,
    /// A whole line without its end, and the bytes up to behind the end.
    Line { text: &'a str, used: usize },
    /// No text, or too long.
    Damaged(String),
}

/// Takes the first line of received bytes.
pub(super) fn front(bytes: &[u8], ends: LineEnds) -> Front<'_> {
    let is_end = |byte: &u8| *byte == b'\n' || (ends == LineEnds::Either && *byte == b'\r');
    let end = bytes.iter().position(is_end);
    let body = &bytes[..end.unwrap_or(bytes.len())];
    let is_text = |byte: &u8| matches!(*byte, b' '..=b'~' | b'\t' | b'\r');
    if let Some(at) = body.iter().position(|byte| !is_text(byte)) {
        return Front::Damaged(format!("byte {:02X} is no ASCII text", body[at]));
    }
    if body.len() > LONGEST_LINE {
        let detail = format!("more than {LONGEST_LINE} bytes without an end of line");
        return Front::Damaged(detail);
    }
    match end {
        None => Front::Unfinished,
        Some(end) => Front::Line {
            text: str::from_utf8(body).expect("ASCII is UTF-8").trim(),
            used: end + 1,
        },
    }
}

/// Finds the one line that answers a question.
#[derive(Debug)]
pub struct LineReplyDecoder<M> {
    question: String,
    ends: LineEnds,
    meaning: M,
}

impl<M> LineReplyDecoder<M> {
    /// A decoder for the answer to this question; `meaning` reads the line.
    #[must_use]
    pub fn new(question: &str, ends: LineEnds, meaning: M) -> Self {
        Self {
            question: question.trim().to_owned(),
            ends,
            meaning,
        }
    }
}

impl<R, M: Fn(&str) -> Meaning<R>> LineReplyDecoder<M> {
    fn scan(&self, received: &[u8], at_end: bool) -> Step<R> {
        let mut start = 0;
        let mut echoes = 0;
        loop {
            match front(&received[start..], self.ends) {
                Front::Damaged(detail) => return corrupt(detail),
                Front::Unfinished if at_end => return self.nothing(&received[start..], echoes),
                Front::Unfinished => return Step::NeedMore,
                Front::Line { text, used } => {
                    start += used;
                    if text.is_empty() {
                        continue;
                    }
                    if text == self.question {
                        echoes += 1;
                        continue;
                    }
                    return self.judge(text, &received[start..], start);
                }
            }
        }
    }

    fn judge(&self, text: &str, behind: &[u8], used: usize) -> Step<R> {
        if !behind.trim_ascii().is_empty() {
            let more = String::from_utf8_lossy(behind);
            let detail = format!(
                "one line expected, got {} and behind it {}",
                quoted(text),
                quoted(more.trim())
            );
            return Step::Trouble {
                kind: TroubleKind::Mismatched,
                detail,
            };
        }
        // The rest of this line's end, or a blank line.
        let used = used + behind.len();
        match (self.meaning)(text) {
            Meaning::Answer(reply) => Step::Reply { reply, used },
            Meaning::Refused(detail) => Step::Refused {
                kind: TroubleKind::Refused,
                detail,
                used,
            },
            Meaning::Other(detail) => Step::Trouble {
                kind: TroubleKind::Mismatched,
                detail,
            },
        }
    }

    fn nothing(&self, rest: &[u8], echoes: usize) -> Step<R> {
        let half = String::from_utf8_lossy(rest);
        let half = half.trim();
        let (kind, detail) = if !half.is_empty() {
            let detail = format!("a line without its end: {}", quoted(half));
            (TroubleKind::Timeout, detail)
        } else if echoes > 0 {
            (TroubleKind::Echoed, "nothing came behind it".to_owned())
        } else {
            (TroubleKind::Timeout, "no line came".to_owned())
        };
        Step::Trouble { kind, detail }
    }
}

fn corrupt<R>(detail: String) -> Step<R> {
    Step::Trouble {
        kind: TroubleKind::Corrupt,
        detail,
    }
}

impl<R, M: Fn(&str) -> Meaning<R>> ReplyDecoder for LineReplyDecoder<M> {
    type Reply = R;

    fn decode(&mut self, received: &[u8]) -> Step<R> {
        self.scan(received, false)
    }

    fn conclude(&mut self, received: &[u8]) -> Step<R> {
        self.scan(received, true)
    }

    fn shortest_reply(&self) -> usize {
        SHORTEST_LINE
    }
}

/// Takes, from a device that streams, the first whole line that began after listening did.
///
/// Nobody knows whether listening began inside a line, so everything up to the first end counts
/// for nothing, even where it looks like a whole line.
#[derive(Debug)]
pub struct StreamedLineDecoder<M> {
    meaning: M,
}

impl<M> StreamedLineDecoder<M> {
    /// A decoder whose line is read by `meaning`.
    #[must_use]
    pub fn new(meaning: M) -> Self {
        Self { meaning }
    }
}

impl<R, M: Fn(&str) -> Meaning<R>> StreamedLineDecoder<M> {
    fn scan(&self, received: &[u8]) -> Step<R> {
        let is_end = |byte: &u8| matches!(byte, b'\r' | b'\n');
        let Some(first_end) = received.iter().position(is_end) else {
            return if received.len() > LONGEST_LINE {
                corrupt(format!("{} bytes without an end of line", received.len()))
            } else {
                Step::NeedMore
            };
        };
        let mut start = first_end + 1;
        loop {
            match front(&received[start..], LineEnds::Either) {
                Front::Unfinished => return Step::NeedMore,
                Front::Damaged(detail) => return corrupt(detail),
                Front::Line { text, used } => {
                    start += used;
                    if text.is_empty() {
                        continue;
                    }
                    return match (self.meaning)(text) {
                        Meaning::Answer(reply) => Step::Reply { reply, used: start },
                        Meaning::Refused(detail) => Step::Refused {
                            kind: TroubleKind::Refused,
                            detail,
                            used: start,
                        },
                        Meaning::Other(detail) => Step::Trouble {
                            kind: TroubleKind::Mismatched,
                            detail,
                        },
                    };
                }
            }
        }
    }
}

impl<R, M: Fn(&str) -> Meaning<R>> ReplyDecoder for StreamedLineDecoder<M> {
    type Reply = R;

    fn decode(&mut self, received: &[u8]) -> Step<R> {
        self.scan(received)
    }

    fn conclude(&mut self, received: &[u8]) -> Step<R> {
        match self.scan(received) {
            Step::NeedMore => Step::Trouble {
                kind: TroubleKind::Timeout,
                detail: if received.is_empty() {
                    "no byte came from a device that should stream".to_owned()
                } else {
                    format!(
                        "{} bytes came, no whole line that began after the question among them; \
                         two whole lines must come within reply_timeout_ms",
                        received.len()
                    )
                },
            },
            other => other,
        }
    }

    fn shortest_reply(&self) -> usize {
        SHORTEST_LINE
    }
}

/// For a command that is answered by nothing: done as soon as it is sent.
#[derive(Debug, Clone, Copy, Default)]
pub struct NoReply;

impl ReplyDecoder for NoReply {
    type Reply = ();

    fn decode(&mut self, _: &[u8]) -> Step<()> {
        Step::Reply { reply: (), used: 0 }
    }

    fn conclude(&mut self, _: &[u8]) -> Step<()> {
        Step::Reply { reply: (), used: 0 }
    }

    fn shortest_reply(&self) -> usize {
        SHORTEST_LINE
    }
}

/// Finds the lines that a device receives.
#[derive(Debug)]
pub struct LineRequestDecoder {
    received: Vec<u8>,
    ends: LineEnds,
}

impl LineRequestDecoder {
    /// A decoder that has received nothing.
    #[must_use]
    pub fn new(ends: LineEnds) -> Self {
        Self {
            received: Vec::new(),
            ends,
        }
    }

    /// Takes bytes as they arrive.
    pub fn push(&mut self, bytes: &[u8]) {
        self.received.extend(bytes);
    }

    /// The next whole line that is not empty. What is no text, or never ends, is thrown away.
    pub fn take(&mut self) -> Option<String> {
        loop {
            let (line, used) = match front(&self.received, self.ends) {
                Front::Unfinished => return None,
                Front::Damaged(_) => {
                    let end = self.received.iter().position(|byte| *byte == b'\n');
                    (None, end.map_or(self.received.len(), |end| end + 1))
                }
                Front::Line { text, used } => (Some(text.to_owned()), used),
            };
            self.received.drain(..used);
            if let Some(line) = line.filter(|line| !line.is_empty()) {
                return Some(line);
            }
        }
    }
}
