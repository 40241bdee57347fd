//! Rules between the tables of a bench file.

use super::{BENCH, assert_one, bench_errors, check_bench, told, with};
use coilcall::config::parse_bench;
use coilcall::domain::bench_map::Loads;
use std::path::Path;

#[test]
fn a_line_given_twice_names_both_places() {
    let text = with(BENCH, "terminal = \"G\"", "terminal = \"Y\"");
    let errors = bench_errors(&text);
    assert_one(
        &errors,
        "22:12",
        &["line Y1 is given twice", "sense = [ …, … ]"],
    );
    let shown = errors.render(false);
    assert!(shown.contains("first given here"), "{shown}");
    assert!(shown.contains("17 | terminal = \"Y1\""), "{shown}");
}

#[test]
fn a_relay_or_an_input_serves_once() {
    check_bench(
        "coil = 1",
        "coil = 0",
        "23:36",
        &["coil 0 of `board` is used twice: the drive of Y1 and the drive of G"],
    );
    check_bench(
        "input = 1",
        "input = 0",
        "24:37",
        &["input 0 of `board` is used twice: Y1 at the equipment end and G at the equipment end"],
    );
    check_bench(
        "input = 1",
        "input = 7",
        "24:37",
        &["R to C at the equipment end and G"],
    );
    let master = "master = { device = \"board\", coil = 1 }\n[link.board]";
    check_bench(
        "[link.board]",
        master,
        "5:37",
        &["the drive of G and the master relay"],
    );
}

#[test]
fn names_must_be_there_and_must_be_used() {
    check_bench(
        "{ device = \"board\", coil = 0 }",
        "{ device = \"bord\", coil = 0 }",
        "18:20",
        &["there is no device `bord`", "did you mean `board`?"],
    );
    check_bench(
        "link = \"board\"",
        "link = \"bus\"",
        "9:8",
        &["link `bus`, which is not there"],
    );
    let spare = "[link.spare]\ntcp = \"192.0.2.7:502\"\n[device.board]";
    check_bench(
        "[device.board]",
        spare,
        "8:7",
        &["link `spare` is not used by any device"],
    );
    let idle = "[device.idle]\nlink = \"board\"\nmodbus-rtu = { unit = 2, coils = 4 }\n[supply]";
    check_bench(
        "[supply]",
        idle,
        "12:9",
        &["device `idle` is not used by any line"],
    );
}

#[test]
fn neighbours_on_one_link_can_be_told_apart() {
    let second = |protocol: &str| {
        let device = format!("[device.second]\nlink = \"board\"\n{protocol}\n[supply]");
        let text = with(BENCH, "[supply]", &device);
        with(
            &text,
            "{ device = \"board\", coil = 1 }",
            "{ device = \"second\", coil = 1 }",
        )
    };
    let sound = second("modbus-rtu = { unit = 2, coils = 4 }");
    parse_bench(Path::new("b.toml"), sound).expect("two units share a link");
    let errors = bench_errors(&second("modbus-rtu = { unit = 1, coils = 4 }"));
    assert_one(
        &errors,
        "14:23",
        &["unit 1 is used twice on link `board`", "`second`"],
    );
    let lines = "ascii = { relays = 4, close = \"C{relay}\", open = \"O{relay}\", \
                 state = \"S{relay}\", state_closed = \"1\", state_open = \"0\" }";
    let errors = bench_errors(&second(lines));
    assert_one(
        &errors,
        "14:9",
        &["`second` cannot share link `board` with `board`"],
    );
}

#[test]
fn a_protocol_needs_its_transport() {
    check_bench(
        "modbus-rtu",
        "modbus-tcp",
        "10:14",
        &["speaks Modbus TCP, but its link `board` is a serial line"],
    );
    check_bench(
        "{ path = \"/dev/ttyUSB0\", baud = 9600 }",
        "{ baud = 9600 }",
        "6:10",
        &["missing which serial port: one of path, usb"],
    );
    let both = "serial = { path = \"/dev/ttyUSB0\" }\ntcp = \"192.0.2.7:502\"";
    check_bench(
        "serial = { path = \"/dev/ttyUSB0\", baud = 9600 }",
        both,
        "7:1",
        &["`serial` and `tcp` exclude each other"],
    );
    check_bench(
        "serial = { path = \"/dev/ttyUSB0\", baud = 9600 }",
        "tcp = \"gateway\"",
        "6:7",
        &["`gateway` is not host:port"],
    );
}

#[test]
fn the_supply_is_no_line() {
    for terminal in ["R", "Rc", "Rh", "C"] {
        let text = with(
            BENCH,
            "terminal = \"G\"",
            &format!("terminal = \"{terminal}\""),
        );
        assert_one(
            &bench_errors(&text),
            "22:12",
            &["carries the supply", "never driven"],
        );
    }
    check_bench(
        "terminal = \"G\"",
        "terminal = \"7G\"",
        "22:12",
        &["'7G' is not a terminal name"],
    );
}

