//! Several clients on one pseudo-terminal against one peer that answers at once.
//!
//! In each round every client has its turn, so that what else the machine does strikes all alike.
//! Some clients keep a pause between frames (3.5 characters, at least 1.750 ms above 19200 baud),
//! which a pseudo-terminal does not need: each such client is measured with and without it. The
//! clients beside ours run in the Python of target/outside, which scripts/bench fills and names.

use crate::Outcome;
use crate::above_the_wire::{board_on, link_to};
use crate::in_memory::{read_many, write_many};
use crate::peer_process::PeerProcess;
use crate::row::{Row, median, spread};
use coilcall::driver::LinkTiming;
use std::path::Path;
use std::process::Command;

const ROUNDS: usize = 5;
const BAUD: u32 = 115_200;
const GOAL: f64 = 10.0;

/// How a client is reached.
enum Way {
    Ours {
        keeps_pause: bool,
    },
    /// A client of tests/bench/clients.py by its name there.
    Outside(&'static str),
}

/// One client with what it did: transactions per second in each round.
struct Client {
    name: &'static str,
    way: Way,
    transactions: u16,
    /// The goal names it.
    is_goal: bool,
    writes: Vec<f64>,
    reads: Vec<f64>,
}

fn client(name: &'static str, way: Way, transactions: u16, is_goal: bool) -> Client {
    Client {
        name,
        way,
        transactions,
        is_goal,
        writes: Vec::new(),
        reads: Vec::new(),
    }
}

fn clients() -> Vec<Client> {
    let ours = |keeps_pause| Way::Ours { keeps_pause };
    vec![
        client("coilcall, no pause", ours(false), 5000, false),
        client(
            "libmodbus 3.1 (ctypes)",
            Way::Outside("libmodbus"),
            5000,
            false,
        ),
        client("pymodbus", Way::Outside("pymodbus"), 600, true),
        client("minimalmodbus", Way::Outside("minimalmodbus"), 600, true),
        client(
            "minimalmodbus, its pause taken out",
            Way::Outside("minimalmodbus-no-pause"),
            2000,
            false,
        ),
        client("coilcall, keeping the pause", ours(true), 600, false),
    ]
}

pub(crate) fn measure() -> Outcome<Vec<Row>> {
    let peer = PeerProcess::start(0)?;
    let mut clients = clients();
    for _ in 0..ROUNDS {
        for client in &mut clients {
            let (write, read) = match client.way {
                Way::Ours { keeps_pause } => ours(&peer.path, client.transactions, keeps_pause)?,
                Way::Outside(name) => outside(name, &peer.path, client.transactions)?,
            };
            client.writes.push(1.0 / write);
            client.reads.push(1.0 / read);
        }
    }
    let mut rows = Vec::new();
    for (what, of) in [
        (
            "write one relay",
            (|client| &client.writes) as fn(&Client) -> &[f64],
        ),
        ("read 16 inputs", |client| &client.reads),
    ] {
        let fastest = of(&clients[0]);
        rows.extend(
            clients
                .iter()
                .map(|client| row(what, client, of(client), fastest)),
        );
    }
    Ok(rows)
}

fn row(what: &str, client: &Client, rates: &[f64], ours: &[f64]) -> Row {
    // Round by round, so that a busy moment strikes both sides of a ratio.
    let ratios: Vec<f64> = ours.iter().zip(rates).map(|(a, b)| a / b).collect();
    let ratio = median(&ratios);
    Row {
        what: format!("one pseudo-terminal, {what}, per second: {}", client.name),
        result: format!("{}; ratio {ratio:.1}", spread(rates, 0)),
        goal: client
            .is_goal
            .then(|| (format!("ratio ≥ {GOAL:.0}"), ratio >= GOAL)),
    }
}

/// Seconds for one write and one reading.
fn ours(path: &str, transactions: u16, keeps_pause: bool) -> Outcome<(f64, f64)> {
    let link = link_to(path, BAUD);
    let timing = if keeps_pause {
        LinkTiming::of(&link)
    } else {
        // No byte takes any time here, as in memory.
        LinkTiming::in_memory(link.reply_timeout_ms, link.late_reply_ms)
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    tokio::task::LocalSet::new().block_on(&runtime, async {
        let board = board_on(&link, timing).await?;
        write_many(&board, 100).await?;
        let write = write_many(&board, transactions).await?;
        let read = read_many(&board, transactions).await?;
        Ok((write.as_secs_f64(), read.as_secs_f64()))
    })
}

fn outside(client: &str, path: &str, transactions: u16) -> Outcome<(f64, f64)> {
    let python = std::env::var("COILCALL_PYTHON")
        .map_err(|_| "COILCALL_PYTHON names no Python; run scripts/bench")?;
    let program = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/clients.py");
    let output = Command::new(python)
        .arg(program)
        .args([client, path, &BAUD.to_string(), &transactions.to_string()])
        .output()?;
    if !output.status.success() {
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        return Err(format!("{client}: {said}").into());
    }
    let text = String::from_utf8(output.stdout)?;
    let times: Vec<f64> = text
        .split_whitespace()
        .map(str::parse)
        .collect::<Result<_, _>>()?;
    let [write, read] = times.as_slice() else {
        return Err(format!("{client} said {text:?}").into());
    };
    Ok((*write, *read))
}
