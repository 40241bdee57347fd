//! Writing to standard output and standard error.
//!
//! A reader that closes its end (such as `head`) has seen enough: writing on is then neither an
//! error nor worth a message.

use std::io::{self, Write};

/// Writes bytes to standard output; a closed pipe counts as written.
///
/// # Errors
/// Any other failure of writing.
pub(super) fn to_stdout(bytes: &[u8]) -> io::Result<()> {
    let mut stdout = io::stdout().lock();
    quietly(stdout.write_all(bytes).and_then(|()| stdout.flush()))
}

/// Writes a message to standard error; where even that fails, nothing is left to say it to.
pub(super) fn to_stderr(message: &str) -> io::Result<()> {
    let mut stderr = io::stderr().lock();
    quietly(
        stderr
            .write_all(message.as_bytes())
            .and_then(|()| stderr.flush()),
    )
}

fn quietly(result: io::Result<()>) -> io::Result<()> {
    match result {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}
