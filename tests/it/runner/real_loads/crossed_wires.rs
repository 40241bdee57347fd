//! Crossed wires that defeat naive rules: each run stops before harm.

use super::house::{ATTENTIVE, PERSON_ALONE, assert_no_harm, harness, run, spans};
use crate::runner::harness::Case;
use coilcall::domain::{Machine, Verdict};
use coilcall::event::{ChangeoverOutcome, EventKind, FinishReason, RelayReason, ShownBy};

const HEAT_PUMP: &str = "heat-pump-1-stage-electric-o";
const INPUTS: &str = "harness-inputs";
const PERSON: &str = PERSON_ALONE;

/// Everything that was ever driven, in the order of the steps.
fn driven(case: Case) -> (crate::runner::harness::Ran, Vec<String>) {
    let ran = run(case, ATTENTIVE);
    let calls = ran.state.steps.iter().map(|made| {
        let step = ran.plan.step(made.number).expect("planned");
        step.call.to_string()
    });
    let calls = calls.collect();
    (ran, calls)
}

/// The run stops in this call, with this machine having started and stopped again.
fn check(fault: &str, stops_in: &str, wrong: Option<(Machine, f64)>, verdict: Verdict) {
    for bench in [INPUTS, PERSON] {
        check_on(bench, fault, stops_in, wrong.clone(), verdict);
    }
}

fn check_on(
    bench: &str,
    fault: &str,
    stops_in: &str,
    wrong: Option<(Machine, f64)>,
    verdict: Verdict,
) {
    let what = format!("{fault} on {bench}");
    let (ran, calls) = driven(harness(HEAT_PUMP, bench).faults(&[fault]));
    assert_eq!(
        ran.outcome.reason,
        FinishReason::Stopped,
        "{what}: {calls:?}"
    );
    assert_eq!(calls.last().map(String::as_str), Some(stops_in), "{what}");
    assert_eq!(ran.verdict(), verdict, "{what}: {}", ran.outcome.note);
    assert!(ran.outcome.made_safe, "{what}");
    assert_no_harm(&ran, &what);
    if let Some((machine, at_most)) = &wrong {
        let longest = spans(&ran, machine).into_iter().fold(0.0, f64::max);
        assert!(
            longest > 0.0,
            "{what}: {machine} never ran: the test shows nothing"
        );
        assert!(longest <= *at_most, "{what}: {machine} ran for {longest} s");
    }
}

#[test]
fn with_y_and_g_crossed_the_fan_call_starts_the_compressor_for_seconds() {
    let compressor = Some((Machine::Compressor, 15.5));
    check("swap:Y1,G", "fan-only", compressor, Verdict::Inconc);
}

#[test]
fn with_o_and_w2_crossed_the_strips_have_air_and_are_stopped() {
    // O alone would fire the strips with no air: with the fan on they are heard, and stopped.
    let strips = Some((Machine::Heat, 15.0));
    check("swap:O,W2", "alone:O", strips, Verdict::Fail);
}

#[test]
fn with_g_and_w2_crossed_the_strips_end_within_the_air_window() {
    let strips = Some((Machine::Heat, 15.5));
    check("swap:G,W2", "fan-only", strips, Verdict::Inconc);
}

#[test]
fn with_y_and_w2_crossed_emergency_heat_starts_the_compressor_and_is_stopped() {
    let compressor = Some((Machine::Compressor, 15.0));
    check("swap:Y1,W2", "emergency-heat", compressor, Verdict::Fail);
}

#[test]
fn with_o_and_y_crossed_the_changeover_line_starts_the_compressor_and_is_stopped() {
    let compressor = Some((Machine::Compressor, 15.0));
    check("swap:O,Y1", "alone:O", compressor, Verdict::Fail);
}

#[test]
fn without_air_nothing_else_is_called() {
    for fault in ["open:G", "fan-tied", "swap:G,O", "stuck-open:G"] {
        check(fault, "fan-only", None, Verdict::Inconc);
    }
}

#[test]
fn conductors_landed_one_along_are_stopped_at_the_fan() {
    // G drives O's terminal, O drives Y's, Y drives G's.
    check("shift:Y1,G,O", "fan-only", None, Verdict::Inconc);
}

#[test]
fn heat_landed_on_the_valve_leaves_emergency_heat_unheard_and_the_valve_heard() {
    // An input sees W2 live through the valve's terminal as soon as O is driven; a person hears the
    // valve once W2 is.
    check_on(INPUTS, "mislanded:W2,O", "alone:O", None, Verdict::Fail);
    let valve = Some((Machine::Valve, 15.0));
    check_on(
        PERSON,
        "mislanded:W2,O",
        "emergency-heat",
        valve,
        Verdict::Fail,
    );
}

#[test]
fn joined_lines_stop_the_first_call_that_feeds_both() {
    let compressor = Some((Machine::Compressor, 15.0));
    check(
        "jumper:Y1,W2",
        "emergency-heat",
        compressor.clone(),
        Verdict::Fail,
    );
    check("jumper:G,Y1", "fan-only", compressor, Verdict::Fail);
    check(
        "jumper:G,W2",
        "fan-only",
        Some((Machine::Heat, 15.0)),
        Verdict::Fail,
    );
    check(
        "jumper:O,W2",
        "alone:O",
        Some((Machine::Heat, 15.0)),
        Verdict::Fail,
    );
}

