//! Sentences that every format for people shares.
//!
//! Place in the data's path: a [`RunView`] in, words out; text and HTML lay them out. Each of them
//! says the same in every format, so that two prints of one run never differ in meaning.

use super::arming_view::ArmingView;
use super::run_view::{ChangeoverView, RunView};
use crate::domain::bench_map::{Loads, UnderTest};
use crate::domain::{Check, Verdict};
use crate::event::{ChangeoverOutcome, FinishReason, RunState, ShownBy, SimulatedBy, WaitingFor};
use jiff::Timestamp;

/// Whether the run was armed, by whom, and what was confirmed.
pub(super) fn arming(arming: &ArmingView) -> String {
    let denied = |check: &&(Check, Option<bool>)| check.1 != Some(true);
    let Some(at) = arming.at else {
        let open = arming.checklist.iter().find(denied);
        let why = open.map_or_else(String::new, |(check, answer)| {
            let how = match answer {
                Some(_) => "denied",
                None => "not answered",
            };
            format!("; {} was {how}", check.word())
        });
        return format!("NOT ARMED: no relay of a call was closed{why}");
    };
    let by = match &arming.by {
        Some(name) => format!("by {name}"),
        None => "by a named person (the record of the name was removed)".to_owned(),
    };
    let confirmed: Vec<&str> = arming
        .checklist
        .iter()
        .map(|(check, _)| check.confirmed())
        .collect();
    format!(
        "{by} at {}, who confirmed: {}",
        to_the_second(at),
        confirmed.join("; ")
    )
}

/// What was waited for on account of machines, each kind with its sum.
pub(super) fn machine_waits(state: &RunState) -> Option<String> {
    let mut sums: Vec<(WaitingFor, u64)> = Vec::new();
    for (why, _, span) in &state.machine_waits {
        match sums.iter_mut().find(|(known, _)| known == why) {
            Some((_, sum)) => *sum += span.0,
            None => sums.push((*why, span.0)),
        }
    }
    let words: Vec<String> = sums
        .iter()
        .map(|(why, sum)| {
            let what = match why {
                WaitingFor::MinimumOff => "the compressor's minimum-off time",
                WaitingFor::MinimumOn => "the compressor's minimum-on time",
                WaitingFor::FanHold => "the blower's run-on",
                WaitingFor::CoolDown => "cooling down between heat and compressor",
                WaitingFor::Defrost => "a defrost, at most",
                WaitingFor::Settle
                | WaitingFor::Release
                | WaitingFor::ControllerTimer
                | WaitingFor::PowerLoss
                | WaitingFor::PowerReturn
                | WaitingFor::Replug
                | WaitingFor::Operator => "others",
            };
            format!("{what} {} s", sum.div_ceil(1_000_000))
        })
        .collect();
    (!words.is_empty()).then(|| words.join("; "))
}

/// Said of every simulated run.
pub(super) const SIMULATED: &str = "No real wiring was tested, and this proves nothing of any.";

/// Said where every relay read back open.
pub(super) const MADE_SAFE: &str =
    "At the end every relay was opened and read back open. That is not isolation.";

/// Said below what the run does not prove.
pub(super) const NOT_BEYOND: &str = "anything beyond the lines, calls and moment tested here: the \
                                     result relates to this unit alone";

/// What must be kept in mind by anyone who works on what was tested. Common practice, no source;
/// isolation and proving dead after OSHA 1910.147(d) and EN 50110-1.
pub(super) const CAUTIONS: [&str; 5] = [
    "Before touching anything: isolate every supply, lock it, prove dead. This program's stop and \
     its relays are not isolation.",
    "The control circuit is low voltage, but the same cabinets hold mains, and a called contactor \
     starts mains motors and heaters.",
    "After a compressor call leave the compressor off for its full minimum-off time before \
     calling it again.",
    "Never run electric strip heat without airflow: it is a fire risk.",
    "Local code, the maker's instructions and licensed practice come first.",
];

/// A moment to the second, in UTC.
pub(super) fn to_the_second(at: Timestamp) -> String {
    at.strftime("%Y-%m-%d %H:%M:%S UTC").to_string()
}

/// The profile by name and in a few words.
pub(super) fn profile(view: &RunView) -> String {
    let profile = &view.profile;
    let mut text = format!("{} ({}", profile.name, profile.kind);
    if let Some(interface) = &profile.interface {
        text.push_str(&format!(", {interface} interface"));
    }
    text.push_str(&format!(
        ", {}, {}",
        stages(profile.compressor_stages, "compressor"),
        stages(profile.heat_stages, "heat")
    ));
    match profile.changeover.as_deref() {
        Some("o") => text.push_str(", reversing valve (O/B) energised in cooling: O"),
        Some("b") => text.push_str(", reversing valve (O/B) energised in heating: B"),
        Some(other) => text.push_str(&format!(", reversing valve (O/B): {other}")),
        None => {}
    }
    text.push(')');
    text
}

