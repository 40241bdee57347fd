//! What a line of a plain device says, by its patterns (of our own making: no standard has them).

use coilcall::units::{AsciiSpec, CoilAddress, LineEnd, MeterAccuracy, MeterValue, Quantity};
use coilcall::wire::{Meaning, labelled, plain_answer, plain_value, written_value};

pub(crate) fn meter(reading: &str) -> AsciiSpec {
    AsciiSpec {
        ask: Some("READ".to_owned()),
        reading: Some(reading.to_owned()),
        overload: Some("OL".to_owned()),
        line_end: LineEnd::Lf,
        close: None,
        open: None,
        done: None,
        state: None,
        state_closed: None,
        state_open: None,
        relays: 0,
        accuracy: Some(MeterAccuracy {
            percent: 0.7,
            counts: 2.0,
            resolution: 0.01,
        }),
        input_ohms: Some(10e6),
    }
}

fn volts(pattern: &str, line: &str) -> Meaning<MeterValue> {
    plain_value(line, &meter(pattern), Quantity::AcVolts)
}

#[test]
fn a_reading_stands_where_the_pattern_has_it() {
    for (pattern, line) in [
        ("{value}", "24.1"),
        ("{value}", "24.1 V"),
        ("{value} V", "24.1 V"),
        ("{value} V", "24.1V"),
        ("{value} V", "  +2.41E1  V"),
        ("V={value};", "V= 24.1 ;"),
        ("CH1 {value} Vac", "CH1 24.1 Vac"),
    ] {
        let expected = Meaning::Answer(MeterValue::Value(24.1));
        assert_eq!(volts(pattern, line), expected, "{pattern}: {line}");
    }
    for pattern in ["{value}", "{value} V"] {
        let line = pattern.replace("{value}", "OL");
        assert_eq!(volts(pattern, &line), Meaning::Answer(MeterValue::Overload));
    }
}

#[test]
fn another_unit_another_form_and_no_number_are_not_taken() {
    for (pattern, line) in [
        // Outside the standard nobody knows whether M is milli or mega.
        ("{value}", "24100 mV"),
        ("{value}", "24.1 ohm"),
        ("{value} V", "24100 mV"),
    ] {
        let said = format!("a reading in V expected, it said '{line}'");
        assert_eq!(volts(pattern, line), Meaning::Refused(said));
    }
    for (pattern, line, said) in [
        (
            "{value} V",
            "24.1 ohm",
            "a line of the form '{value} V' expected, got '24.1 ohm'",
        ),
        (
            "{value} V",
            "24.1",
            "a line of the form '{value} V' expected, got '24.1'",
        ),
        (
            "CH1 {value}",
            "CH2 24.1",
            "a line of the form 'CH1 {value}' expected, got 'CH2 24.1'",
        ),
        (
            "{value}",
            "LOW BATTERY",
            "a number expected, got 'LOW BATTERY'",
        ),
        ("{value}", "24.1 24.2", "a number expected, got '24.1 24.2'"),
        ("{value} V", "V", "a number expected, got 'V'"),
        // The two ends of the pattern must not overlap in the line.
        (
            "ab{value}bc",
            "abc",
            "a line of the form 'ab{value}bc' expected, got 'abc'",
        ),
    ] {
        assert_eq!(volts(pattern, line), Meaning::Other(said.to_owned()));
    }
}

#[test]
fn a_device_writes_as_many_decimals_as_it_resolves() {
    let mut spec = meter("{value} V");
    let written = |spec: &AsciiSpec, value| written_value(spec, MeterValue::Value(value));
    assert_eq!(written(&spec, 24.0), "24.00 V");
    spec.accuracy = spec.accuracy.map(|accuracy| MeterAccuracy {
        resolution: 0.1,
        ..accuracy
    });
    assert_eq!(written(&spec, 0.0), "0.0 V");
    assert_eq!(written_value(&spec, MeterValue::Overload), "OL V");
    spec.overload = None;
    assert_eq!(written_value(&spec, MeterValue::Overload), "9.9E37 V");
}

#[test]
fn relays_are_named_by_their_printed_number() {
    // Address 0 is relay 1.
    assert_eq!(labelled("on {relay}", CoilAddress(0)), "on 1");
    assert_eq!(labelled("R{relay}=0", CoilAddress(15)), "R16=0");
    assert_eq!(plain_answer("3 on", "3 on", "3 off"), Meaning::Answer(true));
    assert_eq!(
        plain_answer("3 off", "3 on", "3 off"),
        Meaning::Answer(false)
    );
    let said = "'3 on' or '3 off' expected, got '2 on'".to_owned();
    assert_eq!(plain_answer("2 on", "3 on", "3 off"), Meaning::Other(said));
}
