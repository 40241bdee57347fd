//! Arming: a named person confirms what applies before anything may start.
//!
//! On real loads the name and every confirmation come from a person at the bench: an answers file
//! is not heard unless the bench is simulated. Where loads are said to be lifted, that is attested
//! in each run, and where ohms can be read they are: a path to C of less than [`PATH_OHMS`] beyond
//! the bench's own loads stops the run before any call's relay closes.
//!
//! Place in the data's path: between identifying the devices and the first step.

use super::measure::device_of;
use super::meter::value_question;
use super::recorder::Unrecorded;
use super::requests::Halt;
use super::sequencer::{Sequencer, Stop};
use crate::domain::bench_map::{RelayAt, SenseMeans};
use crate::domain::measurement::{path_beyond, standard_uncertainty};
use crate::domain::plan::{EquipmentPlan, SensePoint, Target};
use crate::domain::{Observed, Question, Understood};
use crate::event::{EventKind, Read, ReadResult, RelayReason, Waiting, WaitingFor};
use crate::units::{MeterValue, Microseconds, Ohms, Quantity, Terminal};

/// Less than this to C is a load that was not lifted.
const PATH_OHMS: Ohms = Ohms(1_000.0);

/// Ohms are read only where the pair was just read below this.
const DEAD_VOLTS: f64 = 1.0;

