//! Reading points: inputs that are sampled, meters, and what a person sees.
//!
//! An unfiltered optocoupler input on alternating voltage follows each half cycle, so one reading
//! proves nothing (common practice, no source): inputs are read several times over at least three
//! mains cycles, at moments that are spread over the half cycle; on if any sample is live, and the
//! record says in how many. A point that should be live and was not in any sample is sampled twice
//! as long again before it counts as dead: a re-reading costs time, a wrong verdict trust.
//!
//! Place in the data's path: between the ports and the judgement. A link's trouble is recorded and
//! tried again or handed up; it never becomes a state of a line.

use super::operator::Operator;
use super::recorder::Recorder;
use super::relays::Relays;
use super::requests::{Halt, Requests};
use super::sampling::sample_moment;
use super::setup::Ports;
use crate::domain::bench_map::{BenchTiming, SenseMeans};
use crate::domain::measurement::{Bands, MeasuredVolts, judge_volts};
use crate::domain::plan::{Plan, SensePoint};
use crate::domain::{Call, Expected, Observed, Question, Understood, Verdict, judge_cell};
use crate::event::{EventKind, Read, ReadResult};
use crate::units::{DeviceName, End, Microseconds, Quantity, Terminal};
use std::collections::BTreeMap;

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
    /// The voltage, where a meter read one.
    pub(super) volts: Option<MeasuredVolts>,
}

impl PointReading {
    /// The verdict of this reading alone, with the reason where it is not plain.
    pub(super) fn judge(&self, expected: Expected, bands: &Bands) -> (Verdict, &'static str) {
        match (&self.volts, &self.point.means) {
            (Some(volts), _) => judge_volts(expected, volts, bands),
            (None, _) if self.point.meter.is_some() && expected != Expected::Either => {
                (Verdict::Inconc, "the meter gave no number")
            }
            _ => (judge_cell(expected, self.state), ""),
        }
    }
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
    /// The call under way, for what a person is asked.
    pub(super) call: Option<&'a Call>,
}

/// Reads points.
#[derive(Clone, Copy)]
pub(super) struct Measure<'a> {
    pub(super) ports: &'a Ports,
    pub(super) recorder: &'a Recorder,
    pub(super) relays: Relays<'a>,
    pub(super) operator: Operator<'a>,
    pub(super) plan: &'a Plan,
    pub(super) timing: &'a BenchTiming,
    /// Where a voltage counts as on and as off at the supply of this moment.
    pub(super) bands: Bands,
}

/// The most samples that one reading may hold.
const MOST_SAMPLES: u8 = 96;

