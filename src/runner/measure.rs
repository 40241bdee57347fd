//! Requests that are tried again by kind, and inputs that are sampled.
//!
//! An unfiltered optocoupler input on alternating voltage follows each half cycle, so one reading
//! proves nothing (common practice, no source): inputs are read several times over at least three
//! mains cycles, at moments that are spread over the half cycle; on if any sample is live, and the
//! record says in how many. A point that should be live and was not in any sample is sampled twice
//! as long again before it counts as dead: a re-reading costs time, a wrong verdict trust.
//!
//! Place in the data's path: between the ports and the judgement. A link's trouble is recorded and
//! tried again or handed up; it never becomes a state of a line.

use super::recorder::{Recorder, Unrecorded};
use super::setup::{Policy, Ports};
use crate::domain::Observed;
use crate::domain::bench_map::{BenchTiming, SenseMeans};
use crate::domain::plan::SensePoint;
use crate::event::{EventKind, NextAction, Read, ReadResult, TroubleSeen};
use crate::port::LocalFuture;
use crate::units::{DeviceName, Microseconds, Trouble, TroubleKind};
use std::collections::BTreeMap;

/// Why a step cannot go on.
#[derive(Debug)]
pub(super) enum Halt {
    /// The journal is gone.
    Unrecorded,
    /// A device did not answer rightly within its tries.
    Lost(Box<Lost>),
}

/// What was lost.
#[derive(Debug)]
pub(super) struct Lost {
    /// The device.
    pub(super) device: DeviceName,
    /// The last trouble.
    pub(super) trouble: Trouble,
}

impl Halt {
    pub(super) fn lost(device: &DeviceName, trouble: Trouble) -> Self {
        Self::Lost(Box::new(Lost {
            device: device.clone(),
            trouble,
        }))
    }
}

impl From<Unrecorded> for Halt {
    fn from(_: Unrecorded) -> Self {
        Self::Unrecorded
    }
}

/// One point with what was read there.
#[derive(Debug, Clone)]
pub(super) struct PointReading {
    /// The point.
    pub(super) point: SensePoint,
    /// The reading's number in the record.
    pub(super) id: u64,
    /// The state that it shows.
    pub(super) state: Observed,
    /// Samples that were live, of all.
    pub(super) live: u8,
    /// Samples taken.
    pub(super) samples: u8,
}

/// What to read, and when enough was read.
pub(super) struct ReadOrder<'a> {
    /// The points.
    pub(super) points: Vec<&'a SensePoint>,
    /// For each point, whether it should be live: such a point is read longer before it counts as
    /// dead.
    pub(super) should_be_live: Vec<bool>,
    /// Stop as soon as every point has been live once.
    pub(super) stop_when_live: bool,
}

/// Reads points and tries requests again.
pub(super) struct Measure<'a> {
    pub(super) ports: &'a Ports,
    pub(super) recorder: &'a Recorder,
    pub(super) policy: &'a Policy,
    pub(super) timing: &'a BenchTiming,
}

/// The most samples that one reading may hold.
const MOST_SAMPLES: u8 = 96;

