//! A serial line with a relay board of somebody else's making at its far end.

use super::process::{Ended, Running};
use super::{coilcall, profile, script};
use std::path::{Path, PathBuf};
use std::process::Command;

/// Two pseudo-terminals joined by socat: what is written into one comes out of the other.
pub(super) struct Line {
    pub(super) folder: tempfile::TempDir,
    _socat: Running,
}

impl Line {
    pub(super) fn open() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let end = |name: &str| {
            let link = folder.path().join(name);
            format!("pty,raw,echo=0,link={}", link.display())
        };
        let mut command = Command::new("socat");
        command.args(["-d", "-d", &end("near"), &end("far")]);
        let mut socat = Running::start(&mut command);
        socat.wait_for(|line| line.contains("starting data transfer loop"));
        Self {
            folder,
            _socat: socat,
        }
    }

    /// Our end.
    pub(super) fn near(&self) -> PathBuf {
        self.folder.path().join("near")
    }

    /// The board's end.
    pub(super) fn far(&self) -> PathBuf {
        self.folder.path().join("far")
    }

    pub(super) fn runs(&self) -> PathBuf {
        self.folder.path().join("runs")
    }

    /// Both ends go, as when an adapter is pulled out; the folder stays. The names go first: the
    /// system gives a pseudo-terminal's number to the next one, which is another test's.
    pub(super) fn pull_out(self) -> tempfile::TempDir {
        for end in ["near", "far"] {
            std::fs::remove_file(self.folder.path().join(end)).expect("our own link");
        }
        self.folder
    }

    /// `coilcall run` on a bench whose port is this one.
    pub(super) fn run_on(&self, port: &Path, reply_timeout_ms: u32) -> Command {
        let file = self.folder.path().join("bench.toml");
        std::fs::write(&file, bench(port, reply_timeout_ms)).expect("a bench file");
        let mut command = coilcall();
        command.arg("run").arg("--bench").arg(file);
        command.arg("--profile").arg(profile());
        command.arg("--out").arg(self.runs());
        command
    }

    /// `coilcall report last` of the runs made here.
    pub(super) fn report(&self, arguments: &[&str]) -> Ended {
        let mut command = coilcall();
        command.args(["report", "last"]).args(arguments);
        command.arg("--out").arg(self.runs());
        Running::start(&mut command).finish()
    }

    /// The journals written here.
    pub(super) fn journals(&self) -> Vec<PathBuf> {
        let entries = std::fs::read_dir(self.runs()).expect("the runs' folder");
        let paths = entries.map(|entry| entry.expect("an entry").path());
        paths
            .filter(|path| path.extension().is_some_and(|e| e == "jsonl"))
            .collect()
    }
}

/// A line with the server of pymodbus at its far end.
pub(super) struct Peer {
    pub(super) line: Line,
    pub(super) server: Running,
}

/// The wiring as it should be: coils 0 to 3 make Y1 G O W2, inputs 0 to 3 see them, and the supply
/// is live at input 15.
pub(super) const SOUND: &str = "0>0,1>1,2>2,3>3,=15";

impl Peer {
    pub(super) fn start(wiring: &str) -> Self {
        let line = Line::open();
        let mut command = script("relay_board_server.py");
        command.arg(line.far()).args(["115200", wiring]);
        let mut server = Running::start(&mut command);
        server.wait_for(|said| said == "serving");
        Self { line, server }
    }

    /// `coilcall run` against this board.
    pub(super) fn run(&self, reply_timeout_ms: u32) -> Command {
        self.line.run_on(&self.line.near(), reply_timeout_ms)
    }

    /// Waits until the board has closed a relay.
    pub(super) fn wait_until_a_relay_closes(&mut self) {
        self.server.wait_for(|said| said.starts_with("closed "));
    }

    /// What the board's relays were, write by write, as the board saw them.
    pub(super) fn relays(mut self) -> Vec<String> {
        self.server.kill();
        let told = self.server.finish();
        let states = told
            .text()
            .lines()
            .filter_map(|said| said.strip_prefix("closed"));
        states.map(|closed| closed.trim().to_owned()).collect()
    }
}

fn bench(port: &Path, reply_timeout_ms: u32) -> String {
    let mut text = format!(
        r#"name = "Board on a serial line"
under_test = "wiring"
loads = "dummy"

[link.board]
serial = {{ path = "{}", baud = 115200 }}
reply_timeout_ms = {reply_timeout_ms}

[device.board]
link = "board"
modbus-rtu = {{ unit = 1, coils = 16, discrete_inputs = 16 }}

[supply]
source = "equipment"
sense = {{ device = "board", input = 15 }}
"#,
        port.display()
    );
    for (at, terminal) in ["Y1", "G", "O", "W2"].into_iter().enumerate() {
        text.push_str(&format!(
            r#"
[[line]]
terminal = "{terminal}"
drive = {{ device = "board", coil = {at} }}
sense = {{ device = "board", input = {at} }}
"#
        ));
    }
    text
}
