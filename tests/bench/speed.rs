//! How fast the bus, the runner, the simulator and the circuit are; run by scripts/bench.
//!
//! Each part measures one thing and prints rows of a table: what, result, goal, met or not. Nothing
//! here is a test: a busy machine makes a slow figure, not a failure. A part that could not be
//! measured, or in which a single reply was wrong, is an error.
//!
//! The same program is also the peer at the far end of a pseudo-terminal, as a process of its own.

mod above_the_wire;
mod board;
mod circuit;
mod in_memory;
mod one_terminal;
mod peer;
mod peer_process;
mod row;
mod virtual_hour;
mod whole_run;

use row::Row;
use std::error::Error;
use std::io::{self, Write};

/// What every part returns.
pub(crate) type Outcome<T> = Result<T, Box<dyn Error>>;

type Part = (&'static str, fn() -> Outcome<Vec<Row>>);

const PARTS: [Part; 6] = [
    ("in-memory", in_memory::measure),
    ("one-terminal", one_terminal::measure),
    ("above-the-wire", above_the_wire::measure),
    ("whole-run", whole_run::measure),
    ("virtual-hour", virtual_hour::measure),
    ("circuit", circuit::measure),
];

fn main() -> Outcome<()> {
    // Cargo adds --bench of its own accord.
    let arguments: Vec<String> = std::env::args()
        .skip(1)
        .filter(|argument| argument != "--bench")
        .collect();
    if let [mode, baud] = arguments.as_slice()
        && mode == peer_process::MODE
    {
        return peer::answer(baud.parse()?);
    }
    if let Some(unknown) = arguments
        .iter()
        .find(|asked| PARTS.iter().all(|(name, _)| name != asked))
    {
        let names: Vec<&str> = PARTS.iter().map(|(name, _)| *name).collect();
        let names = names.join(", ");
        return Err(format!("no part is called {unknown}; there are {names}").into());
    }
    let asked = |name: &str| arguments.is_empty() || arguments.iter().any(|asked| asked == name);
    let mut out = io::stdout();
    for (_, measure) in PARTS.iter().filter(|(name, _)| asked(name)) {
        for row in measure()? {
            writeln!(out, "{row}")?;
        }
        out.flush()?;
    }
    Ok(())
}
