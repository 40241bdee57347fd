//! What holds where a file is silent.
//!
//! Place in the data's path: `check` prints these lines beside the problems it did not find. The
//! values come from the validated bench or profile, never from a second list of defaults; the
//! text tells only which of them were stated.

use super::bench_file::circuit::{self, Key, numbers};
use super::bench_file::{BenchFile, line_end_word, parity_word, quantity_word};
use super::electrical::circuit_values;
use super::profile_file::ProfileFile;
use crate::domain::bench_map::{
    BenchMap, CONTROLLER_STAGE_WAIT, RelayAt, Sense, SenseMeans, SupplyMap, UnderTest,
};
use crate::domain::circuit::{CableValues, CircuitValues, HeatingSupply, Protection, SupplyValues};
use crate::domain::profile::Origin;
use crate::units::{DeviceProtocol, LinkTransport, SerialSettings};
use toml::de::{DeTable, DeValue};

/// Behind a value that the file leaves out.
const DEFAULT: &str = "  (default)";

/// `key = value` for each effective value, with `(default)` behind those that the file leaves
/// out.
#[derive(Debug)]
struct Lines<'t> {
    document: DeTable<'t>,
    lines: Vec<String>,
}

impl<'t> Lines<'t> {
    fn of(text: &'t str) -> Self {
        let document = DeTable::parse(text).expect("the text was parsed before");
        Self {
            document: document.into_inner(),
            lines: Vec::new(),
        }
    }

    /// Whether the file has the key at this path.
    fn states(&self, path: &str) -> bool {
        self.find(path).is_some()
    }

    /// The number that the file has at this path, as written.
    fn stated(&self, path: &str) -> Option<String> {
        match self.find(path)? {
            DeValue::Integer(number) => Some(number.to_string()),
            DeValue::Float(number) => Some(number.to_string()),
            _ => None,
        }
    }

    fn find(&self, path: &str) -> Option<&DeValue<'t>> {
        let mut parts = path
            .split(['.', '['])
            .map(|part| part.trim_end_matches(']'));
        let mut value = parts.next().and_then(|first| self.document.get(first));
        for part in parts {
            value = match (value.map(toml::Spanned::get_ref), part.parse::<usize>()) {
                (Some(DeValue::Array(items)), Ok(index)) => items.get(index),
                (Some(DeValue::Table(table)), _) => table.get(part),
                _ => None,
            };
        }
        value.map(toml::Spanned::get_ref)
    }

    /// The path of one item of a key that holds a table or an array of them.
    fn numbered(&self, key: &str, index: usize) -> String {
        let item = format!("{key}[{index}]");
        if self.states(&item) {
            item
        } else {
            key.to_owned()
        }
    }

    fn push(&mut self, path: &str, value: impl std::fmt::Display) {
        let mark = if self.states(path) { "" } else { DEFAULT };
        self.lines.push(format!("{path} = {value}{mark}"));
    }
}

fn push_sense(lines: &mut Lines<'_>, key: &str, sense: &Sense) {
    lines.push(&format!("{key}.end"), quoted(&sense.end.to_string()));
    let quantity = quoted(quantity_word(sense.quantity));
    lines.push(&format!("{key}.quantity"), quantity);
    if let SenseMeans::Meter { series_ohms, .. } = &sense.means {
        lines.push(&format!("{key}.series_ohms"), series_ohms.0);
    }
}

/// What acts on a room controller's supply.
fn push_means_of_supply(lines: &mut Lines<'_>, supply: &SupplyMap) {
    let relay = |relay: &RelayAt| format!("{} of {}", relay.coil.label(), relay.device);
    match &supply.interrupt {
        Some(interrupt) => lines.push("supply.interrupt", relay(interrupt)),
        None => lines.push("supply.interrupt", "none"),
    }
    if supply.levels.is_empty() {
        lines.push("supply.levels", "none");
    }
    for (index, level) in supply.levels.iter().enumerate() {
        let key = format!("supply.levels[{index}]");
        lines.push(&format!("{key}.name"), quoted(&level.name));
        lines.push(&format!("{key}.volts"), level.volts.0);
    }
}

fn quoted(text: &str) -> String {
    format!("\"{text}\"")
}

