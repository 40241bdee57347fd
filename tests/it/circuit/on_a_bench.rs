//! Circuits of a bench as its file describes it: where the supply sits, what senses, what loads.

use super::plants::{closed, faults, profile};
use coilcall::config::parse_bench;
use coilcall::domain::BenchMap;
use coilcall::domain::circuit::{
    Circuit, CircuitState, CircuitValues, LoadState, Point, Probe, Solution,
};
use coilcall::units::{Ohms, Place, Terminal};
use std::path::Path;

const HEAD: &str = r#"
name = "Panel"
under_test = "wiring"
loads = "LOADS"
[link.board]
serial = { path = "/dev/ttyUSB0", baud = 9600, parity = "even" }
[device.board]
link = "board"
modbus-rtu = { unit = 1, coils = 16, discrete_inputs = 16 }
[supply]
source = "SOURCE"
sense = { device = "board", input = 8 }
"#;

/// A bench for the furnace with cooling: Y1, G and W1, sensed by digital inputs.
fn bench(source: &str, loads: &str) -> BenchMap {
    let mut text = HEAD.replace("SOURCE", source).replace("LOADS", loads);
    for (index, line) in ["Y1", "G", "W1"].into_iter().enumerate() {
        let load = match (loads, line) {
            ("dummy", "Y1") => {
                "load = { sealed_ohms = 64, power_factor = 0.5, unsealed_ohms = 20, dc_ohms = 29 }"
            }
            _ => "",
        };
        text.push_str(&format!(
            "[[line]]\nterminal = \"{line}\"\ndrive = {{ device = \"board\", coil = {index} }}\n\
             sense = {{ device = \"board\", input = {index} }}\n{load}\n"
        ));
    }
    let parsed = parse_bench(Path::new("panel.toml"), text.clone());
    parsed
        .unwrap_or_else(|errors| panic!("{text}\n{}", errors.render(false)))
        .map
}

fn circuit(bench: &BenchMap, written: &str) -> Circuit {
    Circuit::new(
        &profile("furnace-and-cooling"),
        Some(bench),
        CircuitValues::default(),
    )
    .and_then(|healthy| healthy.with_faults(&faults(written)))
    .unwrap_or_else(|error| panic!("{written}: {error}"))
}

fn solve(circuit: &Circuit, lines: &str) -> Solution {
    circuit
        .solve(&closed(lines))
        .unwrap_or_else(|error| panic!("{lines}: {error}"))
}

fn volts(solution: &Solution, name: &'static str, place: Place) -> f64 {
    let reading = solution.volts(&Terminal::known(name), place);
    reading.unwrap_or_else(|error| panic!("{error}")).0
}

/// What a meter of 10 Mohm shows at the equipment, with a load across it or without.
fn metered(circuit: &Circuit, lines: &str, on: &'static str, load_ohms: Option<Ohms>) -> f64 {
    let probe = Probe {
        on: Point {
            terminal: Terminal::known(on),
            place: Place::Equipment,
        },
        against: None,
        input_ohms: Ohms(10e6),
        load_ohms,
        series_ohms: Ohms(0.0),
    };
    let reading = circuit.read(&closed(lines), &CircuitState::default(), &probe);
    reading.unwrap_or_else(|error| panic!("{error}")).at_meter.0
}

#[test]
fn a_supply_at_the_equipment_feeds_the_relays_through_the_conductor_under_test() {
    let fed = circuit(&bench("equipment", "dummy"), "open:R");
    let solution = solve(&fed, "G");
    assert!(volts(&solution, "R", Place::Equipment) > 24.0);
    assert!(volts(&solution, "G", Place::Equipment) < 5.0);
}

#[test]
fn a_supply_in_the_bench_feeds_them_itself() {
    let fed = circuit(&bench("bench", "dummy"), "open:R");
    let solution = solve(&fed, "G");
    assert!(volts(&solution, "R", Place::Controller) > 24.0);
    assert!(volts(&solution, "G", Place::Equipment) > 18.0);
    // R is what is open: nothing holds its far terminal but the meter.
    assert!(metered(&fed, "G", "R", None) < 5.0);
}

#[test]
fn the_bench_files_load_is_the_load() {
    let sound = circuit(&bench("equipment", "dummy"), "");
    let y1 = sound.coils()[&Terminal::known("Y1")];
    assert_eq!(
        [y1.sealed_ohms, y1.unsealed_ohms, y1.dc_ohms],
        [64.0, 20.0, 29.0]
    );
    // Hand-worked: about 25.5 V on 64 ohm is 0.40 A.
    let loads = solve(&sound, "Y1").loads();
    let load = loads
        .iter()
        .find(|load| load.terminal.as_str() == "Y1")
        .expect("there");
    assert!((load.amps.0 - 0.40).abs() < 0.01, "{load:?}");
    assert_eq!(load.state, LoadState::PulledIn);
}

#[test]
fn lifted_loads_leave_lines_that_only_inputs_hold() {
    let lifted = circuit(&bench("equipment", "disconnected"), "");
    assert!(lifted.coils().is_empty());
    let solution = solve(&lifted, "G");
    assert!(volts(&solution, "G", Place::Equipment) > 24.0);
    // The other lines are floating conductors; a digital input of 12 kohm keeps them down.
    for line in ["Y1", "W1"] {
        assert!(volts(&solution, line, Place::Equipment) < 2.0, "{line}");
    }
    let refused = lifted.with_faults(&faults("coil-open:G")).map(|_| ());
    let said = refused.expect_err("nothing to open").to_string();
    assert!(said.contains("there is no load on G here"), "{said}");
}

#[test]
fn mains_frequency_is_the_benchs() {
    let mut european = bench("equipment", "dummy");
    european.timing.mains_hertz = 50;
    let circuit = circuit(&european, "");
    assert!((circuit.values().hertz - 50.0).abs() < 1e-12);
    assert!(
        solve(&circuit, "G")
            .to_spice("50 Hz")
            .contains(".ac lin 1 50 50")
    );
}

#[test]
fn a_controller_without_common_draws_its_supply_through_the_lines() {
    let mut stealing = bench("equipment", "dummy");
    stealing.supply.c_to_controller = Some(false);
    let idle = |fault: &str| {
        let solution = solve(&circuit(&stealing, fault), "");
        volts(&solution, "Y1", Place::Equipment)
    };
    // Hand-worked: 26.7 V through 2.4 kohm into the unsealed 20 ohm is 0.22 V; without a coil
    // 12 kohm of the input divide it to 22 V.
    assert!((idle("") - 0.22).abs() < 0.03, "{}", idle(""));
    assert!(
        (idle("coil-open:Y1") - 22.2).abs() < 0.5,
        "{}",
        idle("coil-open:Y1")
    );
}

#[test]
fn a_meter_that_is_not_on_the_line_does_not_load_it() {
    let lifted = circuit(&bench("equipment", "disconnected"), "open:G@controller");
    let alone = volts(&solve(&lifted, "Y1"), "G", Place::Equipment);
    let loaded = metered(&lifted, "Y1", "G", Some(Ohms(3e3)));
    // 3 kohm beside the input's 12 kohm: a fifth of what a current source leaves.
    assert!((loaded / alone - 0.2).abs() < 0.02, "{loaded} of {alone}");
}
