//! SCPI: what a line of an instrument says.
//!
//! Place in the data's path: the meter's driver asks in whole lines and gives the answers to these
//! readers; the simulated meter writes with the same forms. It knows no meter and keeps no state.
//!
//! Numbers are NR1, NR2 or NR3 (IEEE 488.2, 8.7.2 to 8.7.4, from memory), ±9.9E37 for overload and
//! 9.91E37 for "not a number" (SCPI-99 vol. 1, 7.2.1). A unit behind a number is not in the
//! standard's answers but common; it is taken where it is the unit asked for, multiplied as IEEE
//! 488.2, 7.7.3 has it (`MOHM` is mega, `MV` is milli; from memory), and refused where it is
//! another. Identity: four fields (IEEE 488.2, 10.14). Errors: `<number>,"<text>"` (SCPI-99 vol. 2,
//! 21.8).

use super::text_line::{Meaning, quoted};
use crate::units::{MeterValue, Quantity};
use winnow::Parser;
use winnow::ascii::{Caseless, digit0, digit1, space0};
use winnow::combinator::{alt, delimited, eof, opt, preceded, repeat, separated_pair};
use winnow::token::{none_of, take_while};

/// The question for the identity (IEEE 488.2, 10.14).
pub const IDENTITY_QUESTION: &str = "*IDN?";
/// Clears status and error queue (IEEE 488.2, 10.3).
pub const CLEAR_STATUS: &str = "*CLS";
/// Sets which events count (IEEE 488.2, 10.10), a number from 0 to 255.
pub const EVENT_MASK: &str = "*ESE";
/// Asks for that number (IEEE 488.2, 10.11).
pub const EVENT_MASK_QUESTION: &str = "*ESE?";
/// Takes the oldest error out of the queue (SCPI-99 vol. 2, 21.8.8).
pub const ERROR_QUESTION: &str = "SYST:ERR?";

/// Overload, and what is no number at all (SCPI-99 vol. 1, 7.2.1).
const INFINITY: f64 = 9.9e37;
const NOT_A_NUMBER: f64 = 9.91e37;
/// Firmware that works in single precision prints neighbours of both; they lie 0.1 % apart.
const PRINTED_ALIKE: f64 = 1e-5;
/// No quantity of this trade comes near: what is larger is a mark, not a value.
const NO_VALUE_FROM: f64 = 1e30;

/// One entry of an instrument's error queue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScpiError {
    /// 0 where the queue is empty; negative for standard errors, positive for the maker's own.
    pub number: i32,
    /// Its text.
    pub text: String,
}

impl std::fmt::Display for ScpiError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {}", self.number, self.text)
    }
}

/// A decimal number, its sign and digits apart from its exponent.
struct Decimal<'a> {
    digits: &'a str,
    exponent: i32,
}

impl Decimal<'_> {
    /// The nearest double to the number times a power of ten.
    fn times_ten_to(&self, power: i32) -> Option<f64> {
        let exponent = self.exponent.checked_add(power)?;
        format!("{}e{exponent}", self.digits).parse().ok()
    }
}

fn decimal<'a>(input: &mut &'a str) -> winnow::Result<Decimal<'a>> {
    let sign = || opt(alt(('+', '-')));
    let digits = (
        sign(),
        alt(((digit1, opt(('.', digit0))).void(), ('.', digit1).void())),
    )
        .take();
    let exponent = preceded(Caseless("E"), (sign(), digit1).take().parse_to::<i32>());
    (digits, opt(exponent))
        .map(|(digits, exponent)| Decimal {
            digits,
            exponent: exponent.unwrap_or(0),
        })
        .parse_next(input)
}

/// A number with what stands behind it.
fn number_and_suffix<'a>(input: &mut &'a str) -> winnow::Result<(Decimal<'a>, &'a str)> {
    let suffix = take_while(0.., |c: char| c.is_ascii_alphabetic());
    (decimal, preceded(space0, suffix), eof)
        .map(|(number, suffix, _)| (number, suffix))
        .parse_next(input)
}

fn error_entry(input: &mut &str) -> winnow::Result<ScpiError> {
    let number = (opt(alt(('+', '-'))), digit1).take().parse_to::<i32>();
    // A quote inside the text is doubled (IEEE 488.2, 8.7.8).
    let character = alt(("\"\"".value('"'), none_of('"')));
    let text = delimited('"', repeat(0.., character), '"');
    let comma = (space0, ',', space0);
    (separated_pair(number, comma, text), eof)
        .map(|((number, text), _)| ScpiError { number, text })
        .parse_next(input)
}

