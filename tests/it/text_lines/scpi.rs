//! What a line of an instrument says.
//!
//! Forms and marks: SCPI-99 and IEEE 488.2 as the comments of a stored library quote them (numbers
//! NR1 and NRf, ±9.9E37 and 9.91E37, the error queue's form with 0,"No error", the four fields of
//! the identity); NR2, NR3 and the suffix multipliers (IEEE 488.2, 7.7.3) from memory.

use coilcall::units::{MeterValue, Quantity};
use coilcall::wire::{Meaning, scpi_answer, scpi_error, scpi_identity, scpi_value};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

fn value(line: &str) -> Meaning<MeterValue> {
    scpi_value(line, Quantity::AcVolts)
}

fn answer(number: f64) -> Meaning<MeterValue> {
    Meaning::Answer(MeterValue::Value(number))
}

#[test]
fn numbers_in_every_form_of_the_standard() {
    for (line, number) in [
        // NR1.
        ("24", 24.0),
        ("+24", 24.0),
        ("-7", -7.0),
        ("0", 0.0),
        // NR2.
        ("24.013", 24.013),
        ("+0.5", 0.5),
        // NRf allows both of these.
        (".5", 0.5),
        ("24.", 24.0),
        // NR3.
        ("+2.40130000E+01", 24.013),
        ("2.4E1", 24.0),
        ("-1.5e-03", -0.0015),
        ("2400E-2", 24.0),
    ] {
        assert_eq!(value(line), answer(number), "{line}");
    }
}

#[test]
fn marks_are_no_values() {
    for line in [
        "9.9E37",
        "+9.9E+37",
        "-9.9E37",
        "+9.90000000E+37",
        "9.900000E37 V",
    ] {
        assert_eq!(value(line), Meaning::Answer(MeterValue::Overload), "{line}");
    }
    // The neighbour that single precision prints.
    let single = format!("{:e}", f64::from(9.9e37_f32));
    assert_ne!(single, "9.9e37");
    assert_eq!(value(&single), Meaning::Answer(MeterValue::Overload));
    for line in ["9.91E37", "+9.91000000E+37", "9.91E+37"] {
        assert_eq!(
            value(line),
            Meaning::Answer(MeterValue::NotANumber),
            "{line}"
        );
    }
    for line in ["1E38", "-9.95E37", "1e999", "9.8E37", "1E31"] {
        assert!(
            matches!(value(line), Meaning::Other(_)),
            "{line} is neither"
        );
    }
}

#[test]
fn a_unit_is_multiplied_or_refused() {
    let check = |line, quantity, number| {
        assert_eq!(scpi_value(line, quantity), answer(number), "{line}");
    };
    check("24.1 V", Quantity::AcVolts, 24.1);
    check("24.1V", Quantity::AcVolts, 24.1);
    check("24100 mV", Quantity::AcVolts, 24.1);
    check("2.41E1 V", Quantity::AcVolts, 24.1);
    check("0.0241 KV", Quantity::AcVolts, 24.1);
    check("0.0000241 MAV", Quantity::AcVolts, 24.1);
    check("64 OHM", Quantity::Resistance, 64.0);
    check("4.7 KOHM", Quantity::Resistance, 4700.0);
    // IEEE 488.2, 7.7.3: with OHM, M is mega.
    check("10 MOHM", Quantity::Resistance, 10e6);
    check("250 MA", Quantity::AcAmps, 0.25);
    for (line, quantity, unit) in [
        ("24.1 OHM", Quantity::AcVolts, "V"),
        ("24.1 VDC", Quantity::AcVolts, "V"),
        ("24.1 A", Quantity::AcVolts, "V"),
        ("64 V", Quantity::Resistance, "ohm"),
        ("24.1 DBM", Quantity::AcVolts, "V"),
    ] {
        let said = format!("an answer in {unit} expected, it said '{line}'");
        assert_eq!(scpi_value(line, quantity), Meaning::Refused(said));
    }
}

#[test]
fn what_is_no_single_number_is_not_taken() {
    for (line, part) in [
        ("1.0;2.0", "several answers"),
        ("1.0,2.0,3.0", "several answers"),
        ("0,\"No error\"", "several answers"),
        ("#15HELLO", "a block of data"),
        ("#H1F", "a block of data or a number in another base"),
        ("NAN", "got  'NAN'"),
        ("24.1.2", "a number expected"),
        ("24,1", "several answers"),
        ("2 4", "a number expected"),
        ("E5", "a number expected"),
        ("--5", "a number expected"),
        ("24 V 7", "a number expected"),
        ("ERROR", "a number expected"),
    ] {
        match value(line) {
            Meaning::Other(detail) => assert!(detail.contains(part), "{line}: {detail}"),
            other => panic!("{line} gave {other:?}"),
        }
    }
}

#[test]
fn errors_in_their_form() {
    for (line, number, text) in [
        ("0,\"No error\"", 0, "No error"),
        ("+0,\"No error\"", 0, "No error"),
        ("-113,\"Undefined header\"", -113, "Undefined header"),
        (
            "-113,\"Undefined header;MEAS:VOLTS\"",
            -113,
            "Undefined header;MEAS:VOLTS",
        ),
        ("-350,\"Queue overflow\"", -350, "Queue overflow"),
        (
            "501, \"Probe \"\"A\"\" missing\"",
            501,
            "Probe \"A\" missing",
        ),
    ] {
        match scpi_error(line) {
            Meaning::Answer(error) => {
                assert_eq!((error.number, error.text.as_str()), (number, text));
            }
            other => panic!("{line} gave {other:?}"),
        }
    }
    for line in [
        "24.01",
        "0",
        "0,No error",
        "0,\"No error",
        "a,\"b\"",
        "0,\"a\"b",
    ] {
        assert!(matches!(scpi_error(line), Meaning::Other(_)), "{line}");
    }
}

#[test]
fn an_identity_has_four_fields() {
    let identity = "SOMEONE,METER 3,0,1.2";
    assert_eq!(
        scpi_identity(identity),
        Meaning::Answer(identity.to_owned())
    );
    for line in ["24.01", "0,\"No error\"", "1", "a,b,c", "-113,\"a,b,c,d\""] {
        assert!(matches!(scpi_identity(line), Meaning::Other(_)), "{line}");
    }
}

#[test]
fn what_an_instrument_sends_is_in_form() {
    for (value, line) in [
        (MeterValue::Value(24.01), "+2.401000E+01"),
        (MeterValue::Value(0.0), "+0.000000E+00"),
        (MeterValue::Value(-0.0015), "-1.500000E-03"),
        (MeterValue::Overload, "+9.900000E+37"),
        (MeterValue::NotANumber, "+9.910000E+37"),
    ] {
        assert_eq!(scpi_answer(value), line);
        assert_eq!(scpi_value(line, Quantity::AcVolts), Meaning::Answer(value));
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        rng_seed: RngSeed::Fixed(11),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn no_line_whatever_breaks_a_reader(line in "[ -~]{0,80}") {
        let _ = scpi_error(&line);
        let _ = scpi_identity(&line);
        if let Meaning::Answer(MeterValue::Value(number)) = value(&line) {
            prop_assert!(number.is_finite());
        }
    }

    #[test]
    fn a_number_is_read_as_any_other_reader_reads_it(number in -1e9..1e9_f64) {
        for line in [format!("{number}"), format!("{number:e}"), format!("{number:+.12E}")] {
            let expected: f64 = line.parse().unwrap();
            prop_assert_eq!(value(&line), answer(expected));
        }
    }
}
