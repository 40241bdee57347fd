//! One value of a bench file at a time: type, range, word, unknown and missing keys.

use super::{BENCH, bench_errors, check_bench, told, with};
use coilcall::config::parse_bench;
use coilcall::domain::bench_map::{BenchTiming, Rail, SenseMeans};
use coilcall::domain::circuit::Protection;
use coilcall::units::{
    DeviceName, DeviceProtocol, End, LinkName, LinkTransport, Milliseconds, Ohms, Parity, Place,
    Quantity, SerialSettings, Terminal, UsbIdentity,
};
use std::path::Path;

#[test]
fn defaults_hold_where_the_file_is_silent() {
    let bench = parse_bench(Path::new("b.toml"), BENCH.to_owned()).expect("the bench is sound");
    let link = &bench.map.links[&LinkName::new("board").expect("a name")];
    assert_eq!(link.reply_timeout_ms, Milliseconds(800));
    assert_eq!(link.late_reply_ms, Milliseconds(1600));
    // Modbus over serial line V1.02, 2.5.1: even parity by default, one stop bit with parity.
    let LinkTransport::SerialPath { settings, .. } = &link.transport else {
        panic!("a serial link: {link:?}");
    };
    let expected = SerialSettings {
        baud: 9600,
        parity: Parity::Even,
        stop_bits: 1,
    };
    assert_eq!(*settings, expected);
    assert_eq!(settings.bits_per_byte(), 11);
    let line = &bench.map.lines[&Terminal::known("Y1")];
    assert_eq!(line.senses[0].end, End::Equipment);
    assert_eq!(line.senses[0].quantity, Quantity::Presence);
    assert_eq!(line.drive.as_ref().expect("driven").common, Rail::Rc);
    assert_eq!(bench.map.timing, BenchTiming::default());
    assert!(bench.notes.is_empty());
}

#[test]
fn two_stop_bits_keep_a_character_without_parity_at_eleven_bits() {
    let text = with(BENCH, "baud = 9600", "baud = 9600, parity = \"none\"");
    let bench = parse_bench(Path::new("b.toml"), text).expect("the bench is sound");
    let link = bench.map.links.values().next().expect("a link");
    let LinkTransport::SerialPath { settings, .. } = &link.transport else {
        panic!("a serial link: {link:?}");
    };
    assert_eq!((settings.stop_bits, settings.bits_per_byte()), (2, 11));
}

#[test]
fn a_usb_adapter_is_named_under_serial_or_beside_it() {
    let settings = "baud = 19200, parity = \"odd\"";
    for link in [
        format!("serial = {{ usb = {{ vendor = 0x1209, location = \"1-2.3\" }}, {settings} }}"),
        format!("usb = {{ vendor = 0x1209, location = \"1-2.3\", {settings} }}"),
    ] {
        let text = with(
            BENCH,
            "serial = { path = \"/dev/ttyUSB0\", baud = 9600 }",
            &link,
        );
        let bench = parse_bench(Path::new("b.toml"), text).expect("the bench is sound");
        let expected = LinkTransport::SerialUsb {
            usb: UsbIdentity {
                vendor: Some(0x1209),
                product: None,
                serial_number: None,
                location: Some("1-2.3".to_owned()),
            },
            settings: SerialSettings {
                baud: 19200,
                parity: Parity::Odd,
                stop_bits: 1,
            },
        };
        let link = bench.map.links.values().next().expect("a link");
        assert_eq!(link.transport, expected);
    }
}

#[test]
fn wrong_types_and_ranges_say_what_was_expected() {
    check_bench(
        "baud = 9600",
        "baud = \"9600\"",
        "6:42",
        &["expected a whole number from 50 to 4000000, found the text \"9600\""],
    );
    check_bench("baud = 9600", "baud = 9600.5", "6:42", &["found 9600.5"]);
    check_bench(
        "unit = 1",
        "unit = 248",
        "10:23",
        &["from 1 to 247, found 248"],
    );
    check_bench("unit = 1", "unit = -1", "10:23", &["found -1"]);
    check_bench(
        "unit = 1",
        "unit = 99999999999999999999",
        "10:23",
        &["from 1 to 247"],
    );
    check_bench(
        "coil = 0",
        "coil = 8",
        "18:36",
        &["coil 8 is out of range", "has 8, from 0 to 7"],
    );
    check_bench(
        "input = 0",
        "input = 300",
        "19:37",
        &["input 300 is out of range"],
    );
    check_bench(
        "name = \"Panel\"",
        "name = 7",
        "1:8",
        &["expected a text in quotes, found 7"],
    );
    check_bench(
        "name = \"Panel\"",
        "name = \" \"",
        "1:8",
        &["found an empty one"],
    );
    check_bench(
        "sense = { device = \"board\", input = 7 }",
        "sense = 3",
        "14:9",
        &["expected a table or an array of tables, found 3"],
    );
}

