//! The profile file's schema.

use super::circuit::circuit;
use super::parts::{accessory_call, line_of_text, terminal};
use crate::config::limits;
use crate::domain::profile::{
    Active, Arrangement, Auxiliary, Changeover, ChangeoverAtRest, Direction, FanInHeat, Heat,
    Interface, Kind,
};
use crate::units::json_schema::{
    about, any_of, boolean, document, exactly, has, has_value, lacks, object, where_then, whole,
    with_all, words, written,
};
use serde_json::{Value, json};

/// The schema of a profile file.
#[must_use]
pub fn profile_schema() -> Value {
    let mut accessories = list(accessory(), 1);
    accessories["description"] = json!("Lines beyond the calls' own");
    let supply = object(
        [(
            "arrangement",
            words(Arrangement::ALL.iter().map(|w| w.word())),
        )],
        &[],
    );
    let timing = object(
        [
            ("minimum_off_s", whole(&limits::MINIMUM_OFF_S)),
            ("heat_fan_delay_s", whole(&limits::DELAY_S)),
            ("fan_off_delay_s", whole(&limits::DELAY_S)),
            ("cool_down_s", whole(&limits::DELAY_S)),
        ],
        &[],
    );
    document(
        "coilcall profile",
        object(
            [
                (
                    "name",
                    about("A few words for the equipment", line_of_text()),
                ),
                ("equipment", equipment()),
                ("supply", supply),
                ("timing", timing),
                ("accessory", accessories),
                (
                    "circuit",
                    about(
                        "Electrical values of the equipment; a bench file's go before them",
                        circuit(),
                    ),
                ),
            ],
            &["name", "equipment"],
        ),
    )
}

fn equipment() -> Value {
    let stages = || whole(&limits::STAGES);
    let properties = [
        ("kind", words(Kind::ALL.iter().map(|w| w.word()))),
        ("interface", words(Interface::ALL.iter().map(|w| w.word()))),
        ("compressor_stages", stages()),
        (
            "heat_stages",
            about("Auxiliary, furnace or boiler stages", stages()),
        ),
        (
            "changeover",
            about(
                "When the reversing valve (O/B) is energised: o in cooling, b in heating",
                words(Changeover::ALL.iter().map(|w| w.word())),
            ),
        ),
        (
            "changeover_at_rest",
            words(ChangeoverAtRest::ALL.iter().map(|w| w.word())),
        ),
        ("heat", words(Heat::ALL.iter().map(|w| w.word()))),
        (
            "fan_in_heat",
            about(
                "Who runs the fan where heat runs without a Y line",
                words(FanInHeat::ALL.iter().map(|w| w.word())),
            ),
        ),
        ("fan_line", boolean()),
        ("auxiliary", words(Auxiliary::ALL.iter().map(|w| w.word()))),
        ("auxiliary_lines", distinct(terminal(), 0)),
        ("emergency", distinct(terminal(), 0)),
        ("present", distinct(terminal(), 0)),
        (
            "tied",
            about(
                "Groups of lines that are joined at the equipment",
                list(distinct(terminal(), 2), 0),
            ),
        ),
        ("common_on", terminal()),
    ];
    let required = ["kind", "compressor_stages", "heat_stages"];
    with_all(object(properties, &required), rules())
}

/// The rules between keys that a schema can say; the reader knows more.
fn rules() -> Vec<Value> {
    let kind = |kind: Kind| has_value("kind", written(&[kind]));
    let furnace = || kind(Kind::FurnaceAndCooling);
    let heat_pump = || {
        let all = [Kind::HeatPump, Kind::DualFuel, Kind::HeatPumpAndBoiler];
        has_value("kind", written(&all))
    };
    let conventional = || has_value("interface", written(&[Interface::Conventional]));
    let by_valve_line = || json!({ "allOf": [heat_pump(), { "not": conventional() }] });
    let some_heat = || has_value("heat_stages", json!({ "minimum": 1 }));
    let replaces = any_of(vec![
        kind(Kind::DualFuel),
        has_value("auxiliary", written(&[Auxiliary::Replaces])),
    ]);
    let emergency = json!({ "properties": { "emergency": { "minItems": 1 } } });
    let heats_without_y = any_of(vec![
        conventional(),
        json!({ "allOf": [furnace(), some_heat()] }),
        json!({ "allOf": [by_valve_line(), some_heat(), any_of(vec![replaces, emergency])] }),
    ]);
    let hydronic = any_of(vec![
        has_value("heat", written(&[Heat::Hydronic])),
        json!({ "allOf": [kind(Kind::HeatPumpAndBoiler), lacks(&["heat"])] }),
    ]);
    vec![
        where_then(
            furnace(),
            lacks(&[
                "interface",
                "changeover",
                "changeover_at_rest",
                "auxiliary",
                "auxiliary_lines",
                "emergency",
            ]),
        ),
        where_then(
            heat_pump(),
            has_value("compressor_stages", json!({ "minimum": 1 })),
        ),
        where_then(by_valve_line(), has(&["changeover"])),
        where_then(
            conventional(),
            json!({ "allOf": [
                kind(Kind::HeatPump),
                has_value("heat_stages", json!({ "maximum": 1 })),
                lacks(&["changeover", "changeover_at_rest", "auxiliary"]),
            ] }),
        ),
        where_then(
            kind(Kind::DualFuel),
            json!({ "properties": { "auxiliary": written(&[Auxiliary::Replaces]) } }),
        ),
        where_then(kind(Kind::HeatPumpAndBoiler), has(&["auxiliary"])),
        where_then(
            has_value("heat_stages", exactly(0)),
            lacks(&["auxiliary_lines", "emergency"]),
        ),
        where_then(heats_without_y, has(&["fan_in_heat"])),
        where_then(
            has_value("fan_in_heat", written(&[FanInHeat::None])),
            hydronic,
        ),
        where_then(
            has_value("fan_line", exactly(false)),
            json!({ "not": has_value("fan_in_heat", written(&[FanInHeat::Controller])) }),
        ),
    ]
}

fn accessory() -> Value {
    object(
        [
            ("terminal", terminal()),
            ("direction", words(Direction::ALL.iter().map(|w| w.word()))),
            (
                "active",
                about(
                    "off: energised at rest, dropped to act",
                    words(Active::ALL.iter().map(|w| w.word())),
                ),
            ),
            ("on_in", distinct(accessory_call(), 0)),
            ("either_in", distinct(accessory_call(), 0)),
        ],
        &["terminal"],
    )
}

fn list(each: Value, least: u64) -> Value {
    json!({ "type": "array", "items": each, "minItems": least })
}

fn distinct(each: Value, least: u64) -> Value {
    let mut list = list(each, least);
    list["uniqueItems"] = json!(true);
    list
}
