//! What each fault of practice looks like, call by call, in volts at the equipment.
//!
//! The signatures are trade practice (common practice, no source) told as on and off against the
//! healthy table; where a figure can be worked by hand it is compared as a figure.

use super::plants::{circuit, closed, profile, with_values};
use coilcall::domain::circuit::{
    Circuit, CircuitState, CircuitValues, ClosedContacts, CoilValues, HeatingSupply, LoadState,
    Point, Probe, Solution, SupplyValues,
};
use coilcall::domain::{Call, TruthTable};
use coilcall::units::{Ohms, Place, Terminal};
use std::collections::BTreeSet;

const HEAT_PUMP: &str = "one-stage-heat-pump";

/// A reading at or above this is live, one at or below the other is dead (from memory: 24 V coils
/// pull in by 18 V; a 24 VAC input is off up to 5 V).
const ON_VOLTS: f64 = 18.0;
const OFF_VOLTS: f64 = 5.0;

fn terminal(name: &str) -> Terminal {
    Terminal::new(name).expect("a terminal's name")
}

/// The contacts that a call closes, from the truth table.
fn contacts(plant: &str, call: &str) -> ClosedContacts {
    let call: Call = call.parse().expect("a call");
    let table = TruthTable::of(&profile(plant));
    let row = table.row(&call).expect("a call of the table");
    assert!(row.applicable, "{call} does not apply to {plant}");
    ClosedContacts::of(&row.demanded)
}

fn solve(circuit: &Circuit, plant: &str, call: &str) -> Solution {
    circuit
        .solve(&contacts(plant, call))
        .unwrap_or_else(|error| panic!("{plant} {call}: {error}"))
}

fn volts(solution: &Solution, name: &str, place: Place) -> f64 {
    let reading = solution.volts(&terminal(name), place);
    reading.unwrap_or_else(|error| panic!("{error}")).0
}

/// The live lines of a call at the equipment; refuses readings between the bands.
fn live(solution: &Solution, lines: &[Terminal], what: &str) -> String {
    let mut names = Vec::new();
    for line in lines {
        let reading = solution.volts(line, Place::Equipment).expect("wired").0;
        assert!(
            reading >= ON_VOLTS || reading <= OFF_VOLTS,
            "{what}: {line} reads {reading} V, between the bands"
        );
        if reading >= ON_VOLTS {
            names.push(line.as_str());
        }
    }
    names.join(" ")
}

/// Checks the live lines of each call.
fn check(plant: &str, fault: &str, rows: &[(&str, &str)]) {
    let faulty = circuit(plant, fault);
    for (call, expected) in rows {
        let what = format!("{plant} with '{fault}' in {call}");
        let solution = solve(&faulty, plant, call);
        assert_eq!(live(&solution, faulty.lines(), &what), *expected, "{what}");
    }
}

const FAN: &str = "fan-only";
const COOL: &str = "cooling-1";
const HEAT: &str = "heating-1";
const AUX: &str = "auxiliary-heat";
const EMERGENCY: &str = "emergency-heat";
const IDLE: &str = "idle";

#[test]
fn healthy() {
    let rows = [
        (IDLE, ""),
        (FAN, "G"),
        (COOL, "Y1 G O"),
        (HEAT, "Y1 G"),
        (AUX, "Y1 G W2"),
        (EMERGENCY, "G W2"),
    ];
    check(HEAT_PUMP, "", &rows);
    let healthy = circuit(HEAT_PUMP, "");
    for (call, lines) in rows {
        let solution = solve(&healthy, HEAT_PUMP, call);
        let pulled_in: BTreeSet<String> = solution
            .loads()
            .iter()
            .filter(|load| load.state == LoadState::PulledIn)
            .map(|load| load.terminal.to_string())
            .collect();
        let expected = lines.split_whitespace().map(str::to_owned).collect();
        assert_eq!(pulled_in, expected, "{call}");
    }
}

#[test]
fn h1_compressor_and_fan_exchanged_show_in_fan_only_and_emergency_alone() {
    let rows = [
        (FAN, "Y1"),
        (COOL, "Y1 G O"),
        (HEAT, "Y1 G"),
        (AUX, "Y1 G W2"),
        (EMERGENCY, "Y1 W2"),
    ];
    check(HEAT_PUMP, "swap:Y1,G", &rows);
    check(HEAT_PUMP, "swap:Y1,G@controller", &rows);
}

