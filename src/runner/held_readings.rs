//! Readings that take a person's time, or a meter of their own, while a call is held.
//!
//! A clamp is put around one line after the other; leads are moved by hand; a person reads a value
//! off an instrument. All of it comes after the machines are known to run as they should, and the
//! bench is watched meanwhile like at any other time.
//!
//! Place in the data's path: `equipment` makes the step, this reads, `machines` judges.

use super::arming::RecordedValue;
use super::equipment::{Ended, OnMachines};
use super::machines::LineAmps;
use super::measure::PointReading;
use super::meter::value_question;
use super::sequencer::Sequencer;
use crate::domain::bench_map::SenseMeans;
use crate::domain::plan::{SensePoint, Target};
use crate::domain::{Question, Understood};
use crate::event::RelayReason;
use crate::units::{DeviceName, MeterValue, Quantity, Terminal};
use std::collections::BTreeMap;

impl Sequencer<'_> {
    /// The current of each driven line that something clamps or stands in.
    pub(super) async fn read_line_currents(
        &self,
        this: OnMachines<'_>,
    ) -> Result<BTreeMap<Terminal, LineAmps>, Ended> {
        let mut currents = BTreeMap::new();
        for point in &self.plan.sense_points {
            let Target::Line(line) = &point.target else {
                continue;
            };
            if point.quantity != Quantity::AcAmps || !this.step.drive.contains(line) {
                continue;
            }
            let from_us = self.recorder.now();
            let value = self.current_at(this, point).await?;
            let RecordedValue { id, value, u } =
                self.record_value(point, Quantity::AcAmps, value, from_us)?;
            if let (MeterValue::Value(amps), Some(u)) = (value, u) {
                currents.insert(line.clone(), LineAmps { id, amps, u });
            }
        }
        Ok(currents)
    }

    async fn current_at(
        &self,
        this: OnMachines<'_>,
        point: &SensePoint,
    ) -> Result<MeterValue, Ended> {
        let SenseMeans::Meter {
            device, through, ..
        } = &point.means
        else {
            return self.shown_to_a_person(this, point).await;
        };
        let Some(relay) = through else {
            self.put_leads(point).await?;
            return self.amps_of(device).await;
        };
        self.relays().close(relay, RelayReason::Multiplex).await?;
        self.pause(self.plan.timing.supply_settle).await;
        let value = self.amps_of(device).await?;
        self.relays().open(relay, RelayReason::Multiplex).await?;
        self.pause(self.plan.timing.supply_settle).await;
        Ok(value)
    }

    async fn amps_of(&self, device: &DeviceName) -> Result<MeterValue, Ended> {
        let meter = &self.ports.meters[device];
        let requests = self.relays().requests();
        let value = requests.make(device, || meter.read(Quantity::AcAmps));
        Ok(value.await?)
    }

    /// Volts at every line to which a person moves a meter, or of which a person reads one.
    pub(super) async fn read_by_hand(
        &self,
        this: OnMachines<'_>,
    ) -> Result<Vec<PointReading>, Ended> {
        let mut readings = Vec::new();
        for point in &self.plan.sense_points {
            let is_line = matches!(point.target, Target::Line(_));
            let by_hand = point.quantity == Quantity::AcVolts && self.takes_a_person(point);
            if !is_line || !by_hand {
                continue;
            }
            let measure = self.measure();
            let reading = if point.means == SenseMeans::Operator {
                let from_us = self.recorder.now();
                let shown = self.shown_to_a_person(this, point).await?;
                measure.record_shown(point, shown, from_us)?
            } else {
                self.put_leads(point).await?;
                measure.read_placed(point).await?
            };
            readings.push(reading);
        }
        Ok(readings)
    }

    /// Has a person put clamp or leads there, where they are not there for good.
    async fn put_leads(&self, point: &SensePoint) -> Result<(), Ended> {
        if !self.plan.is_probed(point) {
            return Ok(());
        }
        let question = Question::Probe {
            target: point.target.clone(),
            end: point.end,
        };
        self.ask_and_watch(&question, None).await.map(|_done| ())
    }

    async fn shown_to_a_person(
        &self,
        this: OnMachines<'_>,
        point: &SensePoint,
    ) -> Result<MeterValue, Ended> {
        let question = value_question(point, point.quantity, Some(&this.step.call));
        let Understood::Shown(shown) = self.ask_and_watch(&question, None).await? else {
            unreachable!("a value is answered with what is shown")
        };
        Ok(shown)
    }
}
