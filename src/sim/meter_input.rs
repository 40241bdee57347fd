//! What a meter's leads lie on: points joined directly or through the relays of a multiplexer.
//!
//! Place in the data's path: made once from the bench; the world asks what a meter shows while
//! given contacts are closed. It knows no bytes. A meter between whose leads nothing is joined
//! shows 0 V and an endless resistance. A meter on several points without a multiplexer has leads
//! that a person moves. Several points joined at once would be one point; the
//! highest of them is shown.
//!
//! Each meter is off by a gain error and a noise of its own, drawn from the seed inside its stated
//! accuracy; resolution and range are put on where its answer is written.

use super::physics::{Contacts, Leads, Observations, Physics, Point};
use super::random::{Draws, Purpose};
use super::world::senses;
use crate::domain::bench_map::{BenchMap, RelayAt, SenseMeans};
use crate::units::{
    DeviceName, DeviceProtocol, DeviceSpec, MeterAccuracy, MeterValue, Ohms, Quantity, Terminal,
};
use std::collections::BTreeMap;

/// One way from a point to a meter.
#[derive(Debug)]
struct Lead {
    point: Point,
    through: Option<RelayAt>,
    series: Ohms,
    /// The load across the meter, where there is one.
    load: Option<Ohms>,
    /// Cut through: nothing is joined by it.
    dead: bool,
}

/// The part of the stated accuracy that gain and noise take; the rest is the resolution's.
const GAIN_PART: f64 = 0.8;
const NOISE_PART: f64 = 0.4;

/// What a lead that hangs on its point for good adds to the circuit: it is there already.
const ALREADY_THERE: Ohms = Ohms(1e12);

#[derive(Debug)]
struct Input {
    leads: Vec<Lead>,
    quantity: Quantity,
    input_ohms: Ohms,
    gain: f64,
    /// Largest noise, in the unit read.
    noise: f64,
    draws: Draws,
}

impl Input {
    fn new(device: &DeviceSpec, index: usize, seed: u64, bench: &BenchMap) -> Self {
        let stated: (Option<f64>, Option<MeterAccuracy>) = match &device.protocol {
            DeviceProtocol::Scpi(spec) => (Some(spec.input_ohms), Some(spec.accuracy)),
            DeviceProtocol::Ascii(spec) => (spec.input_ohms, spec.accuracy),
            DeviceProtocol::ModbusRtu(_) | DeviceProtocol::ModbusTcp(_) => (None, None),
        };
        let (input_ohms, accuracy) = stated;
        let mut draws = Draws::new(seed, Purpose::Meter, index);
        let percent = accuracy.map_or(0.0, |accuracy| accuracy.percent);
        Self {
            leads: Vec::new(),
            quantity: Quantity::AcVolts,
            input_ohms: Ohms(input_ohms.unwrap_or(bench.circuit.meter_ohms)),
            gain: 1.0 + draws.deviation() * GAIN_PART * percent / 100.0,
            noise: accuracy.map_or(0.0, |a| NOISE_PART * a.counts * a.resolution),
            draws,
        }
    }
}

/// The inputs of every meter of a bench.
#[derive(Debug, Default)]
pub(super) struct MeterInputs(BTreeMap<DeviceName, Input>);

impl MeterInputs {
    pub(super) fn of(bench: &BenchMap, seed: u64) -> Self {
        let mut inputs: BTreeMap<DeviceName, Input> = BTreeMap::new();
        let devices: Vec<&DeviceName> = bench.devices.keys().collect();
        for (terminal, sense) in senses(bench) {
            let SenseMeans::Meter {
                device,
                through,
                series_ohms,
                load_ohms,
            } = &sense.means
            else {
                continue;
            };
            let Some(spec) = bench.devices.get(device) else {
                continue;
            };
            let index = devices.iter().position(|name| *name == device);
            let input = inputs.entry(device.clone()).or_insert_with(|| {
                let index = index.expect("the device was found by its name");
                let mut input = Input::new(spec, index, seed, bench);
                input.quantity = sense.quantity;
                input
            });
            input.leads.push(Lead {
                point: Point {
                    terminal,
                    end: sense.end,
                },
                through: through.clone(),
                series: *series_ohms,
                load: *load_ohms,
                dead: false,
            });
        }
        Self(inputs)
    }

