//! What a meter's leads lie on: points joined directly or through the relays of a multiplexer.
//!
//! Place in the data's path: made once from the bench; the world asks what a meter shows while
//! given contacts are closed. It knows no bytes. A meter between whose leads nothing is joined
//! shows 0 V and an endless resistance. Several points joined at once would be one point; the
//! highest of them is shown.

use super::physics::{Observations, Point};
use super::world::senses;
use crate::domain::bench_map::{BenchMap, RelayAt, SenseMeans};
use crate::units::{DeviceName, DeviceProtocol, MeterValue, Ohms, Quantity};
use std::collections::BTreeMap;

/// One way from a point to a meter.
#[derive(Debug)]
struct Lead {
    point: Point,
    through: Option<RelayAt>,
    series: Ohms,
    /// The load across the meter, where there is one.
    load: Option<Ohms>,
}

#[derive(Debug)]
struct Input {
    leads: Vec<Lead>,
    quantity: Quantity,
    input_ohms: Option<Ohms>,
}

/// The inputs of every meter of a bench.
#[derive(Debug, Default)]
pub(super) struct MeterInputs(BTreeMap<DeviceName, Input>);

impl MeterInputs {
    pub(super) fn of(bench: &BenchMap) -> Self {
        let mut inputs: BTreeMap<DeviceName, Input> = BTreeMap::new();
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
            let input_ohms = match bench.devices.get(device).map(|device| &device.protocol) {
                Some(DeviceProtocol::Scpi(spec)) => Some(Ohms(spec.input_ohms)),
                Some(DeviceProtocol::Ascii(spec)) => spec.input_ohms.map(Ohms),
                _ => None,
            };
            let input = inputs.entry(device.clone()).or_insert_with(|| Input {
                leads: Vec::new(),
                quantity: sense.quantity,
                input_ohms,
            });
            input.leads.push(Lead {
                point: Point {
                    terminal,
                    end: sense.end,
                },
                through: through.clone(),
                series: *series_ohms,
                load: *load_ohms,
            });
        }
        Self(inputs)
    }

    pub(super) fn quantity_of(&self, device: &DeviceName) -> Quantity {
        let input = self.0.get(device);
        input.map_or(Quantity::AcVolts, |input| input.quantity)
    }

    pub(super) fn value(
        &self,
        device: &DeviceName,
        quantity: Quantity,
        observations: &Observations,
        closed: impl Fn(&RelayAt) -> bool,
    ) -> MeterValue {
        let Some(input) = self.0.get(device) else {
            return nothing_joined(quantity);
        };
        let joined = input
            .leads
            .iter()
            .filter(|lead| lead.through.as_ref().is_none_or(&closed));
        match quantity {
            Quantity::AcVolts => {
                let shown = joined.map(|lead| {
                    lead.share(input.input_ohms) * { observations.volts(&lead.point).0 }
                });
                MeterValue::Value(shown.fold(0.0, f64::max))
            }
            Quantity::Resistance => {
                let shown = joined.filter_map(|lead| {
                    let ohms = observations.ohms(&lead.point)?;
                    Some(ohms.0 + lead.series.0)
                });
                let lowest = shown.min_by(f64::total_cmp);
                lowest.map_or(MeterValue::Overload, MeterValue::Value)
            }
            Quantity::AcAmps | Quantity::Presence | Quantity::Observation => {
                nothing_joined(quantity)
            }
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
    /// The part of the tension that the series resistance leaves to the meter.
    fn share(&self, input_ohms: Option<Ohms>) -> f64 {
        let parallel = [input_ohms, self.load].into_iter().flatten();
        let siemens: f64 = parallel.map(|ohms| 1.0 / ohms.0).sum();
        1.0 / (1.0 + self.series.0 * siemens)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{End, Terminal};

    #[test]
    fn a_series_resistance_and_a_load_divide() {
        let lead = |series, load| Lead {
            point: Point {
                terminal: Terminal::known("Y1"),
                end: End::Equipment,
            },
            through: None,
            series: Ohms(series),
            load,
        };
        let check = |lead: Lead, share: f64| {
            let got = lead.share(Some(Ohms(10e6)));
            assert!((got - share).abs() < 1e-9, "{got}");
        };
        check(lead(0.0, None), 1.0);
        // By hand: 10 Mohm over 10.01 Mohm; 3 kohm beside 10 Mohm is 2999.1003 ohm, over
        // 12999.1003.
        check(lead(10e3, None), 0.999_000_999);
        check(
            lead(10e3, Some(Ohms(3e3))),
            2_999.100_269_919 / 12_999.100_269_919,
        );
    }
}