#[test]
fn h2_both_changeover_outputs_on_one_valve_line() {
    let rows = [
        (IDLE, ""),
        (COOL, "Y1 G O"),
        (HEAT, "Y1 G O"),
        (AUX, "Y1 G O W2"),
        (EMERGENCY, "G W2"),
    ];
    check(HEAT_PUMP, "tied:O,B", &rows);
}

#[test]
fn h2_on_equipment_with_its_common_on_b_the_first_heat_call_opens_the_fuse() {
    let plant = "common-on-b";
    check(plant, "", &[(COOL, "Y1 G O"), (HEAT, "Y1 G")]);
    check(plant, "tied:O,B", &[(COOL, "Y1 G O"), (HEAT, "")]);
    assert!(solve(&circuit(plant, "tied:O,B"), plant, HEAT).fuse_open());
}

#[test]
fn h3_changeover_inverted_is_exchanged_in_every_compressor_call() {
    let rows = [
        (FAN, "G"),
        (COOL, "Y1 G"),
        (HEAT, "Y1 G O"),
        (AUX, "Y1 G O W2"),
        (EMERGENCY, "G W2"),
    ];
    check(HEAT_PUMP, "inverted-changeover", &rows);
    let rows = [(COOL, "Y1 G B"), (HEAT, "Y1 G")];
    check("heating-valve", "inverted-changeover", &rows);
}

#[test]
fn h3_changeover_inverted_at_the_equipment_changes_no_tension() {
    let healthy = circuit(HEAT_PUMP, "");
    let inverted = circuit(HEAT_PUMP, "inverted-changeover@equipment");
    for call in [IDLE, FAN, COOL, HEAT, AUX, EMERGENCY] {
        let [a, b] = [&healthy, &inverted].map(|circuit| solve(circuit, HEAT_PUMP, call));
        assert!(a.nodes().eq(b.nodes()), "{call}");
    }
}

#[test]
fn h4_common_open_at_the_controller() {
    let faulty = circuit(HEAT_PUMP, "open:C@controller");
    let solution = solve(&faulty, HEAT_PUMP, COOL);
    assert!(volts(&solution, "R", Place::Controller) < OFF_VOLTS);
    let at_equipment = volts(&solution, "R", Place::Equipment);
    assert!((24.0..28.0).contains(&at_equipment), "{at_equipment}");
}

#[test]
fn h4b_common_open_at_the_outdoor_unit() {
    let faulty = circuit(HEAT_PUMP, "open:C@outdoor");
    let solution = solve(&faulty, HEAT_PUMP, COOL);
    // Y1 reaches the coil, but nothing flows back: R to C at the unit floats.
    let common = terminal("C");
    let compressor = terminal("Y1");
    let reaches = solution
        .volts_between((&compressor, Place::Outdoor), (&common, Place::Equipment))
        .expect("wired");
    assert!(reaches.0 > ON_VOLTS, "{reaches}");
    assert!(volts(&solution, "R", Place::Outdoor) < OFF_VOLTS);
    assert_eq!(
        solution.load_state(&compressor),
        Some(LoadState::DroppedOut)
    );
    assert_eq!(
        solution.load_state(&terminal("G")),
        Some(LoadState::PulledIn)
    );
    // The sneak path: in heating the idle valve line goes live through the two coils.
    let solution = solve(&faulty, HEAT_PUMP, HEAT);
    assert!(volts(&solution, "O", Place::Equipment) > ON_VOLTS);
}

