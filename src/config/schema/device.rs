//! The share of links and devices in the bench file's schema.

use super::parts::{NAME, line_of_text, marked, real};
use crate::config::bench_file::{LINE_ENDS, PARITIES, PROTOCOLS, line_end_word, parity_word};
use crate::config::limits;
use crate::config::table::Reals;
use crate::units::json_schema::{
    about, any_of, boolean, exactly, has, has_value, lacks, named, needs, object, text_like,
    where_then, whole, with_all, words,
};
use serde_json::{Value, json};
use std::ops::RangeInclusive;

/// `host:port`, or `[address]:port`, with a port from 1 to 65535.
const HOST_AND_PORT: &str = "\
    ^(\\[.+\\]|[^:\\[\\] /]+):0*([1-9][0-9]{0,3}|[1-5][0-9]{4}|6[0-4][0-9]{3}\
                             |65[0-4][0-9]{2}|655[0-2][0-9]|6553[0-5])$";

fn exactly_one(keys: &[&str]) -> Value {
    let each: Vec<Value> = keys.iter().map(|key| has(&[key])).collect();
    json!({ "oneOf": each })
}

fn at_least_one(keys: &[&str]) -> Value {
    any_of(keys.iter().map(|key| has(&[key])).collect())
}

/// `[link.NAME]`.
pub(super) fn links() -> Value {
    let link = object(
        [
            ("serial", serial()),
            ("usb", usb_link()),
            (
                "tcp",
                about(
                    "host:port, [address]:port for IPv6",
                    text_like(HOST_AND_PORT),
                ),
            ),
            ("reply_timeout_ms", whole(&limits::WAIT_MS)),
            ("late_reply_ms", whole(&limits::LATE_REPLY_MS)),
        ],
        &[],
    );
    named(
        NAME,
        with_all(link, vec![exactly_one(&["serial", "usb", "tcp"])]),
    )
}

const IDENTITY: [&str; 4] = ["vendor", "product", "serial_number", "location"];

fn identity(key: &str) -> Value {
    match key {
        "vendor" | "product" => whole(&limits::USB_NUMBER),
        _ => line_of_text(),
    }
}

fn add_settings(mut schema: Value) -> Value {
    schema["properties"]["baud"] = whole(&limits::BAUD);
    schema["properties"]["parity"] = words(PARITIES.map(parity_word));
    schema["properties"]["stop_bits"] = whole(&limits::STOP_BITS);
    schema
}

fn usb() -> Value {
    let keys = object(IDENTITY.map(|key| (key, identity(key))), &[]);
    with_all(keys, vec![at_least_one(&IDENTITY)])
}

fn serial() -> Value {
    let which = object([("path", line_of_text()), ("usb", usb())], &[]);
    with_all(add_settings(which), vec![exactly_one(&["path", "usb"])])
}

fn usb_link() -> Value {
    add_settings(usb())
}

/// `[device.NAME]`.
pub(super) fn devices() -> Value {
    let link = about("The link's name, as in [link.NAME]", line_of_text());
    let mut device = object([("link", link)], &["link"]);
    for key in PROTOCOLS {
        device["properties"][key] = match key {
            "modbus-rtu" => modbus(&limits::SERIAL_UNIT),
            "modbus-tcp" => modbus(&limits::TCP_UNIT),
            "scpi" => scpi(),
            _ => ascii(),
        };
    }
    named(NAME, with_all(device, vec![exactly_one(&PROTOCOLS)]))
}

fn modbus(units: &RangeInclusive<u64>) -> Value {
    let watchdog = object(
        [
            ("register", whole(&limits::ADDRESS)),
            ("timeout_ms", whole(&limits::WATCHDOG_MS)),
            ("milliseconds_per_count", whole(&limits::COUNT_MS)),
        ],
        &["register", "timeout_ms"],
    );
    let keys = object(
        [
            ("unit", whole(units)),
            ("coils", whole(&limits::COILS)),
            ("discrete_inputs", whole(&limits::DISCRETE_INPUTS)),
            ("watchdog", about("The relay board's own guard", watchdog)),
        ],
        &["unit"],
    );
    with_all(keys, vec![at_least_one(&["coils", "discrete_inputs"])])
}

fn accuracy() -> Value {
    let keys = object(
        [
            ("percent", real(Reals::NotNegative)),
            ("counts", real(Reals::NotNegative)),
            ("resolution_v", real(Reals::Positive)),
        ],
        &["percent", "resolution_v"],
    );
    about("On AC volts, from the data sheet", keys)
}

fn scpi() -> Value {
    let keys = object(
        [
            ("ac_volts", line_of_text()),
            ("resistance", line_of_text()),
            ("ac_volts_range", real(Reals::Positive)),
            ("resistance_range", real(Reals::Positive)),
            ("accuracy", accuracy()),
            ("input_ohms", real(Reals::Positive)),
        ],
        &["accuracy"],
    );
    let rules = vec![
        at_least_one(&["ac_volts", "resistance"]),
        needs("ac_volts_range", "ac_volts"),
        needs("resistance_range", "resistance"),
    ];
    with_all(keys, rules)
}

fn ascii() -> Value {
    let keys = object(
        [
            ("relays", whole(&limits::PLAIN_RELAYS)),
            ("ask", line_of_text()),
            ("listen", boolean()),
            ("reading", marked("{value}")),
            ("overload", line_of_text()),
            ("line_end", words(LINE_ENDS.map(line_end_word))),
            ("done", line_of_text()),
            ("close", line_of_text()),
            ("open", line_of_text()),
            ("state", line_of_text()),
            ("state_closed", line_of_text()),
            ("state_open", line_of_text()),
            ("accuracy", accuracy()),
            ("input_ohms", real(Reals::Positive)),
        ],
        &[],
    );
    let listens = || has_value("listen", exactly(true));
    let reads = || any_of(vec![has(&["ask"]), listens()]);
    let relays = |least: u64| has_value("relays", json!({ "minimum": least }));
    let commands = ["close", "open", "state"];
    let several = json!({ "properties": {
        "close": marked("{relay}"),
        "open": marked("{relay}"),
        "state": marked("{relay}"),
    } });
    let rules = vec![
        any_of(vec![has(&["ask"]), has(&["relays"]), listens()]),
        where_then(listens(), lacks(&["ask"])),
        where_then(listens(), json!({ "not": relays(1) })),
        where_then(has(&["reading"]), reads()),
        where_then(reads(), has(&["accuracy"])),
        where_then(
            relays(1),
            has(&[&commands[..], &["state_closed", "state_open"]].concat()),
        ),
        where_then(relays(2), several),
    ];
    with_all(keys, rules)
}
