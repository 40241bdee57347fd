//! Without a named person's word nothing closes.

use super::house::{ATTENTIVE, Person, run};
use crate::runner::harness::{Case, Ran};
use coilcall::domain::Verdict;
use coilcall::event::{EventKind, FinishReason};

const HEAT_PUMP: &str = "heat-pump-1-stage-electric-o";

fn case() -> Case {
    Case::new(HEAT_PUMP, "harness-inputs")
}

fn assert_unarmed(ran: &Ran, why: &str) {
    assert_eq!(ran.outcome.reason, FinishReason::Stopped);
    assert_eq!(ran.verdict(), Verdict::Inconc);
    assert!(ran.outcome.note.contains(why), "{}", ran.outcome.note);
    assert!(!ran.outcome.relay_was_closed, "nothing closed");
    for event in &ran.events {
        match &event.kind {
            EventKind::RelaysSet(set) => assert!(set.intended.is_empty()),
            EventKind::Armed { .. } => panic!("armed"),
            _ => {}
        }
    }
    assert_eq!(ran.simulator.machine_runs(), []);
}

#[test]
fn nobody_named_nothing_closes() {
    let ran = run(
        case(),
        Person {
            arms: false,
            ..ATTENTIVE
        },
    );
    assert_unarmed(&ran, "no named person");
}

#[test]
fn one_point_denied_and_nothing_closes() {
    for check in [
        "mains-isolation",
        "outdoor-temperature",
        "crankcase-heat",
        "valves-open",
        "filters-in",
    ] {
        let key: &'static str = Box::leak(format!("confirm:{check}").into_boxed_str());
        let ran = run(
            case(),
            Person {
                says_no_to: key,
                ..ATTENTIVE
            },
        );
        assert_unarmed(&ran, check);
    }
}

#[test]
fn a_silent_person_has_confirmed_nothing() {
    let ran = run(
        case(),
        Person {
            silent_on: "confirm:valves",
            ..ATTENTIVE
        },
    );
    assert_unarmed(&ran, "nobody answered");
}

#[test]
fn a_file_or_a_browser_confirms_nothing_unless_the_bench_is_simulated() {
    for via in ["file", "web", "simulated"] {
        let ran = run(case(), Person { via, ..ATTENTIVE });
        assert_unarmed(&ran, "not armed");
    }
    let ran = run(
        case(),
        Person {
            via: "file",
            stamped: true,
            ..ATTENTIVE
        },
    );
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
}

#[test]
fn what_was_confirmed_is_recorded_with_the_name_committed_to() {
    let ran = run(case(), ATTENTIVE);
    let armed = ran.events.iter().find_map(|event| match &event.kind {
        EventKind::Armed { by, confirmed } => Some((by.as_str(), confirmed.clone())),
        _ => None,
    });
    let (by, confirmed) = armed.expect("armed");
    assert_eq!(by, "commitment");
    let points = [
        "mains-isolation",
        "outdoor-temperature",
        "crankcase-heat",
        "valves-open",
        "filters-in",
    ];
    assert_eq!(confirmed, points);
}

#[test]
fn a_boiler_asks_for_its_water_and_a_furnace_for_no_crankcase() {
    let checks = |profile: &str| {
        let profile = crate::runner::harness::profile(profile);
        let real = coilcall::domain::bench_map::Loads::Real;
        let checks = coilcall::domain::Check::applying(&profile, real);
        checks.iter().map(|check| check.word()).collect::<Vec<_>>()
    };
    assert!(checks("heat-pump-and-boiler-radiators-adds-o").contains(&"water-in-boiler"));
    let furnace = checks("furnace-2-stage-electric-no-cooling");
    assert_eq!(furnace, ["mains-isolation", "filters-in"]);
}
