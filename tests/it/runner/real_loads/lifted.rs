//! Loads that are said to be lifted: attested, and measured where ohms can be read.

use super::house::{ATTENTIVE, Person, run};
use crate::runner::harness::Case;
use coilcall::domain::Verdict;
use coilcall::event::{EventKind, FinishReason};

fn case() -> Case {
    Case::new("heat-pump-1-stage-electric-o", "harness-lifted")
}

#[test]
fn lifted_loads_are_attested_in_each_run() {
    let ran = run(case(), ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    let confirmed = ran.events.iter().find_map(|event| match &event.kind {
        EventKind::Armed { confirmed, .. } => Some(confirmed.clone()),
        _ => None,
    });
    assert_eq!(confirmed.expect("armed"), ["loads-disconnected"]);
}

#[test]
fn loads_that_are_not_lifted_stop_the_run() {
    let ran = run(
        case(),
        Person {
            says_no_to: "confirm",
            ..ATTENTIVE
        },
    );
    assert_eq!(ran.outcome.reason, FinishReason::Stopped);
    assert_eq!(ran.verdict(), Verdict::Inconc);
    assert!(!ran.outcome.relay_was_closed);
}