    /// Cuts every lead on a terminal; whether there was one.
    pub(super) fn kill(&mut self, terminal: &Terminal) -> bool {
        let leads = self.0.values_mut().flat_map(|input| &mut input.leads);
        let mut found = false;
        for lead in leads.filter(|lead| lead.point.terminal == *terminal) {
            lead.dead = true;
            found = true;
        }
        found
    }

    pub(super) fn quantity_of(&self, device: &DeviceName) -> Quantity {
        let input = self.0.get(device);
        input.map_or(Quantity::AcVolts, |input| input.quantity)
    }

    pub(super) fn value(
        &mut self,
        (device, quantity): (&DeviceName, Quantity),
        (physics, contacts, observations): (&Physics, &Contacts, &Observations),
        leads: Option<&Point>,
        closed: impl Fn(&RelayAt) -> bool,
    ) -> MeterValue {
        let Some(input) = self.0.get_mut(device) else {
            return nothing_joined(quantity);
        };
        let by_hand = input.leads.iter().filter(|lead| lead.through.is_none());
        let is_moved = by_hand.count() > 1;
        let reaches = |lead: &&Lead| match &lead.through {
            Some(relay) => closed(relay),
            None => !is_moved || leads == Some(&lead.point),
        };
        let live_leads = input.leads.iter().filter(|lead| !lead.dead);
        let joined = live_leads.filter(reaches);
        match quantity {
            Quantity::AcVolts => {
                let shown = joined.map(|lead| {
                    let standing = observations.volts(&lead.point).0;
                    lead.volts(input.input_ohms, standing, |leads| {
                        physics.read(contacts, &lead.point, leads).0
                    })
                });
                let true_value = shown.fold(0.0, f64::max);
                let noise = input.draws.deviation() * input.noise;
                MeterValue::Value((true_value * input.gain + noise).abs())
            }
            Quantity::Resistance => {
                let shown = joined.filter_map(|lead| {
                    let ohms = physics.ohms(contacts, &lead.point)?;
                    Some(ohms.0 + lead.series.0)
                });
                let lowest = shown.min_by(f64::total_cmp);
                lowest.map_or(MeterValue::Overload, |ohms| {
                    MeterValue::Value(ohms * input.gain)
                })
            }
            Quantity::AcAmps => {
                let shown = joined.map(|lead| physics.amps(contacts, &lead.point).0);
                let noise = input.draws.deviation() * input.noise;
                MeterValue::Value((shown.fold(0.0, f64::max) * input.gain + noise).abs())
            }
            Quantity::Presence | Quantity::Observation => nothing_joined(quantity),
        }
    }
}

fn nothing_joined(quantity: Quantity) -> MeterValue {
    match quantity {
        Quantity::AcVolts | Quantity::AcAmps => MeterValue::Value(0.0),
        Quantity::Resistance => MeterValue::Overload,
        Quantity::Presence | Quantity::Observation => MeterValue::NotANumber,
    }
}

impl Lead {
    /// What the meter has at its terminals. One that hangs on its point for good is a part of the
    /// circuit; one behind a multiplexer, and any load, is put there for the reading.
    fn volts(&self, input: Ohms, standing: f64, read: impl Fn(&Leads) -> f64) -> f64 {
        if self.through.is_none() && self.load.is_none() {
            return standing * input.0 / (input.0 + self.series.0);
        }
        let hung = self.through.is_none();
        read(&Leads {
            input: if hung { ALREADY_THERE } else { input },
            load: self.load,
            series: self.series,
        })
    }
}