/// Hand-worked: in series between R and C the volts divide as the impedances; 48 and 48 ohm take
/// half each, 48 and 120 ohm two and five sevenths: of 24 V, 12 and 12 V, 6.9 and 17.1 V.
#[test]
fn h4b_two_outdoor_coils_that_lost_their_common_share_the_volts() {
    for (valve_ohms, compressor_part) in [(48.0, 12.0 / 24.0), (120.0, 6.857 / 24.0)] {
        let mut values = CircuitValues {
            outdoor_board_ohms: None,
            ..CircuitValues::default()
        };
        let coil = |ohms| CoilValues {
            sealed_ohms: ohms,
            unsealed_ohms: ohms,
            power_factor: 0.6,
            dc_ohms: 10.0,
            ..CoilValues::default_for(&terminal("Y1"))
        };
        values.coils.insert(terminal("Y1"), coil(48.0));
        values.coils.insert(terminal("O"), coil(valve_ohms));
        // The idle valve line finds C over a jumper: the sneak path closes through both coils.
        let faulty = with_values(HEAT_PUMP, "open:C@outdoor jumper:O,C", values);
        let solution = solve(&faulty, HEAT_PUMP, HEAT);
        let across: Vec<f64> = ["Y1", "O"]
            .into_iter()
            .map(|line| {
                let loads = solution.loads();
                let load = loads.iter().find(|load| load.terminal.as_str() == line);
                load.expect("there").volts.0
            })
            .collect();
        let part = across[0] / (across[0] + across[1]);
        assert!((part - compressor_part).abs() < 1e-3, "{across:?}");
        assert!(across[0] + across[1] > 24.0, "{across:?}");
        // Not enough for the one that is called, whatever the other makes of the rest.
        let state = solution.load_state(&terminal("Y1"));
        assert_eq!(state, Some(LoadState::DroppedOut));
    }
}

#[test]
fn h5_supply_shorted_opens_the_fuse_before_any_call() {
    let faulty = circuit(HEAT_PUMP, "short:R,C");
    for call in [IDLE, FAN, COOL] {
        let solution = solve(&faulty, HEAT_PUMP, call);
        assert!(solution.fuse_open(), "{call}");
        assert!(volts(&solution, "R", Place::Equipment) < 0.01, "{call}");
        assert_eq!(live(&solution, faulty.lines(), call), "", "{call}");
    }
}

#[test]
fn h5b_a_call_wire_on_common_kills_everything_from_its_first_call_on() {
    let faulty = circuit(HEAT_PUMP, "short:Y1,C");
    let fan = solve(&faulty, HEAT_PUMP, FAN);
    assert!(!fan.fuse_open());
    assert_eq!(live(&fan, faulty.lines(), FAN), "G");
    let cool = faulty
        .solve_from(&contacts(HEAT_PUMP, COOL), &fan.state())
        .expect("solvable");
    assert!(cool.fuse_open());
    let after = faulty
        .solve_from(&contacts(HEAT_PUMP, FAN), &cool.state())
        .expect("solvable");
    assert!(after.fuse_open(), "a blown fuse stays blown");
    assert_eq!(live(&after, faulty.lines(), "fan after"), "");
}

#[test]
fn h6_a_bad_joint_is_invisible_at_rest_and_starves_the_coil() {
    let lifted = circuit(HEAT_PUMP, "resistance:Y1=200 coil-open:Y1");
    let at_rest = volts(&solve(&lifted, HEAT_PUMP, COOL), "Y1", Place::Equipment);
    let healthy = volts(
        &solve(&circuit(HEAT_PUMP, ""), HEAT_PUMP, COOL),
        "Y1",
        Place::Equipment,
    );
    assert!(at_rest >= healthy, "{at_rest} against {healthy}");
    let loaded = circuit(HEAT_PUMP, "resistance:Y1=200");
    let solution = solve(&loaded, HEAT_PUMP, COOL);
    // Hand-worked: 20 ohm at power factor 0.5 after 200 ohm of 25.4 V: 2.4 V.
    let reading = volts(&solution, "Y1", Place::Equipment);
    assert!((reading - 2.4).abs() < 0.1, "{reading}");
    assert_eq!(
        solution.load_state(&terminal("Y1")),
        Some(LoadState::DroppedOut)
    );
}

#[test]
fn h6_a_joint_that_opens_under_load_holds_a_meter_only() {
    let solution = solve(&circuit(HEAT_PUMP, "opens-under-load:Y1"), HEAT_PUMP, COOL);
    assert!(volts(&solution, "Y1", Place::Equipment) < OFF_VOLTS);
    let lifted = circuit(HEAT_PUMP, "opens-under-load:Y1 coil-open:Y1");
    let solution = solve(&lifted, HEAT_PUMP, COOL);
    assert!(volts(&solution, "Y1", Place::Equipment) > ON_VOLTS);
}

