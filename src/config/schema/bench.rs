//! The bench file's schema, all but its links and devices.

use super::circuit::circuit;
use super::device::{devices, links};
use super::parts::{line_of_text, real, terminal};
use crate::config::bench_file::{BY_A_METER, BY_A_PERSON, ENDS, end_word, quantity_word};
use crate::config::limits;
use crate::config::table::Reals;
use crate::domain::Call;
use crate::domain::bench_map::{Loads, Rail, SupplySource, UnderTest};
use crate::units::Quantity;
use crate::units::json_schema::{
    about, any_of, boolean, document, exactly, has, has_value, lacks, object, where_then, whole,
    with_all, words, written,
};
use serde_json::{Map, Value, json};

/// The schema of a bench file.
#[must_use]
pub fn bench_schema() -> Value {
    let lines = json!({ "type": "array", "items": line(), "minItems": 1 });
    let properties = [
        ("name", about("The bench's name in reports", line_of_text())),
        ("under_test", words(UnderTest::ALL.iter().map(|w| w.word()))),
        (
            "loads",
            about(
                "What hangs on the lines",
                words(Loads::ALL.iter().map(|w| w.word())),
            ),
        ),
        ("link", links()),
        ("device", devices()),
        ("supply", supply()),
        ("line", lines),
        ("stimulus", stimuli()),
        ("master", relay()),
        ("timing", timing()),
        ("bands", bands()),
        ("circuit", circuit()),
    ];
    let required = ["name", "under_test", "loads", "supply", "line"];
    let controller = where_then(
        has_value("under_test", written(&[UnderTest::Controller])),
        json!({ "allOf": [
            has(&["stimulus"]),
            has_value("supply", has(&["c_to_controller"])),
            { "properties": {
                "loads": { "not": written(&[Loads::Real]) },
                "line": { "items": lacks(&["drive"]) },
            } },
        ] }),
    );
    let acts = any_of(vec![has(&["interrupt"]), has(&["levels"])]);
    let acts_on_controller = where_then(
        has_value("supply", acts),
        json!({ "allOf": [
            has_value("under_test", written(&[UnderTest::Controller])),
            has_value("supply", has_value("source", written(&[SupplySource::Bench]))),
        ] }),
    );
    document(
        "coilcall bench",
        with_all(
            object(properties, &required),
            vec![controller, acts_on_controller],
        ),
    )
}

fn rail() -> Value {
    words(Rail::ALL.iter().map(|rail| rail.word()))
}

fn device() -> Value {
    about("The device's name, as in [device.NAME]", line_of_text())
}

/// An address on the wire; printed labels count from 1.
fn address() -> Value {
    about("From 0, as on the wire", whole(&limits::ADDRESS))
}

fn relay() -> Value {
    object(
        [("device", device()), ("coil", address())],
        &["device", "coil"],
    )
}

fn line() -> Value {
    let mut named = terminal();
    named["not"] = words(["R", "Rc", "Rh", "C"]);
    let drive = object(
        [
            ("device", device()),
            ("coil", address()),
            ("common", rail()),
        ],
        &["device", "coil"],
    );
    let load = object(
        [
            ("sealed_ohms", real(Reals::Positive)),
            ("power_factor", real(Reals::Fraction)),
            ("unsealed_ohms", real(Reals::Positive)),
            ("dc_ohms", real(Reals::Positive)),
            ("supply", rail()),
        ],
        &[],
    );
    object(
        [
            ("terminal", about("The line's terminal", named)),
            ("drive", drive),
            ("sense", one_or_more(sense(false))),
            ("load", load),
        ],
        &["terminal", "sense"],
    )
}

fn one_or_more(one: Value) -> Value {
    let many = json!({ "type": "array", "items": one, "minItems": 1 });
    any_of(vec![one, many])
}

/// A sense of a line, or of the supply, which also names its rail.
fn sense(of_supply: bool) -> Value {
    let quantities = |all: &[Quantity]| words(all.iter().map(|q| quantity_word(*q)));
    let by_person = object(
        [
            ("operator", exactly(true)),
            ("quantity", quantities(&BY_A_PERSON)),
        ],
        &["operator"],
    );
    let by_input = object(
        [
            ("operator", exactly(false)),
            ("device", device()),
            ("input", address()),
            ("quantity", quantities(&[Quantity::Presence])),
        ],
        &["device", "input"],
    );
    let by_meter = object(
        [
            ("operator", exactly(false)),
            ("device", device()),
            ("through", relay()),
            ("by_hand", json!({ "type": "boolean" })),
            ("series_ohms", real(Reals::NotNegative)),
            ("load_ohms", real(Reals::Positive)),
            ("quantity", quantities(&BY_A_METER)),
        ],
        &["device"],
    );
    let ways = [by_person, by_input, by_meter].map(|mut way| {
        way["properties"]["end"] = words(ENDS.map(end_word));
        way["properties"]["supply"] = rail();
        if of_supply {
            way["properties"]["rail"] = rail();
        }
        way
    });
    any_of(ways.to_vec())
}

fn supply() -> Value {
    object(
        [
            (
                "source",
                about(
                    "Where the transformer sits",
                    words(SupplySource::ALL.iter().map(|w| w.word())),
                ),
            ),
            ("sense", one_or_more(sense(true))),
            ("c_to_controller", boolean()),
            (
                "interrupt",
                about("Closed, it cuts the supply to the room controller", relay()),
            ),
            (
                "levels",
                json!({ "type": "array", "items": level(), "minItems": 1 }),
            ),
        ],
        &["source"],
    )
}

fn level() -> Value {
    let mut name = line_of_text();
    name["maxLength"] = json!(limits::LEVEL_NAME.end());
    let band = limits::LEVEL_VOLTS;
    let volts = json!({ "type": "number", "minimum": band.start(), "maximum": band.end() });
    object(
        [
            ("name", about("Its name in reports", name)),
            ("device", device()),
            ("coil", address()),
            ("volts", about("R to C with no output on", volts)),
        ],
        &["device", "coil", "volts"],
    )
}

fn stimuli() -> Value {
    let by_person = object([("operator", exactly(true))], &["operator"]);
    let mut by_relay = relay();
    by_relay["properties"]["operator"] = exactly(false);
    let one = any_of(vec![by_person, by_relay]);
    let calls: Map<String, Value> = Call::TABLE
        .iter()
        .map(|call| (call.to_string(), one.clone()))
        .collect();
    json!({ "type": "object", "properties": calls, "additionalProperties": false })
}

fn timing() -> Value {
    let wait = || whole(&limits::WAIT_MS);
    object(
        [
            ("settle_ms", wait()),
            ("supply_settle_ms", wait()),
            ("release_ms", wait()),
            ("controller_wait_ms", whole(&limits::CONTROLLER_WAIT_MS)),
            ("controller_look_ms", wait()),
            ("power_loss_ms", whole(&limits::CONTROLLER_WAIT_MS)),
            (
                "controller_minimum_off_ms",
                whole(&limits::CONTROLLER_OFF_MS),
            ),
            ("samples", whole(&limits::SAMPLES)),
            ("mains_hertz", written(&limits::MAINS_HERTZ)),
        ],
        &[],
    )
}

fn bands() -> Value {
    object(
        [
            ("on_at_least_v", real(Reals::Positive)),
            ("off_at_most_v", real(Reals::Positive)),
        ],
        &[],
    )
}
