//! The schema of `[circuit]`, the same in bench and profile.

use super::parts::{TERMINAL, real};
use crate::config::bench_file::circuit::{
    BOARDS, CABLE, COIL, CONTACTS, FAULTS, INSTRUMENTS, JOINT, Key, SOLID_STATE, STRANDINGS,
    SUPPLY, stranding_word,
};
use crate::config::table::Reals;
use crate::units::json_schema::{boolean, named, words};
use serde_json::{Map, Value, json};

type Properties = Vec<(&'static str, Value)>;

/// `[circuit]`.
pub(super) fn circuit() -> Value {
    let mut all = numbers(INSTRUMENTS);
    all.extend(BOARDS.map(|key| (key, real(Reals::NotNegative))));
    let mut heating = supply();
    for flag in ["opposed", "commons_joined", "dry_contact"] {
        heating.push((flag, boolean()));
    }
    let mut outdoor = cable();
    outdoor.push(("fitted", boolean()));
    let coil = COIL.map(|(key, reals)| (key, real(reals)));
    let joint = JOINT.map(|(key, _)| (key, real(Reals::Positive)));
    all.extend([
        ("common_earthed", boolean()),
        ("supply", one_protection(object_of(supply()))),
        ("heating_supply", one_protection(object_of(heating))),
        ("cable", object_of(cable())),
        ("outdoor_cable", object_of(outdoor)),
        ("contacts", object_of(numbers(CONTACTS))),
        ("solid_state", object_of(numbers(SOLID_STATE))),
        ("leaking", object_of(numbers(SOLID_STATE))),
        ("faults", object_of(numbers(FAULTS))),
        ("coil", by_terminal(object_of(coil.to_vec()))),
        ("joint", by_terminal(object_of(joint.to_vec()))),
    ]);
    object_of(all)
}

/// A table none of whose keys is required.
fn object_of(properties: Properties) -> Value {
    let properties = properties.into_iter();
    let properties: Map<String, Value> = properties
        .map(|(key, schema)| (key.to_owned(), schema))
        .collect();
    json!({ "type": "object", "properties": properties, "additionalProperties": false })
}

fn numbers<T>(keys: &[Key<T>]) -> Properties {
    keys.iter().map(|key| (key.name, real(key.reals))).collect()
}

fn supply() -> Properties {
    let mut properties = numbers(SUPPLY);
    for key in [
        "full_load_v",
        "protection_ohms",
        "fuse_opens_above_a",
        "limiter_opens_above_a",
    ] {
        properties.push((key, real(Reals::Positive)));
    }
    properties
}

fn one_protection(mut supply: Value) -> Value {
    supply["not"] = json!({ "anyOf": [
        { "required": ["fuse_opens_above_a", "limiter_opens_above_a"] },
        { "required": ["full_load_v", "source_ohms_at_40_va"] },
    ] });
    supply
}

fn cable() -> Properties {
    let mut properties = numbers(CABLE);
    for (key, schema) in &mut properties {
        match *key {
            "awg" => schema["maximum"] = json!(40),
            "temperature_c" => {
                schema["minimum"] = json!(-60);
                schema["maximum"] = json!(200);
            }
            _ => {}
        }
    }
    let made = words(STRANDINGS.iter().map(|made| stranding_word(*made)));
    properties.push(("stranding", made));
    properties
}

fn by_terminal(one: Value) -> Value {
    named(TERMINAL, one)
}
