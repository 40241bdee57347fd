//! A whole run of the program over a peer at a serial line's pace.
//!
//! What a run cannot do without is worked out from its own journal and from the bytes that the peer
//! counted, and by rule: every byte at the line's pace with 3.5 characters after each frame; each
//! settling and each release; the time for the supply to settle after each relay; and of each
//! sampling window (three mains cycles) only what the wire did not fill anyway. The whole is the
//! program's, from its start to its end, report and journal included.

use crate::Outcome;
use crate::above_the_wire::link_to;
use crate::peer::Pace;
use crate::peer_process::PeerProcess;
use crate::row::{Row, median, spread};
use coilcall::config::{parse_bench, redirect_links};
use coilcall::domain::bench_map::BenchTiming;
use coilcall::event::{EventKind, RelayReason, RunEvent, WaitingFor};
use coilcall::store::read_journal;
use coilcall::units::Milliseconds;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// The profile of the runs.
pub(crate) const PROFILE: &str = "heat-pump-2-stage-two-auxiliary-o";
const BENCH: &str = "benches-config/benches/panel-16.toml";
const ROUNDS: usize = 3;
const GOAL: f64 = 1.05;

pub(crate) fn measure() -> Outcome<Vec<Row>> {
    let program = Program::new()?;
    let mut rows = Vec::new();
    for baud in [9600, 115_200] {
        let mut ratios = Vec::new();
        let mut last = String::new();
        for _ in 0..ROUNDS {
            let mut peer = PeerProcess::start(baud)?;
            let bench = program.write_bench(&bench_at(&peer.path, baud)?)?;
            let ran = program.run(&bench, PROFILE, &[])?;
            let seen = peer.seen()?;
            let pace = Pace::of(baud);
            let wire = pace.wire_time(seen.bytes, seen.transactions);
            let needed = wire + dwell(&ran.events, pace)?;
            let (took, needed) = (ran.took.as_secs_f64(), needed.as_secs_f64());
            ratios.push(took / needed);
            last = format!("{took:.2} s for {needed:.2} s");
        }
        rows.push(Row {
            what: format!("whole run at {baud} 8E1, time taken over time needed (last: {last})"),
            result: spread(&ratios, 3),
            goal: Some((format!("≤ {GOAL}"), median(&ratios) <= GOAL)),
        });
    }
    Ok(rows)
}

/// The text of the ready-made bench.
pub(crate) fn stock_bench() -> Outcome<String> {
    Ok(std::fs::read_to_string(from_the_top(BENCH))?)
}

fn from_the_top(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn bench_at(path: &str, baud: u32) -> Outcome<String> {
    let bench = parse_bench(Path::new(BENCH), stock_bench()?)?;
    let link = link_to(path, baud);
    let transports = BTreeMap::from([(link.name, link.transport)]);
    Ok(redirect_links(&bench, &transports)?)
}

/// Everything that the run had to wait for beside the wire.
fn dwell(events: &[RunEvent], pace: Pace) -> Outcome<Duration> {
    let timing = events
        .iter()
        .find_map(|event| match &event.kind {
            EventKind::RunStarted(started) => Some(started.plan.timing.clone()),
            _ => None,
        })
        .ok_or("the journal does not begin with its run")?;
    // The quiet after the last reply passes while the run waits, and is counted as the wire's.
    let beside_the_wire = |wait: Milliseconds| wait.duration().saturating_sub(pace.quiet);
    let mut whole = Duration::ZERO;
    let mut windows = BTreeSet::new();
    for event in events {
        match &event.kind {
            EventKind::Waiting(waiting) => match waiting.why {
                WaitingFor::Settle => whole += beside_the_wire(timing.settle),
                WaitingFor::Release => whole += beside_the_wire(timing.release),
                other => return Err(format!("the run waited for {other:?}").into()),
            },
            EventKind::RelaysSet(set) if set.reason == RelayReason::Call => {
                whole += beside_the_wire(timing.supply_settle);
            }
            EventKind::Read(read) => _ = windows.insert((read.from_us.0, read.n)),
            EventKind::Trouble(seen) => return Err(format!("{}", seen.trouble).into()),
            _ => {}
        }
    }
    let windows = windows.iter().map(|(_, n)| sampling(&timing, *n, pace));
    Ok(whole + windows.sum::<Duration>())
}

/// What a window of so many samples lasts beyond its readings on the wire. The samples lie spread
/// over the half cycle: from one to the next it is a whole number of half cycles plus a share of
/// one, three cycles in all and no less than a reading takes.
fn sampling(timing: &BenchTiming, samples: u8, pace: Pace) -> Duration {
    // A reading of 16 inputs: 8 bytes there, 7 back (V1.1b3, 6.2).
    let reading = pace.wire_time(15, 1).as_secs_f64();
    let half_cycle = 0.5 / f64::from(timing.mains_hertz);
    let in_window = f64::from(timing.samples);
    let least = (6.0 / (in_window - 1.0)).max(reading / half_cycle);
    let share = 1.0 / in_window;
    let gap = ((least - share).ceil() + share) * half_cycle;
    Duration::from_secs_f64((gap - reading) * f64::from(samples.saturating_sub(1)))
}

/// The program with a folder for its files.
pub(crate) struct Program {
    folder: tempfile::TempDir,
}

/// One run as it came out.
pub(crate) struct Ran {
    /// From the program's start to its end.
    pub(crate) took: Duration,
    pub(crate) events: Vec<RunEvent>,
}

impl Ran {
    /// The run's own time, from first to last event.
    pub(crate) fn elapsed(&self) -> Duration {
        let last = self.events.last().map_or(0, |event| event.elapsed_us.0);
        Duration::from_micros(last)
    }
}

impl Program {
    pub(crate) fn new() -> Outcome<Self> {
        let folder = tempfile::tempdir()?;
        Ok(Self { folder })
    }

    pub(crate) fn write_bench(&self, text: &str) -> Outcome<PathBuf> {
        let file = self.folder.path().join("bench.toml");
        std::fs::write(&file, text)?;
        Ok(file)
    }

    /// Makes a run that has to pass, and reads its journal.
    pub(crate) fn run(&self, bench: &Path, profile: &str, more: &[&str]) -> Outcome<Ran> {
        let records = tempfile::tempdir_in(self.folder.path())?;
        let began = Instant::now();
        let output = Command::new(env!("CARGO_BIN_EXE_coilcall"))
            .arg("run")
            .arg("--bench")
            .arg(bench)
            .arg("--profile")
            .arg(from_the_top(&format!(
                "benches-config/profiles/{profile}.toml"
            )))
            .arg("--out")
            .arg(records.path())
            .args(more)
            .stdin(Stdio::null())
            .output()?;
        let took = began.elapsed();
        if !output.status.success() {
            let said = [output.stdout, output.stderr].concat();
            let said = String::from_utf8_lossy(&said).into_owned();
            return Err(format!("the run did not pass: {}\n{said}", output.status).into());
        }
        let journal = std::fs::read_dir(records.path())?
            .map(|entry| entry.map(|entry| entry.path()))
            .find(|path| {
                path.as_ref()
                    .is_ok_and(|path| path.extension().is_some_and(|ending| ending == "jsonl"))
            })
            .ok_or("the run left no journal")??;
        let events = read_journal(&journal)?.events;
        Ok(Ran { took, events })
    }
}
