//! The outdoor unit's own feed of the auxiliary line while it defrosts.
//!
//! What a defrost does is trade memory (common practice, no source): R goes onto the first
//! auxiliary line with no command of the controller, and with two supplies that joins them.

use super::plants::{circuit, closed, with_values};
use coilcall::domain::Profile;
use coilcall::domain::circuit::{
    Circuit, CircuitState, CircuitValues, HeatingSupply, LoadState, Solution, SupplyValues,
};
use coilcall::domain::profile::{Changeover, FanInHeat, Interface, Kind, ProfileDraft};
use coilcall::units::{Place, Terminal};

const HEAT_PUMP: &str = "one-stage-heat-pump";

fn with_contact(mut circuit: Circuit) -> Circuit {
    circuit.put_defrost_contact().expect("it can be solved");
    circuit
}

fn solve(circuit: &Circuit, lines: &str, defrosts: bool) -> Solution {
    let before = CircuitState {
        defrosts,
        ..CircuitState::default()
    };
    let solved = circuit.solve_from(&closed(lines), &before);
    solved.unwrap_or_else(|error| panic!("{lines}: {error}"))
}

fn volts(solution: &Solution, name: &'static str, place: Place) -> f64 {
    let reading = solution.volts(&Terminal::known(name), place);
    reading.unwrap_or_else(|error| panic!("{error}")).0
}

fn amps(solution: &Solution, element: &str) -> f64 {
    let branches = solution.branches();
    let found = branches.iter().find(|(name, _)| *name == element);
    found.unwrap_or_else(|| panic!("no {element}")).1.norm()
}

/// Between which nodes the contact sits, by the comment lines of the outside solver's netlist.
fn sits_between(circuit: &Circuit) -> Option<(String, String)> {
    let netlist = circuit.netlist();
    let contact = netlist.elements().iter().find(|e| &*e.name == "defrost")?;
    let name = |node| netlist.node_name(node).to_owned();
    Some((name(contact.from), name(contact.to)))
}

#[test]
fn it_makes_the_auxiliary_line_live_with_no_command_and_pulls_its_load_in() {
    let outdoor_unit = with_contact(circuit(HEAT_PUMP, ""));
    let heating = solve(&outdoor_unit, "Y1 G", true);
    let w2 = Terminal::known("W2");
    assert!(volts(&heating, "W2", Place::Equipment) > 18.0);
    assert_eq!(heating.load_state(&w2), Some(LoadState::PulledIn));
    // Hand-worked: 5 VA at 24 V are 115.2 ohm; 24 to 26 V drive 0.21 to 0.23 A through them.
    let fed = amps(&heating, "defrost");
    assert!((0.205..0.23).contains(&fed), "{fed}");
    assert!(heating.state().defrosts, "it goes on until it is ended");
    assert!(!heating.fuse_open());
    // The controller's own relay is open, and its end of the line is live all the same.
    assert!(volts(&heating, "W2", Place::Controller) > 18.0);
}

#[test]
fn while_it_is_open_only_its_gap_is_there() {
    let bare = circuit(HEAT_PUMP, "");
    let fitted = with_contact(circuit(HEAT_PUMP, ""));
    for lines in ["", "G", "Y1 G O", "Y1 G", "Y1 G W2"] {
        let [one, other] = [&bare, &fitted].map(|circuit| solve(circuit, lines, false));
        for ((name, a), (_, b)) in one.nodes().zip(other.nodes()) {
            // 1 Gohm with 10 pF beside a coil of some ohms.
            assert!((a - b).norm() < 1e-4, "{lines}: {name}: {a} against {b}");
        }
    }
}

#[test]
fn it_ends_with_the_moment_that_ends_it() {
    let outdoor_unit = with_contact(circuit(HEAT_PUMP, ""));
    let during = solve(&outdoor_unit, "Y1 G", true).state();
    let after = CircuitState {
        defrosts: false,
        ..during
    };
    let after = outdoor_unit
        .solve_from(&closed("Y1 G"), &after)
        .expect("solvable");
    assert!(volts(&after, "W2", Place::Equipment) < 5.0);
    let w2 = Terminal::known("W2");
    assert_eq!(after.load_state(&w2), Some(LoadState::DroppedOut));
}