/// The bench's effective values, one line each, in the order of docs/bench-file.md.
///
/// # Panics
/// Where the text is not the one that the bench was read from.
#[must_use]
pub fn effective_bench(bench: &BenchFile) -> Vec<String> {
    let mut lines = Lines::of(&bench.text);
    let map = &bench.map;
    lines.push("name", quoted(&map.name));
    lines.push("under_test", quoted(map.under_test.word()));
    lines.push("loads", quoted(map.loads.word()));
    for (name, link) in &map.links {
        let key = format!("link.{name}");
        match &link.transport {
            LinkTransport::Tcp { address } => lines.push(&format!("{key}.tcp"), quoted(address)),
            LinkTransport::SerialPath { path, settings } => {
                lines.push(&format!("{key}.serial.path"), quoted(path));
                push_settings(&mut lines, &format!("{key}.serial"), settings);
            }
            LinkTransport::SerialUsb { settings, .. } => {
                let under_link = lines.states(&format!("{key}.usb"));
                let word = if under_link { "usb" } else { "serial" };
                push_settings(&mut lines, &format!("{key}.{word}"), settings);
            }
        }
        lines.push(&format!("{key}.reply_timeout_ms"), link.reply_timeout_ms.0);
        lines.push(&format!("{key}.late_reply_ms"), link.late_reply_ms.0);
    }
    for (name, device) in &map.devices {
        push_device(&mut lines, &format!("device.{name}"), &device.protocol);
    }
    lines.push("supply.source", quoted(map.supply.source.word()));
    for (index, sense) in map.supply.senses.iter().enumerate() {
        let key = lines.numbered("supply.sense", index);
        lines.push(&format!("{key}.rail"), quoted(sense.rail.word()));
        push_sense(&mut lines, &key, &sense.sense);
    }
    if map.under_test == UnderTest::Controller {
        push_means_of_supply(&mut lines, &map.supply);
    }
    for declared in &bench.declared {
        let line = &map.lines[&declared.terminal];
        let key = &declared.key;
        lines.push(&format!("{key}.terminal"), quoted(line.terminal.as_str()));
        if let Some(drive) = &line.drive {
            let common = quoted(drive.common.word());
            lines.push(&format!("{key}.drive.common"), common);
        }
        for (index, sense) in line.senses.iter().enumerate() {
            let key = lines.numbered(&format!("{key}.sense"), index);
            push_sense(&mut lines, &key, sense);
        }
    }
    push_timing(&mut lines, map);
    push_circuit(&mut lines, &map.circuit);
    lines.push("bands.on_at_least_v", map.bands.on_at_least.0);
    lines.push("bands.off_at_most_v", map.bands.off_at_most.0);
    lines.lines
}

fn push_timing(lines: &mut Lines<'_>, map: &BenchMap) {
    let timing = &map.timing;
    lines.push("timing.settle_ms", timing.settle.0);
    lines.push("timing.supply_settle_ms", timing.supply_settle.0);
    lines.push("timing.release_ms", timing.release.0);
    if map.under_test == UnderTest::Controller {
        let wait = match timing.controller_wait {
            Some(wait) => wait.0.to_string(),
            None => {
                let stage = CONTROLLER_STAGE_WAIT.0;
                format!("{stage}, and {stage} more for each smaller stage before the call's own")
            }
        };
        lines.push("timing.controller_wait_ms", wait);
        lines.push("timing.controller_look_ms", timing.controller_look.0);
        if map.supply.interrupt.is_some() {
            lines.push("timing.power_loss_ms", timing.power_loss.0);
            let minimum_off = timing.controller_minimum_off.0;
            lines.push("timing.controller_minimum_off_ms", minimum_off);
        }
    }
    lines.push("timing.samples", timing.samples);
    lines.push("timing.mains_hertz", timing.mains_hertz);
}

fn push_numbers<T>(lines: &mut Lines<'_>, key: &str, keys: &[Key<T>], values: &T) {
    for (name, value) in numbers(keys, values) {
        // What was scaled from farads and henries is shown as it was written.
        let written = (value * 1e9).round() / 1e9;
        lines.push(&format!("{key}.{name}"), written);
    }
}

/// The values of `[circuit]`; those of coils, joints and faults only where the file states them.
fn push_circuit(lines: &mut Lines<'_>, values: &CircuitValues) {
    push_supply(lines, "circuit.supply", &values.supply);
    if lines.states("circuit.heating_supply")
        && let HeatingSupply::Transformer { supply, .. } = &values.heating_supply
    {
        push_supply(lines, "circuit.heating_supply", supply);
    }
    lines.push("circuit.common_earthed", values.common_earthed);
    push_cable(lines, "circuit.cable", &values.cable);
    match &values.outdoor_cable {
        Some(cable) => push_cable(lines, "circuit.outdoor_cable", cable),
        None => lines.push("circuit.outdoor_cable.fitted", false),
    }
    let boards = [values.controller_ohms, values.outdoor_board_ohms];
    for (key, ohms) in circuit::BOARDS.into_iter().zip(boards) {
        lines.push(&format!("circuit.{key}"), ohms.unwrap_or(0.0));
    }
    push_numbers(lines, "circuit", circuit::INSTRUMENTS, values);
    push_numbers(
        lines,
        "circuit.contacts",
        circuit::CONTACTS,
        &values.contacts,
    );
    if let Some(output) = &values.solid_state {
        push_numbers(lines, "circuit.solid_state", circuit::SOLID_STATE, output);
    }
    if lines.states("circuit.leaking") {
        let leaking = &values.leaking;
        push_numbers(lines, "circuit.leaking", circuit::SOLID_STATE, leaking);
    }
    if lines.states("circuit.faults") {
        push_numbers(lines, "circuit.faults", circuit::FAULTS, &values.faults);
    }
    for (line, coil) in &values.coils {
        for ((key, _), number) in circuit::COIL.into_iter().zip(circuit::coil_numbers(coil)) {
            lines.push(&format!("circuit.coil.{line}.{key}"), number);
        }
    }
    for ((terminal, place), ohms) in &values.joints {
        lines.push(&format!("circuit.joint.{terminal}.{place}_ohms"), ohms);
    }
}

