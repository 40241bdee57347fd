//! `[link.NAME]`: how the bytes travel.
//!
//! Place in the data's path: makes [`LinkSpec`]s, which drivers open. It knows no device.

use crate::config::limits;
use crate::config::source::Finding;
use crate::config::table::{Located, TableReader};
use crate::units::{
    LinkName, LinkSpec, LinkTransport, Milliseconds, Parity, SerialSettings, UsbIdentity,
};
use std::collections::BTreeMap;

/// Modbus over serial line V1.02, 2.5.1: 19200 bits per second is the required default (from
/// memory).
const DEFAULT_BAUD: u32 = 19_200;
/// The default reply timeout: generous, for adapters and small boards are slow.
const DEFAULT_REPLY_TIMEOUT_MS: u64 = 800;

/// The links of a file, those that could not be taken by name only.
pub(super) struct Links {
    /// By name, with the place of the name.
    pub(super) taken: BTreeMap<LinkName, Located<LinkSpec>>,
    /// Every name given, taken or not; nothing where the file's links could not be read at all.
    pub(super) names: Option<Vec<String>>,
}

impl Links {
    /// The links that were taken.
    pub(super) fn specs(&self) -> BTreeMap<LinkName, LinkSpec> {
        let taken = self.taken.iter();
        taken
            .map(|(name, spec)| (name.clone(), spec.value.clone()))
            .collect()
    }
}

pub(super) fn read_links(root: &TableReader<'_>) -> Links {
    let mut links = Links {
        taken: BTreeMap::new(),
        names: root.names("link"),
    };
    for (name, table) in root.named_tables("link") {
        let link = read_link(&name, table);
        if let Some(link) = link {
            let located = name.map(|_| link);
            links.taken.insert(located.value.name.clone(), located);
        }
    }
    links
}

fn read_link(name: &Located<String>, table: TableReader<'_>) -> Option<LinkSpec> {
    let link_name = LinkName::new(&name.value)
        .map_err(|error| table.findings().add(name.finding(error.to_string())))
        .ok();
    let transport = table.one_of(&["serial", "usb", "tcp"], "how the link's bytes travel");
    let transport = transport.and_then(|kind| match kind {
        "serial" => read_serial(table.table("serial")?),
        "usb" => read_usb_link(table.table("usb")?),
        _ => read_tcp(&table),
    });
    let reply = table.integer("reply_timeout_ms", limits::WAIT_MS);
    let reply = reply.map_or(DEFAULT_REPLY_TIMEOUT_MS, |located| located.value);
    let late = table.integer("late_reply_ms", limits::LATE_REPLY_MS);
    let late = late.map_or(2 * reply, |located| located.value);
    table.finish();
    Some(LinkSpec {
        name: link_name?,
        transport: transport?,
        reply_timeout_ms: Milliseconds(reply),
        late_reply_ms: Milliseconds(late),
    })
}

/// `serial = { path = "…", … }`, or `serial = { usb = { … }, … }`.
fn read_serial(table: TableReader<'_>) -> Option<LinkTransport> {
    let which = table.one_of(&["path", "usb"], "which serial port");
    let settings = read_settings(&table);
    let transport = match which? {
        "path" => table.string("path").map(|path| (Some(path.value), None)),
        _ => table
            .table("usb")
            .and_then(|usb| {
                let identity = read_identity(&usb);
                usb.finish();
                identity
            })
            .map(|identity| (None, Some(identity))),
    };
    table.finish();
    Some(match transport? {
        (Some(path), _) => LinkTransport::SerialPath { path, settings },
        (None, usb) => LinkTransport::SerialUsb {
            usb: usb?,
            settings,
        },
    })
}

/// `usb = { vendor = …, baud = …, … }`: identity and line settings side by side.
fn read_usb_link(table: TableReader<'_>) -> Option<LinkTransport> {
    let settings = read_settings(&table);
    let usb = read_identity(&table);
    table.finish();
    Some(LinkTransport::SerialUsb {
        usb: usb?,
        settings,
    })
}

fn read_identity(table: &TableReader<'_>) -> Option<UsbIdentity> {
    let identity = UsbIdentity {
        vendor: table.small("vendor", limits::USB_NUMBER).map(|v| v.value),
        product: table.small("product", limits::USB_NUMBER).map(|v| v.value),
        serial_number: table.string("serial_number").map(|v| v.value),
        location: table.string("location").map(|v| v.value),
    };
    let keys = ["vendor", "product", "serial_number", "location"];
    if !keys.into_iter().any(|key| table.has(key)) {
        let message = "missing which adapter: one or more of vendor, product, serial_number, \
                       location";
        table.findings().add(
            table
                .place()
                .finding(message)
                .help("`ports` lists the identity of each adapter that is plugged in"),
        );
        return None;
    }
    Some(identity)
}

/// Every parity.
pub(in crate::config) const PARITIES: [Parity; 3] = [Parity::None, Parity::Even, Parity::Odd];

/// The word used in files.
pub(in crate::config) fn parity_word(parity: Parity) -> &'static str {
    match parity {
        Parity::None => "none",
        Parity::Even => "even",
        Parity::Odd => "odd",
    }
}

/// Modbus over serial line V1.02, 2.5.1: even parity is the default; without parity two stop bits
/// keep the character at 11 bits.
fn read_settings(table: &TableReader<'_>) -> SerialSettings {
    let baud = table.small("baud", limits::BAUD);
    let parity = table.word("parity", &PARITIES, parity_word);
    let parity = parity.map_or(Parity::Even, |located| located.value);
    let stop_bits = table.small("stop_bits", limits::STOP_BITS);
    let usual_stop_bits = if parity == Parity::None { 2 } else { 1 };
    SerialSettings {
        baud: baud.map_or(DEFAULT_BAUD, |located| located.value),
        parity,
        stop_bits: stop_bits.map_or(usual_stop_bits, |located| located.value),
    }
}

fn read_tcp(table: &TableReader<'_>) -> Option<LinkTransport> {
    let address = table.string("tcp")?;
    if has_host_and_port(&address.value) {
        return Some(LinkTransport::Tcp {
            address: address.value,
        });
    }
    let message = format!("`{}` is not host:port", address.value);
    let finding: Finding = address.finding(message);
    table
        .findings()
        .add(finding.help("write it as \"192.0.2.7:502\"; the port is from 1 to 65535"));
    None
}

fn has_host_and_port(address: &str) -> bool {
    let Some((host, port)) = address.rsplit_once(':') else {
        return false;
    };
    let bracketed = host.starts_with('[') && host.ends_with(']') && host.len() > 2;
    let plain = !host.is_empty() && !host.contains([':', '[', ']', ' ', '/']);
    (bracketed || plain)
        && port.bytes().all(|byte| byte.is_ascii_digit())
        && port.parse::<u16>().is_ok_and(|port| port > 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_has_a_host_and_a_port() {
        for good in ["192.0.2.7:502", "gateway.example:4001", "[2001:db8::7]:502"] {
            assert!(has_host_and_port(good), "{good}");
        }
        for bad in [
            "192.0.2.7",
            ":502",
            "host:0",
            "host:65536",
            "host:+5",
            "2001:db8::7:502",
        ] {
            assert!(!has_host_and_port(bad), "{bad}");
        }
    }
}
