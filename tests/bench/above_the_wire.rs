//! What the software adds to the time on the wire, against a peer at a serial line's pace.
//!
//! Transactions follow each other without a pause, and each is timed by itself: from the moment at
//! which it is asked for, which is the end of the one before, to its answer. What that takes beyond
//! request, 3.5 characters, reply and 3.5 characters is the software's; the peer's own lateness is
//! counted in. The median says what the software takes, the upper figure what a busy machine makes
//! of it.

use crate::Outcome;
use crate::board::{device_name, link_name, spec};
use crate::peer::Pace;
use crate::peer_process::PeerProcess;
use crate::row::{Row, median, milliseconds, ninetieth};
use coilcall::driver::{BusHandle, LinkTiming, ModbusBoard, SerialConnector};
use coilcall::port::{Inputs, RelayBoard};
use coilcall::units::{
    CoilAddress, LinkSpec, LinkTransport, Milliseconds, Parity, SerialSettings, Trouble,
};
use std::time::Instant;

const GOAL_MS: f64 = 1.0;

pub(crate) fn measure() -> Outcome<Vec<Row>> {
    let mut rows = Vec::new();
    for (baud, transactions) in [(9600, 250), (115_200, 1200)] {
        let (writes, reads) = at_pace(baud, transactions)?;
        for (what, times) in [("write one relay", writes), ("read 16 inputs", reads)] {
            let middle = median(&times);
            let nine_of_ten = ninetieth(&times);
            rows.push(Row {
                what: format!("software beyond the wire at {baud} 8E1, {what}, ms"),
                result: format!("{middle:.3}; nine of ten within {nine_of_ten:.3}"),
                goal: Some((format!("≤ {GOAL_MS:.0}"), middle <= GOAL_MS)),
            });
        }
    }
    Ok(rows)
}

/// What each write and each reading took beyond the wire, in milliseconds.
fn at_pace(baud: u32, transactions: u16) -> Outcome<(Vec<f64>, Vec<f64>)> {
    let mut peer = PeerProcess::start(baud)?;
    let link = link_to(&peer.path, baud);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    tokio::task::LocalSet::new().block_on(&runtime, async {
        let board = board_on(&link, LinkTiming::of(&link)).await?;
        // The first exchange of a bus pays what opening costs.
        board.read_inputs().await?;
        let before = peer.seen()?;
        let writes = timed(transactions, async |number| {
            board.set(CoilAddress(number % 16), number % 32 < 16).await
        });
        let writes = writes.await?;
        let between = peer.seen()?;
        let reads = timed(transactions, async |_| board.read_inputs().await.map(drop)).await?;
        let after = peer.seen()?;
        if after.too_early > 0 {
            let count = after.too_early;
            return Err(format!("{count} requests came before the line was quiet").into());
        }
        let pace = Pace::of(baud);
        let beyond = |times: Vec<f64>, bytes: u64| {
            let wire = pace.wire_time(bytes, u64::from(transactions));
            let wire = milliseconds(wire) / f64::from(transactions);
            times.into_iter().map(|time| time - wire).collect()
        };
        Ok((
            beyond(writes, between.bytes - before.bytes),
            beyond(reads, after.bytes - between.bytes),
        ))
    })
}

/// The milliseconds that each transaction takes. The first follows a pause and is left out.
async fn timed(
    count: u16,
    transaction: impl AsyncFn(u16) -> Result<(), Trouble>,
) -> Outcome<Vec<f64>> {
    let mut times = Vec::new();
    let mut began = Instant::now();
    for number in 0..count {
        transaction(number).await?;
        let ended = Instant::now();
        times.push(milliseconds(ended - began));
        began = ended;
    }
    times.remove(0);
    Ok(times)
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
