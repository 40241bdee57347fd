//! The far end of a pseudo-terminal: answers at once, or at the pace of a serial line.
//!
//! A pseudo-terminal hands bytes over at once, whatever baud it is set to, so the peer keeps the
//! time itself: a request ends one character after the other, the board answers after 3.5
//! characters of quiet, and each byte of the reply leaves when the line would have carried it. The
//! last part of each wait is spun away, so that the peer's own lateness, which counts against the
//! client, stays small. A request that comes before the line was quiet for 3.5 characters is
//! counted.
//!
//! The process prints the terminal's path, then one line of counts for every line that it is sent,
//! and ends with its input.

use crate::Outcome;
use crate::board::Board;
use coilcall::wire::{ReceivedRequest, RtuRequestDecoder, request_frame};
use serialport::{SerialPort, TTYPort};
use std::io::{self, BufRead, Read, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// 8E1: start, eight data, parity, stop.
const BITS_PER_BYTE: u32 = 11;
/// Parking a thread may end this much late.
const SPUN: Duration = Duration::from_micros(150);

/// The times of a serial line in 8E1.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pace {
    pub(crate) byte: Duration,
    /// 3.5 characters, or 1.750 ms above 19200 baud (Modbus over serial line V1.02, 2.5.1.1).
    pub(crate) quiet: Duration,
}

impl Pace {
    pub(crate) fn of(baud: u32) -> Self {
        let byte = Duration::from_secs(1) * BITS_PER_BYTE / baud;
        let quiet = if baud > 19_200 {
            Duration::from_micros(1750)
        } else {
            byte * 7 / 2
        };
        Self { byte, quiet }
    }

    /// What so many bytes in so many transactions keep the line busy: each frame and the quiet
    /// after it.
    pub(crate) fn wire_time(&self, bytes: u64, transactions: u64) -> Duration {
        let quiet = self.quiet.as_secs_f64() * 2.0 * transactions as f64;
        Duration::from_secs_f64(self.byte.as_secs_f64() * bytes as f64 + quiet)
    }
}

#[derive(Default)]
struct Counts {
    transactions: AtomicU64,
    bytes: AtomicU64,
    too_early: AtomicU64,
}

/// Answers until the input ends; baud 0 is as fast as can be.
pub(crate) fn answer(baud: u32) -> Outcome<()> {
    let (mut near, far) = TTYPort::pair()?;
    near.set_timeout(Duration::from_millis(100))?;
    let path = far.name().ok_or("the pseudo-terminal has no path")?;
    writeln!(io::stdout(), "{path}")?;
    let counts = Arc::new(Counts::default());
    let told = Arc::clone(&counts);
    std::thread::spawn(move || tell_counts(&told));
    let mut line = Line {
        port: near,
        pace: (baud > 0).then(|| Pace::of(baud)),
        board: if baud > 0 {
            Board::on_the_mains()
        } else {
            Board::default()
        },
        began: Instant::now(),
        quiet_from: None,
        counts,
    };
    let mut decoder = RtuRequestDecoder::new();
    let mut buffer = [0; 256];
    loop {
        match line.port.read(&mut buffer) {
            Ok(count) => decoder.push(&buffer[..count]),
            // Nothing is asked at the moment; the far end is held open here, so it never closes.
            Err(error) if error.kind() == io::ErrorKind::TimedOut => {}
            Err(error) => return Err(error.into()),
        }
        let heard = Instant::now();
        while let Some(received) = decoder.take() {
            line.reply(&received, heard)?;
        }
    }
}

/// Prints the counts for each line of the input, and ends the process where it ends.
fn tell_counts(counts: &Counts) {
    for line in io::stdin().lock().lines() {
        let load = |count: &AtomicU64| count.load(Ordering::SeqCst);
        let told = line.and_then(|_asked| {
            writeln!(
                io::stdout(),
                "{} {} {}",
                load(&counts.transactions),
                load(&counts.bytes),
                load(&counts.too_early)
            )
        });
        if told.is_err() {
            break;
        }
    }
    std::process::exit(0);
}

/// The near end, with what is on the line.
struct Line {
    port: TTYPort,
    pace: Option<Pace>,
    board: Board,
    began: Instant,
    /// When the last byte went out, if any has.
    quiet_from: Option<Instant>,
    counts: Arc<Counts>,
}

impl Line {
    fn reply(&mut self, received: &ReceivedRequest, heard: Instant) -> Outcome<()> {
        let Ok(request) = &received.request else {
            return Err("the peer was asked for something that no part asks for".into());
        };
        let request_bytes = request_frame(received.unit, request).len();
        let reply = match self.pace {
            None => {
                let reply = self.board.answer(received, heard - self.began);
                self.port.write_all(&reply)?;
                reply
            }
            Some(pace) => self.reply_at(pace, received, (request_bytes, heard))?,
        };
        let bytes = request_bytes + reply.len();
        self.counts.bytes.fetch_add(bytes as u64, Ordering::SeqCst);
        self.counts.transactions.fetch_add(1, Ordering::SeqCst);
        Ok(())
    }

    fn reply_at(
        &mut self,
        pace: Pace,
        received: &ReceivedRequest,
        (request_bytes, heard): (usize, Instant),
    ) -> Outcome<Vec<u8>> {
        if self
            .quiet_from
            .is_some_and(|from| heard < from + pace.quiet)
        {
            self.counts.too_early.fetch_add(1, Ordering::SeqCst);
        }
        let request_bytes = u32::try_from(request_bytes)?;
        let begins = heard + pace.byte * request_bytes + pace.quiet;
        wait_until(begins);
        let reply = self.board.answer(received, begins - self.began);
        for (passed, byte) in (1_u32..).zip(&reply) {
            wait_until(begins + pace.byte * passed);
            // Taken before the byte goes out: the client cannot have heard it any sooner.
            self.quiet_from = Some(Instant::now());
            self.port.write_all(&[*byte])?;
        }
        Ok(reply)
    }
}

fn wait_until(moment: Instant) {
    loop {
        let left = moment.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return;
        }
        match left.checked_sub(SPUN) {
            Some(parked) => std::thread::park_timeout(parked),
            None => std::hint::spin_loop(),
        }
    }
}
