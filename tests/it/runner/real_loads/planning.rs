//! What is planned on real loads, and what is refused.

use crate::runner::harness::{Case, bench, profile};
use coilcall::domain::bench_map::UnderTest;
use coilcall::domain::plan::{CurrentBand, PlanError, make_plan};
use coilcall::domain::{Call, Expected};
use coilcall::units::{Ohms, Terminal};

const HEAT_PUMP: &str = "heat-pump-1-stage-electric-o";

#[test]
fn no_line_but_the_changeover_is_ever_driven_alone() {
    let plan = Case::new("heat-pump-2-stage-electric-o", "harness-inputs").plan();
    let alone: Vec<String> = plan
        .steps
        .iter()
        .filter(|step| matches!(step.call, Call::Alone(_)))
        .map(|step| step.call.to_string())
        .collect();
    assert_eq!(alone, ["alone:O"]);
    let alone = plan
        .steps
        .iter()
        .find(|step| step.call == Call::Alone(Terminal::known("O")));
    let names: Vec<&str> = alone
        .expect("planned")
        .drive
        .iter()
        .map(Terminal::as_str)
        .collect();
    assert_eq!(names, ["O", "G"], "with the fan on");
    let asked = [Call::Alone(Terminal::known("Y1"))];
    let refused = make_plan(&profile(HEAT_PUMP), &bench("harness-inputs"), Some(&asked));
    assert!(
        matches!(refused, Err(PlanError::NotDriven { .. })),
        "{refused:?}"
    );
}

#[test]
fn what_makes_a_call_safe_is_made_though_it_was_not_asked_for() {
    let asked = [Call::Cooling(1)];
    let plan = make_plan(&profile(HEAT_PUMP), &bench("harness-inputs"), Some(&asked));
    let calls: Vec<String> = plan
        .expect("it can be made")
        .steps
        .iter()
        .map(|step| step.call.to_string())
        .collect();
    assert_eq!(calls, ["idle", "fan-only", "alone:O", "cooling-1"]);
}

#[test]
fn a_fan_that_may_be_either_in_heat_is_driven_on() {
    let plan = Case::new("dual-fuel-1-stage-o", "harness-inputs").plan();
    let fan = Terminal::known("G");
    let heat: Vec<_> = plan
        .steps
        .iter()
        .filter(|step| step.call.is_heat())
        .collect();
    let table = coilcall::domain::TruthTable::of(&profile("dual-fuel-1-stage-o"));
    for step in heat {
        let cell = &table.row(&step.call).expect("a row").cells[&fan];
        if cell.expected == Expected::Either {
            assert!(step.drive.contains(&fan), "{}", step.call);
            assert_eq!(step.cells[&fan].expected, Expected::On);
        }
    }
}

#[test]
fn real_loads_need_relays_and_are_no_room_controllers() {
    let mut by_hand = bench("harness-inputs");
    for line in by_hand.lines.values_mut() {
        line.drive = None;
    }
    let refused = make_plan(&profile(HEAT_PUMP), &by_hand, None);
    assert_eq!(refused, Err(PlanError::NoRelays));
    let mut controller = bench("harness-inputs");
    controller.under_test = UnderTest::Controller;
    let refused = make_plan(&profile(HEAT_PUMP), &controller, None);
    assert!(
        matches!(refused, Err(PlanError::Unsupported { .. })),
        "{refused:?}"
    );
}

#[test]
fn a_coils_current_lies_within_its_band() {
    // Hand-worked: 64 ohm takes 24 / 64 = 0.375 A; from 18 / 64 * 0.8 to 30 / 64 * 1.2.
    let band = CurrentBand::of_coil(Ohms(64.0));
    assert!((band.from_amps - 0.225).abs() < 1e-9 && (band.to_amps - 0.5625).abs() < 1e-9);
    assert!(band.holds(0.375, 0.01) && !band.holds(0.0, 0.01) && !band.holds(2.0, 0.01));
    // 0.24 A lies inside, and with U = 2 * 0.01 A it may lie outside.
    assert!(band.holds(0.24, 0.001) && !band.holds(0.24, 0.01));
}
