//! The equipment feeds its own auxiliary line: a defrost is waited for, anything else is not.

use super::house::{ATTENTIVE, PERSON_ALONE, Person, assert_no_harm, harness, run, seconds, spans};
use crate::runner::harness::{Case, Ran};
use coilcall::domain::{Machine, Verdict};
use coilcall::event::{EventKind, FinishReason, WaitingFor};
use coilcall::sim::Defrost;
use coilcall::units::Seconds;

fn waits(ran: &Ran) -> Vec<f64> {
    ran.events
        .iter()
        .filter(
            |event| matches!(&event.kind, EventKind::Waiting(w) if w.why == WaitingFor::Defrost),
        )
        .map(|event| seconds(event.elapsed_us))
        .collect()
}

#[test]
fn a_defrost_is_waited_for_with_y_held() {
    let defrost = Defrost {
        after: Seconds(0),
        lasts: Seconds(480),
    };
    let person = Person {
        defrost: Some(defrost),
        ..ATTENTIVE
    };
    let ran = run(
        Case::new("heat-pump-1-stage-electric-o", "harness-inputs"),
        person,
    );
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    assert_eq!(waits(&ran).len(), 1);
    let heating = spans(&ran, &Machine::Compressor)[1];
    assert!(heating >= 480.0, "Y was held: {heating} s");
    assert_no_harm(&ran, "defrost");
}

#[test]
fn what_lasts_longer_than_any_defrost_is_a_fault() {
    let case = Case::new("heat-pump-1-stage-electric-o", "harness-inputs");
    let ran = run(case.faults(&["backfeed:W2"]), ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Fail, "{}", ran.outcome.note);
    assert_eq!(ran.outcome.reason, FinishReason::Stopped);
    let heating = spans(&ran, &Machine::Compressor)[1];
    assert!(
        (900.0..930.0).contains(&heating),
        "15 minutes, not {heating} s"
    );
    assert_no_harm(&ran, "backfeed");
}

#[test]
fn heat_that_replaces_the_compressor_is_stopped_at_once() {
    let case = Case::new("heat-pump-1-stage-auxiliary-replaces-o", "harness-inputs");
    let ran = run(case.faults(&["backfeed:W2"]), ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Inconc, "{}", ran.outcome.note);
    assert_eq!(waits(&ran), Vec::<f64>::new());
    let heating = spans(&ran, &Machine::Compressor)[1];
    assert!(heating < 3.0, "at once, not after {heating} s");
    assert_no_harm(&ran, "replaces");
}

#[test]
fn in_cooling_a_live_auxiliary_line_is_a_fault_and_not_waited_for() {
    let mut case = Case::new("heat-pump-1-stage-electric-o", "harness-inputs");
    case.calls = Some(vec![coilcall::domain::Call::Cooling(1)]);
    let ran = run(case.faults(&["jumper:Y1,W2"]), ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Fail, "{}", ran.outcome.note);
    assert_eq!(waits(&ran), Vec::<f64>::new());
    assert!(spans(&ran, &Machine::Compressor)[0] < 3.0);
    assert_no_harm(&ran, "cooling");
}

#[test]
fn a_person_alone_is_asked_again_for_as_long_as_a_defrost_may_last() {
    let alone = || harness("heat-pump-1-stage-electric-o", PERSON_ALONE);
    let defrost = Defrost {
        after: Seconds(0),
        lasts: Seconds(480),
    };
    let person = Person {
        defrost: Some(defrost),
        ..ATTENTIVE
    };
    let ran = run(alone(), person);
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    assert!(spans(&ran, &Machine::Compressor)[1] >= 480.0);
    assert_no_harm(&ran, "defrost");

    let ran = run(alone().faults(&["backfeed:W2"]), ATTENTIVE);
    assert_ne!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    let longest = spans(&ran, &Machine::Compressor)
        .into_iter()
        .fold(0.0, f64::max);
    assert!(
        longest < 1_000.0,
        "15 minutes and the looks, not {longest} s"
    );
    assert_no_harm(&ran, "backfeed");
}
