//! Plain lines of text: what a line of a device says, by the patterns of its description.
//!
//! Place in the data's path: the driver of plain devices asks with these lines and reads answers
//! by them; the simulated devices do the reverse. `{relay}` stands for a relay's printed number,
//! `{value}` for a reading; everything else in a pattern must be there as it is written, a unit
//! too, so that an answer in another unit is never taken.

use super::scpi::read_value;
use super::text_line::{Meaning, quoted};
use crate::units::{AsciiSpec, CoilAddress, MeterValue, Quantity};

const RELAY: &str = "{relay}";
const VALUE: &str = "{value}";

/// A pattern with a relay's printed number (from 1) in its place.
#[must_use]
pub fn labelled(pattern: &str, relay: CoilAddress) -> String {
    let label = u32::from(relay.0) + 1;
    pattern.replace(RELAY, &label.to_string())
}

/// Reads a line that holds a reading.
#[must_use]
pub fn plain_value(line: &str, spec: &AsciiSpec, quantity: Quantity) -> Meaning<MeterValue> {
    let pattern = spec.reading.as_deref().unwrap_or(VALUE);
    let (before, behind) = pattern.split_once(VALUE).unwrap_or(("", ""));
    let (before, behind) = (before.trim(), behind.trim());
    let inner = line
        .strip_prefix(before)
        .and_then(|rest| rest.strip_suffix(behind));
    let Some(inner) = inner.map(str::trim) else {
        return Meaning::Other(format!(
            "a line of the form {} expected, got {}",
            quoted(pattern),
            quoted(line)
        ));
    };
    if spec.overload.as_deref() == Some(inner) {
        return Meaning::Answer(MeterValue::Overload);
    }
    // Outside the standard nobody knows whether `m` is milli or mega: the bare unit or nothing.
    let bare_unit = |suffix: &str, quantity: Quantity| {
        let is_bare = suffix.is_empty() || suffix.eq_ignore_ascii_case(quantity.unit());
        is_bare.then_some(0)
    };
    match read_value(inner, quantity, bare_unit) {
        Meaning::Answer(value) => Meaning::Answer(value),
        Meaning::Refused(_) => Meaning::Refused(format!(
            "a reading in {} expected, it said {}",
            quantity.unit(),
            quoted(line)
        )),
        Meaning::Other(_) => Meaning::Other(format!("a number expected, got {}", quoted(line))),
    }
}

/// Reads a line that must be one of two answers about a relay: true for the first.
#[must_use]
pub fn plain_answer(line: &str, yes: &str, no: &str) -> Meaning<bool> {
    if line == yes {
        Meaning::Answer(true)
    } else if line == no {
        Meaning::Answer(false)
    } else {
        Meaning::Other(format!(
            "{} or {} expected, got {}",
            quoted(yes),
            quoted(no),
            quoted(line)
        ))
    }
}

/// A reading as the device writes it.
#[must_use]
pub fn written_value(spec: &AsciiSpec, value: MeterValue) -> String {
    let pattern = spec.reading.as_deref().unwrap_or(VALUE);
    let resolution = spec.accuracy.map_or(0.01, |accuracy| accuracy.resolution);
    let number = match (value, &spec.overload) {
        (MeterValue::Value(value), _) => {
            // As many decimals as one count has; nine where a count is no power of ten.
            let scaled = |places: &usize| resolution * 10_f64.powi(*places as i32);
            let whole = |places: &usize| (scaled(places) - scaled(places).round()).abs() < 1e-9;
            let places = (0..9).find(whole).unwrap_or(9);
            format!("{value:.places$}")
        }
        (_, Some(overload)) => overload.clone(),
        (MeterValue::Overload, None) => "9.9E37".to_owned(),
        (MeterValue::NotANumber, None) => "9.91E37".to_owned(),
    };
    pattern.replace(VALUE, &number)
}
