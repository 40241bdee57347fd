//! Values at the ends of what can be written, and names that mean something to an outside solver.

use super::outside_solver::{node_numbers, solve_outside};
use super::plants::{circuit, closed, profile, with_values};
use coilcall::domain::circuit::{
    CableValues, Circuit, CircuitError, CircuitValues, ContactValues, Fault,
};
use coilcall::domain::profile::{
    Accessory, Active, Changeover, Direction, FanInHeat, Kind, ProfileDraft,
};
use coilcall::domain::{Profile, TruthTable};
use coilcall::units::Terminal;

/// Whatever number a fault has, it is solved with finite volts or refused in words that name it.
#[test]
fn numbers_at_the_ends_are_solved_or_refused() {
    let numbers = [
        "0", "1e-300", "1e-30", "1e-9", "1e-3", "1", "1e9", "1e30", "1e300", "1e308",
    ];
    let healthy = circuit("two-stage-heat-pump", "");
    for number in numbers {
        for fault in [
            format!("resistance:Y1={number}"),
            format!("resistance:C={number}@middle"),
            format!("resistance:R={number}@controller"),
            format!("short:Y1,G={number}"),
            format!("short:R,C={number}@equipment"),
            format!("supply:{number}"),
            format!("undersized-transformer:{number}"),
            format!("thin-wire:24,{number}"),
            format!("thin-wire:{number},100"),
        ] {
            check_solved_or_refused(&healthy, &fault);
        }
    }
}

fn check_solved_or_refused(healthy: &Circuit, written: &str) {
    let fault: Fault = written.parse().unwrap_or_else(|e| panic!("{written}: {e}"));
    let faulty = match healthy.with_faults(&[fault]) {
        Ok(faulty) => faulty,
        Err(error @ (CircuitError::OutsidePhysics { .. } | CircuitError::Fault(_))) => {
            let said = error.to_string();
            assert!(
                said.contains("expected") || said.contains(written),
                "{said}"
            );
            return;
        }
        Err(other) => panic!("{written}: {other}"),
    };
    for lines in ["", "Y1 G O", "Y1 Y2 G W2"] {
        let solution = faulty
            .solve(&closed(lines))
            .unwrap_or_else(|error| panic!("{written} in '{lines}': {error}"));
        for (node, tension) in solution.nodes() {
            assert!(tension.norm().is_finite(), "{written}: {node}: {tension}");
        }
        let currents = solution.branches();
        assert!(
            currents.iter().all(|(_, amps)| amps.norm().is_finite()),
            "{written} in '{lines}'"
        );
    }
}

/// The ends of what values may be, all at once, beside faults that leave nodes to their gaps alone.
#[test]
fn values_at_the_ends_of_their_ranges_are_solved() {
    let cable = |feet, gauge_awg| CableValues {
        gauge_awg,
        feet,
        henries_per_foot: 0.0,
        coupling_farads_per_foot: 0.0,
        joint_ohms: 1e-4,
        ..CableValues::default()
    };
    for (feet, gauge_awg) in [(0.05, 0.0), (1e5, 40.0)] {
        let values = CircuitValues {
            cable: cable(feet, gauge_awg),
            outdoor_cable: Some(cable(feet, gauge_awg)),
            contacts: ContactValues {
                closed_ohms: 1e-4,
                jumper_ohms: 1e-4,
                open_ohms: 2e9,
                open_farads: 0.0,
                insulation_farads: 0.0,
            },
            common_earthed: false,
            meter_ohms: 1e12,
            ..CircuitValues::default()
        };
        for fault in [
            "",
            "floating:W2",
            "open:Y1 open:Y1@controller",
            "open:C open:C@controller open:C@outdoor",
            "fuse-open",
            "short:R,C=0.0001",
            "coil-open:G open:G",
            "resistance:G=1e9",
        ] {
            let faulty = with_values("two-stage-heat-pump", fault, values.clone());
            for lines in ["", "G", "Y1 Y2 G O W2 E"] {
                let solution = faulty
                    .solve(&closed(lines))
                    .unwrap_or_else(|error| panic!("{feet} ft, {fault} in '{lines}': {error}"));
                for (node, tension) in solution.nodes() {
                    assert!(
                        tension.norm() < 60.0,
                        "{feet} ft, {fault}: {node}: {tension}"
                    );
                }
            }
        }
    }
}

