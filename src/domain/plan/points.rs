//! The points of a plan: what is sensed where, by what, and where a reading proves nothing.

use super::shape::{PlannedMeter, SensePoint, Target};
use crate::domain::BenchMap;
use crate::domain::bench_map::{Loads, Sense, SenseMeans, UnderTest};
use crate::domain::measurement::CREDITED_LOAD;
use crate::units::{DeviceName, DeviceProtocol, MeterAccuracy, Ohms, Quantity, Terminal};
use std::collections::BTreeMap;

/// Below this impedance a line's load is coil-like: it takes the current that a controller without
/// a common steals, and stays dead (assumed).
const COIL_LIKE: f64 = 250.0;

/// Every point of the bench: the supply first, then the lines.
///
/// Every line of a panel has its coil. Of real equipment only those of `equipment_lines` have one.
pub(super) fn sense_points(
    bench: &BenchMap,
    equipment_lines: Option<&[Terminal]>,
) -> Vec<SensePoint> {
    let supply = bench.supply.senses.iter().map(|supply| {
        // A supply is loaded by its own transformer's impedance: it is no floating conductor.
        point(bench, Target::Supply(supply.rail), &supply.sense, true)
    });
    let lines = bench.lines.values().flat_map(|line| {
        let own_load = match (bench.loads, equipment_lines) {
            (Loads::Disconnected, _) => false,
            (Loads::Real, Some(lines)) => lines.contains(&line.terminal),
            (Loads::Real | Loads::Dummy, _) => true,
        };
        line.senses
            .iter()
            .map(move |sense| point(bench, Target::Line(line.terminal.clone()), sense, own_load))
    });
    supply.chain(lines).collect()
}

fn point(bench: &BenchMap, target: Target, sense: &Sense, own_load: bool) -> SensePoint {
    let (meter, switched_in) = match &sense.means {
        SenseMeans::Meter {
            device, load_ohms, ..
        } => {
            let switched_in = load_ohms.is_some_and(|load| load.0 <= CREDITED_LOAD.0);
            (Some(meter_data(bench, device)), switched_in)
        }
        SenseMeans::Operator => (hand_instrument(sense.quantity), false),
        SenseMeans::Input { .. } => (None, false),
    };
    SensePoint {
        target,
        end: sense.end,
        quantity: sense.quantity,
        means: sense.means.clone(),
        meter,
        loaded: own_load || switched_in,
    }
}

/// What an instrument in a person's hand is worth: 2 % and one count of 0.1 V, or 3 % and two
/// counts of 0.01 A (assumed).
fn hand_instrument(quantity: Quantity) -> Option<PlannedMeter> {
    let (percent, counts, resolution) = match quantity {
        Quantity::AcVolts | Quantity::Resistance => (2.0, 1.0, 0.1),
        Quantity::AcAmps => (3.0, 2.0, 0.01),
        Quantity::Presence | Quantity::Observation => return None,
    };
    Some(PlannedMeter {
        accuracy: MeterAccuracy {
            percent,
            counts,
            resolution,
        },
        input_ohms: Ohms(10e6),
    })
}

/// What the bench file says of the meter. A meter of plain lines without a stated accuracy is
/// taken at 2 % and one count of 0.1 V (assumed).
fn meter_data(bench: &BenchMap, device: &DeviceName) -> PlannedMeter {
    let assumed = MeterAccuracy {
        percent: 2.0,
        counts: 1.0,
        resolution: 0.1,
    };
    match bench.devices.get(device).map(|spec| &spec.protocol) {
        Some(DeviceProtocol::Scpi(spec)) => PlannedMeter {
            accuracy: spec.accuracy,
            input_ohms: Ohms(spec.input_ohms),
        },
        Some(DeviceProtocol::Ascii(spec)) => PlannedMeter {
            accuracy: spec.accuracy.unwrap_or(assumed),
            input_ohms: Ohms(spec.input_ohms.unwrap_or(10e6)),
        },
        _ => PlannedMeter {
            accuracy: assumed,
            input_ohms: Ohms(10e6),
        },
    }
}

/// A room controller without a common steals its power through the lines: one without a coil-like
/// load may read anything.
pub(super) fn unreliable_lines(bench: &BenchMap) -> BTreeMap<Terminal, String> {
    if bench.under_test != UnderTest::Controller || bench.supply.c_to_controller != Some(false) {
        return BTreeMap::new();
    }
    let coil_like = |ohms: &Ohms| ohms.0 <= COIL_LIKE;
    bench
        .lines
        .values()
        .filter(|line| {
            !line
                .load
                .as_ref()
                .is_some_and(|l| l.sealed_ohms.as_ref().is_some_and(coil_like))
        })
        .map(|line| {
            let why = format!(
                "the controller has no C and steals its power through the lines; {} has no load of \
                 {COIL_LIKE} ohm or less, so its state proves nothing",
                line.terminal
            );
            (line.terminal.clone(), why)
        })
        .collect()
}