#[test]
fn unknown_words_and_keys_name_the_nearest() {
    check_bench(
        "\"wiring\"",
        "\"wirring\"",
        "2:14",
        &[
            "`wirring` is not one of wiring, controller, equipment",
            "did you mean `wiring`?",
        ],
    );
    check_bench(
        "loads = \"dummy\"",
        "loads = \"coils\"",
        "3:9",
        &["dummy, disconnected, real"],
    );
    check_bench(
        "baud = 9600",
        "baud = 9600, paritty = \"even\"",
        "6:48",
        &["unknown key `paritty`", "did you mean `parity`?"],
    );
    check_bench(
        "link = \"board\"",
        "link = \"board\"\ncolour = \"grey\"",
        "10:1",
        &[
            "unknown key `colour`",
            "known here: ascii, link, modbus-rtu, modbus-tcp, scpi",
        ],
    );
    check_bench(
        "baud = 9600",
        "baud = 9600, parity = \"Even\"",
        "6:57",
        &["did you mean `even`?"],
    );
}

#[test]
fn missing_keys_are_named_at_their_table() {
    check_bench("name = \"Panel\"\n", "", "1:1", &["missing `name`"]);
    check_bench(
        "loads = \"dummy\"\n",
        "",
        "1:1",
        &["missing `loads`", "dummy, disconnected"],
    );
    check_bench("unit = 1, ", "", "10:14", &["missing `unit`"]);
    check_bench(
        "source = \"equipment\"\n",
        "",
        "12:1",
        &["missing `source`"],
    );
    check_bench(
        "drive = { device = \"board\", coil = 0 }",
        "drive = { device = \"board\" }",
        "18:9",
        &["missing `coil`"],
    );
    check_bench(", input = 0", "", "19:9", &["missing `input`"]);
    check_bench("terminal = \"Y1\"\n", "", "16:1", &["missing `terminal`"]);
    check_bench(
        "serial = { path = \"/dev/ttyUSB0\", baud = 9600 }\n",
        "",
        "5:1",
        &["missing how the link's bytes travel: one of serial, usb, tcp"],
    );
    check_bench(
        "modbus-rtu = { unit = 1, coils = 8, discrete_inputs = 8 }\n",
        "",
        "8:1",
        &["missing what the device speaks: one of modbus-rtu, modbus-tcp, scpi, ascii"],
    );
}

#[test]
fn the_waits_have_bounds() {
    let timing = |line: &str| format!("{BENCH}\n[timing]\n{line}\n");
    let check = |line: &str, column: &str, words: &str| {
        super::assert_one(
            &bench_errors(&timing(line)),
            &format!("27:{column}"),
            &[words],
        );
    };
    check("settle_ms = 0", "13", "from 1 to 60000, found 0");
    check("supply_settle_ms = 0", "20", "found 0");
    check("release_ms = 0", "14", "found 0");
    check("samples = 0", "11", "from 1 to 32");
    check("samples = 33", "11", "from 1 to 32");
    check("mains_hertz = 55", "15", "50 or 60 hertz, not 55");
    check("settle = 5", "1", "did you mean `settle_ms`?");
    let link = |line: &str| with(BENCH, "[device.board]", &format!("{line}\n[device.board]"));
    for line in ["reply_timeout_ms = 0", "late_reply_ms = 0"] {
        let told = told(&bench_errors(&link(line)));
        assert!(told.contains("found 0"), "{told}");
    }
}

