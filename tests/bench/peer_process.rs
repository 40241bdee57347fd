//! The peer as a process of its own, so that a client and its peer never share a thread.

use crate::Outcome;
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

/// The argument that makes this program the peer.
pub(crate) const MODE: &str = "peer";

/// A peer that answers until this is dropped.
pub(crate) struct PeerProcess {
    child: Child,
    questions: Option<ChildStdin>,
    answers: BufReader<ChildStdout>,
    /// The pseudo-terminal that a client opens.
    pub(crate) path: String,
}

/// What the peer has seen since it began.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Seen {
    pub(crate) transactions: u64,
    pub(crate) bytes: u64,
    /// Requests before the line had been quiet for long enough.
    pub(crate) too_early: u64,
}

impl PeerProcess {
    /// Starts a peer at this pace; 0 is as fast as can be.
    pub(crate) fn start(baud: u32) -> Outcome<Self> {
        let mut child = Command::new(std::env::current_exe()?)
            .args([MODE, &baud.to_string()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()?;
        let questions = child.stdin.take();
        let answers = child.stdout.take().ok_or("the peer has no output")?;
        let mut peer = Self {
            child,
            questions,
            answers: BufReader::new(answers),
            path: String::new(),
        };
        peer.path = peer.line()?;
        Ok(peer)
    }

    fn line(&mut self) -> Outcome<String> {
        let mut line = String::new();
        if self.answers.read_line(&mut line)? == 0 {
            return Err("the peer has ended".into());
        }
        Ok(line.trim().to_owned())
    }

    /// Asks what it has seen.
    pub(crate) fn seen(&mut self) -> Outcome<Seen> {
        let questions = self.questions.as_mut().ok_or("the peer has no input")?;
        writeln!(questions, "counts")?;
        let line = self.line()?;
        let numbers: Vec<u64> = line.split(' ').map(str::parse).collect::<Result<_, _>>()?;
        let [transactions, bytes, too_early] = numbers.as_slice() else {
            return Err(format!("the peer said {line:?}").into());
        };
        Ok(Seen {
            transactions: *transactions,
            bytes: *bytes,
            too_early: *too_early,
        })
    }
}

impl Drop for PeerProcess {
    fn drop(&mut self) {
        self.questions = None;
        // It ends with its input; there is nothing to be done about one that does not.
        drop(self.child.wait());
    }
}