impl<'a> Measure<'a> {
    pub(super) fn requests(&self) -> Requests<'a> {
        self.relays.requests()
    }

    /// Reads every point, records one reading for each, and returns them in the order's order.
    pub(super) async fn read(&self, order: &ReadOrder<'_>) -> Result<Vec<PointReading>, Halt> {
        let mut readings: Vec<Option<PointReading>> = order.points.iter().map(|_| None).collect();
        let by_input = |point: &SensePoint| matches!(point.means, SenseMeans::Input { .. });
        let (inputs, others): (Vec<usize>, Vec<usize>) =
            (0..order.points.len()).partition(|at| by_input(order.points[*at]));
        if !inputs.is_empty() {
            let sampled = ReadOrder {
                points: inputs.iter().map(|at| order.points[*at]).collect(),
                should_be_live: inputs.iter().map(|at| order.should_be_live[*at]).collect(),
                ..*order
            };
            for (at, reading) in inputs.iter().zip(self.sample(&sampled).await?) {
                readings[*at] = Some(reading);
            }
        }
        for at in &others {
            let point = order.points[*at];
            if matches!(point.means, SenseMeans::Meter { .. }) {
                readings[*at] = Some(self.read_meter(point).await?);
            } else if point.quantity == Quantity::AcVolts {
                readings[*at] = Some(self.ask_for_volts(point, order.call).await?);
            }
        }
        self.ask_for_the_rest(order, &mut readings).await?;
        Ok(readings.into_iter().flatten().collect())
    }

    /// What a person sees: one question for all such lines of an end.
    async fn ask_for_the_rest(
        &self,
        order: &ReadOrder<'_>,
        readings: &mut [Option<PointReading>],
    ) -> Result<(), Halt> {
        for end in [End::Controller, End::Equipment] {
            let seen_by_a_person = |point: &SensePoint| {
                point.means == SenseMeans::Operator
                    && point.quantity == Quantity::Observation
                    && point.end == end
            };
            let asked: Vec<(usize, Terminal)> = order
                .points
                .iter()
                .enumerate()
                .filter(|(_, point)| seen_by_a_person(point))
                .map(|(at, point)| (at, point.target.terminal()))
                .collect();
            if asked.is_empty() {
                continue;
            }
            let question = Question::Observe {
                call: order.call.cloned().unwrap_or(Call::Idle),
                lines: asked.iter().map(|(_, line)| line.clone()).collect(),
                end,
            };
            let from_us = self.recorder.now();
            let Understood::Live(live) = self.operator.ask(&question).await? else {
                unreachable!("an observation is answered with lines")
            };
            for (at, line) in asked {
                let on = live.contains(&line);
                readings[at] = Some(self.record_observation(order.points[at], on, from_us)?);
            }
        }
        Ok(())
    }

    fn record_observation(
        &self,
        point: &SensePoint,
        on: bool,
        from_us: Microseconds,
    ) -> Result<PointReading, Halt> {
        let tally = Tally {
            live: vec![u8::from(on)],
            samples: 1,
        };
        let points = vec![point];
        let order = ReadOrder {
            points,
            should_be_live: vec![false],
            stop_when_live: false,
            call: None,
        };
        let mut readings = self.record_readings(&order, &tally, (from_us, self.recorder.now()))?;
        Ok(readings.pop().expect("one point gives one reading"))
    }

    /// Samples digital inputs.
    async fn sample(&self, order: &ReadOrder<'_>) -> Result<Vec<PointReading>, Halt> {
        let devices = input_devices(&order.points);
        let mut tally = Tally::new(order.points.len());
        let from_us = self.recorder.now();
        let once = self.timing.samples.clamp(1, MOST_SAMPLES / 3);
        while tally.samples < once || (tally.samples < 3 * once && tally.is_wanting(order)) {
            self.wait_for_phase(from_us, tally.samples).await;
            let mut seen = BTreeMap::new();
            for device in &devices {
                let inputs = &self.ports.inputs[*device];
                let states = self
                    .requests()
                    .make(device, || inputs.read_inputs())
                    .await?;
                seen.insert(*device, states);
            }
            tally.take(&order.points, &seen);
            if order.stop_when_live && tally.live.iter().all(|live| *live > 0) {
                break;
            }
        }
        self.record_readings(order, &tally, (from_us, self.recorder.now()))
    }

    /// Waits for the next sample's moment.
    async fn wait_for_phase(&self, from: Microseconds, sample: u8) {
        let now = self.recorder.now();
        let due = sample_moment(self.timing, from, sample, now);
        if due > now {
            tokio::time::sleep(Microseconds(due.0 - now.0).duration()).await;
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
                volts: None,
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
                device: device_of(point),
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
            unreachable!("only digital inputs are sampled")
        }
    }
}

fn input_devices<'a>(points: &[&'a SensePoint]) -> Vec<&'a DeviceName> {
    let mut devices: Vec<&DeviceName> = points.iter().map(|point| input_of(point).0).collect();
    devices.sort();
    devices.dedup();
    devices
}

/// What a reading is recorded under; a person's name is no device's.
pub(super) fn device_of(point: &SensePoint) -> DeviceName {
    match &point.means {
        SenseMeans::Input { device, .. } | SenseMeans::Meter { device, .. } => device.clone(),
        SenseMeans::Operator => DeviceName::new("operator").expect("a good name"),
    }
}
