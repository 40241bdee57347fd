//! Single parts of the circuit: the primary, solid-state outputs, indicators.

use super::plants::{closed, faults, profile, with_values};
use coilcall::domain::circuit::{Circuit, CircuitValues, CoilValues, SolidStateValues};
use coilcall::domain::profile::{Accessory, Active, Direction};
use coilcall::domain::{Profile, ProfileDraft};
use coilcall::units::{Place, Terminal};

const HEAT_PUMP: &str = "one-stage-heat-pump";

fn terminal(name: &'static str) -> Terminal {
    Terminal::known(name)
}

/// A line that the equipment drives has an indicator at the controller; nothing drives it there.
#[test]
fn an_indicator_shows_what_the_equipment_drives() {
    let heat_pump = profile(HEAT_PUMP);
    let mut draft = ProfileDraft {
        name: Some("with a fault lamp".to_owned()),
        kind: Some(heat_pump.kind()),
        compressor_stages: Some(1),
        heat_stages: Some(1),
        changeover: heat_pump.changeover(),
        fan_in_heat: heat_pump.fan_in_heat(),
        ..ProfileDraft::default()
    };
    draft.accessories.push(Accessory {
        terminal: terminal("L"),
        direction: Direction::Input,
        active: Active::On,
        on_in: Vec::new(),
        either_in: Vec::new(),
    });
    let plant = Profile::new(draft).expect("a sound profile");
    let healthy = Circuit::new(&plant, None, CircuitValues::default()).expect("sound values");
    let lamp_amps = |written: &str| {
        let faulty = healthy
            .with_faults(&faults(written))
            .expect("it makes sense");
        let solution = faulty.solve(&closed("L")).expect("solvable");
        let branches = solution.branches();
        let lamp = branches.iter().find(|(name, _)| *name == "indicator L");
        lamp.expect("there is an indicator").1.norm()
    };
    // Hand-worked: some 26.4 V on 2.4 kohm are 11 mA; nothing but its neighbours feeds it else.
    let fed = lamp_amps("backfeed:L");
    assert!((fed - 0.011).abs() < 2e-4, "{fed}");
    assert!(lamp_amps("") < 1e-4, "{}", lamp_amps(""));
}

#[test]
fn mains_at_the_ends_of_their_range_move_every_line_in_proportion() {
    // ANSI C84.1 range A, service (from memory): 114 to 126 V on a 120 V tap.
    let read = |mains_volts: f64| {
        let mut values = CircuitValues::default();
        values.supply.mains_volts = mains_volts;
        let solution = with_values(HEAT_PUMP, "", values)
            .solve(&closed("Y1 G O"))
            .expect("solvable");
        let volts = solution.volts(&terminal("Y1"), Place::Equipment);
        volts.expect("wired").0
    };
    for mains in [114.0, 126.0] {
        let ratio = read(mains) / read(120.0);
        assert!((ratio - mains / 120.0).abs() < 1e-9, "{mains}: {ratio}");
    }
}

#[test]
fn a_solid_state_output_does_not_stay_on_below_its_least_load() {
    // A load of 5 kohm takes 5 mA, less than the 20 mA that hold the output on. Hand-worked: what
    // is left is the snubber, 12 kohm at nearly a right angle (100 ohm in phase), before 5 kohm:
    // 26.6 V x 5000 / |5100 - j12000| = 10.2 V.
    let coil = CoilValues {
        sealed_ohms: 5000.0,
        unsealed_ohms: 5000.0,
        power_factor: 1.0,
        dc_ohms: 5000.0,
        ..CoilValues::default_for(&terminal("G"))
    };
    let mut values = CircuitValues {
        solid_state: Some(SolidStateValues::default()),
        ..CircuitValues::default()
    };
    values.coils.insert(terminal("G"), coil);
    let read = |fault: &str, values: &CircuitValues| {
        let solution = with_values(HEAT_PUMP, fault, values.clone())
            .solve(&closed("G"))
            .expect("solvable");
        let volts = solution.volts(&terminal("G"), Place::Equipment);
        volts.expect("wired").0
    };
    let starved = read("", &values);
    assert!((starved - 10.2).abs() < 0.15, "{starved}");
    // One that is shorted through needs no load; a relay neither.
    assert!(read("stuck-closed:G", &values) > 26.0);
    let relays = CircuitValues {
        solid_state: None,
        ..values.clone()
    };
    assert!(read("", &relays) > 26.0);
    // The usual fan relay's 0.17 A hold it.
    values.coils.clear();
    assert!(read("", &values) > 24.0);
}

#[test]
fn a_solid_state_output_leaks_volts_without_a_load_and_next_to_none_with_it() {
    let values = CircuitValues {
        solid_state: Some(SolidStateValues::default()),
        ..CircuitValues::default()
    };
    let read = |fault: &str| {
        let solution = with_values(HEAT_PUMP, fault, values.clone())
            .solve(&closed(""))
            .expect("solvable");
        solution
            .volts(&terminal("G"), Place::Equipment)
            .expect("wired")
            .0
    };
    // Hand-worked: 2 mA through the unsealed fan relay's 90 ohm is 0.18 V.
    assert!((read("") - 0.18).abs() < 0.04, "{}", read(""));
    assert!(read("coil-open:G") > 18.0, "{}", read("coil-open:G"));
}
