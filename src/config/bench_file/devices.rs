//! `[device.NAME]`: what hangs on a link and what it speaks.
//!
//! Place in the data's path: makes [`DeviceSpec`]s, which drivers speak to. It knows no line.

use super::links::Links;
use super::meters::{read_ascii, read_scpi};
use crate::config::limits;
use crate::config::nearest::help_for;
use crate::config::source::Findings;
use crate::config::table::{Located, TableReader};
use crate::units::{
    DeviceName, DeviceProtocol, DeviceSpec, LinkName, LinkTransport, Milliseconds, ModbusSpec,
    RegisterAddress, UnitAddress, WatchdogSpec,
};
use std::collections::BTreeMap;

/// The devices of a file, those that could not be taken by name only.
pub(super) struct Devices {
    /// By name, with the place of the name.
    pub(super) taken: BTreeMap<DeviceName, Located<DeviceSpec>>,
    /// Every name given, taken or not; nothing where the file's devices could not be read at all.
    pub(super) names: Option<Vec<String>>,
    /// Each device's `link`, with its place, whether or not the device could be taken.
    links: Vec<(String, Located<String>)>,
    /// Where each device's unit, protocol and watchdog stand.
    places: BTreeMap<DeviceName, ProtocolPlace>,
}

/// Where a device's protocol stands in the file.
struct ProtocolPlace {
    /// The protocol's table.
    protocol: Located<()>,
    /// Its `unit`.
    unit: Option<Located<u8>>,
    /// Its watchdog's `timeout_ms`.
    watchdog: Option<Located<u64>>,
}

impl Devices {
    /// The devices that were taken.
    pub(super) fn specs(&self) -> BTreeMap<DeviceName, DeviceSpec> {
        let taken = self.taken.iter();
        taken
            .map(|(name, spec)| (name.clone(), spec.value.clone()))
            .collect()
    }
}

pub(super) fn read_devices(root: &TableReader<'_>) -> Devices {
    let mut devices = Devices {
        taken: BTreeMap::new(),
        names: root.names("device"),
        links: Vec::new(),
        places: BTreeMap::new(),
    };
    for (name, table) in root.named_tables("device") {
        table.require("link", "the link's name, as in [link.NAME]");
        let link = table.string("link");
        if let Some(link) = &link {
            devices.links.push((name.value.clone(), link.clone()));
        }
        let device_name = DeviceName::new(&name.value)
            .map_err(|error| table.findings().add(name.finding(error.to_string())))
            .ok();
        let protocol = read_protocol(&table);
        table.finish();
        let link_name = link.and_then(|link| LinkName::new(&link.value).ok());
        if let (Some(device), Some(link), Some((protocol, place))) =
            (device_name, link_name, protocol)
        {
            devices.places.insert(device.clone(), place);
            let spec = DeviceSpec {
                name: device.clone(),
                link,
                protocol,
            };
            devices.taken.insert(device, name.map(|_| spec));
        }
    }
    devices
}

/// The keys that say what a device speaks.
pub(in crate::config) const PROTOCOLS: [&str; 4] = ["modbus-rtu", "modbus-tcp", "scpi", "ascii"];

fn read_protocol(table: &TableReader<'_>) -> Option<(DeviceProtocol, ProtocolPlace)> {
    let key = table.one_of(&PROTOCOLS, "what the device speaks")?;
    let inner = table.table(key)?;
    let mut place = ProtocolPlace {
        protocol: inner.place(),
        unit: None,
        watchdog: None,
    };
    let protocol = match key {
        "modbus-rtu" => {
            let spec = read_modbus(&inner, limits::SERIAL_UNIT, &mut place);
            spec.map(DeviceProtocol::ModbusRtu)
        }
        "modbus-tcp" => {
            let spec = read_modbus(&inner, limits::TCP_UNIT, &mut place);
            spec.map(DeviceProtocol::ModbusTcp)
        }
        "scpi" => read_scpi(&inner).map(DeviceProtocol::Scpi),
        _ => read_ascii(&inner).map(DeviceProtocol::Ascii),
    };
    inner.finish();
    Some((protocol?, place))
}

fn read_modbus(
    table: &TableReader<'_>,
    units: std::ops::RangeInclusive<u64>,
    place: &mut ProtocolPlace,
) -> Option<ModbusSpec> {
    table.require("unit", "the unit address");
    place.unit = table.small("unit", units);
    let coils = table.small("coils", limits::COILS);
    let inputs = table.small("discrete_inputs", limits::DISCRETE_INPUTS);
    let neither = ["coils", "discrete_inputs"]
        .into_iter()
        .all(|key| !table.has(key));
    if neither {
        let message = "missing `coils` or `discrete_inputs`: how many the device has";
        table.findings().add(table.place().finding(message));
    }
    let watchdog = table
        .table("watchdog")
        .map(|inner| read_watchdog(inner, place));
    // A count that could not be taken is not 0: nothing can be said of this device's relays.
    if (table.has("coils") && coils.is_none()) || (table.has("discrete_inputs") && inputs.is_none())
    {
        return None;
    }
    Some(ModbusSpec {
        unit: UnitAddress(place.unit.as_ref()?.value),
        coils: coils.map_or(0, |located| located.value),
        discrete_inputs: inputs.map_or(0, |located| located.value),
        watchdog: match watchdog {
            Some(read) => Some(read?),
            None => None,
        },
    })
}

