//! Stops open everything at once, whatever timer runs.

use super::house::{ATTENTIVE, Person, assert_no_harm, commanded, relay_of, run, seconds, spans};
use crate::runner::harness::{Case, Ran, stock};
use coilcall::config::parse_bench;
use coilcall::domain::{Machine, Verdict};
use coilcall::event::{EventKind, FinishReason, RelayReason};
use std::path::Path;

fn case() -> Case {
    Case::new("heat-pump-1-stage-electric-o", "harness-inputs")
}

/// When every relay had read back open at the end.
fn made_safe_at(ran: &Ran) -> f64 {
    let mut safe = ran
        .events
        .iter()
        .rev()
        .filter_map(|event| match &event.kind {
            EventKind::RelaysSet(set) if set.reason == RelayReason::MakeSafe => {
                set.confirmed_us.map(seconds)
            }
            _ => None,
        });
    safe.next().expect("made safe")
}

#[test]
fn a_cancel_overrides_minimum_on_and_fan_hold() {
    // 100 s after the question that comes seconds after the compressor's start.
    let person = Person {
        cancels: Some(("machines:cooling-1", 40)),
        ..ATTENTIVE
    };
    let ran = run(case(), person);
    assert_eq!(ran.outcome.reason, FinishReason::Cancelled);
    let y = commanded(&ran, &relay_of(&ran, "Y1"));
    let (on, off) = (y[0].1, y[1].1);
    assert!(
        off - on < 60.0,
        "minimum-on did not hold it: {} s",
        off - on
    );
    let fan = commanded(&ran, &relay_of(&ran, "G")).last().expect("G").1;
    assert!((fan - off).abs() < 0.001, "everything opens together");
    assert_no_harm(&ran, "cancel");
}

#[test]
fn a_silent_person_is_a_release() {
    let ran = run(
        case(),
        Person {
            silent_on: "machines:cooling-1",
            ..ATTENTIVE
        },
    );
    assert_eq!(ran.outcome.reason, FinishReason::Stopped);
    assert_eq!(ran.verdict(), Verdict::Inconc);
    let longest = spans(&ran, &Machine::Compressor)[0];
    assert!(longest < 62.0, "{longest}");
    assert_no_harm(&ran, "silent");
}

#[test]
fn a_person_who_feels_no_air_stops_the_heat_that_would_follow() {
    let ran = run(
        case(),
        Person {
            says_no_to: "air:emergency",
            ..ATTENTIVE
        },
    );
    assert_eq!(ran.outcome.reason, FinishReason::Stopped);
    assert_eq!(spans(&ran, &Machine::Heat), Vec::<f64>::new());
}

#[test]
fn a_lost_link_is_a_stop_and_the_watchdog_ends_what_runs() {
    // The compressor runs by then; the relay board opens by itself 30 s after the last request.
    let started = {
        let ran = run(case(), ATTENTIVE);
        commanded(&ran, &relay_of(&ran, "Y1"))[0].1
    };
    let fault: &'static str =
        Box::leak(format!("unplug:board@{}", started + 60.0).into_boxed_str());
    let ran = run(case().link_faults(&[fault]), ATTENTIVE);
    assert!(!ran.outcome.made_safe && ran.outcome.relay_was_closed);
    assert_eq!(ran.verdict(), Verdict::Error);
    let longest = spans(&ran, &Machine::Compressor)[0];
    assert!(longest <= 60.0 + 31.0, "{longest}");
}

#[test]
fn a_line_that_pulls_the_supply_down_opens_everything_at_once() {
    let ran = run(case().faults(&["short:W2,C"]), ATTENTIVE);
    assert_eq!(ran.outcome.reason, FinishReason::Stopped);
    assert!(
        ran.outcome.note.contains("supply went dead as W2"),
        "{}",
        ran.outcome.note
    );
    let w = commanded(&ran, &relay_of(&ran, "W2"));
    assert!(w[1].1 - w[0].1 < 2.0, "{w:?}");
    assert_no_harm(&ran, "short");
}

#[test]
fn a_dead_supply_is_waited_for_a_while_and_nothing_closes() {
    let ran = run(case().faults(&["fuse-open"]), ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Inconc, "{}", ran.outcome.note);
    assert!(!ran.outcome.relay_was_closed);
}

#[test]
fn a_line_live_with_every_relay_open_is_not_confirmed_safe() {
    let ran = run(case().faults(&["jumper:R,Y1"]), ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Fail);
    let live: Vec<&str> = ran
        .outcome
        .still_live
        .iter()
        .map(|line| line.as_str())
        .collect();
    assert_eq!(live, ["Y1"]);
    assert!(
        !ran.outcome.relay_was_closed,
        "nothing was called on top of it"
    );
}

#[test]
fn a_welded_relay_is_found_before_anything_else_is_called() {
    let ran = run(case().faults(&["stuck-closed:Y1"]), ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Fail, "{}", ran.outcome.note);
    let longest = spans(&ran, &Machine::Compressor);
    assert!(longest.iter().all(|span| *span < 2.0), "{longest:?}");
    assert_no_harm(&ran, "welded");
    assert!(made_safe_at(&ran) > 0.0);
}

/// The same harness with its master on a board of its own, which comes last by name.
fn master_apart() -> Case {
    let text = std::fs::read_to_string(stock("benches", "harness-inputs")).expect("text");
    let text = text
        .replace(
            "master = { device = \"board\", coil = 15 }",
            "master = { device = \"zone\", coil = 0 }",
        )
        .replace(
            "[supply]",
            "[device.zone]\nlink = \"board\"\nmodbus-rtu = { unit = 2, coils = 8 }\n\n[supply]",
        );
    let mut case = case();
    case.bench = parse_bench(Path::new("apart.toml"), text)
        .unwrap_or_else(|errors| panic!("{errors}"))
        .map;
    case
}

#[test]
fn the_master_opens_first() {
    let person = Person {
        cancels: Some(("machines:cooling-1", 20)),
        ..ATTENTIVE
    };
    let ran = run(master_apart(), person);
    assert_eq!(ran.outcome.reason, FinishReason::Cancelled);
    let safe: Vec<&str> = ran
        .events
        .iter()
        .filter_map(|event| match &event.kind {
            EventKind::RelaysSet(set) if set.reason == RelayReason::MakeSafe => {
                Some(set.device.as_str())
            }
            _ => None,
        })
        .collect();
    let last: Vec<&&str> = safe.iter().rev().take(2).rev().collect();
    assert_eq!(
        last,
        [&"zone", &"board"],
        "on one link the first sent is the first answered"
    );
    assert_no_harm(&ran, "master");
}