/// Stage-up 5 to 20 min, power-up up to 2 min, minimum off up to 5 min (from memory): auxiliary
/// heat behind two compressor stages comes after up to 2 x 20 + 7 min.
#[test]
fn a_room_controller_is_waited_for_by_its_stages() {
    let minutes = |timing: &str, call: Option<&str>| {
        let text = format!("{BENCH}\n[timing]\n{timing}\n");
        let bench = parse_bench(Path::new("b.toml"), text).expect("the bench is sound");
        let call = call.map(|call| call.parse().expect("a call"));
        bench.map.timing.controller_wait_in(call.as_ref()).0 / 60_000
    };
    for (call, expected) in [
        (None, 20),
        (Some("fan-only"), 20),
        (Some("cooling-1"), 20),
        (Some("heating-2"), 40),
        (Some("auxiliary-heat"), 60),
        (Some("auxiliary-heat-2"), 80),
    ] {
        assert_eq!(minutes("", call), expected, "{call:?}");
        assert_eq!(minutes("controller_wait_ms = 300_000", call), 5, "{call:?}");
    }
}

#[test]
fn a_watchdog_fits_its_register_and_outlasts_a_slow_reply() {
    let watchdog = |inner: &str| {
        let old = "discrete_inputs = 8";
        with(
            BENCH,
            old,
            &format!("{old}, watchdog = {{ register = 80, {inner} }}"),
        )
    };
    let sound = watchdog("timeout_ms = 3000, milliseconds_per_count = 100");
    let bench = parse_bench(Path::new("b.toml"), sound).expect("the bench is sound");
    let device = &bench.map.devices[&DeviceName::new("board").expect("a name")];
    let DeviceProtocol::ModbusRtu(spec) = &device.protocol else {
        panic!("Modbus RTU: {device:?}");
    };
    let watchdog_spec = spec.watchdog.as_ref().expect("a watchdog");
    assert_eq!(watchdog_spec.timeout_ms, Milliseconds(3000));
    assert_eq!(watchdog_spec.milliseconds_per_count, 100);
    for (inner, words) in [
        (
            "timeout_ms = 3050, milliseconds_per_count = 100",
            "not a whole number of counts",
        ),
        (
            "timeout_ms = 65536",
            "not a whole number of counts of 1 ms, up to 65535",
        ),
        (
            "timeout_ms = 800",
            "must be longer than the reply timeout of link `board`, 800 ms",
        ),
        ("milliseconds_per_count = 1", "missing `timeout_ms`"),
    ] {
        let told = told(&bench_errors(&watchdog(inner)));
        assert!(told.contains(words), "{words:?} in {told}");
    }
}

#[test]
fn a_meter_is_read_through_its_multiplexer() {
    let text = r#"
name = "Meter"
under_test = "wiring"
loads = "dummy"
[link.board]
serial = { path = "/dev/ttyUSB0" }
[link.meter]
tcp = "192.0.2.7:5025"
[device.board]
link = "board"
modbus-rtu = { unit = 1, coils = 8 }
[device.meter]
link = "meter"
[device.meter.scpi]
ac_volts = "MEAS:VOLT:AC?"
resistance = "MEAS:RES?"
accuracy = { percent = 0.7, counts = 2, resolution_v = 0.01 }
[supply]
source = "bench"
[[line]]
terminal = "Y"
drive = { device = "board", coil = 0, common = "R" }
sense = [
  { device = "meter", through = { device = "board", coil = 7 },
    series_ohms = 10e3, load_ohms = 3000 },
  { device = "meter", through = { device = "board", coil = 7 }, quantity = "resistance" },
  { operator = true, end = "controller", quantity = "ac-volts" },
]
load = { sealed_ohms = 64, power_factor = 0.5, unsealed_ohms = 20, dc_ohms = 29 }
"#;
    let bench = parse_bench(Path::new("b.toml"), text.to_owned()).expect("the bench is sound");
    let line = &bench.map.lines[&Terminal::known("Y1")];
    assert_eq!(line.drive.as_ref().expect("driven").common, Rail::R);
    let SenseMeans::Meter {
        through,
        series_ohms,
        load_ohms,
        ..
    } = &line.senses[0].means
    else {
        panic!("a meter: {line:?}");
    };
    assert_eq!(through.as_ref().expect("multiplexed").coil.0, 7);
    assert_eq!((*series_ohms, *load_ohms), (Ohms(10e3), Some(Ohms(3000.0))));
    let quantities: Vec<Quantity> = line.senses.iter().map(|sense| sense.quantity).collect();
    let expected = [Quantity::AcVolts, Quantity::Resistance, Quantity::AcVolts];
    assert_eq!(quantities, expected);
    assert_eq!(line.senses[2].end, End::Controller);
    assert_eq!(
        line.load.as_ref().expect("a load").dc_ohms,
        Some(Ohms(29.0))
    );
}

