//! The supply budget and the bands of expected readings.

use super::plants::{closed, profile, terminals};
use coilcall::domain::Call;
use coilcall::domain::circuit::{
    Budget, CallBudget, Circuit, CircuitValues, LoadState, LongestRun, Protection, SupplyValues,
    Tolerances, bands,
};
use coilcall::units::Place;

const TWO_STAGES: &str = "two-stage-heat-pump";

fn thin_cable(feet: f64) -> CircuitValues {
    let mut values = CircuitValues::default();
    values.cable.gauge_awg = 24.0;
    values.cable.feet = feet;
    values
}

#[test]
fn a_sound_installation_has_no_warning() {
    let budget = Budget::of(&profile(TWO_STAGES), None, &CircuitValues::default())
        .expect("values of physics");
    assert_eq!(budget.warnings(), Vec::<String>::new());
    // Hand-worked for cooling-2: 9 + 6 + 4 + 7 VA sealed, Y1's inrush of 28.8 in place of 9, and
    // what always draws: 2 VA of the controller's 288 ohm, 4 VA of the outdoor board's 144 ohm,
    // each a little less for the cable in series.
    let cooling = budget
        .calls
        .iter()
        .find(|c| c.call == Call::Cooling(2))
        .expect("applies");
    let wanted = cooling.supplies[0].wanted;
    assert!((wanted.0 - 51.8).abs() < 0.1, "{wanted}");
    assert!(cooling.supplies[0].drawn < cooling.supplies[0].rated);
    for load in &cooling.loads {
        assert!((0.0..2.0).contains(&load.drop.0), "{load:?}");
    }
}

#[test]
fn a_call_that_cannot_pull_in_says_the_run_that_would() {
    let profile = profile(TWO_STAGES);
    let budget = Budget::of(&profile, None, &thin_cable(400.0)).expect("values of physics");
    let cooling = budget
        .calls
        .iter()
        .find(|c| c.call == Call::Cooling(2))
        .expect("applies");
    let LongestRun::Feet(feet) = cooling.longest_run else {
        panic!("{:?}", cooling.longest_run);
    };
    let warnings = budget.warnings();
    let expected = format!("it would with a run of {feet:.0} ft");
    assert!(
        warnings
            .iter()
            .any(|w| w.starts_with("cooling-2: cannot pull in Y1") && w.ends_with(&expected)),
        "{warnings:?}"
    );
    for (factor, all_in) in [(0.999, true), (1.01, false)] {
        let circuit = Circuit::new(&profile, None, thin_cable(feet * factor)).expect("sound");
        let solution = circuit.solve(&closed("Y1 Y2 G O")).expect("solvable");
        let called = terminals(&["Y1", "Y2", "G", "O"]);
        let pulls = |line| solution.load_state(line) == Some(LoadState::PulledIn);
        assert_eq!(called.iter().all(pulls), all_in, "{factor} of {feet} ft");
    }
}

#[test]
fn the_longest_run_of_one_relay_by_hand() {
    // Furnace, fan only, 24 AWG (25.668 ohm per kft), nothing else connected: 26.9 V must leave
    // 18 V on the relay's unsealed 90 ohm at power factor 0.6, 54 + j72, so the loop may have
    // 134.5 ohm. With j0.55 of source and cable the resistance may be 113.25; less 54, the source
    // 1.73, fuse 0.05, contact 0.05 and four joints 0.04, both conductors have 57.38 ohm: 1118 ft.
    let mut values = thin_cable(100.0);
    values.controller_ohms = None;
    let budget = Budget::of(&profile("furnace-and-cooling"), None, &values).expect("sound");
    let fan = budget
        .calls
        .iter()
        .find(|c| c.call == Call::FanOnly)
        .expect("applies");
    let LongestRun::Feet(feet) = fan.longest_run else {
        panic!("{:?}", fan.longest_run);
    };
    assert!((feet - 1118.0).abs() < 3.0, "{feet}");
}

/// One fan relay of 4 VA at power factor 0.6 on 100 ft of 18 AWG, and nothing else.
fn fan_relay_alone(fuse_opens_above_amps: f64) -> Budget {
    let mut values = CircuitValues {
        controller_ohms: None,
        ..CircuitValues::default()
    };
    values.supply.protection = Protection::Fuse {
        ohms: 0.05,
        opens_above_amps: fuse_opens_above_amps,
    };
    Budget::of(&profile("furnace-and-cooling"), None, &values).expect("sound")
}

fn fan_only(budget: &Budget) -> &CallBudget {
    let mut calls = budget.calls.iter();
    calls.find(|c| c.call == Call::FanOnly).expect("applies")
}

