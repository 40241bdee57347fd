//! What the software adds to the time on the wire, against a peer at a serial line's pace.
//!
//! Transactions follow each other without a pause. What each takes beyond request, 3.5 characters,
//! reply and 3.5 characters is the software's; the peer's own lateness is counted in.

use crate::Outcome;
use crate::board::{device_name, link_name, spec};
use crate::in_memory::{read_many, write_many};
use crate::peer::Pace;
use crate::peer_process::{PeerProcess, Seen};
use crate::row::{Row, median, milliseconds, spread};
use coilcall::driver::{BusHandle, LinkTiming, ModbusBoard, SerialConnector};
use coilcall::units::{LinkSpec, LinkTransport, Milliseconds, Parity, SerialSettings};
use std::time::Duration;

const ROUNDS: usize = 5;
const GOAL_MS: f64 = 1.0;

pub(crate) fn measure() -> Outcome<Vec<Row>> {
    let mut rows = Vec::new();
    for (baud, transactions) in [(9600, 60), (115_200, 300)] {
        let (writes, reads) = at_pace(baud, transactions)?;
        for (what, times) in [("write one relay", writes), ("read 16 inputs", reads)] {
            rows.push(Row {
                what: format!("software beyond the wire at {baud} 8E1, {what}, ms"),
                result: spread(&times, 3),
                goal: Some((format!("≤ {GOAL_MS:.0}"), median(&times) <= GOAL_MS)),
            });
        }
    }
    Ok(rows)
}

fn at_pace(baud: u32, transactions: u16) -> Outcome<(Vec<f64>, Vec<f64>)> {
    let mut peer = PeerProcess::start(baud)?;
    let link = link_to(&peer.path, baud);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let pace = Pace::of(baud);
    let (mut writes, mut reads) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        tokio::task::LocalSet::new().block_on(&runtime, async {
            let board = board_on(&link, LinkTiming::of(&link)).await?;
            // The first exchange of a bus pays what opening costs.
            write_many(&board, 1).await?;
            let before = peer.seen()?;
            let time = write_many(&board, transactions).await?;
            let between = peer.seen()?;
            writes.push(milliseconds(time) - wire_time(pace, before, between));
            let time = read_many(&board, transactions).await?;
            let after = peer.seen()?;
            reads.push(milliseconds(time) - wire_time(pace, between, after));
            if after.too_early > 0 {
                let count = after.too_early;
                return Err(format!("{count} requests came before the line was quiet").into());
            }
            Outcome::Ok(())
        })?;
    }
    Ok((writes, reads))
}

/// The wire's part of one transaction, in milliseconds, from what the peer saw in between.
fn wire_time(pace: Pace, before: Seen, after: Seen) -> f64 {
    let transactions = after.transactions - before.transactions;
    let whole: Duration = pace.wire_time(after.bytes - before.bytes, transactions);
    milliseconds(whole) / transactions as f64
}

/// A link to a pseudo-terminal.
pub(crate) fn link_to(path: &str, baud: u32) -> LinkSpec {
    LinkSpec {
        name: link_name(),
        transport: LinkTransport::SerialPath {
            path: path.to_owned(),
            settings: SerialSettings {
                baud,
                parity: Parity::Even,
                stop_bits: 1,
            },
        },
        reply_timeout_ms: Milliseconds(800),
        late_reply_ms: Milliseconds(1600),
    }
}

/// The board's driver on that link.
pub(crate) async fn board_on(link: &LinkSpec, timing: LinkTiming) -> Outcome<ModbusBoard> {
    let connector = SerialConnector::of(link).ok_or("not a serial link")?;
    let bus = BusHandle::open(link_name(), timing, Box::new(connector)).await?;
    Ok(ModbusBoard::new(device_name(), spec(), bus))
}