#[test]
fn every_kind_of_key_stands_together() {
    let text = r#"name = "Panel 1"
under_test = "wiring"
loads = "dummy"
[link.board]
serial = { path = "/dev/ttyUSB0", baud = 9600, parity = "even" }
reply_timeout_ms = 800
[link.meter]
tcp = "192.0.2.7:4001"
[device.board]
link = "board"
modbus-rtu = { unit = 1, coils = 16, discrete_inputs = 16 }
[device.meter]
link = "meter"
[device.meter.scpi]
ac_volts = "MEAS:VOLT:AC?"
resistance = "MEAS:RES?"
accuracy = { percent = 0.7, counts = 2, resolution_v = 0.01 }
input_ohms = 10e6
[supply]
source = "equipment"
sense = [{ device = "board", input = 8 }, { device = "board", input = 9, end = "controller" }]
c_to_controller = true
[[line]]
terminal = "Y1"
drive = { device = "board", coil = 0 }
sense = [
  { device = "board", input = 0 },
  { device = "meter", through = { device = "board", coil = 9 },
    series_ohms = 10e3, load_ohms = 3e3 },
  { operator = true },
]
load = { sealed_ohms = 64, power_factor = 0.5, unsealed_ohms = 20, dc_ohms = 29 }
[stimulus.cooling-1]
device = "board"
coil = 4
"#;
    let bench = parse_bench(Path::new("b.toml"), text.to_owned()).expect("the bench is sound");
    assert_eq!(bench.map.stimuli.len(), 1);
    assert!(
        bench.notes[0].starts_with("stimuli are not used"),
        "{:?}",
        bench.notes
    );
    let ends: Vec<End> = bench
        .map
        .supply
        .senses
        .iter()
        .map(|s| s.sense.end)
        .collect();
    assert_eq!(ends, [End::Equipment, End::Controller]);
}

/// A bench on which one plain or SCPI meter reads both lines.
fn with_meter(protocol: &str) -> String {
    let text = with(
        BENCH,
        "[device.board]",
        "[link.meter]\ntcp = \"192.0.2.7:5025\"\n[device.board]",
    );
    let meter = format!("[device.meter]\nlink = \"meter\"\n{protocol}\n[supply]");
    let text = with(&text, "[supply]", &meter);
    let sense = "sense = { device = \"board\", input = 1 }";
    with(&text, sense, "sense = { device = \"meter\" }")
}

#[test]
fn every_key_of_a_meter_is_taken() {
    let spec = |protocol: &str| {
        let text = with_meter(protocol);
        let bench = parse_bench(Path::new("b.toml"), text).expect("the bench is sound");
        let meter = bench
            .map
            .devices
            .into_values()
            .find(|d| d.name.as_str() == "meter");
        meter.expect("it was given").protocol
    };
    let accuracy = "accuracy = { percent = 1, resolution_v = 0.1 }";
    match spec(&format!(
        "scpi = {{ ac_volts = \"V?\", ac_volts_range = 60, resistance = \"R?\", \
         resistance_range = 1e6, {accuracy} }}"
    )) {
        DeviceProtocol::Scpi(spec) => {
            assert_eq!(spec.question(Quantity::AcVolts), Some(("V?", Some(60.0))));
            assert_eq!(spec.question(Quantity::Resistance), Some(("R?", Some(1e6))));
            assert_eq!(spec.question(Quantity::AcAmps), None);
        }
        other => panic!("{other:?}"),
    }
    match spec(&format!(
        "ascii = {{ ask = \"V\", reading = \"{{value}} V\", overload = \"OL\", \
         line_end = \"cr\", {accuracy} }}"
    )) {
        DeviceProtocol::Ascii(spec) => {
            assert_eq!(spec.overload.as_deref(), Some("OL"));
            assert_eq!(spec.line_end.text(), "\r");
            assert_eq!((spec.done, spec.relays), (None, 0));
        }
        other => panic!("{other:?}"),
    }
    let alone = format!("scpi = {{ ac_volts = \"V?\", resistance_range = 9, {accuracy} }}");
    let told = told(&bench_errors(&with_meter(&alone)));
    assert!(
        told.contains("`resistance_range` without `resistance`"),
        "{told}"
    );
}