#[test]
fn it_sits_outdoors_where_its_two_terminals_go_there() {
    let at = |circuit: Circuit| sits_between(&with_contact(circuit));
    let nodes = |a: &str, b: &str| Some((a.to_owned(), b.to_owned()));
    assert_eq!(at(circuit(HEAT_PUMP, "")), nodes("R@outdoor", "W2@outdoor"));
    // The boiler's line does not go out to the heat pump.
    let boiler = circuit("heat-pump-and-boiler", "");
    assert_eq!(at(boiler), nodes("Rc@equipment", "W1@equipment"));
    // On the conventional interface nothing is known of the outdoor unit's own cable.
    let conventional = circuit("conventional", "");
    assert_eq!(at(conventional), nodes("R@equipment", "W2@equipment"));
    let in_one_cabinet = CircuitValues {
        outdoor_cable: None,
        ..CircuitValues::default()
    };
    let cabinet = with_values(HEAT_PUMP, "", in_one_cabinet);
    assert_eq!(at(cabinet), nodes("R@equipment", "W2@equipment"));
}

#[test]
fn nothing_defrosts_without_an_outdoor_coil_or_without_an_auxiliary_line() {
    assert_eq!(
        sits_between(&with_contact(circuit("furnace-and-cooling", ""))),
        None
    );
    let without_auxiliary = Profile::new(ProfileDraft {
        name: Some("Heat pump without auxiliary heat".to_owned()),
        kind: Some(Kind::HeatPump),
        interface: Some(Interface::Changeover),
        compressor_stages: Some(1),
        heat_stages: Some(0),
        changeover: Some(Changeover::O),
        fan_in_heat: Some(FanInHeat::Controller),
        ..ProfileDraft::default()
    })
    .expect("a sound profile");
    let plain = Circuit::new(&without_auxiliary, None, CircuitValues::default()).expect("sound");
    assert_eq!(sits_between(&with_contact(plain)), None);
}

fn two_supplies(opposed: bool, commons_joined: bool) -> Circuit {
    let values = CircuitValues {
        heating_supply: HeatingSupply::Transformer {
            supply: SupplyValues::default(),
            opposed,
            commons_joined,
        },
        ..CircuitValues::default()
    };
    with_contact(with_values("heat-pump-and-boiler", "", values))
}

/// Its feed meets the heating side's own on the called auxiliary line.
#[test]
fn with_two_supplies_it_joins_them() {
    // Commons joined, in phase: both give to one load, and nearly nothing goes round.
    let in_phase = solve(&two_supplies(false, true), "Y1 G W1", true);
    assert!(!in_phase.fuse_open());
    assert!(
        amps(&in_phase, "defrost") < 0.3,
        "{}",
        amps(&in_phase, "defrost")
    );
    // Opposed: hand-worked, 53.8 V round 2 x (1.73 + 0.05) ohm and some 1.5 ohm of copper and
    // contacts are more than 10 A: a fuse opens.
    assert!(solve(&two_supplies(true, true), "Y1 G W1", true).fuse_open());
    // Commons apart: no way round, whatever the phase, but insulation and coupling: some 5 nF
    // between 54 V, 2 uS, are 0.1 mA.
    for opposed in [false, true] {
        let apart = solve(&two_supplies(opposed, false), "Y1 G W1", true);
        assert!(!apart.fuse_open());
        assert!(
            amps(&apart, "defrost") < 5e-4,
            "{}",
            amps(&apart, "defrost")
        );
    }
}

/// Uncalled, the fed line has no way back where the commons lie apart.
#[test]
fn with_commons_apart_it_feeds_no_load_of_the_other_supply() {
    let w1 = Terminal::known("W1");
    let apart = solve(&two_supplies(false, false), "Y1 G", true);
    assert_eq!(apart.load_state(&w1), Some(LoadState::DroppedOut));
    assert!(volts(&apart, "W1", Place::Equipment) < 0.5);
    let joined = solve(&two_supplies(false, true), "Y1 G", true);
    assert_eq!(joined.load_state(&w1), Some(LoadState::PulledIn));
}