impl Measure<'_> {
    /// Makes one request, again where its kind of trouble allows it.
    pub(super) async fn request<'p, T>(
        &self,
        device: &DeviceName,
        request: impl Fn() -> LocalFuture<'p, Result<T, Trouble>>,
    ) -> Result<T, Halt> {
        let mut attempt = 1;
        loop {
            let trouble = match request().await {
                Ok(answer) => return Ok(answer),
                Err(trouble) => trouble,
            };
            let again = is_worth_retrying(trouble.kind) && attempt < self.policy.request_tries;
            let next = match trouble.kind {
                TroubleKind::Disconnected => NextAction::Reopen,
                _ if again => NextAction::Retry,
                _ => NextAction::GiveUpStep,
            };
            self.record_trouble(device, &trouble, attempt, next)?;
            if !again {
                return Err(Halt::lost(device, trouble));
            }
            attempt += 1;
        }
    }

    /// Records one trouble.
    pub(super) fn record_trouble(
        &self,
        device: &DeviceName,
        trouble: &Trouble,
        attempt: u32,
        next: NextAction,
    ) -> Result<(), Unrecorded> {
        let (device, trouble) = (device.clone(), trouble.clone());
        self.recorder.record(EventKind::Trouble(TroubleSeen {
            device,
            trouble,
            attempt,
            next,
        }))
    }

    /// Samples every point, records one reading for each, and returns them in order.
    pub(super) async fn read(&self, order: &ReadOrder<'_>) -> Result<Vec<PointReading>, Halt> {
        let devices = input_devices(&order.points);
        let mut tally = Tally::new(order.points.len());
        let from_us = self.recorder.now();
        let once = self.timing.samples.clamp(1, MOST_SAMPLES / 3);
        while tally.samples < once || (tally.samples < 3 * once && tally.is_wanting(order)) {
            self.wait_for_phase(from_us, tally.samples).await;
            let mut seen = BTreeMap::new();
            for device in &devices {
                let inputs = &self.ports.inputs[*device];
                let states = self.request(device, || inputs.read_inputs()).await?;
                seen.insert(*device, states);
            }
            tally.take(&order.points, &seen);
            if order.stop_when_live && tally.live.iter().all(|live| *live > 0) {
                break;
            }
        }
        let to_us = self.recorder.now();
        self.record_readings(order, &tally, (from_us, to_us))
    }

    /// Waits for the next sample's moment: whole half cycles apart, plus a share of one, so that
    /// the samples of one window are spread evenly over the half cycle.
    async fn wait_for_phase(&self, from: Microseconds, sample: u8) {
        let half_cycle_us = 500_000 / u64::from(self.timing.mains_hertz.max(1));
        let samples = u64::from(self.timing.samples.max(1));
        // Three cycles are six half cycles; a window of n samples has n - 1 gaps.
        let whole = 6_u64.div_ceil(samples.saturating_sub(1).max(1)).max(1);
        let gap_us = whole * half_cycle_us + half_cycle_us / samples;
        let due = from.0 + u64::from(sample) * gap_us;
        let now = self.recorder.now().0;
        if due > now {
            tokio::time::sleep(Microseconds(due - now).duration()).await;
        }
    }

    fn record_readings(
        &self,
        order: &ReadOrder<'_>,
        tally: &Tally,
        (from_us, to_us): (Microseconds, Microseconds),
    ) -> Result<Vec<PointReading>, Halt> {
        let mut readings = Vec::with_capacity(order.points.len());
        for (point, live) in order.points.iter().zip(&tally.live) {
            let state = if *live > 0 {
                Observed::On
            } else {
                Observed::Off
            };
            let reading = PointReading {
                point: (*point).clone(),
                id: self.recorder.next_reading_id(),
                state,
                live: *live,
                samples: tally.samples,
            };
            self.recorder.record(EventKind::Read(Read {
                id: reading.id,
                target: point.target.clone(),
                end: point.end,
                quantity: point.quantity,
                result: ReadResult {
                    value: None,
                    state,
                    overload: false,
                    not_a_number: false,
                    live_samples: Some(*live),
                },
                u: None,
                dof: None,
                n: tally.samples,
                device: input_of(point).0.clone(),
                range: None,
                load_ohms: None,
                unpowered: false,
                from_us,
                to_us,
            }))?;
            readings.push(reading);
        }
        Ok(readings)
    }
}

/// Samples so far.
struct Tally {
    live: Vec<u8>,
    samples: u8,
}

impl Tally {
    fn new(points: usize) -> Self {
        Self {
            live: vec![0; points],
            samples: 0,
        }
    }

    fn take(&mut self, points: &[&SensePoint], seen: &BTreeMap<&DeviceName, Vec<bool>>) {
        self.samples += 1;
        for (live, point) in self.live.iter_mut().zip(points) {
            let (device, input) = input_of(point);
            // The driver answers with exactly as many inputs as the bench file gives the device,
            // and the file was checked against that number.
            *live += u8::from(seen[device][usize::from(input)]);
        }
    }

    fn is_wanting(&self, order: &ReadOrder<'_>) -> bool {
        self.live
            .iter()
            .zip(&order.should_be_live)
            .any(|(live, should)| *should && *live == 0)
    }
}

fn input_of(point: &SensePoint) -> (&DeviceName, u16) {
    match &point.means {
        SenseMeans::Input { device, input } => (device, input.0),
        SenseMeans::Meter { .. } | SenseMeans::Operator => {
            unreachable!("the plan holds digital inputs only")
        }
    }
}

fn input_devices<'a>(points: &[&'a SensePoint]) -> Vec<&'a DeviceName> {
    let mut devices: Vec<&DeviceName> = points.iter().map(|point| input_of(point).0).collect();
    devices.sort();
    devices.dedup();
    devices
}

/// Whether asking again may help. A refusal may be a passing one (Modbus exceptions 4 to 6), so it
/// is tried again like a damaged reply.
fn is_worth_retrying(kind: TroubleKind) -> bool {
    match kind {
        TroubleKind::Timeout
        | TroubleKind::Corrupt
        | TroubleKind::Mismatched
        | TroubleKind::Echoed
        | TroubleKind::Refused
        | TroubleKind::Busy
        | TroubleKind::ReadBackDiffers
        | TroubleKind::Superseded => true,
        TroubleKind::Disconnected
        | TroubleKind::Missing
        | TroubleKind::NotPermitted
        | TroubleKind::InUse => false,
    }
}
