//! What was found: the calls that did not pass, the suspects, the changeover.

use super::page::Page;
use crate::domain::{Expected, Observed, Verdict};
use crate::event::{ChangeoverOutcome, Rule, ShownBy};
use crate::report::{
    Conclusion, LineView, ReadingValue, ReadingView, RunView, StepView, suspect_in_words,
};
use crate::units::Terminal;
use std::collections::BTreeSet;
use std::io;

/// One paragraph for each call that did not pass.
pub(super) fn steps(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    let troubled: Vec<&StepView> = view
        .steps
        .iter()
        .filter(|step| step.worst() > Verdict::Pass)
        .collect();
    if troubled.is_empty() {
        return Ok(());
    }
    page.heading("WHAT WAS WRONG OR NOT CLEAR, CALL BY CALL")?;
    if view.nothing_answered() {
        page.hanging(
            "",
            "NOTHING ANSWERED: no line came alive in any call. One cause is likelier than many: \
             the supply (disconnect, transformer, fuse), R or C, the relays' common, or a plug \
             between bench and panel. Read R to C at both ends before following single lines.",
        )?;
    }
    // The same advice after many calls is given once and referred to afterwards.
    let mut given: BTreeSet<&str> = BTreeSet::new();
    for step in troubled {
        page.gap()?;
        paragraph(step, page)?;
        let mut lead_in = "   look at: ";
        let before = given.len();
        for advice in step.look_at.iter().filter(|advice| given.insert(advice)) {
            page.hanging(lead_in, advice)?;
            lead_in = "            ";
        }
        match (given.len() - before, step.look_at.len()) {
            (0, 0) => {}
            (0, _) => page.line("   look at: as said above")?,
            (new, all) if new < all => page.line("            For the rest as said above.")?,
            _ => {}
        }
    }
    Ok(())
}

fn paragraph(step: &StepView, page: &mut Page<'_>) -> io::Result<()> {
    let verdict = match step.worst() {
        Verdict::Fail => "FAIL",
        Verdict::Inconc => "INCONCLUSIVE",
        Verdict::Error => "BENCH ERROR",
        Verdict::Pass | Verdict::None => "not judged",
    };
    let driven = match step.driven.as_slice() {
        [] => "no relay closed".to_owned(),
        driven => {
            let names: Vec<&str> = driven.iter().map(Terminal::as_str).collect();
            format!("the bench called {}", names.join(", "))
        }
    };
    page.hanging(
        "",
        &format!("{}: {verdict} (step {}; {driven})", step.call, step.number),
    )?;
    if step.attempts > 1 {
        page.line(&format!("   made {} times", step.attempts))?;
    }
    for line in step.lines.iter().filter(|line| line.is_trouble()) {
        trouble(line, page)?;
    }
    if step.supply_state() == Observed::Off {
        page.line("   supply:  R to C was seen DEAD during this call")?;
    }
    if !step.note.is_empty() {
        page.hanging("   note:    ", &step.note)?;
    }
    Ok(())
}

fn trouble(line: &LineView, page: &mut Page<'_>) -> io::Result<()> {
    let when = if line.rule == Some(Rule::Release) {
        " after release"
    } else {
        ""
    };
    let mut text = format!(
        "expected {}, {}{when}",
        expected(line.expected),
        observed(line.observed)
    );
    let values: Vec<String> = line.readings.iter().filter_map(value).collect();
    if !values.is_empty() {
        text.push_str(&format!(" ({})", values.join("; ")));
    }
    text.push('.');
    if line.rule == Some(Rule::Cell) && !line.expected_because.is_empty() {
        text.push_str(&format!(
            " Expected because: {}.",
            line.expected_because.trim_end_matches('.')
        ));
    }
    if !line.reason.is_empty() {
        text.push_str(&format!(" Judged: {}.", line.reason.trim_end_matches('.')));
    }
    page.hanging(&format!("   {:<8} ", line.terminal), &text)
}

fn expected(expected: Expected) -> &'static str {
    match expected {
        Expected::On => "live",
        Expected::Off => "dead",
        Expected::Either => "either",
    }
}