#[test]
fn h6_an_intermittent_joint_is_right_at_one_moment_and_dead_at_another() {
    let faulty = circuit(HEAT_PUMP, "intermittent:G");
    for (made, expected) in [(true, "Y1 G O"), (false, "Y1 O")] {
        let before = CircuitState {
            intermittents_made: made,
            ..CircuitState::default()
        };
        let solution = faulty
            .solve_from(&contacts(HEAT_PUMP, COOL), &before)
            .expect("solvable");
        assert_eq!(live(&solution, faulty.lines(), "cooling"), expected);
    }
}

#[test]
fn h7_two_conductors_touching_rise_together() {
    let rows = [(COOL, "Y1 G O W2"), (EMERGENCY, "Y1 G W2"), (FAN, "G")];
    check(HEAT_PUMP, "short:Y1,W2", &rows);
}

#[test]
fn h8_a_ghost_collapses_under_3_kohm() {
    let faulty = circuit(HEAT_PUMP, "floating:W2");
    let read = |call: &str, load_ohms| {
        let probe = Probe {
            on: Point {
                terminal: terminal("W2"),
                place: Place::Equipment,
            },
            against: None,
            input_ohms: Ohms(10e6),
            load_ohms,
            series_ohms: Ohms(0.0),
        };
        let contacts = contacts(HEAT_PUMP, call);
        let reading = faulty.read(&contacts, &CircuitState::default(), &probe);
        reading.expect("solvable").at_meter.0
    };
    for call in [IDLE, FAN, COOL, HEAT] {
        let ghost = read(call, None);
        assert!((3.0..20.0).contains(&ghost), "{call}: {ghost}");
        let loaded = read(call, Some(Ohms(3e3)));
        assert!(loaded < 0.5, "{call}: {loaded}");
    }
}

#[test]
fn h9_jumper_missing_kills_one_side() {
    let rows = [(COOL, "Y1 G O"), (AUX, "Y1 G"), (EMERGENCY, "G")];
    check(HEAT_PUMP, "jumper-missing", &rows);
    let solution = solve(&circuit(HEAT_PUMP, "jumper-missing"), HEAT_PUMP, AUX);
    assert!(volts(&solution, "Rh", Place::Controller) < OFF_VOLTS);
    assert!(volts(&solution, "Rc", Place::Controller) > 24.0);
}

fn two_supplies(opposed: bool, commons_joined: bool) -> CircuitValues {
    CircuitValues {
        heating_supply: HeatingSupply::Transformer {
            supply: SupplyValues::default(),
            opposed,
            commons_joined,
        },
        ..CircuitValues::default()
    }
}

#[test]
fn h9b_two_supplies_and_the_jumper() {
    let plant = "heat-pump-and-boiler";
    let between = |fault: &str, opposed| {
        let solution = with_values(plant, fault, two_supplies(opposed, true))
            .solve(&closed(""))
            .expect("solvable");
        let [cooling, heating] = ["Rc", "Rh"].map(terminal);
        let at = Place::Controller;
        let reading = solution.volts_between((&cooling, at), (&heating, at));
        let jumper = solution
            .branches()
            .into_iter()
            .find(|(name, _)| *name == "rail jumper");
        let amps = jumper.expect("there is a jumper").1.norm();
        (reading.expect("wired").0, amps, solution.fuse_open())
    };
    // Jumper out: about 0 V in phase (what the idle loads drop), about 54 V opposed.
    let (in_phase, _, _) = between("", false);
    assert!(in_phase < 0.6, "{in_phase}");
    let (opposed, _, _) = between("", true);
    assert!((opposed - 53.8).abs() < 0.6, "{opposed}");
    // Jumper in: 0 V. In phase a small current evens the two out; opposed both fuses open.
    let (joined, amps, fuse_open) = between("jumper-left-in", false);
    assert!(joined < 0.01, "{joined}");
    assert!((0.01..1.0).contains(&amps) && !fuse_open, "{amps}");
    let (_, _, fuse_open) = between("jumper-left-in", true);
    assert!(fuse_open, "15 A circulate until a fuse opens");
}

#[test]
fn h9b_supplies_apart_keep_their_own_commons() {
    let rows = [
        (IDLE, ""),
        (COOL, "Y1 G O"),
        (HEAT, "Y1 G"),
        (AUX, "Y1 G W1"),
    ];
    check("heat-pump-and-boiler", "", &rows);
}

