//! Meters and boards against programs written by others, over pseudo-terminals and TCP, in real
//! time.
//!
//! Outside sources: PyVISA-py (PyPI) asks the simulated meter; the server of pymodbus (PyPI) is
//! driven over TCP; a meter written in Python apart from this program is read by the driver. The
//! interpreter is named by COILCALL_PYTHON, which scripts/test sets.

mod meter_process;
mod tcp_board;
mod visa;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};

/// One of the scripts beside the requirements of scripts/test.
fn script(name: &str) -> Command {
    let python = std::env::var_os("COILCALL_PYTHON").expect(
        "COILCALL_PYTHON names a Python interpreter with tests/outside/requirements.txt installed: \
         run scripts/test, which makes one",
    );
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside");
    let mut command = Command::new(python);
    command.arg(folder.join(name));
    command
}

/// A script that serves until the test is over.
struct Serving {
    child: Child,
    /// The first line that it printed: where it is found.
    place: String,
    _output: BufReader<ChildStdout>,
}

impl Serving {
    fn start(command: &mut Command) -> Self {
        let mut child = command.stdout(Stdio::piped()).spawn().expect("it starts");
        let mut output = BufReader::new(child.stdout.take().expect("piped above"));
        let mut place = String::new();
        output.read_line(&mut place).expect("it says where");
        assert!(!place.is_empty(), "it ended before it said where it serves");
        Self {
            child,
            place: place.trim().to_owned(),
            _output: output,
        }
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Runs a test on one thread in real time.
fn in_real_time<T>(test: impl Future<Output = T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .expect("a runtime");
    tokio::task::LocalSet::new().block_on(&runtime, test)
}
