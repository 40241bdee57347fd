//! What a person should look at, step by step.
//!
//! Place in the data's path: made once, when a step's view is made, from the judged lines and the
//! plan (which relay makes a call, which input reads it). It turns a wrong cell into a place to put
//! a hand or a meter; which fault is the likeliest is the diagnosis's to say. The advice is common
//! practice, no source.

use super::step_view::{LineView, StepView};
use crate::domain::bench_map::{SenseMeans, UnderTest};
use crate::domain::plan::{Plan, Target};
use crate::domain::{Expected, Observed, Verdict};
use crate::event::Rule;
use crate::units::Terminal;

/// What to look at after this step; empty where every line passed.
pub(super) fn for_step(step: &StepView, plan: &Plan) -> Vec<String> {
    let wrong = |expected, observed| -> Vec<&LineView> {
        step.lines
            .iter()
            .filter(|line| line.verdict == Verdict::Fail && line.rule == Some(Rule::Cell))
            .filter(|line| line.expected == expected && line.observed == observed)
            .collect()
    };
    let missing = wrong(Expected::On, Observed::Off);
    let intruding = wrong(Expected::Off, Observed::On);
    let mut advice = Vec::new();
    if !missing.is_empty() && step.supply_state() == Observed::Off {
        advice.push(
            "The supply itself was seen dead in this step: look there first (disconnect, \
             transformer, fuse, R and C conductors)."
                .to_owned(),
        );
    }
    match (missing.is_empty(), intruding.is_empty()) {
        (false, false) => advice.push(exchanged(&missing, &intruding)),
        (false, true) => {}
        (true, _) => advice.extend(intruding.iter().map(|line| stray(line, step, plan))),
    }
    advice.extend(missing.iter().map(|line| follow(&line.terminal, plan)));
    for line in step.lines.iter().filter(|line| line.is_trouble()) {
        advice.extend(by_rule(line, plan));
    }
    advice.extend(unread(step));
    advice
}

/// What kept the bench from telling, which may be a link, a person or a stop. Where something in
/// the same call is wrong, that is what to look at.
fn unread(step: &StepView) -> Option<String> {
    if step.worst() == Verdict::Fail {
        return None;
    }
    let lines = step.lines.iter();
    let unread: Vec<&LineView> = lines
        .filter(|line| line.is_trouble() && line.rule == Some(Rule::BenchTrouble))
        .collect();
    let first = unread.first()?;
    let which = if unread.len() == step.lines.len() {
        "any line".to_owned()
    } else {
        names(&unread)
    };
    // The same words in each call that ended so: they are shown once.
    Some(format!(
        "Nothing could be told of {which}: {}. Put that right first, then run again; of the \
         wiring nothing is said there.",
        first.reason.trim_end_matches('.')
    ))
}

fn names(lines: &[&LineView]) -> String {
    let names: Vec<&str> = lines.iter().map(|line| line.terminal.as_str()).collect();
    names.join(", ")
}

fn exchanged(missing: &[&LineView], intruding: &[&LineView]) -> String {
    if let ([missing], [intruding]) = (missing, intruding) {
        // In the strip's order, so that both calls of an exchanged pair give one piece of advice.
        let mut pair = [&missing.terminal, &intruding.terminal];
        pair.sort();
        let [a, b] = pair;
        return format!(
            "{a} and {b}: one answered in place of the other. See at both ends whether these \
             conductors are exchanged, or landed on each other's terminal."
        );
    }
    format!(
        "{} answered where {} should have: see at both ends whether these conductors are \
         exchanged, or landed on each other's terminal.",
        names(intruding),
        names(missing)
    )
}

