//! The built program against programs written by others, over real pseudo-terminals, in real time.
//!
//! Outside sources: the relay board is the server of pymodbus (PyPI), the clients are those of
//! pymodbus and minimalmodbus (PyPI) and mbpoll (libmodbus; Debian), and socat (Debian) joins two
//! pseudo-terminals into a serial line. None shares code with this program. The interpreter is
//! named by COILCALL_PYTHON, which scripts/test sets.

mod interrupted;
mod peer;
mod process;
mod run;
mod self_test;
mod simulate;
mod trouble;

use std::path::{Path, PathBuf};
use std::process::Command;

/// The built program.
fn coilcall() -> Command {
    Command::new(env!("CARGO_BIN_EXE_coilcall"))
}

/// One of the scripts beside the requirements of scripts/test.
fn script(name: &str) -> Command {
    let python = std::env::var_os("COILCALL_PYTHON").expect(
        "COILCALL_PYTHON names a Python interpreter with tests/outside/requirements.txt installed: \
         run scripts/test, which makes one",
    );
    let mut command = Command::new(python);
    command.arg(top().join("tests/outside").join(name));
    command
}

fn top() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// A one-stage heat pump with O and electric auxiliary heat: lines Y1 G O W2.
fn profile() -> PathBuf {
    top().join("benches-config/profiles/heat-pump-1-stage-electric-o.toml")
}
