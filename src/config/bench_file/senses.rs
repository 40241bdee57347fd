//! `sense = …`: what looks at one point.
//!
//! Place in the data's path: shared by lines and supply; makes a [`Sense`]. What is sensed is the
//! caller's.

use super::points::{Points, RelayUse};
use crate::config::table::{Located, Reals, TableReader};
use crate::domain::bench_map::{Rail, Sense, SenseMeans, UnderTest};
use crate::units::{DeviceProtocol, DeviceSpec, End, Ohms, Quantity};

/// A sense with what only the file says of it.
pub(super) struct ReadSense {
    /// The sense.
    pub(super) sense: Sense,
    /// The supply against whose common it reads, where the file says so.
    pub(super) supply: Option<Located<Rail>>,
    /// The table's place.
    pub(super) place: Located<()>,
}

/// The end at which the bench senses where the file does not say: the equipment's, where it
/// stands in for the equipment or proves the cable; the controller's, where it stands in for the
/// controller.
pub(super) fn usual_end(under_test: UnderTest) -> End {
    match under_test {
        UnderTest::Wiring | UnderTest::Controller => End::Equipment,
        UnderTest::Equipment => End::Controller,
    }
}

/// Both ends.
pub(in crate::config) const ENDS: [End; 2] = [End::Controller, End::Equipment];

/// The word used in files.
pub(in crate::config) fn end_word(end: End) -> &'static str {
    match end {
        End::Controller => "controller",
        End::Equipment => "equipment",
    }
}

/// The word used in files.
pub(in crate::config) fn quantity_word(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Presence => "presence",
        Quantity::AcVolts => "ac-volts",
        Quantity::Resistance => "resistance",
        Quantity::AcAmps => "ac-amps",
        Quantity::Observation => "observation",
    }
}

/// What a meter may be asked for.
pub(in crate::config) const BY_A_METER: [Quantity; 3] =
    [Quantity::AcVolts, Quantity::Resistance, Quantity::AcAmps];

/// What a person may be asked for, the usual one first.
pub(in crate::config) const BY_A_PERSON: [Quantity; 4] = [
    Quantity::Observation,
    Quantity::AcVolts,
    Quantity::Resistance,
    Quantity::AcAmps,
];

/// Reads one sense of a point; the caller has asked for keys of its own and finishes the table.
pub(super) fn read_sense(
    table: &TableReader<'_>,
    points: &Points<'_>,
    what: &str,
    usual_end: End,
) -> Option<ReadSense> {
    let end = table.word("end", &ENDS, end_word);
    let end = end.map_or(usual_end, |located| located.value);
    let supply = table.word("supply", Rail::ALL, Rail::word);
    let point = format!("{what} at the {end} end");
    // Asked for last, and known here even where nothing is read any further.
    table.leave(&["quantity"]);
    let operator = table.boolean("operator");
    let by_operator = operator.as_ref().is_some_and(|operator| operator.value);
    let mut switched_by_nobody = None;
    let (means, usual, allowed) = if by_operator {
        let means = read_operator(table)?;
        (means, Quantity::Observation, BY_A_PERSON.to_vec())
    } else {
        let Some(device) = points.device(table) else {
            // Which keys belong here depends on the device; none of them is a problem now.
            table.leave(&["input", "through", "by_hand", "series_ohms", "load_ohms"]);
            return None;
        };
        if device.value.modbus().is_some() {
            table.require("input", "the digital input's address, from 0");
            let input = points.input(&device, table, &point)?;
            let device = device.value.name.clone();
            let means = SenseMeans::Input { device, input };
            (means, Quantity::Presence, vec![Quantity::Presence])
        } else {
            let means = read_meter(&device, table, points, &point)?;
            let allowed = quantities_of(device.value);
            if matches!(device.value.protocol, DeviceProtocol::Ascii(_)) {
                switched_by_nobody = Some(device.value);
            }
            (means, *allowed.first()?, allowed)
        }
    };
    let stated = table.word("quantity", &allowed, quantity_word);
    let quantity = stated.as_ref().map_or(usual, |quantity| quantity.value);
    // A stated quantity that could not be taken is a problem already.
    if let Some(device) = switched_by_nobody.filter(|_| stated.is_some() == table.has("quantity")) {
        let asked = stated.unwrap_or_else(|| table.place().map(|()| quantity));
        points.only_quantity(device, &point, asked)?;
    }
    Some(ReadSense {
        sense: Sense {
            means,
            end,
            quantity,
        },
        supply,
        place: table.place(),
    })
}

fn read_operator(table: &TableReader<'_>) -> Option<SenseMeans> {
    if table.has("device") {
        table.one_of(&["operator", "device"], "a person looks, or a device reads");
        return None;
    }
    Some(SenseMeans::Operator)
}

/// What a meter can be asked for, the usual one first; empty where the device is no meter.
fn quantities_of(device: &DeviceSpec) -> Vec<Quantity> {
    match &device.protocol {
        DeviceProtocol::Scpi(spec) => {
            let volts = spec.ac_volts.as_ref().map(|_| Quantity::AcVolts);
            let ohms = spec.resistance.as_ref().map(|_| Quantity::Resistance);
            volts.into_iter().chain(ohms).collect()
        }
        // A device of plain lines reads whatever it is wired and set to; a clamp reads amps.
        DeviceProtocol::Ascii(spec) if spec.reading.is_some() => BY_A_METER.to_vec(),
        DeviceProtocol::Ascii(_) | DeviceProtocol::ModbusRtu(_) | DeviceProtocol::ModbusTcp(_) => {
            Vec::new()
        }
    }
}

fn read_meter(
    device: &Located<&DeviceSpec>,
    table: &TableReader<'_>,
    points: &Points<'_>,
    point: &str,
) -> Option<SenseMeans> {
    let series_ohms = table.number("series_ohms", Reals::NotNegative);
    let load_ohms = table.number("load_ohms", Reals::Positive);
    let by_hand = table.boolean("by_hand").is_some_and(|hand| hand.value);
    let through = table.table("through").map(|inner| {
        let relay = points.relay(&inner, RelayUse::Multiplex(point.to_owned()));
        inner.finish();
        relay
    });
    if quantities_of(device.value).is_empty() {
        let message = format!("device `{}` is no meter", device.value.name);
        table.findings().add(device.finding(message));
        return None;
    }
    if by_hand && through.is_some() {
        table.one_of(
            &["by_hand", "through"],
            "a person moves the leads, or a relay",
        );
        return None;
    }
    if through.is_none() {
        points.meter_alone(device, (point, by_hand));
    }
    Some(SenseMeans::Meter {
        device: device.value.name.clone(),
        through: match through {
            Some(relay) => Some(relay?),
            None => None,
        },
        series_ohms: Ohms(series_ohms.map_or(0.0, |located| located.value)),
        load_ohms: load_ohms.map(|located| Ohms(located.value)),
    })
}
