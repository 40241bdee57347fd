//! States, instruments and refusals of a circuit.

use super::plants::{circuit, closed, faults, profile, with_values};
use coilcall::domain::circuit::{
    Circuit, CircuitError, CircuitState, CircuitValues, CoilValues, FaultKind, HeatingSupply,
    LoadState, Point, Probe, Protection, SupplyValues,
};
use coilcall::units::{Ohms, Place, Terminal, Volts};
use std::collections::BTreeSet;

const HEAT_PUMP: &str = "one-stage-heat-pump";

fn terminal(name: &'static str) -> Terminal {
    Terminal::known(name)
}

fn at(name: &'static str, place: Place) -> Point {
    Point {
        terminal: terminal(name),
        place,
    }
}

fn state_of(
    circuit: &Circuit,
    lines: &str,
    before: &CircuitState,
    load: &'static str,
) -> LoadState {
    let solution = circuit
        .solve_from(&closed(lines), before)
        .expect("solvable");
    solution
        .load_state(&terminal(load))
        .expect("there is a load")
}

#[test]
fn a_coil_holds_below_the_tension_at_which_it_pulls_in() {
    let low = circuit(HEAT_PUMP, "supply:16");
    let rest = CircuitState::default();
    assert_eq!(state_of(&low, "G", &rest, "G"), LoadState::DroppedOut);
    let pulled_in = circuit(HEAT_PUMP, "")
        .solve(&closed("G"))
        .expect("solvable")
        .state();
    assert_eq!(state_of(&low, "G", &pulled_in, "G"), LoadState::PulledIn);
    let dead = circuit(HEAT_PUMP, "supply:11");
    assert_eq!(state_of(&dead, "G", &pulled_in, "G"), LoadState::DroppedOut);
}

#[test]
fn a_coil_without_a_fixed_point_chatters() {
    // It pulls in on 100 ohm and then, with 4 ohm, takes its own tension below the drop-out.
    let mut values = CircuitValues::default();
    let coil = CoilValues {
        sealed_ohms: 4.0,
        unsealed_ohms: 100.0,
        power_factor: 1.0,
        dc_ohms: 4.0,
        pick_up: Volts(18.0),
        drop_out: Volts(17.9),
    };
    values.supply.protection = Protection::Fuse {
        ohms: 0.05,
        opens_above_amps: 20.0,
    };
    values.coils.insert(terminal("G"), coil);
    let solution = with_values(HEAT_PUMP, "", values)
        .solve(&closed("Y1 G O"))
        .expect("solvable");
    assert_eq!(solution.chattering(), BTreeSet::from([terminal("G")]));
}

#[test]
fn a_limiter_closes_again_where_a_fuse_stays_open() {
    for (limiter, live_after) in [(true, true), (false, false)] {
        let (ohms, opens_above_amps) = (0.05, 4.05);
        let mut values = CircuitValues::default();
        values.supply.protection = if limiter {
            Protection::Limiter {
                ohms,
                opens_above_amps,
            }
        } else {
            Protection::Fuse {
                ohms,
                opens_above_amps,
            }
        };
        let faulty = with_values(HEAT_PUMP, "short:Y1,C", values);
        let cooling = faulty.solve(&closed("Y1 G O")).expect("solvable");
        assert!(cooling.fuse_open());
        let fan = faulty
            .solve_from(&closed("G"), &cooling.state())
            .expect("solvable");
        let live = fan
            .volts(&terminal("G"), Place::Equipment)
            .expect("wired")
            .0
            > 18.0;
        assert_eq!(live, live_after);
    }
}

#[test]
fn an_ohmmeter_reads_direct_current_resistance() {
    // Hand-worked: the coil's DC 29 ohm, two outdoor conductors of 50 ft at 6.385 ohm per kft and
    // four joints of 0.01 ohm; never the sealed 64 ohm.
    let mut values = CircuitValues::default();
    let coil = CoilValues {
        sealed_ohms: 64.0,
        dc_ohms: 29.0,
        ..CoilValues::default_for(&terminal("Y1"))
    };
    values.coils.insert(terminal("Y1"), coil);
    let sound = with_values(HEAT_PUMP, "", values);
    let point = at("Y1", Place::Equipment);
    let reading = sound.ohms(&closed(""), &point, None).expect("solvable").0;
    let expected = 29.0 + 2.0 * 50.0 * 6.385e-3 + 0.04;
    assert!(
        (reading - expected).abs() < 0.002,
        "{reading} against {expected}"
    );
    let broken = circuit(HEAT_PUMP, "coil-open:Y1");
    let reading = broken.ohms(&closed(""), &point, None).expect("solvable").0;
    assert!(reading > 1e6, "{reading}");
}

