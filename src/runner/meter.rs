//! A voltage through a meter, alone or through one relay of its multiplexer, or as a person reads
//! it off an instrument in the hand.
//!
//! Of one meter's multiplexer never two relays are closed: break before make. After a channel was
//! opened it is seen dead across the load where there is one, else its read-back and the release
//! time stand for that. A value between the bands is read twice more, to see whether it is steady.
//!
//! Place in the data's path: part of measurement; what a value means is `domain::measurement`'s.

use super::measure::{Measure, PointReading, device_of};
use super::recorder::Unrecorded;
use super::requests::Halt;
use crate::domain::bench_map::{RelayAt, SenseMeans};
use crate::domain::measurement::{MeasuredVolts, corrected, state_of};
use crate::domain::plan::{PlannedMeter, SensePoint};
use crate::domain::{Call, Observed, Question, Understood};
use crate::event::{EventKind, Read, ReadResult, RelayReason};
use crate::units::{DeviceName, MeterValue, Microseconds, Ohms, Quantity, Volts};

/// A meter's point, taken apart.
struct MeterPoint<'a> {
    point: &'a SensePoint,
    device: DeviceName,
    through: Option<&'a RelayAt>,
    series: Ohms,
    load: Option<Ohms>,
    planned: PlannedMeter,
}

impl<'a> MeterPoint<'a> {
    /// A point that a meter reads, or a person with one.
    fn of(point: &'a SensePoint) -> Self {
        let planned = point
            .meter
            .expect("a point with a value has its meter's data");
        let (through, series, load) = match &point.means {
            SenseMeans::Meter {
                through,
                series_ohms,
                load_ohms,
                ..
            } => (through.as_ref(), *series_ohms, *load_ohms),
            SenseMeans::Input { .. } | SenseMeans::Operator => (None, Ohms(0.0), None),
        };
        Self {
            point,
            device: device_of(point),
            through,
            series,
            load,
            planned,
        }
    }
}

/// What a person is asked who reads an instrument at this point.
pub(super) fn value_question(
    point: &SensePoint,
    quantity: Quantity,
    call: Option<&Call>,
) -> Question {
    Question::Value {
        call: call.cloned().unwrap_or(Call::Idle),
        target: point.target.clone(),
        end: point.end,
        quantity,
    }
}

/// How often a channel is looked at until it is seen dead.
const LOOKS_FOR_DEAD: u32 = 5;

