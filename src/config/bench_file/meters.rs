//! `scpi = { … }` and `ascii = { … }`: meters, and relay boards that speak plain lines.
//!
//! Place in the data's path: the two protocols' share of `[device.NAME]`. Patterns are checked
//! for their marks here and used by the codecs.

use crate::config::limits;
use crate::config::table::{Located, Reals, TableReader};
use crate::units::{AsciiSpec, LineEnd, MeterAccuracy, ScpiSpec};

/// The usual input resistance of a bench meter on AC volts (common practice, no source).
const USUAL_INPUT_OHMS: f64 = 10e6;

/// Every line's end.
pub(in crate::config) const LINE_ENDS: [LineEnd; 3] = [LineEnd::Lf, LineEnd::Cr, LineEnd::Crlf];

/// A line's end as the file writes it.
pub(in crate::config) fn line_end_word(end: LineEnd) -> &'static str {
    match end {
        LineEnd::Lf => "lf",
        LineEnd::Cr => "cr",
        LineEnd::Crlf => "crlf",
    }
}

pub(super) fn read_scpi(table: &TableReader<'_>) -> Option<ScpiSpec> {
    let ac_volts = table.string("ac_volts");
    let resistance = table.string("resistance");
    if !table.has("ac_volts") && !table.has("resistance") {
        let message = "missing `ac_volts` or `resistance`: the question that the meter answers";
        table.findings().add(table.place().finding(message));
    }
    table.require(
        "accuracy",
        "the meter's accuracy on AC volts, from its data sheet",
    );
    let accuracy = table.table("accuracy").and_then(read_accuracy);
    let input_ohms = table.number("input_ohms", Reals::Positive);
    let ac_volts_range = read_range(table, "ac_volts");
    let resistance_range = read_range(table, "resistance");
    // A question that could not be taken is not left out: what the meter reads is not known.
    if (table.has("ac_volts") && ac_volts.is_none())
        || (table.has("resistance") && resistance.is_none())
    {
        return None;
    }
    Some(ScpiSpec {
        ac_volts: ac_volts.map(|question| question.value),
        resistance: resistance.map(|question| question.value),
        ac_volts_range,
        resistance_range,
        accuracy: accuracy?,
        input_ohms: input_ohms.map_or(USUAL_INPUT_OHMS, |located| located.value),
    })
}

/// The range of a question, which must be there to have one.
fn read_range(table: &TableReader<'_>, question: &'static str) -> Option<f64> {
    let key = match question {
        "ac_volts" => "ac_volts_range",
        _ => "resistance_range",
    };
    let range = table.number(key, Reals::Positive)?;
    if !table.has(question) {
        let message = format!("`{key}` without `{question}`: there is no question to ask in it");
        table.findings().add(range.finding(message));
    }
    Some(range.value)
}

fn read_accuracy(table: TableReader<'_>) -> Option<MeterAccuracy> {
    table.require("percent", "percent of the reading");
    table.require("resolution_v", "what one count is worth, in volts");
    let percent = table.number("percent", Reals::NotNegative);
    let counts = table.number("counts", Reals::NotNegative);
    let resolution = table.number("resolution_v", Reals::Positive);
    table.finish();
    Some(MeterAccuracy {
        percent: percent?.value,
        counts: counts.map_or(0.0, |located| located.value),
        resolution: resolution?.value,
    })
}

pub(super) fn read_ascii(table: &TableReader<'_>) -> Option<AsciiSpec> {
    let relays = table.small::<u16>("relays", limits::PLAIN_RELAYS);
    // A count that could not be taken is not 0: nothing can be said of this device's relays.
    let relays_known = relays.is_some() || !table.has("relays");
    let relays = relays.map_or(0, |located| located.value);
    let ask = table.string("ask");
    let listen = table.boolean("listen");
    let listens = listen.as_ref().is_some_and(|listen| listen.value);
    if let (Some(ask), Some(listen)) = (&ask, &listen)
        && listens
    {
        let message = "`ask` and `listen` exclude each other: a meter answers, or streams unasked";
        let finding = listen.finding(message);
        table
            .findings()
            .add(finding.other(ask.span.clone(), "the other one"));
    }
    let reads = ask.is_some() || listens;
    if let Some(listen) = listen.as_ref().filter(|listen| listen.value)
        && relays > 0
    {
        let message = "a device that streams unasked cannot be asked for its relays";
        table.findings().add(listen.finding(message));
    }
    if relays == 0 && !reads && !table.has("ask") && !table.has("relays") {
        let message = "missing what the device does: `ask` or `listen = true` for a meter, \
                       `relays` for a relay board";
        table.findings().add(table.place().finding(message));
    }
    let reading = pattern(table, "reading", "{value}");
    if let Some(reading) = reading.as_ref().filter(|_| !reads && !table.has("ask")) {
        let message = "`reading` without `ask` or `listen = true`: nothing is ever read";
        table.findings().add(reading.finding(message));
    }
    let overload = table.string("overload");
    let line_end = table.word("line_end", &LINE_ENDS, line_end_word);
    let done = table.string("done");
    let commands = read_commands(table, relays);
    if reads {
        table.require(
            "accuracy",
            "the meter's accuracy on AC volts, from its data sheet",
        );
    }
    let accuracy = table.table("accuracy").map(read_accuracy);
    let input_ohms = table.number("input_ohms", Reals::Positive);
    if !relays_known {
        return None;
    }
    let usual_pattern = reads.then(|| "{value}".to_owned());
    let usual_ohms = reads.then_some(USUAL_INPUT_OHMS);
    let [close, open, state, state_closed, state_open] = commands;
    Some(AsciiSpec {
        ask: ask.map(|question| question.value),
        reading: reading.map(|reading| reading.value).or(usual_pattern),
        overload: overload.map(|text| text.value),
        line_end: line_end.map_or(LineEnd::default(), |end| end.value),
        close,
        open,
        done: done.map(|text| text.value),
        state,
        state_closed,
        state_open,
        relays,
        accuracy: match accuracy {
            Some(read) => Some(read?),
            None => None,
        },
        input_ohms: input_ohms.map(|ohms| ohms.value).or(usual_ohms),
    })
}

/// The five lines of a relay board; all are needed, for a relay that cannot be read back is never
/// known to be open.
fn read_commands(table: &TableReader<'_>, relays: u16) -> [Option<String>; 5] {
    let needed = [
        ("close", "the line that closes a relay"),
        ("open", "the line that opens a relay"),
        ("state", "the question for one relay's state"),
        ("state_closed", "the answer that says closed"),
        ("state_open", "the answer that says open"),
    ];
    let mut taken = needed.map(|(key, what)| {
        if relays > 0 {
            table.require(key, what);
        }
        let asks = matches!(key, "close" | "open" | "state");
        if asks && relays > 1 {
            pattern(table, key, "{relay}")
        } else {
            table.string(key)
        }
    });
    if let [.., Some(closed), Some(open)] = &taken
        && closed.value == open.value
    {
        let message = "a relay that is open must answer otherwise than one that is closed";
        table.findings().add(
            open.finding(message)
                .other(closed.span.clone(), "the same answer"),
        );
        taken[4] = None;
    }
    taken.map(|line| line.map(|line| line.value))
}

/// A text that holds a mark exactly once.
fn pattern(table: &TableReader<'_>, key: &'static str, mark: &str) -> Option<Located<String>> {
    let text = table.string(key)?;
    let marks = text.value.matches(mark).count();
    if marks == 1 {
        return Some(text);
    }
    let message = format!("expected a text with {mark} in it once, found it {marks} times");
    table.findings().add(text.finding(message));
    None
}
