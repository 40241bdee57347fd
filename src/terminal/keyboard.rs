//! Lines from a keyboard or a pipe.
//!
//! Place in the data's path: started when the first question is put, so that a run without
//! questions leaves its input alone; each line becomes an answer. The end of the input closes the
//! channel: nobody answers any more. It knows no question.

use std::io::BufRead;
use tokio::sync::mpsc;

/// Lines that were typed ahead and not yet taken; the reader waits beyond that.
const AHEAD: usize = 64;

/// Begins to read lines on a thread of its own, which ends with the input or the program: a read
/// of a terminal cannot be called off.
pub fn read_lines(input: impl BufRead + Send + 'static) -> mpsc::Receiver<String> {
    let (sender, lines) = mpsc::channel(AHEAD);
    std::thread::spawn(move || {
        // Input that is no text, or cannot be read, is the end of the input.
        for line in input.lines().map_while(Result::ok) {
            if sender.blocking_send(line).is_err() {
                return;
            }
        }
    });
    lines
}
