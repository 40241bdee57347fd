//! A device of plain text at the far end of an in-memory link that misbehaves on demand.
//!
//! Its readings count the questions for a reading, so no two are alike, and an answer to an earlier
//! question is told by its value. It answers in order: what is late holds up all that follows.

use super::peer::{LATE_REPLY_MS, REPLY_TIMEOUT_MS, link_name, pass};
use coilcall::driver::{BusHandle, LinkTiming};
use coilcall::units::Milliseconds;
use std::cell::RefCell;
use std::collections::VecDeque;
use std::rc::Rc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, WriteHalf, duplex, split};
use tokio::sync::mpsc;
use tokio::time::Instant;

/// What the peer does with one line. Lines that are answered by nothing use none up.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Behaviour {
    Good,
    Silent,
    /// The right answer, after so many milliseconds.
    Late(u64),
    Doubled,
    DoubledAfter(u64),
    /// The answer to the question before, then the right one.
    StaleFirst,
    /// The answer to the question before alone.
    StaleAlone,
    HalfLine,
    InHalves(u64),
    EchoAlone,
    EchoThenReply,
    NoiseBefore(Vec<u8>),
    /// Another line in place of the answer.
    Says(&'static str),
    /// So many lines in place of the answer.
    Flood(usize),
    /// A line that never ends.
    Endless,
    /// No answer, and an entry in the error queue.
    Complains(&'static str),
    /// The right answer, and an entry in the error queue.
    AnswersAndComplains(&'static str),
    Unplugged,
}

/// What the peer holds and has seen.
#[derive(Default)]
pub(super) struct LinePeer {
    pub(super) identity: String,
    /// Questions for a reading so far.
    pub(super) readings: u32,
    pub(super) errors: VecDeque<String>,
    /// Knows no event mask, and says nothing of that.
    pub(super) maskless: bool,
    mask: u8,
    /// An error queue that never empties.
    pub(super) endless_errors: bool,
    pub(super) relays: Vec<bool>,
    /// Answers a line that closes or opens.
    pub(super) confirms: bool,
    pub(super) script: VecDeque<Behaviour>,
    pub(super) log: Vec<(Duration, String)>,
    last_answer: String,
}

pub(super) type Shared = Rc<RefCell<LinePeer>>;

impl LinePeer {
    pub(super) fn lines(&self) -> Vec<&str> {
        self.log.iter().map(|(_, line)| line.as_str()).collect()
    }

    /// The right answer to a line.
    fn answer(&mut self, line: &str) -> Option<String> {
        match line {
            "*IDN?" => Some(self.identity.clone()),
            "*CLS" => {
                self.errors.clear();
                None
            }
            "*ESE?" => (!self.maskless).then(|| self.mask.to_string()),
            mask if mask.starts_with("*ESE ") => {
                self.mask = mask[5..].parse().expect("a mask from 0 to 255");
                None
            }
            "SYST:ERR?" if self.endless_errors => Some("-310,\"System error\"".to_owned()),
            "SYST:ERR?" => {
                let none = || "0,\"No error\"".to_owned();
                Some(self.errors.pop_front().unwrap_or_else(none))
            }
            "MEAS:VOLT:AC?" | "READ" => {
                self.readings += 1;
                Some(format!("{}.0", self.readings))
            }
            other => self.relay_answer(other),
        }
    }

    fn relay_answer(&mut self, line: &str) -> Option<String> {
        let (verb, label) = line.split_once(' ')?;
        let index = label.parse::<usize>().ok()?.checked_sub(1)?;
        let closed = self.relays.get_mut(index)?;
        match verb {
            "on" | "off" => {
                *closed = verb == "on";
                self.confirms.then(|| format!("ok {label}"))
            }
            "state" => Some(format!("{label} {}", if *closed { "on" } else { "off" })),
            _ => None,
        }
    }
}

/// Where a test's timing differs from a serial line's.
pub(super) fn timing() -> LinkTiming {
    LinkTiming {
        byte: Duration::from_micros(1146),
        silence: Duration::from_micros(4010),
        ..LinkTiming::in_memory(Milliseconds(REPLY_TIMEOUT_MS), Milliseconds(LATE_REPLY_MS))
    }
}

pub(super) fn line_peer(script: &[Behaviour]) -> (Shared, BusHandle) {
    let (near, far) = duplex(256 * 1024);
    let state = Rc::new(RefCell::new(LinePeer {
        identity: "BENCH,METER,7,1.0".to_owned(),
        relays: vec![false; 4],
        script: script.iter().cloned().collect(),
        ..LinePeer::default()
    }));
    tokio::task::spawn_local(converse(far, Rc::clone(&state)));
    (state, BusHandle::over(link_name(), timing(), near))
}

/// Pieces go out in the order in which they were queued, each after its own delay.
async fn send(
    mut write: WriteHalf<DuplexStream>,
    mut outgoing: mpsc::UnboundedReceiver<(u64, Vec<u8>)>,
) {
    while let Some((delay, bytes)) = outgoing.recv().await {
        if delay > 0 {
            pass(delay).await;
        }
        if write.write_all(&bytes).await.is_err() {
            return;
        }
    }
}

async fn converse(far: DuplexStream, state: Shared) {
    let made = Instant::now();
    let (mut read, write) = split(far);
    let (say, outgoing) = mpsc::unbounded_channel();
    let sending = tokio::task::spawn_local(send(write, outgoing));
    let mut held = Vec::new();
    let mut chunk = [0; 512];
    'heard: while let Ok(count) = read.read(&mut chunk).await {
        if count == 0 {
            break;
        }
        held.extend(&chunk[..count]);
        while let Some(end) = held.iter().position(|byte| *byte == b'\n') {
            let line: Vec<u8> = held.drain(..=end).collect();
            let line = String::from_utf8(line).unwrap().trim().to_owned();
            let mut peer = state.borrow_mut();
            peer.log.push((made.elapsed(), line.clone()));
            let Some(answer) = peer.answer(&line) else {
                continue;
            };
            let behaviour = peer.script.pop_front().unwrap_or(Behaviour::Good);
            if behaviour == Behaviour::Unplugged {
                break 'heard;
            }
            for piece in pieces(&mut peer, &line, &answer, behaviour) {
                drop(say.send(piece));
            }
        }
    }
    sending.abort();
}

/// What goes out, each piece with its delay.
fn pieces(
    peer: &mut LinePeer,
    line: &str,
    answer: &str,
    behaviour: Behaviour,
) -> Vec<(u64, Vec<u8>)> {
    let ended = |text: &str| format!("{text}\r\n").into_bytes();
    let own = ended(answer);
    let stale = ended(&std::mem::replace(&mut peer.last_answer, answer.to_owned()));
    let half = own.len() / 2;
    match behaviour {
        Behaviour::Good => vec![(2, own)],
        Behaviour::Silent | Behaviour::Unplugged => vec![],
        Behaviour::Late(after) => vec![(after, own)],
        Behaviour::Doubled => vec![(2, [own.clone(), own].concat())],
        Behaviour::DoubledAfter(after) => vec![(2, own.clone()), (after, own)],
        Behaviour::StaleFirst => vec![(2, stale), (2, own)],
        Behaviour::StaleAlone => vec![(2, stale)],
        Behaviour::HalfLine => vec![(2, own[..half].to_vec())],
        Behaviour::InHalves(after) => {
            vec![(2, own[..half].to_vec()), (after, own[half..].to_vec())]
        }
        Behaviour::EchoAlone => vec![(2, ended(line))],
        Behaviour::EchoThenReply => vec![(2, ended(line)), (2, own)],
        Behaviour::NoiseBefore(noise) => vec![(2, [noise, own].concat())],
        Behaviour::Says(other) => vec![(2, ended(other))],
        Behaviour::Flood(lines) => vec![(2, b"77.0\r\n".repeat(lines))],
        Behaviour::Endless => vec![(2, vec![b'7'; 5000])],
        Behaviour::Complains(error) => {
            peer.errors.push_back(error.to_owned());
            vec![]
        }
        Behaviour::AnswersAndComplains(error) => {
            peer.errors.push_back(error.to_owned());
            vec![(2, own)]
        }
    }
}