/// The power of ten that a suffix stands for, where it is the unit of this quantity.
fn power_of(suffix: &str, quantity: Quantity) -> Option<i32> {
    let suffix = suffix.to_ascii_uppercase();
    if suffix.is_empty() {
        return Some(0);
    }
    let unit = match quantity {
        Quantity::AcVolts => "V",
        Quantity::Resistance => "OHM",
        Quantity::AcAmps => "A",
        Quantity::Presence | Quantity::Observation => return None,
    };
    match (suffix.strip_suffix(unit)?, quantity) {
        ("", _) => Some(0),
        ("M", Quantity::Resistance) | ("MA", _) => Some(6),
        ("M", _) => Some(-3),
        ("G", _) => Some(9),
        ("K", _) => Some(3),
        ("U", _) => Some(-6),
        ("N", _) => Some(-9),
        _ => None,
    }
}

/// Marks told from values.
fn classify(value: f64) -> Option<MeterValue> {
    let is = |mark: f64| (value.abs() - mark).abs() <= mark * PRINTED_ALIKE;
    if is(INFINITY) {
        Some(MeterValue::Overload)
    } else if is(NOT_A_NUMBER) {
        Some(MeterValue::NotANumber)
    } else {
        (value.abs() < NO_VALUE_FROM).then_some(MeterValue::Value(value))
    }
}

/// Reads the answer to a question for one value of this quantity.
#[must_use]
pub fn scpi_value(line: &str, quantity: Quantity) -> Meaning<MeterValue> {
    read_value(line, quantity, power_of)
}

/// Reads one value, with a unit behind it as `power` knows it.
pub(super) fn read_value(
    line: &str,
    quantity: Quantity,
    power: impl Fn(&str, Quantity) -> Option<i32>,
) -> Meaning<MeterValue> {
    let other =
        |what: &str| Meaning::Other(format!("a number expected, got {what} {}", quoted(line)));
    if line.starts_with('#') {
        return other("a block of data or a number in another base:");
    }
    let Ok((number, suffix)) = number_and_suffix.parse(line) else {
        let several = line.contains([',', ';']);
        return other(if several { "several answers in" } else { "" });
    };
    let Some(power) = power(suffix, quantity) else {
        let unit = quantity.unit();
        return Meaning::Refused(format!(
            "an answer in {unit} expected, it said {}",
            quoted(line)
        ));
    };
    // A mark is a mark whatever unit stands behind it.
    let plain = number.times_ten_to(0).and_then(classify);
    match plain {
        Some(MeterValue::Overload | MeterValue::NotANumber) => {
            Meaning::Answer(plain.expect("matched as present"))
        }
        _ => match number.times_ten_to(power).and_then(classify) {
            Some(value) => Meaning::Answer(value),
            None => other("one beyond any range:"),
        },
    }
}

/// Reads the answer to [`ERROR_QUESTION`].
#[must_use]
pub fn scpi_error(line: &str) -> Meaning<ScpiError> {
    match error_entry.parse(line) {
        Ok(entry) => Meaning::Answer(entry),
        Err(_) => Meaning::Other(format!(
            "an error number and its text expected, got {}",
            quoted(line)
        )),
    }
}

/// Reads the answer to [`IDENTITY_QUESTION`]: four fields, so that neither a number nor an error
/// passes for it.
#[must_use]
pub fn scpi_identity(line: &str) -> Meaning<String> {
    let fields = line.split(',').count();
    if fields >= 4 && error_entry.parse(line).is_err() {
        Meaning::Answer(line.to_owned())
    } else {
        Meaning::Other(format!(
            "an identity of four fields expected, got {}",
            quoted(line)
        ))
    }
}

/// A value as an instrument sends it, in the form NR3 with six decimals.
#[must_use]
pub fn scpi_answer(value: MeterValue) -> String {
    let number = match value {
        MeterValue::Value(value) => value,
        MeterValue::Overload => INFINITY,
        MeterValue::NotANumber => NOT_A_NUMBER,
    };
    let written = format!("{number:+.6e}");
    let (mantissa, exponent) = written.split_once('e').expect("written with an exponent");
    let (sign, digits) = match exponent.strip_prefix('-') {
        Some(digits) => ('-', digits),
        None => ('+', exponent),
    };
    format!("{mantissa}E{sign}{digits:0>2}")
}