#[test]
fn what_is_no_number_is_refused() {
    for written in [
        "supply:nan",
        "supply:inf",
        "supply:-1",
        "resistance:Y1=NaN",
        "resistance:Y1=-0.1",
        "thin-wire:24",
        "thin-wire:24,100,3",
        "short:Y1,G=1e400",
        "short:Y1,G=",
    ] {
        let refused = written.parse::<Fault>().expect_err(written).to_string();
        assert!(refused.contains(&format!("'{written}'")), "{refused}");
    }
}

/// Terminals and a name that an outside solver would take for words of its own.
fn hostile_profile() -> Profile {
    let accessories = ["GND", "END", "quit", "V1", "R_1/C-2", "ALL", "INC", "X"];
    let accessory = |name| Accessory {
        terminal: Terminal::new(name).expect("a terminal"),
        direction: Direction::Output,
        active: Active::On,
        on_in: Vec::new(),
        either_in: Vec::new(),
    };
    Profile::new(ProfileDraft {
        name: Some(".end * + $ ; \"quit\" Wärmepumpe, 2-stufig".to_owned()),
        kind: Some(Kind::HeatPump),
        compressor_stages: Some(1),
        heat_stages: Some(1),
        changeover: Some(Changeover::O),
        fan_in_heat: Some(FanInHeat::Controller),
        accessories: accessories.map(accessory).into(),
        ..ProfileDraft::default()
    })
    .unwrap_or_else(|problems| panic!("{problems:?}"))
}

/// Outside source: ngspice, which has to give every node's volts whatever the nodes are called.
#[test]
fn no_name_upsets_the_outside_solver() {
    let plant = hostile_profile();
    let healthy = Circuit::new(&plant, None, CircuitValues::default()).expect("sound values");
    let folder = tempfile::tempdir().expect("a folder");
    for (index, (fault, lines)) in [
        ("", "GND END quit V1 G"),
        ("swap:GND,END", "GND"),
        ("short:quit,R_1/C-2=3", "quit"),
        ("floating:ALL", "INC X"),
    ]
    .into_iter()
    .enumerate()
    {
        let faults: Vec<Fault> = fault
            .split_whitespace()
            .map(|f| f.parse().expect("a fault"))
            .collect();
        let faulty = healthy.with_faults(&faults).expect("it makes sense");
        let solution = faulty.solve(&closed(lines)).expect("solvable");
        let title = format!("{}\n.include /nowhere\r\n.end {fault}", plant.name());
        let netlist = solution.to_spice(&title);
        let path = folder.path().join(format!("{index}.cir"));
        std::fs::write(&path, &netlist).expect("written");
        let outside = solve_outside(&path);
        let numbers = node_numbers(&netlist);
        assert_eq!(
            numbers.len(),
            outside.len(),
            "{fault}: every node is printed"
        );
        for (name, tension) in solution.nodes() {
            let (re, im) = outside[&numbers[name]];
            let apart = (tension.re - re).hypot(tension.im - im);
            assert!(
                apart <= (1e-6 * re.hypot(im)).max(1e-6),
                "{fault}: {name}: {tension} against {re} {im:+}i"
            );
        }
    }
}

#[test]
fn a_terminal_that_is_not_at_a_place_is_named_with_those_that_are() {
    use coilcall::units::Place;
    let plant = profile("furnace-and-cooling");
    let solution = circuit("furnace-and-cooling", "")
        .solve(&closed("G"))
        .expect("solvable");
    let refused = solution
        .volts(&Terminal::known("G"), Place::Outdoor)
        .expect_err("G does not go out there");
    assert_eq!(
        refused.to_string(),
        "there is no terminal G at the outdoor here; terminals there: C Y1"
    );
    assert!(
        TruthTable::of(&plant)
            .lines()
            .contains(&Terminal::known("G"))
    );
}