#[test]
fn a_line_is_driven_and_sensed() {
    let sense = "sense = { device = \"board\", input = 1 }\n";
    check_bench(sense, "", "21:1", &["line G is driven but not sensed"]);
    let text = with(BENCH, sense, "");
    let text = with(&text, "drive = { device = \"board\", coil = 1 }\n", "");
    assert_one(
        &bench_errors(&text),
        "21:1",
        &["line G is neither driven nor sensed"],
    );
    let text = BENCH.split("[[line]]").next().expect("a first part");
    assert_one(&bench_errors(text), "1:1", &["missing [[line]]"]);
}

#[test]
fn an_empty_list_is_as_good_as_none() {
    check_bench(
        "sense = { device = \"board\", input = 1 }",
        "sense = []",
        "24:9",
        &["expected at least one table, found an empty array"],
    );
    let text = BENCH.split("[[line]]").next().expect("a first part");
    let errors = bench_errors(&format!("line = []\n{text}"));
    assert_one(&errors, "1:8", &["expected at least one table"]);
}

#[test]
fn a_room_controller_drives_its_own_lines_and_never_real_loads() {
    let text = with(BENCH, "\"wiring\"", "\"controller\"");
    let told_of_drives = told(&bench_errors(&text));
    assert!(
        told_of_drives.contains("18:9 Y1 must not be driven"),
        "{told_of_drives}"
    );
    assert!(
        told_of_drives.contains("missing `c_to_controller`"),
        "{told_of_drives}"
    );
    assert!(
        told_of_drives.contains("missing [stimulus.CALL]"),
        "{told_of_drives}"
    );
    let text = text
        .replace("drive = { device = \"board\", coil = 0 }\n", "")
        .replace("drive = { device = \"board\", coil = 1 }\n", "")
        .replace(
            "source = \"equipment\"",
            "source = \"bench\"\nc_to_controller = true",
        );
    let text = format!("{text}\n[stimulus.cooling-1]\ndevice = \"board\"\ncoil = 4\n");
    parse_bench(Path::new("b.toml"), text.clone()).expect("the bench is sound");
    let errors = bench_errors(&with(&text, "\"dummy\"", "\"real\""));
    assert_one(&errors, "3:9", &["never tested on real loads"]);
    let errors = bench_errors(&with(&text, "stimulus.cooling-1", "stimulus.cool-1"));
    assert_one(&errors, "25:11", &["`cool-1` is not a call"]);
    let errors = bench_errors(&with(&text, "stimulus.cooling-1", "stimulus.defrost"));
    assert_one(
        &errors,
        "25:11",
        &["`defrost` is no call that a room controller"],
    );
}

#[test]
fn dummy_loads_at_the_equipment_count_as_disconnected() {
    let text = with(BENCH, "\"wiring\"", "\"equipment\"");
    let bench = parse_bench(Path::new("b.toml"), text).expect("the bench is sound");
    assert_eq!(bench.map.loads, Loads::Disconnected);
    assert_eq!(bench.notes.len(), 1, "{:?}", bench.notes);
}

#[test]
fn o_and_b_may_both_be_wired() {
    let text = with(BENCH, "terminal = \"Y1\"", "terminal = \"O\"");
    let text = with(&text, "terminal = \"G\"", "terminal = \"B\"");
    parse_bench(Path::new("b.toml"), text).expect("a panel has both; a profile picks one");
}

#[test]
fn a_meter_without_a_multiplexer_reads_one_point() {
    let meter = "[link.meter]\ntcp = \"192.0.2.7:5025\"\n[device.meter]\nlink = \"meter\"\n\
                 scpi = { ac_volts = \"READ?\", accuracy = { percent = 1, resolution_v = 0.1 } }\n\
                 [supply]";
    let text = with(BENCH, "[supply]", meter);
    let text = with(
        &text,
        "sense = { device = \"board\", input = 0 }",
        "sense = { device = \"meter\" }",
    );
    parse_bench(Path::new("b.toml"), text.clone()).expect("one point is sound");
    let twice = with(
        &text,
        "sense = { device = \"board\", input = 1 }",
        "sense = { device = \"meter\" }",
    );
    assert_one(
        &bench_errors(&twice),
        "29:20",
        &[
            "meter `meter` sits on Y1 at the equipment end without a relay",
            "through = {",
        ],
    );
    let ohms = with(
        &text,
        "{ device = \"meter\" }",
        "{ device = \"meter\", quantity = \"resistance\" }",
    );
    assert_one(
        &bench_errors(&ohms),
        "24:40",
        &["`resistance` is not one of ac-volts"],
    );
}

