//! Software alone: the bus and the board's driver over a pipe in memory, against the codec.

use crate::Outcome;
use crate::board::{Board, device_name, link_name, spec};
use crate::row::{Row, median, microseconds, spread};
use coilcall::driver::{BusHandle, LinkTiming, ModbusBoard};
use coilcall::port::{Inputs, RelayBoard};
use coilcall::units::{CoilAddress, Milliseconds};
use coilcall::wire::RtuRequestDecoder;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream};

const ROUNDS: usize = 7;
const TRANSACTIONS: u16 = 20_000;
const GOAL_US: f64 = 5.0;

pub(crate) fn measure() -> Outcome<Vec<Row>> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let (writes, reads) = tokio::task::LocalSet::new().block_on(&runtime, rounds())?;
    Ok(vec![
        row("write one relay", &writes),
        row("read 16 inputs", &reads),
    ])
}

fn row(what: &str, times: &[f64]) -> Row {
    Row {
        what: format!("in memory, {what}, µs"),
        result: spread(times, 2),
        goal: Some((format!("≤ {GOAL_US:.0}"), median(times) <= GOAL_US)),
    }
}

async fn rounds() -> Outcome<(Vec<f64>, Vec<f64>)> {
    let (near, far) = tokio::io::duplex(4096);
    tokio::task::spawn_local(serve(far));
    let timing = LinkTiming::in_memory(Milliseconds(800), Milliseconds(1600));
    let bus = BusHandle::over(link_name(), timing, near);
    let board = ModbusBoard::new(device_name(), spec(), bus);
    let (mut writes, mut reads) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        writes.push(microseconds(write_many(&board, TRANSACTIONS).await?));
        reads.push(microseconds(read_many(&board, TRANSACTIONS).await?));
    }
    Ok((writes, reads))
}

/// The mean time of one write, over many.
pub(crate) async fn write_many(board: &ModbusBoard, count: u16) -> Outcome<Duration> {
    let began = Instant::now();
    for number in 0..count {
        board
            .set(CoilAddress(number % 16), number % 32 < 16)
            .await?;
    }
    Ok(began.elapsed() / u32::from(count))
}

/// The mean time of one reading of every input, over many.
pub(crate) async fn read_many(board: &ModbusBoard, count: u16) -> Outcome<Duration> {
    let began = Instant::now();
    for _ in 0..count {
        board.read_inputs().await?;
    }
    Ok(began.elapsed() / u32::from(count))
}

async fn serve(mut stream: DuplexStream) {
    let mut board = Board::default();
    let mut decoder = RtuRequestDecoder::new();
    let mut buffer = [0; 256];
    while let Ok(count @ 1..) = stream.read(&mut buffer).await {
        decoder.push(&buffer[..count]);
        while let Some(received) = decoder.take() {
            let reply = board.answer(&received, Duration::ZERO);
            if stream.write_all(&reply).await.is_err() {
                return;
            }
        }
    }
}
