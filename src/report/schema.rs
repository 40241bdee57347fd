//! What `run --json` and `expected --json` print, as JSON Schema.
//!
//! Place in the data's path: beside the writers, made of the same words; nobody here reads it.

use super::run_view::Conclusion;
use crate::domain::bench_map::{Loads, Rail, UnderTest};
use crate::domain::profile::{Changeover, Interface, Kind};
use crate::domain::{Call, Check, Expected, Observed, Verdict};
use crate::event::{ChangeoverOutcome, ShownBy};
use crate::units::json_schema::{
    any_of, array, boolean, count, document, exactly, named, number, object, or_null, text,
    text_like, where_then, with_all, words, written,
};
use crate::units::{End, Quantity};
use serde_json::{Value, json};

const EXPECTED: [Expected; 3] = [Expected::On, Expected::Off, Expected::Either];
const OBSERVED: [Observed; 4] = [
    Observed::On,
    Observed::Off,
    Observed::Indeterminate,
    Observed::NotMeasured,
];
const VERDICTS: [Verdict; 5] = [
    Verdict::None,
    Verdict::Pass,
    Verdict::Inconc,
    Verdict::Fail,
    Verdict::Error,
];
const QUANTITIES: [Quantity; 5] = [
    Quantity::Presence,
    Quantity::AcVolts,
    Quantity::Resistance,
    Quantity::AcAmps,
    Quantity::Observation,
];
const OUTCOMES: [ChangeoverOutcome; 5] = [
    ChangeoverOutcome::Follows,
    ChangeoverOutcome::Inverted,
    ChangeoverOutcome::StuckOn,
    ChangeoverOutcome::StuckOff,
    ChangeoverOutcome::NotShown,
];
const CONCLUSIONS: [Conclusion; 3] = [
    Conclusion::Healthy,
    Conclusion::Fault,
    Conclusion::Undetermined,
];

/// A terminal's name.
const TERMINAL: &str = "^[A-Za-z][A-Za-z0-9_/-]{0,11}$";

/// Wall time, RFC 3339 in UTC.
fn moment() -> Value {
    text_like("^\\d{4}-\\d{2}-\\d{2}T\\d{2}:\\d{2}:\\d{2}(\\.\\d{1,9})?Z$")
}

/// The schema of a run as JSON.
#[must_use]
pub fn run_schema() -> Value {
    let keys = [
        ("format", exactly("coilcall.run")),
        ("version", exactly(1)),
        ("run_id", text()),
        ("subject", or_null(text())),
        ("simulated", boolean()),
        ("under_test", written(UnderTest::ALL)),
        ("loads", written(Loads::ALL)),
        ("profile", run_profile()),
        ("bench", bench()),
        ("arming", arming()),
        ("started", moment()),
        ("finished", or_null(moment())),
        ("verdict", written(&VERDICTS)),
        ("made_safe", boolean()),
        ("still_live", array(text_like(TERMINAL))),
        ("steps", array(step())),
        ("changeover", or_null(changeover())),
        ("not_proven", array(text())),
        ("diagnosis", diagnosis()),
        (
            "journal",
            object(
                [("path", text()), ("head_hash", text_like("^[0-9a-f]{64}$"))],
                &["path", "head_hash"],
            ),
        ),
    ];
    // Who armed the run is said only where somebody had to.
    let always = keys.each_ref().map(|(key, _)| *key);
    let always: Vec<&str> = always.into_iter().filter(|key| *key != "arming").collect();
    document("coilcall run", object(keys, &always))
}

/// An object that always has all of its keys.
fn whole_object<const N: usize>(keys: [(&str, Value); N]) -> Value {
    let required = keys.each_ref().map(|(key, _)| *key);
    object(keys, &required)
}

fn stages() -> Value {
    json!({ "type": "integer", "minimum": 0, "maximum": 2 })
}

fn run_profile() -> Value {
    whole_object([
        ("name", text()),
        ("kind", written(Kind::ALL)),
        ("interface", or_null(written(Interface::ALL))),
        ("changeover", or_null(written(Changeover::ALL))),
        ("compressor_stages", stages()),
        ("heat_stages", stages()),
    ])
}

/// Where a named person has to arm the run; `at` is null where nobody did.
fn arming() -> Value {
    let check = whole_object([
        ("point", written(Check::ALL)),
        ("confirmed", or_null(boolean())),
    ]);
    whole_object([
        ("by", or_null(text())),
        ("at", or_null(moment())),
        ("checklist", array(check)),
    ])
}

fn bench() -> Value {
    whole_object([("name", text()), ("boards_without_watchdog", array(text()))])
}