impl Sequencer<'_> {
    /// Holds the run until it is armed. Nothing closes before.
    pub(super) async fn arm(&self, equipment: &EquipmentPlan) -> Result<(), Stop> {
        if equipment.checklist.is_empty() {
            return Ok(());
        }
        let why = "waits to be armed by a named person at the bench".to_owned();
        self.record(EventKind::Suspended { why })?;
        let silence = self.policy.operator_silence;
        self.record(EventKind::Waiting(Waiting {
            why: WaitingFor::Operator,
            until: Microseconds(self.recorder.now().0 + silence.0 * 1000),
        }))?;
        let armed =
            async { Ok(tokio::time::timeout(silence.duration(), self.answers.armed()).await) };
        let by = match self.while_feeding(armed).await {
            Ok(Ok(Some(by))) => by,
            Ok(_) => {
                let why = "not armed: no named person took the responsibility";
                return Err(self.held(why.to_owned()));
            }
            Err(halt) => return Err(self.stopped_by(&halt)),
        };
        let mut confirmed = Vec::new();
        for check in &equipment.checklist {
            let question = Question::Confirm { check: *check };
            let operator = self.operator();
            match self.while_feeding(operator.ask(&question)).await {
                Ok(Understood::Yes) => confirmed.push(check.word().to_owned()),
                Ok(_) => {
                    let why = format!("not armed: {} was not confirmed", check.word());
                    return Err(self.held(why));
                }
                Err(Halt::NoAnswer(words)) => {
                    return Err(self.held(format!("not armed: {words}")));
                }
                Err(halt) => return Err(self.stopped_by(&halt)),
            }
        }
        self.record(EventKind::Armed { by, confirmed })?;
        let why = "armed".to_owned();
        self.record(EventKind::Resumed { why })?;
        if equipment.starts_machines {
            return Ok(());
        }
        self.check_lifted_loads().await
    }

    /// The run must not go on.
    pub(super) fn held(&self, why: String) -> Stop {
        self.knowledge.borrow_mut().notes.push(why);
        Stop::Held
    }

    /// Reads ohms from each line to C where a meter can.
    async fn check_lifted_loads(&self) -> Result<(), Stop> {
        let points = self.plan.sense_points.iter();
        for point in points.filter(|point| point.quantity == Quantity::Resistance) {
            let Target::Line(line) = &point.target else {
                continue;
            };
            match self.path_to_common(point).await {
                Ok(Path::Open) => {}
                Ok(Path::Found(ohms)) => {
                    return Err(self.held(format!(
                        "{line} has a path to C of {ohms:.0}: a load is not lifted; nothing was \
                         called"
                    )));
                }
                Ok(Path::Unclear(why)) => {
                    return Err(self.held(format!(
                        "whether {line}'s load is lifted cannot be told: {why}; nothing was called"
                    )));
                }
                Err(halt) => return Err(self.stopped_by(&halt)),
            }
        }
        Ok(())
    }

    async fn path_to_common(&self, point: &SensePoint) -> Result<Path, Halt> {
        let (through, series_ohms, load_ohms) = match &point.means {
            SenseMeans::Meter {
                through,
                series_ohms,
                load_ohms,
                ..
            } => (through.as_ref(), *series_ohms, *load_ohms),
            SenseMeans::Operator => (None, Ohms(0.0), None),
            SenseMeans::Input { .. } => {
                return Ok(Path::Unclear("it is not read by a meter".to_owned()));
            }
        };
        let Target::Line(line) = &point.target else {
            return Ok(Path::Open);
        };
        // A meter's own relay is no call's: it puts the leads there, and is the only one closed.
        if let Some(relay) = through {
            self.relays().close(relay, RelayReason::Multiplex).await?;
            self.pause_fed(self.plan.timing.supply_settle).await?;
        } else if self.shares_its_leads(point) {
            let question = Question::Probe {
                target: point.target.clone(),
                end: point.end,
            };
            self.operator().ask_done(&question).await?;
        }
        let own = self.own_loads(line, load_ohms);
        let path = self.read_path(point, series_ohms, own).await;
        if let Some(relay) = through {
            self.open_multiplexer(relay).await?;
        }
        path
    }

    async fn open_multiplexer(&self, relay: &RelayAt) -> Result<(), Halt> {
        self.relays().open(relay, RelayReason::Multiplex).await?;
        self.pause_fed(self.plan.timing.supply_settle).await
    }

    async fn read_path(
        &self,
        point: &SensePoint,
        series: Ohms,
        own: Option<Ohms>,
    ) -> Result<Path, Halt> {
        match self.read_value(point, Quantity::AcVolts).await? {
            MeterValue::Value(volts) if volts.abs() < DEAD_VOLTS => {}
            MeterValue::Value(volts) => {
                return Ok(Path::Unclear(format!(
                    "{volts:.1} V stands on it with every relay open"
                )));
            }
            MeterValue::Overload | MeterValue::NotANumber => {
                return Ok(Path::Unclear("its voltage could not be read".to_owned()));
            }
        }
        Ok(match self.read_value(point, Quantity::Resistance).await? {
            MeterValue::Overload => Path::Open,
            MeterValue::NotANumber => Path::Unclear("the meter gave no number".to_owned()),
            MeterValue::Value(read) => match path_beyond(Ohms(read - series.0), own) {
                Some(path) if path.0 < PATH_OHMS.0 => Path::Found(path),
                _ => Path::Open,
            },
        })
    }

    /// What the bench itself has across the line: its switched-in load.
    fn own_loads(&self, line: &Terminal, switched_in: Option<Ohms>) -> Option<Ohms> {
        let equipment = self.plan.equipment.as_ref()?;
        match (equipment.own_ohms.get(line), switched_in) {
            (Some(a), Some(b)) => Some(Ohms(a.0 * b.0 / (a.0 + b.0))),
            (Some(ohms), None) => Some(*ohms),
            (None, switched_in) => switched_in,
        }
    }

    /// Whether one meter without a multiplexer serves several points, for volts and ohms alike.
    fn shares_its_leads(&self, point: &SensePoint) -> bool {
        let SenseMeans::Meter { device, .. } = &point.means else {
            return false;
        };
        let mut targets: Vec<(&Target, crate::units::End)> = self
            .plan
            .sense_points
            .iter()
            .filter(|p| matches!(&p.means, SenseMeans::Meter { device: d, .. } if d == device))
            .map(|point| (&point.target, point.end))
            .collect();
        targets.sort();
        targets.dedup();
        targets.len() > 1
    }

    /// One value of one point, recorded: by the device that reads it, else by a person.
    async fn read_value(&self, point: &SensePoint, quantity: Quantity) -> Result<MeterValue, Halt> {
        let from_us = self.recorder.now();
        let value = match &point.means {
            SenseMeans::Meter { device, .. } => {
                let meter = &self.ports.meters[device];
                let requests = self.relays().requests();
                requests.make(device, || meter.read(quantity)).await?
            }
            SenseMeans::Input { .. } | SenseMeans::Operator => {
                let question = value_question(point, quantity, None);
                let Understood::Shown(shown) = self.operator().ask(&question).await? else {
                    unreachable!("a value is answered with what is shown")
                };
                shown
            }
        };
        Ok(self.record_value(point, quantity, value, from_us)?.value)
    }

    /// Records one value of one point; its number in the record, and its standard uncertainty.
    pub(super) fn record_value(
        &self,
        point: &SensePoint,
        quantity: Quantity,
        value: MeterValue,
        from_us: Microseconds,
    ) -> Result<RecordedValue, Unrecorded> {
        let number = match value {
            MeterValue::Value(number) => Some(number),
            MeterValue::Overload | MeterValue::NotANumber => None,
        };
        let u = number.and_then(|number| uncertainty_of(point, quantity, number));
        let id = self.recorder.next_reading_id();
        self.record(EventKind::Read(Read {
            id,
            target: point.target.clone(),
            end: point.end,
            quantity,
            result: ReadResult {
                value: number,
                state: Observed::NotMeasured,
                overload: value == MeterValue::Overload,
                not_a_number: value == MeterValue::NotANumber,
                live_samples: None,
            },
            u,
            dof: None,
            n: 1,
            device: device_of(point),
            range: None,
            load_ohms: None,
            unpowered: quantity == Quantity::Resistance,
            from_us,
            to_us: self.recorder.now(),
        }))?;
        Ok(RecordedValue { id, value, u })
    }
}

/// One value as it stands in the record.
pub(super) struct RecordedValue {
    pub(super) id: u64,
    pub(super) value: MeterValue,
    pub(super) u: Option<f64>,
}

/// The stated accuracy is one on volts or amps; of ohms nothing is known.
fn uncertainty_of(point: &SensePoint, quantity: Quantity, value: f64) -> Option<f64> {
    let meter = point.meter.filter(|_| quantity != Quantity::Resistance)?;
    Some(standard_uncertainty(value, &meter.accuracy))
}

/// What lies between a line and C.
enum Path {
    Open,
    Found(Ohms),
    Unclear(String),
}