#[test]
fn a_dry_contact_shows_closure_and_no_tension() {
    let values = CircuitValues {
        heating_supply: HeatingSupply::DryContact,
        ..CircuitValues::default()
    };
    let boiler = with_values("heat-pump-and-boiler", "", values);
    let [line, rail] = [at("W1", Place::Equipment), at("Rh", Place::Equipment)];
    let ohms = |lines: &str| {
        boiler
            .ohms(&closed(lines), &line, Some(&rail))
            .expect("solvable")
            .0
    };
    // Hand-worked: 200 ft of conductor, four joints and the contact.
    let expected = 200.0 * 6.385e-3 + 0.04 + 0.05;
    assert!((ohms("W1") - expected).abs() < 0.002, "{}", ohms("W1"));
    assert!(ohms("") > 1e6, "{}", ohms(""));
    // No supply stands behind it: what a meter shows is a ghost, gone under 3 kohm.
    let probe = Probe {
        on: line.clone(),
        against: None,
        input_ohms: Ohms(10e6),
        load_ohms: Some(Ohms(3e3)),
        series_ohms: Ohms(0.0),
    };
    let before = CircuitState::default();
    let reading = boiler
        .read(&closed("W1"), &before, &probe)
        .expect("solvable");
    assert!(reading.at_meter.0 < 0.5, "{reading:?}");
}

#[test]
fn a_probe_counts_its_series_resistance_and_its_load() {
    let sound = circuit(HEAT_PUMP, "");
    let read = |series_ohms, load_ohms| {
        let probe = Probe {
            on: at("G", Place::Equipment),
            against: None,
            input_ohms: Ohms(10e6),
            load_ohms,
            series_ohms: Ohms(series_ohms),
        };
        let before = CircuitState::default();
        sound.read(&closed("G"), &before, &probe).expect("solvable")
    };
    let direct = read(0.0, None);
    assert_eq!(direct.at_meter, direct.on_line);
    // Hand-worked: 3 kohm behind 10 kohm on a stiff line: 3/13 of it.
    let behind = read(10e3, Some(Ohms(3e3)));
    let ratio = behind.at_meter.0 / behind.on_line.0;
    assert!((ratio - 3.0 / 13.0).abs() < 1e-4, "{ratio}");
    assert!((behind.on_line.0 - direct.on_line.0).abs() < 0.01);
}

#[test]
fn a_dead_input_changes_no_tension() {
    let dead = circuit(HEAT_PUMP, "dead-input:Y1");
    assert_eq!(*dead.dead_inputs(), BTreeSet::from([terminal("Y1")]));
    let [a, b] = [&dead, &circuit(HEAT_PUMP, "")]
        .map(|circuit| circuit.solve(&closed("Y1 G O")).expect("solvable"));
    assert!(a.nodes().eq(b.nodes()));
}

#[test]
fn what_makes_no_sense_is_refused_with_what_would() {
    let check = |plant: &str, fault: &str, part: &str| {
        let healthy = circuit(plant, "");
        let refused = healthy.with_faults(&faults(fault)).map(|_| ());
        let said = refused.expect_err(fault).to_string();
        assert!(said.contains(part), "{fault}: {said}");
    };
    check(
        HEAT_PUMP,
        "open:Y2",
        "there is no line Y2 here; lines: Y1 G O W2 E",
    );
    check(HEAT_PUMP, "open:G@outdoor", "conductors there: R C Y1 O W2");
    check(
        "conventional",
        "open:Y1@outdoor",
        "has no conductor at the outdoor",
    );
    check(HEAT_PUMP, "jumper-left-in", "jumper-missing fits");
    check(
        HEAT_PUMP,
        "opens-under-load:Y1@middle",
        "where a conductor is landed",
    );
    check(
        HEAT_PUMP,
        "stuck-open:Y1@outdoor",
        "it sits @controller, not @outdoor",
    );
    check(
        HEAT_PUMP,
        "coil-open:Y1@middle",
        "it sits @equipment or @outdoor",
    );
    check(HEAT_PUMP, "fuse-open@equipment", "leave the place out");
    check(HEAT_PUMP, "thin-wire:24,0", "length of cable");
    check(HEAT_PUMP, "thin-wire:99,100", "0 to 40 AWG");
    check(
        HEAT_PUMP,
        "undersized-transformer:0",
        "rated volt-amperes of supply",
    );
    check(HEAT_PUMP, "open:Rh", "Rh has no conductor");
    check(
        "furnace-and-cooling",
        "inverted-changeover",
        "no changeover line",
    );
    check(
        "heat-pump-and-boiler",
        "short:R,C",
        "R has no conductor at the middle",
    );
}