impl Measure<'_> {
    /// Reads one meter point and records it.
    pub(super) async fn read_meter(&self, point: &SensePoint) -> Result<PointReading, Halt> {
        let meter = MeterPoint::of(point);
        if let Some(relay) = meter.through {
            self.relays.close(relay, RelayReason::Multiplex).await?;
            tokio::time::sleep(self.timing.supply_settle.duration()).await;
        } else if self.plan.is_probed(point) {
            let here = (&point.target, point.end);
            self.operator.put_leads(&meter.device, here).await?;
        }
        let reading = self.read_value(&meter).await?;
        if let Some(relay) = meter.through {
            self.relays.open(relay, RelayReason::Multiplex).await?;
            self.see_dead(&meter).await?;
        }
        Ok(reading)
    }

    /// Reads a point on which the meter's leads already lie, and records it.
    pub(super) async fn read_placed(&self, point: &SensePoint) -> Result<PointReading, Halt> {
        self.read_value(&MeterPoint::of(point)).await
    }

    /// Asks a person what an instrument in the hand shows, and records it.
    pub(super) async fn ask_for_volts(
        &self,
        point: &SensePoint,
        call: Option<&Call>,
    ) -> Result<PointReading, Halt> {
        let from_us = self.recorder.now();
        let question = value_question(point, point.quantity, call);
        let Understood::Shown(shown) = self.operator.ask(&question).await? else {
            unreachable!("a value is answered with what is shown")
        };
        Ok(self.record_shown(point, shown, from_us)?)
    }

    /// Records what a person read off an instrument.
    pub(super) fn record_shown(
        &self,
        point: &SensePoint,
        shown: MeterValue,
        from_us: Microseconds,
    ) -> Result<PointReading, Unrecorded> {
        self.record_volts(&MeterPoint::of(point), &[shown], from_us)
    }

    async fn read_value(&self, meter: &MeterPoint<'_>) -> Result<PointReading, Halt> {
        let from_us = self.recorder.now();
        let mut values = vec![self.value(meter).await?];
        if let MeterValue::Value(volts) = values[0]
            && state_of(&self.measured(meter, volts, true), &self.bands) == Observed::Indeterminate
        {
            values.push(self.value(meter).await?);
            values.push(self.value(meter).await?);
        }
        Ok(self.record_volts(meter, &values, from_us)?)
    }

    fn record_volts(
        &self,
        meter: &MeterPoint<'_>,
        values: &[MeterValue],
        from_us: Microseconds,
    ) -> Result<PointReading, Unrecorded> {
        let to_us = self.recorder.now();
        let id = self.recorder.next_reading_id();
        let samples = u8::try_from(values.len()).expect("one or three");
        let volts = self.combine(meter, values);
        let state = volts.map_or(Observed::Indeterminate, |v| state_of(&v, &self.bands));
        self.recorder.record(EventKind::Read(Read {
            id,
            target: meter.point.target.clone(),
            end: meter.point.end,
            quantity: meter.point.quantity,
            result: ReadResult {
                value: volts.map(|measured| measured.volts.0),
                state,
                overload: values.contains(&MeterValue::Overload),
                not_a_number: values.contains(&MeterValue::NotANumber),
                live_samples: None,
            },
            u: volts.map(|measured| measured.u.0),
            dof: None,
            n: samples,
            device: meter.device.clone(),
            range: None,
            load_ohms: meter.load,
            unpowered: false,
            from_us,
            to_us,
        }))?;
        let point = meter.point.clone();
        Ok(PointReading {
            point,
            id,
            state,
            live: 0,
            samples,
            volts,
        })
    }

    async fn value(&self, meter: &MeterPoint<'_>) -> Result<MeterValue, Halt> {
        let port = &self.ports.meters[&meter.device];
        let quantity = meter.point.quantity;
        self.requests()
            .make(&meter.device, || port.read(quantity))
            .await
    }

    fn measured(&self, meter: &MeterPoint<'_>, volts: f64, stable: bool) -> MeasuredVolts {
        let PlannedMeter {
            accuracy,
            input_ohms,
        } = &meter.planned;
        let (volts, u) = corrected(
            Volts(volts),
            accuracy,
            *input_ohms,
            meter.series,
            meter.load,
        );
        MeasuredVolts {
            volts,
            u,
            loaded: meter.point.loaded,
            stable,
        }
    }

    /// One value from one or three; `None` where any of them was no number.
    fn combine(&self, meter: &MeterPoint<'_>, values: &[MeterValue]) -> Option<MeasuredVolts> {
        let numbers: Option<Vec<f64>> = values
            .iter()
            .map(|value| match value {
                MeterValue::Value(volts) => Some(*volts),
                MeterValue::Overload | MeterValue::NotANumber => None,
            })
            .collect();
        let numbers = numbers?;
        let (low, high) = numbers
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
                (l.min(*v), h.max(*v))
            });
        let count = f64::from(u32::try_from(numbers.len()).expect("one or three"));
        let mean = numbers.iter().sum::<f64>() / count;
        let measured = self.measured(meter, mean, true);
        // Repeated readings of one value lie within four standard uncertainties of each other.
        Some(MeasuredVolts {
            stable: high - low <= 4.0 * measured.u.0,
            ..measured
        })
    }

    /// After a channel was opened: seen dead across its load, else given time to fall.
    async fn see_dead(&self, meter: &MeterPoint<'_>) -> Result<(), Halt> {
        tokio::time::sleep(self.timing.supply_settle.duration()).await;
        if meter.load.is_none() {
            return Ok(());
        }
        for _look in 0..LOOKS_FOR_DEAD {
            if let MeterValue::Value(volts) = self.value(meter).await?
                && volts.abs() <= self.bands.off_at_most.0
            {
                return Ok(());
            }
        }
        let trouble = crate::units::Trouble {
            kind: crate::units::TroubleKind::ReadBackDiffers,
            tried: format!(
                "open the multiplexer of {} after {}",
                meter.device, meter.point.target
            ),
            detail: "the channel is still live across its load: the relay does not open".to_owned(),
            request: String::new(),
            reply: String::new(),
        };
        let next = crate::event::NextAction::GiveUpStep;
        self.requests()
            .record_trouble(&meter.device, &trouble, 1, next)?;
        Err(Halt::lost(&meter.device, trouble))
    }
}
