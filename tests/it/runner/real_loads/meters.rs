//! Harnesses with a voltmeter, and equipment with two supplies.

use super::house::{ATTENTIVE, Person, assert_no_harm, commanded, relay_of, run, spans};
use crate::runner::harness::{Case, Ran, stock};
use coilcall::config::parse_bench;
use coilcall::domain::{Machine, Verdict};
use coilcall::event::{EventKind, FinishReason};
use coilcall::units::Quantity;
use std::path::Path;

const HEAT_PUMP: &str = "heat-pump-1-stage-electric-o";
const METER: &str = "harness-meter";

/// Of a multiplexer never two relays are closed.
pub(super) fn assert_one_channel_at_a_time(ran: &Ran, device: &str) {
    let mut closings = 0;
    for event in &ran.events {
        if let EventKind::RelaysSet(set) = &event.kind
            && set.device.as_str() == device
        {
            assert!(set.intended.len() <= 1, "{:?}", set.intended);
            closings += set.intended.len();
        }
    }
    assert!(closings > 0, "the multiplexer was never used");
}

#[test]
fn a_multiplexed_meter_reads_every_line_and_the_supply() {
    for seed in [1, 2, 3] {
        let ran = run(Case::new(HEAT_PUMP, METER).seed(seed), ATTENTIVE);
        assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
        assert_one_channel_at_a_time(&ran, "mux");
        assert_no_harm(&ran, "meter");
        let volts = ran.events.iter().filter(
            |event| matches!(&event.kind, EventKind::Read(r) if r.quantity == Quantity::AcVolts),
        );
        assert!(volts.count() > 100);
    }
}

#[test]
fn an_answer_in_the_middle_of_a_look_leaves_no_channel_closed() {
    // The supply is read through the multiplexer every 5 s for some 100 ms: answers that come at
    // each of these moments meet a closed channel.
    fn late(key: &str, _before: usize) -> Option<&'static str> {
        (key == "warmth:cooling-1").then_some("colder")
    }
    for seed in 1..=20 {
        let person = Person {
            says: late,
            ..ATTENTIVE
        };
        let ran = run(Case::new(HEAT_PUMP, METER).seed(seed), person);
        assert_eq!(ran.verdict(), Verdict::Pass, "{seed}: {}", ran.outcome.note);
        assert_one_channel_at_a_time(&ran, "mux");
    }
}

#[test]
fn crossed_wires_are_stopped_behind_a_meter_too() {
    for (fault, machine) in [
        ("swap:Y1,G", Machine::Compressor),
        ("swap:O,W2", Machine::Heat),
        ("swap:G,W2", Machine::Heat),
        ("swap:Y1,W2", Machine::Compressor),
        ("jumper:G,Y1", Machine::Compressor),
    ] {
        let ran = run(Case::new(HEAT_PUMP, METER).faults(&[fault]), ATTENTIVE);
        assert_eq!(ran.outcome.reason, FinishReason::Stopped, "{fault}");
        assert_ne!(ran.verdict(), Verdict::Pass, "{fault}");
        assert_no_harm(&ran, fault);
        let longest = spans(&ran, &machine).into_iter().fold(0.0, f64::max);
        assert!(longest > 0.0 && longest < 20.0, "{fault}: {longest} s");
    }
}

#[test]
fn a_line_live_at_rest_that_only_a_meter_saw_is_not_confirmed_safe() {
    let ran = run(
        Case::new(HEAT_PUMP, METER).faults(&["jumper:R,Y1"]),
        ATTENTIVE,
    );
    assert_eq!(ran.verdict(), Verdict::Fail, "{}", ran.outcome.note);
    let live: Vec<&str> = ran.outcome.still_live.iter().map(|l| l.as_str()).collect();
    assert_eq!(live, ["Y1"]);
}

/// The harness whose meter a person moves from line to line.
fn moved_by_hand() -> Case {
    let text = std::fs::read_to_string(stock("benches", METER)).expect("text");
    let text: String = text
        .lines()
        .map(|line| {
            let by_hand = "sense = { device = \"meter\", by_hand = true, load_ohms = 3000 }";
            match line {
                line if line.starts_with("sense = ") && line.contains("coil = 13 }") => {
                    "sense = { device = \"board\", input = 0, end = \"controller\" }"
                }
                line if line.starts_with("sense = ") => by_hand,
                line => line,
            }
        })
        .filter(|line| !line.contains("unit = 2") && !line.starts_with("[device.mux]"))
        .fold(String::new(), |text, line| text + line + "\n")
        .replace(
            "unit = 1, coils = 16,",
            "unit = 1, coils = 16, discrete_inputs = 8,",
        )
        .replace("link = \"boards\"\n\n[device.meter]", "[device.meter]");
    let mut case = Case::new(HEAT_PUMP, METER);
    case.bench = parse_bench(Path::new("hand.toml"), text)
        .unwrap_or_else(|errors| panic!("{errors}"))
        .map;
    case
}

#[test]
fn leads_are_moved_only_once_the_machines_run_as_they_should() {
    let ran = run(moved_by_hand(), ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    assert_no_harm(&ran, "by hand");
    let keys: Vec<String> = ran
        .events
        .iter()
        .filter_map(|event| match &event.kind {
            EventKind::Asked { about, .. } => Some(about.key()),
            _ => None,
        })
        .collect();
    let place = |key: &str| keys.iter().position(|asked| asked == key).expect("asked");
    let machines = place("machines:cooling-1");
    let next = keys[machines + 1].as_str();
    assert_eq!(next, "probe:Y1@controller");
    assert!(keys[..machines].iter().any(|key| key == "air:cooling-1"));
}

#[test]
fn both_supplies_are_watched() {
    for profile in [
        "heat-pump-and-boiler-radiators-adds-o",
        "heat-pump-and-boiler-coil-replaces-o",
        "dual-fuel-1-stage-o",
    ] {
        let ran = run(Case::new(profile, "harness-dual"), ATTENTIVE);
        assert_eq!(
            ran.verdict(),
            Verdict::Pass,
            "{profile}: {}",
            ran.outcome.note
        );
        assert_no_harm(&ran, "hydronic or fuel");
        let rails: std::collections::BTreeSet<String> = ran
            .plan
            .supply_points()
            .map(|point| point.target.to_string())
            .collect();
        assert_eq!(rails.len(), 2, "{rails:?}");
    }
    let boiler = "heat-pump-and-boiler-radiators-adds-o";
    let crossed = Case::new(boiler, "harness-dual").faults(&["coil-short:W1"]);
    let ran = run(crossed, ATTENTIVE);
    assert_ne!(ran.verdict(), Verdict::Pass);
    assert_no_harm(&ran, "hydronic");
}

#[test]
fn a_dead_heating_supply_stops_before_any_call() {
    let boiler = "heat-pump-and-boiler-radiators-adds-o";
    let ran = run(
        Case::new(boiler, "harness-dual").faults(&["open:Rh"]),
        ATTENTIVE,
    );
    assert_eq!(ran.verdict(), Verdict::Inconc, "{}", ran.outcome.note);
    assert!(
        ran.outcome.note.contains("supply is dead"),
        "{}",
        ran.outcome.note
    );
    assert!(commanded(&ran, &relay_of(&ran, "G")).is_empty());
}
