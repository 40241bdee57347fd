//! What acts on a room controller's supply: `interrupt`, `levels` and their waits.

use super::schema::judged_outside;
use super::{assert_one, bench_errors, with};
use coilcall::config::{bench_schema, effective_bench, parse_bench};
use coilcall::domain::bench_map::{BenchMap, RelayAt};
use coilcall::units::{CoilAddress, DeviceName, Milliseconds, Volts};
use std::path::Path;

/// A sound controller bench with both means.
const BENCH: &str = r#"name = "Controllers"
under_test = "controller"
loads = "dummy"

[link.board]
serial = { path = "/dev/ttyUSB0" }

[device.board]
link = "board"
modbus-rtu = { unit = 1, coils = 8, discrete_inputs = 8 }

[supply]
source = "bench"
c_to_controller = true
interrupt = { device = "board", coil = 4 }
levels = [
  { name = "low", device = "board", coil = 5, volts = 20 },
  { device = "board", coil = 6, volts = 27.5 },
]

[timing]
power_loss_ms = 30_000

[[line]]
terminal = "Y1"
sense = { device = "board", input = 0 }

[stimulus.cooling-1]
device = "board"
coil = 0
"#;

fn read(text: &str) -> BenchMap {
    let read = parse_bench(Path::new("bench.toml"), text.to_owned());
    read.unwrap_or_else(|errors| panic!("{errors}")).map
}

fn relay(coil: u16) -> RelayAt {
    RelayAt {
        device: DeviceName::new("board").expect("a name"),
        coil: CoilAddress(coil),
    }
}

#[test]
fn relays_volts_and_waits_are_read_and_a_level_is_named_by_its_volts() {
    let bench = read(BENCH);
    assert_eq!(bench.supply.interrupt, Some(relay(4)));
    let levels = bench.supply.levels.iter();
    let levels: Vec<_> = levels
        .map(|level| (level.name.as_str(), level.relay.clone(), level.volts))
        .collect();
    let expected = [
        ("low", relay(5), Volts(20.0)),
        ("27.5 V", relay(6), Volts(27.5)),
    ];
    assert_eq!(levels, expected);
    assert_eq!(bench.timing.power_loss, Milliseconds(30_000));
    // Its documentation: 180 s.
    let minimum_off = bench.timing.controller_minimum_off;
    assert_eq!(minimum_off, Milliseconds(180_000));
}

#[test]
fn what_holds_is_shown() {
    let file = parse_bench(Path::new("bench.toml"), BENCH.to_owned());
    let lines = effective_bench(&file.expect("sound"));
    for line in [
        "supply.interrupt = relay 5 of board",
        "supply.levels[0].name = \"low\"",
        "supply.levels[1].name = \"27.5 V\"  (default)",
        "supply.levels[1].volts = 27.5",
        "timing.power_loss_ms = 30000",
        "timing.controller_minimum_off_ms = 180000  (default)",
    ] {
        assert!(
            lines.iter().any(|shown| shown == line),
            "{line}: {lines:#?}"
        );
    }
}

/// One thing broken in the sound bench: the problem, its place and its words.
fn check(old: &str, new: &str, (place, words): (&str, &[&str])) {
    assert_one(&bench_errors(&with(BENCH, old, new)), place, words);
}

#[test]
fn a_relay_serves_once() {
    check(
        "coil = 4",
        "coil = 0",
        (
            "30:8",
            &["used twice: the cut of the supply and the stimulus of cooling-1"],
        ),
    );
    check(
        "coil = 5",
        "coil = 4",
        (
            "17:44",
            &["used twice: the cut of the supply and the supply level low"],
        ),
    );
    check(
        "coil = 6",
        "coil = 5",
        (
            "18:30",
            &["used twice: the supply level low and the supply level 27.5 V"],
        ),
    );
}