fn push_supply(lines: &mut Lines<'_>, key: &str, supply: &SupplyValues) {
    let full_load = lines.stated(&format!("{key}.full_load_v"));
    for (name, value) in numbers(circuit::SUPPLY, supply) {
        match &full_load {
            Some(volts) if name == "source_ohms_at_40_va" => {
                lines.push(&format!("{key}.full_load_v"), volts);
            }
            _ => lines.push(&format!("{key}.{name}"), value),
        }
    }
    let (word, amps) = match supply.protection {
        Protection::Fuse {
            opens_above_amps, ..
        } => ("fuse", opens_above_amps),
        Protection::Limiter {
            opens_above_amps, ..
        } => ("limiter", opens_above_amps),
    };
    lines.push(&format!("{key}.{word}_opens_above_a"), amps);
}

fn push_cable(lines: &mut Lines<'_>, key: &str, cable: &CableValues) {
    push_numbers(lines, key, circuit::CABLE, cable);
    let made = quoted(circuit::stranding_word(cable.stranding));
    lines.push(&format!("{key}.stranding"), made);
}

fn push_settings(lines: &mut Lines<'_>, key: &str, settings: &SerialSettings) {
    lines.push(&format!("{key}.baud"), settings.baud);
    let parity = quoted(parity_word(settings.parity));
    lines.push(&format!("{key}.parity"), parity);
    lines.push(&format!("{key}.stop_bits"), settings.stop_bits);
}

fn push_device(lines: &mut Lines<'_>, key: &str, protocol: &DeviceProtocol) {
    match protocol {
        DeviceProtocol::ModbusRtu(spec) | DeviceProtocol::ModbusTcp(spec) => {
            let rtu = matches!(protocol, DeviceProtocol::ModbusRtu(_));
            let key = format!("{key}.{}", if rtu { "modbus-rtu" } else { "modbus-tcp" });
            lines.push(&format!("{key}.coils"), spec.coils);
            lines.push(&format!("{key}.discrete_inputs"), spec.discrete_inputs);
            if let Some(watchdog) = &spec.watchdog {
                let count = watchdog.milliseconds_per_count;
                lines.push(&format!("{key}.watchdog.milliseconds_per_count"), count);
            } else {
                lines.push(&format!("{key}.watchdog"), "none");
            }
        }
        DeviceProtocol::Scpi(spec) => {
            lines.push(&format!("{key}.scpi.accuracy.counts"), spec.accuracy.counts);
            lines.push(&format!("{key}.scpi.input_ohms"), spec.input_ohms);
        }
        DeviceProtocol::Ascii(spec) => {
            lines.push(&format!("{key}.ascii.relays"), spec.relays);
            let line_end = quoted(line_end_word(spec.line_end));
            lines.push(&format!("{key}.ascii.line_end"), line_end);
            if let Some(reading) = &spec.reading {
                lines.push(&format!("{key}.ascii.reading"), quoted(reading));
            }
            if let Some(ohms) = spec.input_ohms {
                lines.push(&format!("{key}.ascii.input_ohms"), ohms);
            }
        }
    }
}

/// The profile's effective values, one line each, in the order of docs/profile-file.md.
#[must_use]
pub fn effective_profile(profile: &ProfileFile) -> Vec<String> {
    let keys = profile.profile.effective_keys().into_iter();
    let of_rules = keys.map(|entry| {
        let mark = match entry.origin {
            Origin::Given => "",
            Origin::Default => DEFAULT,
        };
        format!("{} = {}{mark}", entry.key, entry.value)
    });
    of_rules.chain(electrical_profile(profile)).collect()
}

/// What the profile itself says of `[circuit]`: the defaults are the bench's to list.
fn electrical_profile(profile: &ProfileFile) -> Vec<String> {
    let mut lines = Lines::of(&profile.text);
    if lines.states("circuit")
        && let Ok(values) = circuit_values(profile, None)
    {
        push_circuit(&mut lines, &values);
        lines.lines.retain(|line| !line.ends_with(DEFAULT));
    }
    lines.lines
}