fn read_watchdog(table: TableReader<'_>, place: &mut ProtocolPlace) -> Option<WatchdogSpec> {
    let findings = table.findings();
    table.require(
        "register",
        "the holding register that takes the time, from 0",
    );
    table.require(
        "timeout_ms",
        "after how long the relay board opens its relays",
    );
    let register = table.small("register", limits::ADDRESS);
    place.watchdog = table.integer("timeout_ms", limits::WATCHDOG_MS);
    let count = table.small::<u16>("milliseconds_per_count", limits::COUNT_MS);
    let count = count.map_or(1, |located| located.value);
    table.finish();
    let timeout = place.watchdog.as_ref()?;
    let counts = timeout.value / u64::from(count);
    if timeout.value % u64::from(count) != 0 || counts > u64::from(u16::MAX) {
        let message = format!(
            "{} ms is not a whole number of counts of {count} ms, up to {}",
            timeout.value,
            u16::MAX
        );
        findings.add(timeout.finding(message));
        return None;
    }
    Some(WatchdogSpec {
        register: RegisterAddress(register?.value),
        timeout_ms: Milliseconds(timeout.value),
        milliseconds_per_count: count,
    })
}

/// The rules between devices and links.
pub(super) fn check_against_links(devices: &Devices, links: &Links, findings: &Findings) {
    let Some(names) = &links.names else { return };
    let known: Vec<&str> = names.iter().map(String::as_str).collect();
    // Where a device's link is not known, none can be called unused: it may be the one meant.
    let mut all_known = devices.names.as_ref().map(Vec::len) == Some(devices.links.len());
    for (device, link) in &devices.links {
        if !known.contains(&link.value.as_str()) {
            all_known = false;
            let message = format!(
                "device `{device}` hangs on link `{}`, which is not there",
                link.value
            );
            findings.add(
                link.finding(message)
                    .help_where_known(help_for(&link.value, &known)),
            );
        }
    }
    for (name, link) in &links.taken {
        let on_it: Vec<&DeviceSpec> = devices
            .taken
            .values()
            .map(|device| &device.value)
            .filter(|device| device.link == *name)
            .collect();
        if all_known
            && !devices
                .links
                .iter()
                .any(|(_, used)| used.value == name.as_str())
        {
            findings.add(
                link.finding(format!("link `{name}` is not used by any device"))
                    .help("remove it, or hang a device on it: link = \"…\""),
            );
        }
        check_neighbours(&on_it, devices, findings);
        for device in on_it {
            check_transport(device, &link.value.transport, devices, findings);
            check_watchdog(device, link.value.reply_timeout_ms, devices, findings);
        }
    }
}

fn check_transport(
    device: &DeviceSpec,
    transport: &LinkTransport,
    devices: &Devices,
    findings: &Findings,
) {
    let is_tcp = matches!(transport, LinkTransport::Tcp { .. });
    if matches!(device.protocol, DeviceProtocol::ModbusTcp(_)) && !is_tcp {
        let message = format!(
            "`{}` speaks Modbus TCP, but its link `{}` is a serial line",
            device.name, device.link
        );
        let place = &devices.places[&device.name].protocol;
        findings.add(
            place
                .finding(message)
                .help("use modbus-rtu on a serial line, or give the link tcp = \"host:port\""),
        );
    }
}

/// A relay board that opens its relays sooner than a slow reply may come would open them in the
/// middle of a sound run.
fn check_watchdog(
    device: &DeviceSpec,
    reply_timeout: Milliseconds,
    devices: &Devices,
    findings: &Findings,
) {
    let Some(timeout) = &devices.places[&device.name].watchdog else {
        return;
    };
    if timeout.value <= reply_timeout.0 {
        let message = format!(
            "the watchdog's {} ms must be longer than the reply timeout of link `{}`, \
             {reply_timeout}",
            timeout.value, device.link
        );
        findings.add(timeout.finding(message));
    }
}

/// Several devices share one link only as Modbus units with addresses of their own: no other
/// protocol here says who is asked.
fn check_neighbours(on_it: &[&DeviceSpec], devices: &Devices, findings: &Findings) {
    let mut units: BTreeMap<u8, &DeviceSpec> = BTreeMap::new();
    let Some(first) = on_it.first() else { return };
    for device in on_it {
        let place = &devices.places[&device.name];
        let same =
            std::mem::discriminant(&first.protocol) == std::mem::discriminant(&device.protocol);
        if device.name != first.name && (device.modbus().is_none() || !same) {
            let message = format!(
                "`{}` cannot share link `{}` with `{}`",
                device.name, device.link, first.name
            );
            let finding = place
                .protocol
                .finding(message)
                .other(
                    devices.places[&first.name].protocol.span.clone(),
                    "the other device",
                )
                .help("only Modbus devices of one kind share a link; give it a link of its own");
            findings.add(finding);
            continue;
        }
        let Some(unit) = &place.unit else { continue };
        if let Some(other) = units.insert(unit.value, device) {
            let message = format!(
                "unit {} is used twice on link `{}`: by `{}` and by `{}`",
                unit.value, device.link, other.name, device.name
            );
            let finding = unit.finding(message);
            findings.add(match &devices.places[&other.name].unit {
                Some(first) => finding.other(first.span.clone(), "first used here"),
                None => finding,
            });
        }
    }
}