/// A call's name; `alone:` calls have one line each.
fn call() -> Value {
    let names: Vec<String> = Call::TABLE.iter().map(ToString::to_string).collect();
    let alone = text_like("^alone:[A-Za-z][A-Za-z0-9_/-]{0,11}$");
    any_of(vec![words(names.iter().map(String::as_str)), alone])
}

fn value() -> Value {
    any_of(vec![boolean(), number(), json!({ "type": "null" })])
}

/// Where the value is a number it has a unit.
fn unit() -> Value {
    let units: Vec<&str> = QUANTITIES.iter().map(|quantity| quantity.unit()).collect();
    let mut distinct: Vec<&str> = Vec::new();
    for unit in units {
        if !distinct.contains(&unit) {
            distinct.push(unit);
        }
    }
    words(distinct)
}

/// The condition of a room controller's supply.
fn condition() -> Value {
    any_of(vec![
        whole_object([
            ("kind", exactly("level")),
            ("name", text()),
            ("volts", number()),
        ]),
        whole_object([
            ("kind", exactly("power-loss")),
            ("lasts_ms", count()),
            ("minimum_off_ms", count()),
        ]),
    ])
}

fn step() -> Value {
    let reading = whole_object([
        ("quantity", written(&QUANTITIES)),
        ("value", value()),
        ("unit", unit()),
        ("u", or_null(number())),
        ("device", text()),
        ("end", written(&[End::Controller, End::Equipment])),
    ]);
    let mut supply_reading = reading.clone();
    for (key, schema) in [("rail", written(Rail::ALL)), ("state", written(&OBSERVED))] {
        supply_reading["properties"][key] = schema;
        if let Some(required) = supply_reading["required"].as_array_mut() {
            required.push(json!(key));
        }
    }
    let line = whole_object([
        ("terminal", text_like(TERMINAL)),
        ("expected", written(&EXPECTED)),
        ("observed", written(&OBSERVED)),
        ("verdict", written(&VERDICTS)),
        ("reason", text()),
        ("readings", array(reading)),
    ]);
    let mut step = whole_object([
        ("call", call()),
        ("verdict", written(&VERDICTS)),
        ("lines", array(line)),
        (
            "supply",
            whole_object([
                ("state", written(&OBSERVED)),
                ("readings", array(supply_reading)),
            ]),
        ),
        ("note", text()),
    ]);
    // Steps at the usual supply have none.
    step["properties"]["condition"] = condition();
    step
}

fn changeover() -> Value {
    whole_object([
        ("convention", written(Changeover::ALL)),
        ("outcome", written(&OUTCOMES)),
        (
            "shown",
            or_null(written(&[ShownBy::Signal, ShownBy::Effect])),
        ),
        ("evidence", text()),
    ])
}

fn diagnosis() -> Value {
    let probability = json!({ "type": "number", "minimum": 0, "maximum": 1 });
    let group = whole_object([
        ("probability", or_null(probability)),
        ("suspects", array(text())),
        ("confirm", text()),
    ]);
    whole_object([
        ("conclusion", words(CONCLUSIONS.map(Conclusion::word))),
        ("groups", array(group)),
        ("next", or_null(whole_object([("measure", text())]))),
    ])
}

/// The schema of a truth table as JSON.
#[must_use]
pub fn expected_schema() -> Value {
    let cell = whole_object([("expected", written(&EXPECTED)), ("reason", text())]);
    let names: Vec<String> = Call::TABLE.iter().map(ToString::to_string).collect();
    let band = ["nominal", "low", "high"].map(|key| (key, number()));
    let mut row = whole_object([
        ("call", words(names.iter().map(String::as_str))),
        ("applicable", boolean()),
        ("lines", named(TERMINAL, cell)),
    ]);
    // Only with --volts.
    row["properties"]["volts"] = named(TERMINAL, whole_object(band));
    let none_where_not_applicable = where_then(
        json!({ "properties": { "applicable": { "const": false } } }),
        json!({ "properties": { "lines": { "maxProperties": 0 } } }),
    );
    let mut rows = array(with_all(row, vec![none_where_not_applicable]));
    rows["minItems"] = json!(Call::TABLE.len());
    rows["maxItems"] = json!(Call::TABLE.len());
    let profile = whole_object([
        ("name", text()),
        ("kind", written(Kind::ALL)),
        ("interface", or_null(written(Interface::ALL))),
        ("changeover", or_null(written(Changeover::ALL))),
        (
            "stages",
            whole_object([("compressor", stages()), ("heat", stages())]),
        ),
    ]);
    let keys = whole_object([
        ("format", exactly("coilcall.expected")),
        ("version", exactly(1)),
        ("profile", profile),
        ("rows", rows),
        ("invariants", array(text())),
    ]);
    document("coilcall expected", keys)
}
