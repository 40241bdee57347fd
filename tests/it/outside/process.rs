//! A program that a test started: its lines as they come, its end, and a deadline for either.
//!
//! Nothing sleeps: a test waits for a line or for the end. What is still alive is killed on drop.

use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::{Duration, Instant};

/// How long anything may take. Far more than it does: only a program that hangs gets there.
const DEADLINE: Duration = Duration::from_secs(120);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stream {
    Out,
    Err,
}

/// A program under way.
pub(super) struct Running {
    name: String,
    child: Child,
    lines: Receiver<(Stream, Vec<u8>)>,
    said: Vec<(Stream, Vec<u8>)>,
    /// Lines of `said` that a wait has passed already.
    passed: usize,
}

/// A program that has ended.
#[derive(Debug)]
pub(super) struct Ended {
    /// Its exit code; `None` where a signal ended it.
    pub(super) code: Option<i32>,
    /// What it wrote, byte for byte.
    pub(super) stdout: Vec<u8>,
    /// What else it said.
    pub(super) stderr: String,
}

impl Ended {
    /// Standard output as text.
    pub(super) fn text(&self) -> &str {
        std::str::from_utf8(&self.stdout).expect("the program writes UTF-8")
    }

    /// Standard output as JSON.
    pub(super) fn json(&self) -> serde_json::Value {
        let read = serde_json::from_slice(&self.stdout);
        read.unwrap_or_else(|error| panic!("{error} in {}\n{}", self.text(), self.stderr))
    }
}

impl Running {
    /// Starts a program.
    pub(super) fn start(command: &mut Command) -> Self {
        let name = format!("{command:?}");
        let mut child = command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap_or_else(|error| {
                panic!("{name}: {error}; scripts/test installs what is needed")
            });
        let (sender, lines) = channel();
        let stdout = child.stdout.take().expect("it is piped");
        let stderr = child.stderr.take().expect("it is piped");
        forward(stdout, Stream::Out, sender.clone());
        forward(stderr, Stream::Err, sender);
        Self {
            name,
            child,
            lines,
            said: Vec::new(),
            passed: 0,
        }
    }

    /// Waits for a line, on either stream, that has not been waited past before.
    pub(super) fn wait_for(&mut self, is_it: impl Fn(&str) -> bool) -> String {
        let until = Instant::now() + DEADLINE;
        loop {
            while let Some((_, line)) = self.said.get(self.passed) {
                self.passed += 1;
                let line = String::from_utf8_lossy(line).trim_end().to_owned();
                if is_it(&line) {
                    return line;
                }
            }
            if !self.hear(until) {
                panic!("{} never said what was awaited:\n{}", self.name, self.all());
            }
        }
    }

    /// Waits for the program's end.
    pub(super) fn finish(mut self) -> Ended {
        let until = Instant::now() + DEADLINE;
        while self.hear(until) {}
        let status = self.child.wait().expect("it was started");
        let of = |wanted: Stream| {
            let lines = self.said.iter().filter(|(stream, _)| *stream == wanted);
            lines.flat_map(|(_, line)| line.clone()).collect::<Vec<_>>()
        };
        Ended {
            code: status.code(),
            stdout: of(Stream::Out),
            stderr: String::from_utf8_lossy(&of(Stream::Err)).into_owned(),
        }
    }

    /// Sends a signal by its name.
    pub(super) fn signal(&self, name: &str) {
        let sent = Command::new("kill")
            .args([format!("-{name}"), self.child.id().to_string()])
            .status();
        assert!(sent.expect("kill is there").success(), "{name}");
    }

    /// Ends it without asking.
    pub(super) fn kill(&mut self) {
        self.child.kill().expect("it can be killed");
    }

    /// Takes one more line; false once both streams have ended.
    fn hear(&mut self, until: Instant) -> bool {
        let left = until.saturating_duration_since(Instant::now());
        match self.lines.recv_timeout(left) {
            Ok(line) => {
                self.said.push(line);
                true
            }
            Err(RecvTimeoutError::Disconnected) => false,
            Err(RecvTimeoutError::Timeout) => {
                panic!("{} is still at it:\n{}", self.name, self.all())
            }
        }
    }

    fn all(&self) -> String {
        let lines = self
            .said
            .iter()
            .map(|(_, line)| String::from_utf8_lossy(line));
        lines.collect()
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // It may have ended by itself, which is as good.
        let _ended_already = self.child.kill();
        let _reaped_already = self.child.wait();
    }
}

fn forward(from: impl Read + Send + 'static, stream: Stream, to: Sender<(Stream, Vec<u8>)>) {
    std::thread::spawn(move || {
        let mut from = BufReader::new(from);
        loop {
            let mut line = Vec::new();
            // An error is the end of the stream as well: the program's own end is told by `wait`.
            let ended = matches!(from.read_until(b'\n', &mut line), Ok(0) | Err(_));
            if ended || to.send((stream, line)).is_err() {
                return;
            }
        }
    });
}
