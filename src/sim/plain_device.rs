//! A plain device's answers: relays closed, opened and asked for by lines, readings by a question.
//!
//! Place in the data's path: between a link's lines and the world. A line that the description
//! does not have is answered by nothing.

use super::world::World;
use crate::units::{AsciiSpec, CoilAddress, DeviceName, MeterAccuracy, MeterValue, Microseconds};
use crate::wire::{labelled, written_value};

/// Carries one line out; the answer without its end, where there is one.
pub(super) fn answer(
    world: &mut World,
    device: &DeviceName,
    spec: &AsciiSpec,
    line: &str,
    now: Microseconds,
) -> Option<String> {
    let is = |pattern: &Option<String>, relay| {
        pattern
            .as_deref()
            .is_some_and(|pattern| labelled(pattern, relay) == line)
    };
    for relay in (0..spec.relays).map(CoilAddress) {
        let coil = usize::from(relay.0);
        let (closes, opens) = (is(&spec.close, relay), is(&spec.open, relay));
        if closes || opens {
            world.board(device, now).set(coil, closes, now);
            return spec.done.as_deref().map(|done| labelled(done, relay));
        }
        if is(&spec.state, relay) {
            let closed = world.board(device, now).commanded()[coil];
            let answer = if closed {
                &spec.state_closed
            } else {
                &spec.state_open
            };
            return answer.as_deref().map(|answer| labelled(answer, relay));
        }
    }
    let asked = spec.ask.as_deref() == Some(line);
    asked.then(|| reading(world, device, spec, now))
}

/// True for a meter that nobody asks.
pub(super) fn streams(spec: &AsciiSpec) -> bool {
    spec.ask.is_none() && spec.reading.is_some()
}

/// The reading as the device writes it at this instant.
pub(super) fn reading(
    world: &mut World,
    device: &DeviceName,
    spec: &AsciiSpec,
    now: Microseconds,
) -> String {
    let quantity = world.quantity_of(device);
    let value = world.meter_value(device, quantity, now);
    written_value(spec, rounded(value, spec.accuracy))
}

fn rounded(value: MeterValue, accuracy: Option<MeterAccuracy>) -> MeterValue {
    match (value, accuracy) {
        (MeterValue::Value(value), Some(accuracy)) => {
            let counts = (value / accuracy.resolution).round();
            MeterValue::Value(counts * accuracy.resolution)
        }
        (other, _) => other,
    }
}