#[test]
fn h10_auxiliary_on_the_valve() {
    let rows = [(AUX, "Y1 G O"), (EMERGENCY, "G O")];
    check(HEAT_PUMP, "mislanded:W2,O", &rows);
    let rows = [(COOL, "Y1 G W2"), (AUX, "Y1 G O"), (EMERGENCY, "G O")];
    check(HEAT_PUMP, "swap:O,W2", &rows);
}

#[test]
fn h11_h12_h13_conductors_not_landed() {
    check(HEAT_PUMP, "open:W2", &[(AUX, "Y1 G"), (EMERGENCY, "G")]);
    check(
        HEAT_PUMP,
        "open:G",
        &[(FAN, ""), (COOL, "Y1 O"), (HEAT, "Y1")],
    );
    check(HEAT_PUMP, "open:Y1", &[(COOL, "G O"), (HEAT, "G")]);
    let solution = solve(&circuit(HEAT_PUMP, "open:Y1"), HEAT_PUMP, COOL);
    assert!(volts(&solution, "Y1", Place::Controller) > ON_VOLTS);
    // Hopscotch: the supply's volts stand across what is open, none across what is closed.
    let across = |solution: &Solution, line: &str| {
        let line = terminal(line);
        let ends = [Place::Controller, Place::Equipment];
        let volts = solution.volts_between((&line, ends[0]), (&line, ends[1]));
        volts.expect("wired").0
    };
    assert!(
        across(&solution, "Y1") > 24.0,
        "{}",
        across(&solution, "Y1")
    );
    assert!(across(&solution, "G") < 0.5, "{}", across(&solution, "G"));
    // Open at the relay instead: dead at both ends.
    let solution = solve(&circuit(HEAT_PUMP, "stuck-open:Y1"), HEAT_PUMP, COOL);
    assert!(volts(&solution, "Y1", Place::Controller) < OFF_VOLTS);
}

#[test]
fn h11_auxiliary_on_the_wrong_bank_of_two() {
    let plant = "two-auxiliary-lines";
    check(
        plant,
        "",
        &[(AUX, "Y1 G W1"), ("auxiliary-heat-2", "Y1 G W1 W2")],
    );
    let rows = [(AUX, "Y1 G W2"), ("auxiliary-heat-2", "Y1 G W1 W2")];
    check(plant, "swap:W1,W2", &rows);
    let rows = [(AUX, "Y1 G W2"), ("auxiliary-heat-2", "Y1 G W2")];
    check(plant, "mislanded:W1,W2", &rows);
}

#[test]
fn h14_a_limit_open_in_the_supply_line() {
    check(
        HEAT_PUMP,
        "open:R",
        &[(FAN, ""), (COOL, ""), (EMERGENCY, "")],
    );
    let solution = solve(&circuit(HEAT_PUMP, "open:R"), HEAT_PUMP, COOL);
    assert!(volts(&solution, "R", Place::Equipment) > 24.0);
    assert!(volts(&solution, "R", Place::Controller) < OFF_VOLTS);
}

#[test]
fn h15_a_long_thin_run_drops_more_the_more_is_called() {
    let plant = "two-stage-heat-pump";
    let faulty = circuit(plant, "thin-wire:24,300");
    let at = |call: &str, name, place| volts(&solve(&faulty, plant, call), name, place);
    let drop = |call| at(call, "R", Place::Equipment) - at(call, "R", Place::Controller);
    assert!(drop(IDLE) < drop(FAN) && drop(FAN) < drop(COOL));
    assert!(drop(COOL) < drop("cooling-2"));
    let starved = solve(&faulty, plant, "cooling-2");
    assert_eq!(
        starved.load_state(&terminal("Y1")),
        Some(LoadState::DroppedOut)
    );
    assert!(
        at(FAN, "R", Place::Equipment) > 24.0,
        "the supply itself is good"
    );
}

#[test]
fn h16_a_small_transformer_sags_at_its_own_terminals_and_recovers() {
    let plant = "two-stage-heat-pump";
    let faulty = circuit(plant, "undersized-transformer:20");
    let supply = |call: &str| solve(&faulty, plant, call).supplies()[0].volts.0;
    let healthy = circuit(plant, "");
    let sound = solve(&healthy, plant, "cooling-2").supplies()[0].volts.0;
    assert!(supply(IDLE) > 25.5, "{}", supply(IDLE));
    assert!(supply("cooling-2") < sound - 1.5, "{}", supply("cooling-2"));
}

