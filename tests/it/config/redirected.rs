//! A bench file on other ports.

use super::{BENCH, told, with};
use coilcall::config::{BenchFile, parse_bench, redirect_links};
use coilcall::units::{LinkName, LinkTransport, Parity, SerialSettings, UsbIdentity};
use std::collections::BTreeMap;
use std::path::Path;

fn bench(text: String) -> BenchFile {
    parse_bench(Path::new("b.toml"), text).unwrap_or_else(|errors| panic!("{errors}"))
}

fn to(transport: LinkTransport) -> BTreeMap<LinkName, LinkTransport> {
    BTreeMap::from([(LinkName::new("board").expect("a name"), transport)])
}

const SETTINGS: SerialSettings = SerialSettings {
    baud: 115_200,
    parity: Parity::None,
    stop_bits: 1,
};

#[test]
fn only_the_transport_changes() {
    let path = "/dev/pts/\"7\\".to_owned();
    let usb = UsbIdentity {
        vendor: Some(0x1209),
        product: Some(1),
        serial_number: Some("A \"B\"".to_owned()),
        location: Some("1-2".to_owned()),
    };
    let address = "127.0.0.1:1502".to_owned();
    let written = with(BENCH, "[device.board]", "# kept\n[device.board]");
    let original = bench(written);
    for transport in [
        LinkTransport::SerialPath {
            path,
            settings: SETTINGS,
        },
        LinkTransport::SerialUsb {
            usb,
            settings: SETTINGS,
        },
        LinkTransport::Tcp { address },
    ] {
        let text = redirect_links(&original, &to(transport.clone())).expect("redirected");
        assert!(text.contains("# kept"));
        let redirected = bench(text);
        let mut expected = original.map.clone();
        expected
            .links
            .values_mut()
            .for_each(|link| link.transport = transport.clone());
        assert_eq!(redirected.map, expected);
    }
}

#[test]
fn a_transport_in_pieces_is_refused_with_its_place() {
    let serial = "serial = { path = \"/dev/ttyUSB0\", baud = 9600 }";
    let target = to(LinkTransport::Tcp {
        address: "127.0.0.1:1502".to_owned(),
    });
    for (pieces, place) in [
        ("serial.path = \"/dev/ttyUSB0\"\nserial.baud = 9600", "6:1 "),
        ("[link.board.serial]\npath = \"/dev/ttyUSB0\"", "6:"),
    ] {
        let original = bench(with(BENCH, serial, pieces));
        let told = told(&redirect_links(&original, &target).expect_err("in pieces"));
        assert!(told.starts_with(place), "{told}");
        assert!(
            told.contains("link `board` cannot be redirected as it is written"),
            "{told}"
        );
    }
}

#[test]
fn a_transport_that_the_devices_cannot_use_is_refused() {
    let tcp = with(
        BENCH,
        "serial = { path = \"/dev/ttyUSB0\", baud = 9600 }",
        "tcp = \"a:502\"",
    );
    let original = bench(with(&tcp, "modbus-rtu", "modbus-tcp"));
    let target = to(LinkTransport::SerialPath {
        path: "/dev/pts/7".to_owned(),
        settings: SETTINGS,
    });
    let told = told(&redirect_links(&original, &target).expect_err("Modbus TCP on a serial line"));
    assert!(told.contains("speaks Modbus TCP"), "{told}");
}
