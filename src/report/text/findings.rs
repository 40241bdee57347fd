//! What was found: what could explain it, where to look, the calls that did not pass, the
//! changeover.

use super::page::Page;
use crate::domain::{Expected, Observed, Verdict};
use crate::event::Rule;
use crate::report::{
    CellMark, Conclusion, LineView, RunView, StepView, reading_words, supply_words,
    suspect_in_words, wording,
};
use std::io;

/// What could explain the readings, and where to look; nothing where nothing is wrong.
pub(super) fn suspects(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    let diagnosis = &view.diagnosis;
    let advice = view.advice();
    if diagnosis.groups.is_empty() && diagnosis.next.is_none() && advice.is_empty() {
        return Ok(());
    }
    page.heading(&view.explanation_title().to_uppercase())?;
    match diagnosis.conclusion {
        Conclusion::Healthy => page.line("No fault is needed to explain the readings.")?,
        Conclusion::Undetermined if view.verdict == Verdict::Fail => {
            page.line("Undetermined: these readings do not single out a fault.")?;
        }
        Conclusion::Undetermined | Conclusion::Fault => {}
    }
    for (index, group) in diagnosis.groups.iter().enumerate() {
        let lead_in = format!("{}. ", index + 1);
        let probability = group
            .probability
            .map_or_else(String::new, |p| format!(" (probability {p:.2})"));
        match group.suspects.as_slice() {
            [only] => page.hanging(
                &lead_in,
                &format!("{}{probability} ({only})", suspect_in_words(only)),
            )?,
            several => {
                let first = format!("One of these{probability}; the readings cannot tell which:");
                page.hanging(&lead_in, &first)?;
                for suspect in several {
                    let words = format!("{} ({suspect})", suspect_in_words(suspect));
                    page.hanging("   - ", &words)?;
                }
            }
        }
        if !group.confirm.is_empty() {
            page.hanging("   To confirm: ", &group.confirm)?;
        }
    }
    if let Some(next) = &diagnosis.next {
        page.hanging("Measure next: ", next)?;
    }
    if !advice.is_empty() {
        page.line("Look at:")?;
    }
    for place in advice {
        page.hanging("  - ", &place)?;
    }
    Ok(())
}

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
    for step in troubled {
        if view.nothing_answered() {
            in_one_line(step, page)?;
        } else {
            paragraph(step, page)?;
        }
    }
    Ok(())
}

/// Where one cause explains all, a call needs no more than its name and what stayed dead.
fn in_one_line(step: &StepView, page: &mut Page<'_>) -> io::Result<()> {
    let dead: Vec<&str> = step
        .lines
        .iter()
        .filter(|line| line.is_trouble())
        .map(|line| line.terminal.as_str())
        .collect();
    page.hanging(
        &format!("{:<18} ", step.name),
        &format!("{}: {} stayed dead", step.result_word(), dead.join(", ")),
    )
}

fn paragraph(step: &StepView, page: &mut Page<'_>) -> io::Result<()> {
    let driven = step.how_called();
    let again = match step.attempts {
        0 | 1 => String::new(),
        attempts => format!("; made {attempts} times"),
    };
    let (call, result, number) = (&step.name, step.result_word(), step.number);
    page.hanging(
        "",
        &format!("{call}: {result} (step {number}; {driven}{again})"),
    )?;
    if let Some(condition) = &step.condition {
        page.hanging("   supply    ", &condition.words())?;
    }
    let told = |line: &&LineView| line.is_trouble() && !line.is_unread();
    for line in step.lines.iter().filter(told) {
        trouble(line, page)?;
    }
    unread(step, page)?;
    if step.supply_state() == Observed::Off {
        page.line("   supply    R to C was seen DEAD during this call")?;
    }
    if step.has_note_of_its_own() {
        page.hanging("   note      ", &step.note)?;
    }
    Ok(())
}

/// Lines that the bench could not read, those with the same reason together.
fn unread(step: &StepView, page: &mut Page<'_>) -> io::Result<()> {
    for (reason, names) in step.unread() {
        page.hanging("   ?         ", &format!("not clear for {names}: {reason}"))?;
    }
    Ok(())
}

fn trouble(line: &LineView, page: &mut Page<'_>) -> io::Result<()> {
    let mut text = String::new();
    if line.rule == Some(Rule::Cell) {
        let expected = match line.expected {
            Expected::On => "should be live",
            Expected::Off => "should be dead",
            Expected::Either => "may be either",
        };
        text.push_str(expected);
        if !line.expected_because.is_empty() {
            text.push_str(&format!(": {}", line.expected_because));
        }
        text = format!("{}. ", text.trim_end_matches('.'));
    }
    text.push_str(line.reason.trim_end_matches('.'));
    let values: Vec<String> = line.readings.iter().filter_map(reading_words).collect();
    if !values.is_empty() {
        text.push_str(&format!(" ({})", values.join("; ")));
    }
    text.push('.');
    let mark = CellMark::of(line).text();
    page.hanging(&format!("   {:<6} {mark:<6} ", line.terminal), &text)
}

/// How the changeover came out; nothing where the profile has none.
pub(super) fn changeover(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    let Some(changeover) = &view.changeover else {
        return Ok(());
    };
    page.heading("REVERSING VALVE (O/B)")?;
    for (name, words) in wording::changeover(changeover) {
        page.hanging(&format!("{name:<11} "), &words)?;
    }
    Ok(())
}

/// What was done to a room controller's supply; nothing where nothing was.
pub(super) fn controller_supply(view: &RunView, page: &mut Page<'_>) -> io::Result<()> {
    let entries = supply_words::controller_supply(view);
    if entries.is_empty() {
        return Ok(());
    }
    page.heading(&supply_words::HEADING.to_uppercase())?;
    let width = entries.iter().map(|(name, _)| name.len());
    let width = width.fold(0, usize::max);
    for (name, words) in &entries {
        page.hanging(&format!("{name:<width$}  "), words)?;
    }
    Ok(())
}