#[test]
fn h17_a_welded_relay_stays_on_after_release() {
    let rows = [(IDLE, "Y1"), (FAN, "Y1 G"), (EMERGENCY, "Y1 G W2")];
    check(HEAT_PUMP, "stuck-closed:Y1", &rows);
}

#[test]
fn h18_a_chattering_contactor() {
    let solution = solve(&circuit(HEAT_PUMP, "chatter:Y1"), HEAT_PUMP, COOL);
    assert_eq!(solution.chattering(), BTreeSet::from([terminal("Y1")]));
    let solution = solve(&circuit(HEAT_PUMP, "chatter:Y1"), HEAT_PUMP, FAN);
    assert!(solution.chattering().is_empty(), "uncalled, it is quiet");
}

#[test]
fn h19_defrost_feeds_the_auxiliary_line_in_heating_alone() {
    let rows = [(IDLE, ""), (FAN, "G"), (COOL, "Y1 G O"), (HEAT, "Y1 G W2")];
    check(HEAT_PUMP, "backfeed:W2", &rows);
    let rows = [(COOL, "Y1 G"), (HEAT, "Y1 G B W2")];
    check("heating-valve", "backfeed:W2", &rows);
    check(
        "furnace-and-cooling",
        "backfeed:W1",
        &[(IDLE, "W1"), (COOL, "Y1 G W1")],
    );
}

#[test]
fn h21_supply_and_common_exchanged() {
    let faulty = circuit(HEAT_PUMP, "swap:R,C");
    let solution = solve(&faulty, HEAT_PUMP, FAN);
    // The controller is fed as ever, with R and C exchanged against earth, and no call works.
    assert!(volts(&solution, "R", Place::Controller) > 24.0);
    let to_earth = |name| {
        let (name, earth) = (terminal(name), terminal("C"));
        let at = solution.volts_between((&name, Place::Controller), (&earth, Place::Equipment));
        at.expect("wired").0
    };
    assert!(to_earth("R") < 1.0 && to_earth("C") > 24.0);
    assert_eq!(live(&solution, faulty.lines(), "swapped supply"), "");
}

#[test]
fn h22_fan_tied_to_the_compressor() {
    let rows = [
        (FAN, ""),
        (COOL, "Y1 G O"),
        (HEAT, "Y1 G"),
        (EMERGENCY, "W2"),
    ];
    check(HEAT_PUMP, "fan-tied", &rows);
}

#[test]
fn h23_a_blown_fuse() {
    let faulty = circuit(HEAT_PUMP, "fuse-open");
    check(
        HEAT_PUMP,
        "fuse-open",
        &[(IDLE, ""), (COOL, ""), (EMERGENCY, "")],
    );
    let supply = &solve(&faulty, HEAT_PUMP, COOL).supplies()[0];
    assert!(supply.fuse_open && supply.volts.0 < 0.01, "{supply:?}");
}

#[test]
fn a_conductor_on_earth_depends_on_the_earthing() {
    assert!(solve(&circuit(HEAT_PUMP, "earthed:R"), HEAT_PUMP, IDLE).fuse_open());
    let unearthed = CircuitValues {
        common_earthed: false,
        ..CircuitValues::default()
    };
    let faulty = with_values(HEAT_PUMP, "earthed:R", unearthed);
    let solution = solve(&faulty, HEAT_PUMP, COOL);
    assert!(!solution.fuse_open());
    assert_eq!(live(&solution, faulty.lines(), "unearthed"), "Y1 G O");
}

#[test]
fn the_wrong_tap_lowers_every_line_in_proportion() {
    // Hand-worked: 208/240 of every tension, 26.9 V becomes 23.3 V and 24 V becomes 20.8 V.
    let at = |fault: &str| {
        let solution = solve(&circuit(HEAT_PUMP, fault), HEAT_PUMP, COOL);
        volts(&solution, "Y1", Place::Equipment)
    };
    assert!((at("wrong-tap") / at("") - 208.0 / 240.0).abs() < 1e-9);
}