fn stages(count: u8, of: &str) -> String {
    match count {
        0 => format!("no {of} stage"),
        1 => format!("1 {of} stage"),
        _ => format!("{count} {of} stages"),
    }
}

/// What is proven, and how.
pub(super) fn under_test(under_test: UnderTest) -> &'static str {
    match under_test {
        UnderTest::Wiring => {
            "wiring: the bench makes each call at the controller end and looks at every line at \
             the equipment end"
        }
        UnderTest::Controller => {
            "controller: a room controller makes each call and the bench looks at every line"
        }
        UnderTest::Equipment => {
            "equipment: the bench makes each call in the place of the room controller"
        }
    }
}

/// What hangs on the lines.
pub(super) fn loads(loads: Loads) -> &'static str {
    match loads {
        Loads::Dummy => "dummy: coils of the bench's own, no machine starts",
        Loads::Disconnected => "disconnected: the loads are lifted, no machine starts",
        Loads::Real => "real: every call starts a machine",
    }
}

/// What the simulator was told.
pub(super) fn put_in(simulated: &SimulatedBy) -> String {
    let or_none = |faults: &[String]| match faults {
        [] => "none".to_owned(),
        faults => faults.join(", "),
    };
    format!(
        "Seed {}. Wiring faults put in: {}. Link faults put in: {}.",
        simulated.seed,
        or_none(&simulated.faults),
        or_none(&simulated.link_faults)
    )
}

/// What the verdict asks for.
pub(super) fn meaning(view: &RunView) -> &'static str {
    match (view.is_cut_short(), view.verdict) {
        (true, _) => "What was judged until then stands below; the rest is open. Run it again.",
        (_, Verdict::Pass) => "What this does not prove is listed further down.",
        (_, Verdict::Inconc) => {
            "This is not a pass. Put right what is named below and run it again."
        }
        (_, Verdict::Fail) => "Do not put it into service as it is.",
        (_, Verdict::Error) => "Put the bench right and run it again.",
        (_, Verdict::None) => "Run it again.",
    }
}

/// Why the run ended before it was through; `None` where that is no news.
pub(super) fn ended_early(view: &RunView) -> Option<&'static str> {
    match view.reason? {
        FinishReason::Cancelled => Some("The run was cancelled before it was through."),
        FinishReason::Stopped => {
            Some("The run was stopped before it was through, for the sake of people and machines.")
        }
        FinishReason::JournalLost => {
            Some("The journal could not be written, so the run was stopped.")
        }
        FinishReason::Panicked => Some("The program itself failed during the run."),
        FinishReason::Complete | FinishReason::BenchError => None,
    }
}

/// The changeover's parts, each with its name.
pub(super) fn changeover(changeover: &ChangeoverView) -> Vec<(&'static str, String)> {
    let mode = if changeover.convention == "o" {
        "cooling"
    } else {
        "heating"
    };
    let line = &changeover.terminal;
    let outcome = match changeover.outcome {
        ChangeoverOutcome::Follows => "FOLLOWS the convention".to_owned(),
        ChangeoverOutcome::Inverted => format!(
            "INVERTED: {line} follows the other convention; the unit would heat when asked to \
             cool, and cool when asked to heat"
        ),
        ChangeoverOutcome::StuckOn => format!("STUCK ON: {line} is live in cooling and in heating"),
        ChangeoverOutcome::StuckOff => {
            format!("STUCK OFF: {line} is dead in cooling and in heating")
        }
        ChangeoverOutcome::NotShown => "NOT SHOWN by the calls that were made".to_owned(),
    };
    let mut parts = vec![
        (
            "Convention",
            format!("the reversing valve (O/B) is energised in {mode}, on line {line}"),
        ),
        ("Outcome", outcome),
        ("Evidence", changeover.evidence.clone()),
    ];
    let shown = match changeover.shown {
        Some(ShownBy::Signal) => {
            "the signal at the terminal is shown; what the equipment makes of it takes an air \
             temperature"
        }
        Some(ShownBy::Effect) => {
            "the effect: air temperature showed what the equipment makes of the signal"
        }
        None => return parts,
    };
    parts.push(("Shown", shown.to_owned()));
    parts
}