#[test]
fn where_inputs_see_a_joined_line_it_stops_before_anyone_is_asked() {
    let (ran, _) = driven(harness(HEAT_PUMP, INPUTS).faults(&["jumper:G,Y1"]));
    let longest = spans(&ran, &Machine::Compressor);
    assert!(longest.iter().all(|span| *span < 2.0), "{longest:?}");
    let asked = ran.events.iter().any(|event| {
        matches!(&event.kind, EventKind::Asked { about, .. } if about.key().starts_with("air"))
    });
    assert!(!asked, "nobody had to be asked");
}

#[test]
fn a_valve_fed_in_heating_too_is_heard_and_stopped() {
    check(
        "tied:O,B",
        "heating-1",
        Some((Machine::Valve, f64::MAX)),
        Verdict::Fail,
    );
}

#[test]
fn the_equipment_that_follows_the_other_convention_is_shown_by_its_air() {
    // Electrically nothing is wrong: what the valve does with its coil shows in the air alone.
    for (profile, line) in [
        ("heat-pump-1-stage-electric-o", "O"),
        ("heat-pump-1-stage-electric-b", "B"),
    ] {
        for bench in [INPUTS, PERSON] {
            let case = harness(profile, bench).faults(&["inverted-changeover@equipment"]);
            let ran = run(case, ATTENTIVE);
            assert_eq!(ran.verdict(), Verdict::Fail, "{}", ran.outcome.note);
            assert_eq!(ran.outcome.reason, FinishReason::Complete);
            let changeover = ran.state.changeover.as_ref().expect("judged");
            assert_eq!(changeover.outcome, ChangeoverOutcome::Inverted);
            assert_eq!(changeover.shown, Some(ShownBy::Effect));
            assert_eq!(ran.suspects(), ["inverted-changeover@equipment"], "{bench}");
            let wrong = ran.state.steps.iter().flat_map(|step| step.lines.values());
            let wrong = wrong.filter(|line| line.judged.verdict == Verdict::Fail);
            for wrong in wrong {
                assert_eq!(wrong.judged.terminal.as_str(), line);
                assert!(wrong.judged.reason.contains("does not follow"));
            }
            assert_no_harm(&ran, "inverted changeover");
        }
    }
}

#[test]
fn with_y_and_w_crossed_on_a_conventional_interface_the_air_tells() {
    // The compressor and the fan run in both calls alike: what differs is the air alone.
    let case = harness("heat-pump-conventional-1-stage-no-auxiliary", INPUTS);
    let ran = run(case.faults(&["swap:Y1,W1"]), ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Fail, "{}", ran.outcome.note);
    let wrong = ran.state.steps.iter().flat_map(|step| step.lines.values());
    let wrong = wrong.filter(|line| line.judged.verdict == Verdict::Fail);
    let wrong: Vec<_> = wrong.map(|line| &line.judged).collect();
    let lines: Vec<&str> = wrong.iter().map(|line| line.terminal.as_str()).collect();
    assert_eq!(lines, ["Y1", "W1"]);
    assert!(wrong[0].reason.contains("gets warmer in cooling-1"));
    assert!(wrong[1].reason.contains("gets colder in heating-1"));
    assert_no_harm(&ran, "swap:Y1,W1");
}

#[test]
fn a_valve_that_never_acts_is_named_by_its_line_and_its_coil() {
    // The person does not hear it, and the air is warm in cooling too: O is off in heating.
    for fault in ["open:O", "coil-open:O"] {
        let ran = run(harness(HEAT_PUMP, INPUTS).faults(&[fault]), ATTENTIVE);
        assert_eq!(ran.verdict(), Verdict::Fail, "{}", ran.outcome.note);
        let changeover = ran.state.changeover.as_ref().expect("judged");
        assert_eq!(changeover.outcome, ChangeoverOutcome::StuckOff);
        assert_eq!(ran.suspects(), ["open:O", "coil-open:O"], "{fault}");
        assert_no_harm(&ran, fault);
    }
}

#[test]
fn a_compressor_that_runs_uncalled_fails_the_line_that_calls_it() {
    let (ran, _) = driven(harness(HEAT_PUMP, PERSON).faults(&["swap:Y1,W2"]));
    let step = ran.state.steps.last().expect("a step");
    let line = step
        .lines
        .values()
        .find(|line| line.judged.terminal.as_str() == "Y1");
    let judged = &line.expect("judged").judged;
    assert_eq!(judged.verdict, Verdict::Fail);
    assert!(
        judged.reason.contains("compressor runs while only"),
        "{}",
        judged.reason
    );
}

#[test]
fn the_person_is_believed_and_no_relay_is_driven_twice() {
    // A retry re-reads: in a sound run with a disturbed link each relay closes once in each step.
    let mut case = harness(HEAT_PUMP, INPUTS).link_faults(&["garbage:board%0.02"]);
    case.seed = 5;
    let ran = run(case, ATTENTIVE);
    let mut closings = std::collections::BTreeMap::new();
    let mut step = 0;
    for event in &ran.events {
        match &event.kind {
            EventKind::StepStarted(started) => {
                assert_eq!(started.attempt, 1, "a step is made once");
                step = started.step;
            }
            EventKind::RelaysSet(set) if set.reason == RelayReason::Call => {
                let relay = *set.intended.last().expect("something closes");
                *closings
                    .entry((step, relay, set.intended.len()))
                    .or_insert(0) += 1;
            }
            _ => {}
        }
    }
    assert!(!closings.is_empty());
    assert!(closings.values().all(|count| *count == 1), "{closings:?}");
    assert_no_harm(&ran, "disturbed link");
}