/// A meter that nothing switches reads one quantity; one that is asked by name reads several.
#[test]
fn a_meter_of_plain_lines_reads_one_quantity() {
    let reads_both = |protocol: &str| {
        let meter = format!(
            "[link.meter]\ntcp = \"192.0.2.7:5025\"\n[device.meter]\nlink = \"meter\"\n\
             {protocol}\n[supply]"
        );
        let text = with(BENCH, "[supply]", &meter);
        let sense = |input: u8| format!("sense = {{ device = \"board\", input = {input} }}");
        let volts = "sense = { device = \"meter\", by_hand = true, quantity = \"ac-volts\" }";
        let ohms = "sense = { device = \"meter\", by_hand = true, quantity = \"resistance\" }";
        with(&with(&text, &sense(0), volts), &sense(1), ohms)
    };
    let accuracy = "accuracy = { percent = 1, resolution_v = 0.1 }";
    let plain = reads_both(&format!("ascii = {{ listen = true, {accuracy} }}"));
    assert_one(
        &bench_errors(&plain),
        "29:56",
        &[
            "meter `meter` reads ac-volts for Y1 at the equipment end, so it cannot read \
             resistance for G at the equipment end: nothing switches it",
            "ask it for one quantity",
        ],
    );
    let asked = "scpi = { ac_volts = \"V?\", resistance = \"R?\", ";
    let switched = reads_both(&format!("{asked}{accuracy} }}"));
    parse_bench(Path::new("b.toml"), switched).expect("each quantity has its question");
    let one = plain.replace("\"resistance\"", "\"ac-volts\"");
    parse_bench(Path::new("b.toml"), one).expect("one quantity, at several points");
}

#[test]
fn a_coil_obeys_physics() {
    let load = |inner: &str| {
        with(
            BENCH,
            "terminal = \"G\"",
            &format!("terminal = \"G\"\nload = {{ {inner} }}"),
        )
    };
    for (inner, words) in [
        (
            "sealed_ohms = 64, unsealed_ohms = 90",
            "cannot have 90 ohm with the armature open",
        ),
        (
            "sealed_ohms = 64, dc_ohms = 65",
            "cannot have 65 ohm to an ohmmeter",
        ),
        ("sealed_ohms = 0", "expected a number above 0, found 0"),
        ("sealed_ohms = inf", "expected a number above 0, found inf"),
        ("power_factor = 1.2", "above 0 and at most 1, found 1.2"),
    ] {
        let errors = bench_errors(&load(inner));
        let told = told(&errors);
        assert_eq!(errors.problems().len(), 1, "{told}");
        assert!(
            told.starts_with("23:") && told.contains(words),
            "{words:?} in {told}"
        );
    }
}

#[test]
fn one_supply_or_two_but_not_both() {
    let sense = "sense = [{ device = \"board\", input = 7 }, \
                 { device = \"board\", input = 6, rail = \"Rh\" }]";
    let errors = bench_errors(&with(
        BENCH,
        "sense = { device = \"board\", input = 7 }",
        sense,
    ));
    assert_one(
        &errors,
        "14:43",
        &["R is the only supply and Rh one of two"],
    );
}

#[test]
fn plain_lines_need_their_marks_and_answers() {
    let board = |inner: &str| {
        with(
            BENCH,
            "modbus-rtu = { unit = 1, coils = 8, discrete_inputs = 8 }",
            &format!("ascii = {{ {inner} }}"),
        )
    };
    let whole = "relays = 8, close = \"C{relay}\", open = \"O{relay}\", state = \"S{relay}\", \
                 state_closed = \"1\", state_open = \"0\"";
    for (inner, words) in [
        (
            whole.replace("C{relay}", "C"),
            "expected a text with {relay} in it once, found it 0",
        ),
        (
            whole.replace("state_open = \"0\"", "state_open = \"1\""),
            "must answer otherwise",
        ),
        (
            whole.replace(", state_closed = \"1\"", ""),
            "missing `state_closed`",
        ),
        ("ask = \"V?\"".to_owned(), "missing `accuracy`"),
        (
            "ask = \"V?\", listen = true".to_owned(),
            "`ask` and `listen` exclude each other",
        ),
        (
            "reading = \"{value} V\"".to_owned(),
            "missing what the device does",
        ),
        ("ask = \"V?\\n\"".to_owned(), "control characters"),
        (
            format!("{whole}, reading = \"{{value}} V\""),
            "`reading` without `ask` or `listen = true`",
        ),
        (
            format!("{whole}, listen = true"),
            "a device that streams unasked cannot be asked for its relays",
        ),
        (
            format!("{whole}, line_end = \"nl\""),
            "`nl` is not one of lf, cr, crlf",
        ),
    ] {
        let told = told(&bench_errors(&board(&inner)));
        assert!(told.contains(words), "{words:?} in {told}");
    }
}

#[test]
fn every_problem_of_a_file_is_told_at_once_in_the_order_of_its_lines() {
    let text = BENCH
        .replace("\"wiring\"", "\"wirring\"")
        .replace("baud = 9600", "baudd = 9600")
        .replace("coils = 8", "coils = 8, colour = 1")
        .replace("source = \"equipment\"", "source = 4")
        .replace("input = 1", "input = 0")
        .replace("terminal = \"G\"", "terminal = \"C\"");
    let told = told(&bench_errors(&text));
    let places: Vec<&str> = told
        .lines()
        .filter_map(|line| line.split(' ').next())
        .collect();
    assert_eq!(
        places,
        ["2:14", "6:35", "10:37", "13:10", "22:12", "24:37"],
        "{told}"
    );
}