fn observed(observed: Observed) -> &'static str {
    match observed {
        Observed::On => "seen LIVE",
        Observed::Off => "seen DEAD",
        Observed::Indeterminate => "seen neither clearly live nor dead",
        Observed::NotMeasured => "not read",
    }
}

/// A measured value with its uncertainty and where it was read; nothing for presence.
fn value(reading: &ReadingView) -> Option<String> {
    let Some(ReadingValue::Number(number)) = reading.value else {
        return None;
    };
    let unit = reading.quantity.unit();
    let uncertainty = reading.u.map_or_else(String::new, |u| {
        format!(", standard uncertainty {u:.2} {unit}")
    });
    Some(format!(
        "{number:.2} {unit} by {} at the {} end{uncertainty}",
        reading.device, reading.end
    ))
}

/// What could explain the readings.
pub(super) fn suspects(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    let diagnosis = &view.diagnosis;
    let anything_wrong = view.steps.iter().any(|step| step.worst() == Verdict::Fail);
    let anything_said = !diagnosis.groups.is_empty() || diagnosis.next.is_some();
    if !anything_wrong && !anything_said {
        return Ok(());
    }
    page.heading("WHAT COULD EXPLAIN IT")?;
    match diagnosis.conclusion {
        Conclusion::Healthy => page.line("No fault is needed to explain the readings.")?,
        Conclusion::Fault => {}
        Conclusion::Undetermined => page.hanging(
            "",
            "Undetermined: these readings do not single out a fault. Go by what is said of each \
             call above.",
        )?,
    }
    for (index, group) in diagnosis.groups.iter().enumerate() {
        let probability = group
            .probability
            .map_or_else(String::new, |p| format!(" (probability {p:.2})"));
        let alike = match group.suspects.len() {
            1 => "",
            _ => " - these readings cannot tell them apart",
        };
        page.line(&format!("{}.{probability}{alike}", index + 1))?;
        for suspect in &group.suspects {
            page.hanging(&format!("   {suspect}: "), &suspect_in_words(suspect))?;
        }
        if !group.confirm.is_empty() {
            page.hanging("   to confirm: ", &group.confirm)?;
        }
    }
    if let Some(next) = &diagnosis.next {
        page.hanging("Measure next: ", next)?;
    }
    Ok(())
}

/// How the changeover came out; nothing where the profile has none.
pub(super) fn changeover(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    let Some(changeover) = &view.changeover else {
        return Ok(());
    };
    page.heading("REVERSING VALVE (O/B)")?;
    let mode = if changeover.convention == "o" {
        "cooling"
    } else {
        "heating"
    };
    let line = &changeover.terminal;
    page.hanging(
        "Convention  ",
        &format!("the reversing valve (O/B) is energised in {mode}, on line {line}"),
    )?;
    let outcome = match changeover.outcome {
        ChangeoverOutcome::Follows => "FOLLOWS the convention".to_owned(),
        ChangeoverOutcome::Inverted => format!(
            "INVERTED: {line} follows the other convention; the unit would heat when asked to \
             cool, and cool when asked to heat"
        ),
        ChangeoverOutcome::StuckOn => {
            format!("STUCK ON: {line} is live in cooling and in heating")
        }
        ChangeoverOutcome::StuckOff => {
            format!("STUCK OFF: {line} is dead in cooling and in heating")
        }
        ChangeoverOutcome::NotShown => "NOT SHOWN by the calls that were made".to_owned(),
    };
    page.hanging("Outcome     ", &outcome)?;
    page.hanging("Evidence    ", &changeover.evidence)?;
    match changeover.shown {
        Some(ShownBy::Signal) => page.hanging(
            "Shown       ",
            "the signal at the terminal is shown; what the equipment makes of it takes an air \
             temperature",
        ),
        Some(ShownBy::Effect) => page.hanging(
            "Shown       ",
            "the effect: air temperature showed what the equipment makes of the signal",
        ),
        None => Ok(()),
    }
}
