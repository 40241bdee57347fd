//! Minimum-off, minimum-on, cool-down, as the machines saw them.

use super::house::{ATTENTIVE, commanded, relay_of, run, seconds, spans};
use crate::runner::harness::{Case, Ran};
use coilcall::domain::{Machine, Verdict};
use coilcall::event::{EventKind, RelayReason, WaitingFor};

fn first_closing(ran: &Ran) -> f64 {
    let mut closings = ran.events.iter().filter_map(|event| match &event.kind {
        EventKind::RelaysSet(set) if set.reason == RelayReason::Call => Some(seconds(set.sent_us)),
        _ => None,
    });
    closings.next().expect("a call was made")
}

#[test]
fn no_call_of_a_unit_with_a_compressor_comes_before_its_minimum_off() {
    let ran = run(
        Case::new("heat-pump-1-stage-electric-o", "harness-inputs"),
        ATTENTIVE,
    );
    assert!(
        first_closing(&ran) >= 300.0,
        "not even the fan: it may be crossed"
    );
    let counted = ran.events.iter().filter(
        |event| matches!(&event.kind, EventKind::Waiting(w) if w.why == WaitingFor::MinimumOff),
    );
    assert!(counted.count() >= 5, "the countdown is said each minute");
}

#[test]
fn a_unit_without_a_compressor_is_not_waited_for() {
    let case = Case::new("furnace-2-stage-electric-no-cooling", "harness-inputs");
    let ran = run(case, ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    assert!(first_closing(&ran) < 60.0);
}

#[test]
fn a_compressor_runs_its_minimum_on_and_rests_its_minimum_off() {
    let ran = run(
        Case::new("heat-pump-1-stage-electric-o", "harness-inputs"),
        ATTENTIVE,
    );
    let runs = spans(&ran, &Machine::Compressor);
    assert_eq!(runs.len(), 2);
    assert!(runs.iter().all(|span| *span >= 180.0), "{runs:?}");
    let y = commanded(&ran, &relay_of(&ran, "Y1"));
    assert!(y[2].1 - y[1].1 >= 300.0, "{y:?}");
}

#[test]
fn the_timers_follow_the_compressor_whichever_letter_calls_it() {
    let case = Case::new("heat-pump-conventional-2-stage-electric", "harness-inputs");
    let ran = run(case, ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    // W1 starts the compressor: it gets its minimum-on, and its own rest after Y's call.
    let runs = spans(&ran, &Machine::Compressor);
    assert!(runs.iter().all(|span| *span >= 180.0), "{runs:?}");
    assert_eq!(ran.simulator.harm().0, 0);
    let w1 = commanded(&ran, &relay_of(&ran, "W1"));
    let y1 = commanded(&ran, &relay_of(&ran, "Y1"));
    let y_ends = y1.last().expect("Y1 was called").1;
    assert!(w1[0].1 - y_ends >= 300.0, "W1 at {w1:?}, Y1 at {y1:?}");
}

#[test]
fn heat_that_replaces_the_compressor_cools_down_before_it_starts() {
    let mut case = Case::new("heat-pump-1-stage-auxiliary-replaces-o", "harness-inputs");
    case.profile = with_cool_down(&case.profile, 900);
    let ran = run(case, ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    let heat_ends = commanded(&ran, &relay_of(&ran, "W2"))
        .last()
        .expect("heat")
        .1;
    let compressor = commanded(&ran, &relay_of(&ran, "Y1"))[0].1;
    assert!(compressor - heat_ends >= 900.0, "{heat_ends} {compressor}");
}

/// The same profile with another cool-down, read from text as a file would be.
fn with_cool_down(profile: &coilcall::domain::Profile, seconds: u32) -> coilcall::domain::Profile {
    let text = format!(
        "name = \"{}\"\n[equipment]\nkind = \"heat-pump\"\ncompressor_stages = 1\n\
         heat_stages = 1\nchangeover = \"o\"\nfan_in_heat = \"controller\"\n\
         auxiliary = \"replaces\"\n[timing]\ncool_down_s = {seconds}\n",
        profile.name()
    );
    coilcall::config::parse_profile(std::path::Path::new("profile.toml"), text)
        .unwrap_or_else(|errors| panic!("{errors}"))
        .profile
}

#[test]
fn the_house_shows_a_short_cycle_and_heat_without_air() {
    // The yardstick itself: without these rules the same house comes to harm.
    let mut case = Case::new("heat-pump-1-stage-electric-o", "harness-inputs");
    case.bench.master = None;
    case.bench.loads = coilcall::domain::bench_map::Loads::Dummy;
    case.bench.under_test = coilcall::domain::bench_map::UnderTest::Wiring;
    let plan = case.plan();
    case.bench.loads = coilcall::domain::bench_map::Loads::Real;
    let ran = super::house::run_plan(case, plan);
    let (short_cycles, _) = ran.simulator.harm();
    assert!(short_cycles > 0);
    assert!(!spans(&ran, &Machine::Heat).is_empty());
}

#[test]
fn electric_heat_keeps_its_blower_for_90_s_whatever_the_profile_says() {
    for (fan_off, at_least, at_most) in [(10, 90.0, 95.0), (150, 150.0, 155.0)] {
        let text = format!(
            "name = \"Strips\"\n[equipment]\nkind = \"heat-pump\"\ncompressor_stages = 1\n\
             heat_stages = 1\nchangeover = \"o\"\nfan_in_heat = \"controller\"\n\
             [timing]\nfan_off_delay_s = {fan_off}\n"
        );
        let profile = coilcall::config::parse_profile(std::path::Path::new("p.toml"), text);
        let profile = profile.unwrap_or_else(|errors| panic!("{errors}")).profile;
        let mut case = Case::new("heat-pump-1-stage-electric-o", "harness-inputs");
        case.profile = profile;
        let ran = run(case, ATTENTIVE);
        assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
        let heat_ends = commanded(&ran, &relay_of(&ran, "W2"))[1].1;
        let fan = commanded(&ran, &relay_of(&ran, "G"));
        let fan_ends = fan.iter().find(|(closed, at)| !closed && *at > heat_ends);
        let held = fan_ends.expect("G opens").1 - heat_ends;
        assert!((at_least..at_most).contains(&held), "{held} s");
    }
}