#[test]
fn values_outside_physics_name_the_value() {
    let check = |values: CircuitValues, part: &str| {
        let refused = Circuit::new(&profile(HEAT_PUMP), None, values).map(|_| ());
        let error = refused.expect_err(part);
        assert!(
            matches!(error, CircuitError::OutsidePhysics { .. }),
            "{error}"
        );
        assert!(error.to_string().contains(part), "{error}");
    };
    let healthy = CircuitValues::default;
    check(
        CircuitValues {
            hertz: 0.0,
            ..healthy()
        },
        "mains frequency",
    );
    check(
        CircuitValues {
            meter_ohms: -1.0,
            ..healthy()
        },
        "ohms of meter",
    );
    let supply = SupplyValues {
        open_circuit_volts: f64::NAN,
        ..SupplyValues::default()
    };
    check(
        CircuitValues {
            supply,
            ..healthy()
        },
        "open-circuit volts of supply",
    );
    let mut coils = healthy();
    let coil = CoilValues {
        power_factor: 1.5,
        ..CoilValues::default_for(&terminal("G"))
    };
    coils.coils.insert(terminal("G"), coil);
    check(coils, "power factor of coil G");
}

/// Every fault of the grammar for every line, single and beside an open conductor, is solved or
/// refused in words; nothing floats and nothing is infinite.
#[test]
fn the_whole_grammar_is_solved_or_refused() {
    for plant in [
        "two-stage-heat-pump",
        "furnace-and-cooling",
        "heat-pump-and-boiler",
    ] {
        let healthy = circuit(plant, "");
        let mut lines = healthy.lines().to_vec();
        lines.extend(["R", "Rc", "Rh", "C"].map(terminal));
        let mut solved = 0;
        for kind in FaultKind::ALL {
            for written in forms(*kind, &lines) {
                let beside = format!("{written} open:G@controller");
                let placed = Place::ALL.map(|place| format!("{written}@{place}"));
                for pair in [written, beside].into_iter().chain(placed) {
                    match healthy.with_faults(&faults(&pair)) {
                        Ok(faulty) => {
                            assert_finite(&faulty, &pair);
                            solved += 1;
                        }
                        Err(CircuitError::Fault(_) | CircuitError::NotThere { .. }) => {}
                        Err(other) => panic!("{plant}: {pair}: {other}"),
                    }
                }
            }
        }
        assert!(solved > 150, "{plant}: only {solved}");
    }
}

fn assert_finite(faulty: &Circuit, what: &str) {
    for lines in ["", "Y1 G O", "G W1"] {
        let solution = faulty
            .solve(&closed(lines))
            .unwrap_or_else(|error| panic!("{what} in '{lines}': {error}"));
        for (node, tension) in solution.nodes() {
            assert!(
                tension.norm() < 60.0,
                "{what} in '{lines}': {node}: {tension}"
            );
        }
    }
}

/// A kind of fault as written for every line, or every pair of neighbours.
fn forms(kind: FaultKind, lines: &[Terminal]) -> Vec<String> {
    let word = kind.word();
    let form = kind.form();
    if form.contains("AWG") {
        return vec![format!("{word}:24,300")];
    }
    if form.contains("NUMBER") {
        return vec![format!("{word}:20")];
    }
    if !form.contains("LINE") {
        return vec![word.to_owned()];
    }
    if form.contains("LINE,LINE") {
        let pairs = lines.windows(2);
        return pairs
            .map(|pair| format!("{word}:{},{}", pair[0], pair[1]))
            .collect();
    }
    let ohms = if form.contains("OHMS") { "=50" } else { "" };
    lines
        .iter()
        .map(|line| format!("{word}:{line}{ohms}"))
        .collect()
}