fn follow(terminal: &Terminal, plan: &Plan) -> String {
    let relay = relay_of(terminal, plan);
    let sensor = sensor_of(terminal, plan);
    let from = match relay {
        Some(relay) => format!("{relay} (does it close?)"),
        None if plan.under_test == UnderTest::Controller => {
            format!("the room controller's {terminal} (does it close?)")
        }
        None => "the controller end".to_owned(),
    };
    let to = sensor.map_or_else(
        || "the equipment end".to_owned(),
        |sensor| format!("{sensor} (does it respond to a known live line?)"),
    );
    format!(
        "Follow {terminal} from {from} to {to}: right terminal at both ends, screw tight, no \
         break between."
    )
}

fn stray(line: &LineView, step: &StepView, plan: &Plan) -> String {
    let terminal = &line.terminal;
    let mut text = format!("{terminal} is live though this call does not use it: ");
    if step.by_controller {
        text.push_str(
            "see the room controller's settings first (equipment, stages, what the reversing \
             valve follows), then whether it touches another line or another source feeds it",
        );
    } else if step.driven.is_empty() {
        text.push_str("no relay is closed, so another source feeds it");
    } else {
        let driven: Vec<&str> = step.driven.iter().map(Terminal::as_str).collect();
        text.push_str(&format!(
            "it touches {}, is landed or jumpered together with it, or another source feeds it",
            driven.join(" or ")
        ));
    }
    if let Some(relay) = relay_of(terminal, plan) {
        text.push_str(&format!("; or {relay} is stuck closed"));
    }
    text.push('.');
    text
}

fn by_rule(line: &LineView, plan: &Plan) -> Option<String> {
    let terminal = &line.terminal;
    match (line.rule?, line.verdict) {
        (Rule::Release, Verdict::Fail) => {
            let relay = relay_of(terminal, plan)
                .map_or_else(String::new, |relay| format!("{relay} may be welded, or "));
            Some(format!(
                "{terminal} stays live with every relay open: {relay}another source feeds it. \
                 Lift {terminal} at the equipment end and read both halves."
            ))
        }
        (Rule::Supply, Verdict::Fail) => Some(format!(
            "The supply collapsed when {terminal} was called: {terminal} may touch C, or its load \
             may be shorted. With the supply isolated and {terminal} lifted at both ends, read \
             ohms from {terminal} to C."
        )),
        (Rule::PowerLoss, Verdict::Fail) => Some(format!(
            "{terminal} did not follow the controller's power: see the controller's delay after \
             power-up and its minimum-off time in its own settings, and whether another source \
             reaches {terminal} with the controller's R lifted."
        )),
        (Rule::Machines, Verdict::Fail) => Some(format!(
            "{terminal}: {}. Isolate every supply first, then follow {terminal} from terminal to \
             terminal.",
            line.reason.trim_end_matches('.')
        )),
        (Rule::BenchTrouble | Rule::ControllerTimer, _) => None,
        (_, Verdict::Inconc) if line.observed == Observed::Indeterminate => Some(format!(
            "{terminal} reads neither clearly live nor clearly dead: read it to C with a meter \
             under load; a loose joint or a floating conductor reads so."
        )),
        _ => None,
    }
}

/// The relay that makes the call, as printed on the relay board.
fn relay_of(terminal: &Terminal, plan: &Plan) -> Option<String> {
    plan.drives
        .iter()
        .find(|drive| drive.terminal == *terminal)
        .map(|drive| format!("{} of \"{}\"", drive.relay.coil.label(), drive.relay.device))
}

/// What reads the line, as printed on the device.
fn sensor_of(terminal: &Terminal, plan: &Plan) -> Option<String> {
    let point = plan
        .sense_points
        .iter()
        .find(|point| matches!(&point.target, Target::Line(line) if line == terminal))?;
    let by = match &point.means {
        SenseMeans::Input { device, input } => format!("{} of \"{device}\"", input.label()),
        SenseMeans::Meter { device, .. } => format!("meter \"{device}\""),
        SenseMeans::Operator => "the operator".to_owned(),
    };
    Some(format!("{by} at the {} end", point.end))
}