#[test]
fn addresses_devices_and_keys_are_checked() {
    check(
        "coil = 4",
        "coil = 8",
        (
            "15:40",
            &["coil 8 is out of range: `board` has 8, from 0 to 7"],
        ),
    );
    check(
        "{ device = \"board\", coil = 4 }",
        "{ device = \"bord\", coil = 4 }",
        (
            "15:24",
            &["there is no device `bord`", "did you mean `board`?"],
        ),
    );
    check(
        "interrupt = {",
        "interupt = {",
        (
            "15:1",
            &["unknown key `interupt`", "did you mean `interrupt`?"],
        ),
    );
    check(
        "coil = 5, volts = 20",
        "coil = 5",
        (
            "17:3",
            &["missing `volts`: what R to C then is with no output on"],
        ),
    );
    check(
        "interrupt = { device = \"board\", coil = 4 }",
        "interrupt = { device = \"board\" }",
        ("15:13", &["missing `coil`: the relay's address, from 0"]),
    );
    check(
        "power_loss_ms = 30_000",
        "power_loss_ms = 0",
        (
            "22:17",
            &["expected a whole number from 1 to 7200000, found 0"],
        ),
    );
}

#[test]
fn volts_lie_within_what_a_controller_is_made_for() {
    for volts in ["17.9", "30.1", "120"] {
        check(
            "volts = 20",
            &format!("volts = {volts}"),
            (
                "17:55",
                &[
                    &format!("expected volts from 18 to 30, found {volts}"),
                    "made for no other supply",
                ],
            ),
        );
    }
    for volts in ["18", "30"] {
        read(&with(BENCH, "volts = 20", &format!("volts = {volts}")));
    }
    check(
        "volts = 20",
        "volts = \"20\"",
        (
            "17:55",
            &["expected a number above 0, found the text \"20\""],
        ),
    );
}

#[test]
fn levels_differ_in_name_and_in_volts() {
    check(
        "volts = 27.5",
        "volts = 20",
        (
            "18:3",
            &["supply level 20 V of 20 V is given twice: low of 20 V"],
        ),
    );
    check(
        "{ device = \"board\", coil = 6",
        "{ name = \"low\", device = \"board\", coil = 6",
        ("18:3", &["supply level low of 27.5 V is given twice"]),
    );
    check(
        "name = \"low\"",
        "name = \"the lowest end\"",
        ("17:12", &["expected a name of at most 12 characters"]),
    );
}

#[test]
fn only_the_benchs_own_supply_of_a_controller_is_acted_on() {
    let errors = bench_errors(&with(BENCH, "source = \"bench\"", "source = \"equipment\""));
    let told = super::told(&errors);
    assert_eq!(errors.problems().len(), 2, "{told}");
    for line in [
        "15:1 `interrupt` acts on the bench's own supply / state source = \"bench\" in [supply]",
        "16:1 `levels` acts on the bench's own supply",
    ] {
        assert!(told.contains(line), "{told}");
    }
    let wiring = with(
        BENCH,
        "under_test = \"controller\"",
        "under_test = \"wiring\"",
    );
    let told = super::told(&bench_errors(&wiring));
    assert!(
        told.contains(
            "15:1 `interrupt` acts on the supply of a room controller under test, and here it is \
             the wiring"
        ),
        "{told}"
    );
    assert!(told.contains("16:1 `levels` acts on"), "{told}");
}

/// Outside source: jsonschema (PyPI), as in `schema`.
#[test]
fn an_editor_sees_what_a_schema_can_say() {
    let schema = bench_schema();
    let bad = [
        with(BENCH, "volts = 20", "volts = 17.9"),
        with(BENCH, "volts = 27.5", "volts = 30.1"),
        with(BENCH, "coil = 5, volts = 20", "coil = 5"),
        with(BENCH, "name = \"low\"", "name = \"the lowest end\""),
        with(BENCH, "name = \"low\"", "nam = \"low\""),
        with(BENCH, "source = \"bench\"", "source = \"equipment\""),
        with(
            BENCH,
            "under_test = \"controller\"",
            "under_test = \"wiring\"",
        ),
        with(BENCH, "power_loss_ms = 30_000", "power_loss_ms = 0"),
        with(
            BENCH,
            "interrupt = { device = \"board\", coil = 4 }",
            "interrupt = 4",
        ),
    ];
    let mut asked: Vec<_> = bad.iter().map(|text| (&schema, text.as_str())).collect();
    asked.push((&schema, BENCH));
    let judged = judged_outside(&asked, "toml");
    let (last, refused) = judged.split_last().expect("one for each");
    assert_eq!(*last, None);
    for (text, judged) in bad.iter().zip(refused) {
        assert!(judged.is_some(), "{text}");
        bench_errors(text);
    }
}