#[test]
fn every_kind_says_what_it_is() {
    let mut said = BTreeSet::new();
    for kind in FaultKind::ALL {
        let meaning = kind.meaning();
        let words = [meaning.on_the_bench, meaning.in_the_field, meaning.shows_as];
        assert!(words.iter().all(|words| words.len() > 5), "{kind}");
        assert!(
            said.insert(meaning.on_the_bench),
            "{kind} says what another kind says"
        );
    }
}

#[test]
fn values_read_from_a_table_keep_the_other_defaults() {
    let table = r#"
        common_earthed = false
        heating_supply = "dry-contact"
        [supply]
        rated_volt_amperes = 75.0
        protection = { limiter = { ohms = 0.1, opens_above_amps = 3.0 } }
        [cable]
        gauge_awg = 22.0
        stranding = "stranded"
        [coils.G]
        sealed_ohms = 120.0
        unsealed_ohms = 80.0
        power_factor = 0.7
        dc_ohms = 40.0
        pick_up = 17.0
        drop_out = 9.0
    "#;
    let read: CircuitValues = toml::from_str(table).expect("a table of values");
    let mut expected = CircuitValues {
        common_earthed: false,
        heating_supply: HeatingSupply::DryContact,
        ..CircuitValues::default()
    };
    expected.supply.rated_volt_amperes = 75.0;
    expected.supply.protection = Protection::Limiter {
        ohms: 0.1,
        opens_above_amps: 3.0,
    };
    expected.cable.gauge_awg = 22.0;
    expected.cable.stranding = coilcall::domain::circuit::conductor::Stranding::Stranded;
    let coil = CoilValues {
        sealed_ohms: 120.0,
        unsealed_ohms: 80.0,
        power_factor: 0.7,
        dc_ohms: 40.0,
        pick_up: Volts(17.0),
        drop_out: Volts(9.0),
    };
    expected.coils.insert(terminal("G"), coil);
    assert_eq!(read, expected);
    assert!(toml::from_str::<CircuitValues>("cable = { length = 3.0 }").is_err());
}

#[test]
fn the_document_says_what_the_solution_says() {
    let solution = circuit(HEAT_PUMP, "chatter:Y1")
        .solve(&closed("Y1 G O"))
        .expect("solvable");
    let document = serde_json::to_value(solution.document()).expect("plain data");
    assert_eq!(document["format"], "coilcall.circuit");
    assert_eq!(document["frequency_hz"], 60.0);
    let nodes = document["nodes"].as_array().expect("a list");
    let at_equipment = |name: &str| {
        let node = nodes.iter().find(|node| node["node"] == name);
        node.unwrap_or_else(|| panic!("no node {name}"))["volts"]
            .as_f64()
            .expect("a number")
    };
    assert!(at_equipment("C@equipment").abs() < f64::EPSILON);
    let line = solution
        .volts(&terminal("G"), Place::Equipment)
        .expect("wired")
        .0;
    assert!((at_equipment("G@equipment") - line).abs() < 1e-12);
    let load = |name: &str| {
        let loads = document["loads"].as_array().expect("a list");
        loads
            .iter()
            .find(|load| load["terminal"] == name)
            .expect("there")
            .clone()
    };
    assert_eq!(load("Y1")["pulled_in"], false);
    assert_eq!(load("Y1")["chatters"], true);
    assert_eq!(load("G")["pulled_in"], true);
    assert_eq!(document["supply"]["fuse"], "closed");
    assert!(
        document["supply"]["volt_amperes"]
            .as_f64()
            .expect("a number")
            > 10.0
    );
}

#[test]
fn a_signature_has_every_call_and_every_line_alone() {
    let plant = profile(HEAT_PUMP);
    let table = coilcall::domain::TruthTable::of(&plant);
    let signature = circuit(HEAT_PUMP, "swap:Y1,G")
        .signature(&table, Place::Equipment)
        .expect("solvable");
    let calls: Vec<String> = signature.iter().map(|row| row.call.to_string()).collect();
    let expected = "idle fan-only cooling-1 heating-1 auxiliary-heat emergency-heat alone:Y1 \
                    alone:G alone:O alone:W2 alone:E";
    assert_eq!(calls.join(" "), expected);
    let alone = signature
        .iter()
        .find(|row| row.call.to_string() == "alone:Y1")
        .expect("there");
    assert!(alone.volts[&terminal("G")].0 > 18.0 && alone.volts[&terminal("Y1")].0 < 5.0);
    assert_eq!(alone.loads[&terminal("G")], LoadState::PulledIn);
}