#[test]
fn the_supply_is_sensed_where_its_source_stands() {
    let end = |under_test: &str, source: &str| {
        let text = with(BENCH, "\"wiring\"", &format!("\"{under_test}\""));
        let text = with(
            &text,
            "source = \"equipment\"",
            &format!("source = \"{source}\""),
        );
        let bench = parse_bench(Path::new("b.toml"), text).expect("the bench is sound");
        bench.map.supply.senses[0].sense.end
    };
    assert_eq!(end("wiring", "equipment"), End::Equipment);
    assert_eq!(end("wiring", "bench"), End::Controller);
    assert_eq!(end("equipment", "equipment"), End::Equipment);
    assert_eq!(end("equipment", "bench"), End::Controller);
}

#[test]
fn electrical_values_are_taken_and_the_rest_keeps_its_default() {
    let values = "[circuit]\ncontroller_ohms = 0\n[circuit.supply]\nrated_va = 75\n\
                  fuse_opens_above_a = 3\n[circuit.cable]\npicofarads_per_ft = 30\n\
                  [circuit.outdoor_cable]\nfitted = false\n[circuit.coil.Y1]\npick_up_v = 17\n\
                  [circuit.joint.R]\nequipment_ohms = 2\n";
    let text = format!("{BENCH}\n{values}");
    let bench = parse_bench(Path::new("b.toml"), text).expect("the bench is sound");
    let circuit = &bench.map.circuit;
    assert_eq!(circuit.controller_ohms, None);
    assert_eq!(circuit.supply.rated_volt_amperes, 75.0);
    let fuse = Protection::Fuse {
        ohms: 0.05,
        opens_above_amps: 3.0,
    };
    assert_eq!(circuit.supply.protection, fuse);
    assert_eq!(circuit.supply.open_circuit_volts, 26.9);
    assert!((circuit.cable.coupling_farads_per_foot - 30e-12).abs() < 1e-20);
    assert_eq!(circuit.outdoor_cable, None);
    let coil = circuit.coils[&Terminal::known("Y1")];
    assert_eq!((coil.pick_up.0, coil.drop_out.0), (17.0, 12.0));
    let joint = (Terminal::known("R"), Place::Equipment);
    assert_eq!(circuit.joints[&joint], 2.0);
    // Silent files have a limiter: a short on a panel ends with its call.
    let silent = parse_bench(Path::new("b.toml"), BENCH.to_owned()).expect("sound");
    assert!(!silent.map.circuit.supply.protection.latches());
}

#[test]
fn electrical_values_outside_physics_are_told_at_their_keys() {
    let told_of = |values: &str| told(&bench_errors(&format!("{BENCH}\n{values}")));
    let first = BENCH.lines().count() + 2;
    for (values, line, words) in [
        ("[circuit]\nmeter_ohms = 0", 1, "expected a number above 0"),
        ("[circuit]\nmetre_ohms = 3", 1, "did you mean `meter_ohms`"),
        (
            "[circuit.cable]\nawg = 44",
            1,
            "44 is outside physics; expected 0 to 40 AWG",
        ),
        (
            "[circuit.cable]\ntemperature_c = 900",
            1,
            "expected -60 to 200 degC",
        ),
        (
            "[circuit.supply]\nrated_va = \"40\"",
            1,
            "expected a number above 0",
        ),
        (
            "[circuit.coil.Y1]\ndrop_out_v = 19",
            1,
            "pulls in at 18 V drops out below",
        ),
        (
            "[circuit.coil.Y1]\npower_factor = 2",
            1,
            "above 0 and at most 1",
        ),
        (
            "[circuit.solid_state]\nsnubber_ohms = 1e6",
            1,
            "is outside physics",
        ),
        (
            "[circuit.supply]\nrated_va = 75\n[circuit.cable]\njoint_ohms = 1e-6",
            3,
            "joint of cable: 0.000001 is outside physics",
        ),
        (
            "[circuit.supply]\nopen_circuit_v = 27\nprotection_ohms = 1e-6",
            2,
            "fuse of supply: 0.000001 is outside physics",
        ),
        (
            "[circuit.coil.G]\npick_up_v = 17\n[circuit.joint.R]\noutdoor_ohms = 1e-6",
            3,
            "joint R@outdoor: 0.000001 is outside physics",
        ),
    ] {
        let told = told_of(values);
        assert!(
            told.starts_with(&format!("{}:", first + line)),
            "{values}: {told}"
        );
        assert!(told.contains(words), "{values}: {told}");
        assert_eq!(told.lines().count(), 1, "{told}");
    }
}