#[test]
fn inrush_draw_and_drop_of_one_relay_by_hand() {
    // Around the loop: source 1.73 + j0.4, fuse 0.05, two conductors of 0.6385 + j0.0068, four
    // joints 0.04, contact 0.05 ohm. Unsealed 54 + j72: 57.15 + j72.41, 92.25 ohm, 0.2916 A.
    // Sealed 86.4 + j115.2: 89.55 + j115.61, 146.24 ohm, 0.1839 A. Behind the fuse 87.77 + j115.21
    // have 26.64 V, the coil 26.49 V; before it 26.65 V, 4.90 VA. Wanted: the relay's inrush,
    // 1.6 times 4 VA.
    let budget = fan_relay_alone(4.05);
    let fan = fan_only(&budget);
    let (supply, load) = (&fan.supplies[0], &fan.loads[0]);
    for (what, got, expected, within) in [
        ("inrush A", supply.inrush.0, 0.2916, 2e-4),
        ("supply V", supply.volts.0, 26.64, 5e-3),
        ("drawn VA", supply.drawn.0, 4.90, 5e-3),
        ("load V", load.volts.0, 26.49, 5e-3),
        ("drop V", load.drop.0, 0.154, 2e-3),
        ("sealed VA", load.sealed.0, 4.0, 1e-9),
        ("inrush VA", load.inrush.0, 6.4, 1e-9),
        ("wanted VA", supply.wanted.0, 6.4, 0.01),
    ] {
        assert!(
            (got - expected).abs() < within,
            "{what}: {got} for {expected}"
        );
    }
    assert_eq!(fan.warnings(), Vec::<String>::new());
}

#[test]
fn each_of_two_supplies_is_sized_for_its_own_loads() {
    // Hand-worked for auxiliary heat: Y1 and G on Rc, 9 + 4 VA with Y1's inrush of 28.8 in place
    // of 9, and 2 + 4 VA of controller and outdoor board, a little less for their cables; W1, a
    // heater of 5 VA, on Rh.
    let budget = Budget::of(
        &profile("heat-pump-and-boiler"),
        None,
        &CircuitValues::default(),
    )
    .expect("sound");
    let call = Call::AuxiliaryHeat(1);
    let heat = budget
        .calls
        .iter()
        .find(|c| c.call == call)
        .expect("applies");
    let wanted: Vec<f64> = heat.supplies.iter().map(|supply| supply.wanted.0).collect();
    assert!(
        (wanted[0] - 38.8).abs() < 0.1 && (wanted[1] - 5.0).abs() < 0.01,
        "{wanted:?}"
    );
}

#[test]
fn inrush_above_the_fuse_is_said_though_the_fuse_outlasts_it() {
    // 0.2916 A of inrush and 0.1839 A held, by the loop above.
    let told = |amps| fan_only(&fan_relay_alone(amps)).warnings();
    let expected = "fan-only: inrush of 0.29 A from R is above the 0.25 A of its fuse; only a \
                    slow fuse outlasts that";
    assert_eq!(told(0.25), [expected]);
    assert_eq!(told(0.30), Vec::<String>::new());
    let opens = told(0.15);
    assert!(
        opens.contains(&"fan-only: the fuse of R opens".to_owned()),
        "{opens:?}"
    );
}

#[test]
fn a_supply_too_weak_for_its_calls_is_named_so() {
    let values = CircuitValues {
        supply: SupplyValues {
            rated_volt_amperes: 10.0,
            ..SupplyValues::default()
        },
        ..CircuitValues::default()
    };
    let budget = Budget::of(&profile(TWO_STAGES), None, &values).expect("values of physics");
    let warnings = budget.warnings();
    let says = |words: &str| warnings.iter().any(|warning| warning.contains(words));
    assert!(says("the supply is too weak"), "{warnings:?}");
    assert!(says("drawn from R, rated 10 VA"), "{warnings:?}");
}

#[test]
fn bands_hold_what_their_tolerances_allow() {
    let profile = profile(TWO_STAGES);
    let values = CircuitValues::default();
    let read = |tolerances: &Tolerances, lines: &str| {
        let given = (&values, tolerances);
        bands(&profile, None, given, &closed(lines), Place::Equipment).expect("sound")
    };
    let all = read(&Tolerances::default(), "Y1 G O");
    for (line, band) in &all {
        assert!(
            band.low <= band.nominal && band.nominal <= band.high,
            "{line}: {band:?}"
        );
        let called = ["Y1", "G", "O"].contains(&line.as_str());
        assert_eq!(band.low.0 >= 18.0, called, "{line}: {band:?}");
        assert_eq!(band.high.0 <= 5.0, !called, "{line}: {band:?}");
    }
    // With the supply's 10 % alone every line moves by 10 %: the circuit is linear.
    let supply_alone = Tolerances {
        supply_volts: 0.1,
        source_impedance: 0.0,
        length: 0.0,
        coils: 0.0,
        coupling: 0.0,
        joint_ohms: 0.0,
    };
    for (line, band) in read(&supply_alone, "G") {
        assert!(
            (band.high.0 / band.nominal.0 - 1.1).abs() < 1e-9,
            "{line}: {band:?}"
        );
        assert!(
            (band.low.0 / band.nominal.0 - 0.9).abs() < 1e-9,
            "{line}: {band:?}"
        );
    }
}
