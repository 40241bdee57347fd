//! What the readings say, as pure functions.
//!
//! Place in the data's path: readings and the plan in, judgements out; the step records them.
//! Nothing here waits, reads a device or knows a link. Rules: DESIGN notes in docs/design/, and
//! for the verdict's order [`crate::domain::Verdict`].

use super::machines::is_sensed_at_equipment;
use super::measure::PointReading;
use crate::domain::bench_map::UnderTest;
use crate::domain::measurement::Bands;
use crate::domain::plan::{MadeBy, Plan, PlannedStep, Target};
use crate::domain::profile::Changeover;
use crate::domain::{Call, Cell, Expected, Observed, Verdict, judge_cell};
use crate::event::{
    ChangeoverJudged, ChangeoverOutcome, LineJudged, Rule, RunState, ShownBy, StepState,
};
use crate::units::{End, Terminal};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

/// What is known of the supply while a line is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum SupplyKnown {
    /// Sensed at its source, live.
    Live,
    /// Sensed at its source, dead.
    Dead,
    /// Not sensed, but some line of this run has answered.
    ShownByLines,
    /// Not sensed, and nothing has been live in this run.
    Unknown,
}

/// The line's state in these readings: at the equipment end where it is sensed there.
pub(super) fn observed(readings: &[PointReading], line: &Terminal) -> Observed {
    line_readings(readings, line)
        .max_by_key(|reading| reading.point.end == End::Equipment)
        .map_or(Observed::NotMeasured, |reading| reading.state)
}

fn line_readings<'a>(
    readings: &'a [PointReading],
    line: &'a Terminal,
) -> impl Iterator<Item = &'a PointReading> {
    readings
        .iter()
        .filter(move |r| matches!(&r.point.target, Target::Line(l) if l == line))
}

/// Judges every line of a step.
pub(super) fn judge_lines(
    plan: &Plan,
    step: &PlannedStep,
    readings: &[PointReading],
    supply: SupplyKnown,
) -> Vec<LineJudged> {
    step.cells
        .iter()
        .map(|(line, cell)| judge_line((plan, step), (line, cell), readings, supply))
        .collect()
}

/// The worst verdict of the line's readings, with its reason where it is not plain; a line without
/// a reading was not measured.
pub(super) fn line_verdict(
    bands: &Bands,
    expected: Expected,
    readings: &[PointReading],
    line: &Terminal,
) -> (Verdict, &'static str) {
    line_readings(readings, line)
        .map(|reading| reading.judge(expected, bands))
        .max_by_key(|(verdict, _)| *verdict)
        .unwrap_or_else(|| (judge_cell(expected, Observed::NotMeasured), ""))
}

/// The worst verdict of these judgements.
pub(super) fn worst(judged: &[LineJudged]) -> Verdict {
    judged
        .iter()
        .map(|line| line.verdict)
        .max()
        .unwrap_or_default()
}

fn judge_line(
    (plan, step): (&Plan, &PlannedStep),
    (line, cell): (&Terminal, &Cell),
    readings: &[PointReading],
    supply: SupplyKnown,
) -> LineJudged {
    let state = observed(readings, line);
    let bands = plan.bands_in(step.number);
    let (mut verdict, doubt) = line_verdict(&bands, cell.expected, readings, line);
    let mut rule = Rule::Cell;
    let mut reason = cell_reason(step, (line, cell), readings);
    if !doubt.is_empty() {
        write!(reason, "; {doubt}").expect("writing to a string cannot fail");
    }
    if let Some(why) = plan.unreliable.get(line)
        && matches!(verdict, Verdict::Pass | Verdict::Fail)
        && cell.expected != Expected::Either
    {
        verdict = Verdict::Inconc;
        rule = Rule::BenchTrouble;
        reason.clone_from(why);
    }
    let looks_dead = cell.expected == Expected::On && state == Observed::Off;
    if verdict == Verdict::Fail && looks_dead {
        let doubt = match supply {
            SupplyKnown::Live | SupplyKnown::ShownByLines => None,
            SupplyKnown::Dead => Some("the supply itself is dead"),
            SupplyKnown::Unknown => {
                Some("the supply is not sensed and nothing has been live in this run")
            }
        };
        if let Some(doubt) = doubt {
            verdict = Verdict::Inconc;
            rule = Rule::BenchTrouble;
            reason = format!("{line} stayed dead, but {doubt}: this proves nothing of the wiring");
        }
    }
    LineJudged {
        step: step.number,
        terminal: line.clone(),
        expected: cell.expected,
        observed: state,
        verdict,
        readings: line_readings(readings, line)
            .map(|reading| reading.id)
            .collect(),
        rule,
        reason,
    }
}

/// Where the bench senses its own relays, a driven line is proven by its current or by what a
/// person saw, and by no voltage. A line that is joined to it is live through the equipment.
/// `proven` says by what, line by line.
pub(super) fn credit_own_relays(
    (plan, step): (&Plan, &PlannedStep),
    readings: &[PointReading],
    proven: &BTreeMap<Terminal, String>,
    judged: &mut [LineJudged],
) {
    let own_relays = plan.under_test == UnderTest::Equipment;
    for line in judged.iter_mut().filter(|_| own_relays) {
        let is_driven = line.expected == Expected::On && step.drive.contains(&line.terminal);
        if !is_driven || is_sensed_at_equipment(readings, &line.terminal) {
            continue;
        }
        let terminal = &line.terminal;
        if line.observed == Observed::Off {
            line.verdict = Verdict::Inconc;
            line.rule = Rule::BenchTrouble;
            line.reason = format!(
                "{terminal} is dead at the harness with its own relay closed: the bench, not the \
                 equipment"
            );
        } else if let Some(by) = proven.get(terminal) {
            line.verdict = Verdict::Pass;
            line.observed = Observed::On;
            line.rule = Rule::Machines;
            line.reason.clone_from(by);
        } else {
            line.verdict = line.verdict.join(Verdict::Inconc);
            line.rule = Rule::Machines;
            let seen = match line.observed {
                Observed::NotMeasured => "is driven",
                _ => "is live at the harness's own relay, which says nothing of the equipment",
            };
            line.reason = format!(
                "{terminal} {seen}: neither its current nor a person showed its machine to answer"
            );
        }
    }
}

fn cell_reason(
    step: &PlannedStep,
    (line, cell): (&Terminal, &Cell),
    readings: &[PointReading],
) -> String {
    let mut text = match (cell.expected, observed(readings, line)) {
        (Expected::On, Observed::Off) => {
            format!("{line} stayed dead{}", driven_words(step, line))
        }
        (Expected::Off, Observed::On) => {
            format!("{line} is live{}", driven_words(step, line))
        }
        (_, Observed::NotMeasured) => format!("{line} was not measured"),
        (_, Observed::Indeterminate) => format!("{line} is neither on nor off"),
        _ => cell.reason.clone(),
    };
    for reading in line_readings(readings, line) {
        if reading.live > 0 && reading.live < reading.samples {
            let (live, samples) = (reading.live, reading.samples);
            write!(
                text,
                "; the input follows the mains (live in {live} of {samples} samples)"
            )
            .expect("writing to a string cannot fail");
        }
        if let Some(volts) = &reading.volts {
            let (value, u) = (volts.volts.0, volts.u.0 * 2.0);
            write!(
                text,
                "; {value:.2} V +- {u:.2} V at the {} end",
                reading.point.end
            )
            .expect("writing to a string cannot fail");
        }
        let differs = judge_cell(cell.expected, reading.state) == Verdict::Fail
            && reading.point.end == End::Controller;
        if differs {
            write!(text, "; read {} at the controller end", reading.state)
                .expect("writing to a string cannot fail");
        }
    }
    text
}

fn driven_words(step: &PlannedStep, line: &Terminal) -> String {
    if step.drive.is_empty() {
        return match step.made_by {
            MadeBy::Relays => " with every relay open".to_owned(),
            MadeBy::Stimulus(_) | MadeBy::Operator => {
                format!(" while the room controller was asked for {}", step.call)
            }
        };
    }
    if step.drive == [line.clone()] {
        return " while it alone was driven".to_owned();
    }
    let names: Vec<&str> = step.drive.iter().map(Terminal::as_str).collect();
    format!(
        " while {} {} driven",
        names.join(" "),
        if names.len() == 1 { "was" } else { "were" }
    )
}

/// A wrong pattern ends a room controller's call before its timers have run. Where it is a smaller
/// stage of the call but for some lines, those are what is wrong; what the stage did not have to
/// show yet is not held against the wiring.
pub(super) fn spare_what_was_to_come(
    plan: &Plan,
    step: &PlannedStep,
    readings: &[PointReading],
    judged: &mut [LineJudged],
) {
    let bands = plan.bands_in(step.number);
    let misfits = |cells: &BTreeMap<Terminal, Cell>| -> BTreeSet<Terminal> {
        let reliable = cells
            .iter()
            .filter(|(l, _)| !plan.unreliable.contains_key(*l));
        let wrong = reliable.filter(|(line, cell)| {
            line_verdict(&bands, cell.expected, readings, line).0 != Verdict::Pass
        });
        wrong.map(|(line, _)| line.clone()).collect()
    };
    // Rest and the fan alone are no stages: whoever shows more than they do has made the call.
    let is_stage = |cells: &&BTreeMap<Terminal, Cell>| {
        let mut on = cells
            .iter()
            .filter(|(_, cell)| cell.expected == Expected::On);
        on.any(|(line, _)| line.as_str().starts_with(['Y', 'W', 'E']))
    };
    let stages = step.on_the_way.iter().filter(is_stage).map(misfits);
    let Some(wrong) = stages.min_by_key(BTreeSet::len) else {
        return;
    };
    if wrong.is_empty() || wrong.len() >= misfits(&step.cells).len() {
        return;
    }
    let names: Vec<&str> = wrong.iter().map(Terminal::as_str).collect();
    let to_come = |line: &&mut LineJudged| {
        line.verdict == Verdict::Fail && line.rule == Rule::Cell && !wrong.contains(&line.terminal)
    };
    for line in judged.iter_mut().filter(to_come) {
        line.verdict = Verdict::Inconc;
        line.rule = Rule::ControllerTimer;
        line.reason = format!(
            "{}; the call was ended at {}, before the room controller's timers could bring it",
            line.reason,
            names.join(" ")
        );
    }
}

/// Says beside each wrong line why a room controller's full pattern was given up.
pub(super) fn add_why_given_up(judged: &mut [LineJudged], why: &str) {
    if why.is_empty() {
        return;
    }
    for line in judged.iter_mut().filter(|l| l.verdict == Verdict::Fail) {
        write!(line.reason, "; {why}").expect("writing to a string cannot fail");
    }
}

/// Lines that are still live after the call and should not be. Each keeps what was seen in the call
/// itself.
pub(super) fn judge_release(
    plan: &Plan,
    step: &PlannedStep,
    judged: &[LineJudged],
    after: &[PointReading],
) -> Vec<LineJudged> {
    judged
        .iter()
        .filter(|line| observed(after, &line.terminal) == Observed::On)
        .filter(|line| !plan.may_be_live_at_rest(&line.terminal))
        .filter(|line| !plan.unreliable.contains_key(&line.terminal))
        .map(|line| LineJudged {
            verdict: Verdict::Fail,
            readings: line_readings(after, &line.terminal)
                .map(|reading| reading.id)
                .collect(),
            rule: Rule::Release,
            reason: format!(
                "{} is still live after the call{}: a relay that does not open, or another source \
                 on the line",
                line.terminal,
                match step.made_by {
                    MadeBy::Relays => ", with every relay open",
                    MadeBy::Stimulus(_) | MadeBy::Operator => "",
                }
            ),
            ..line.clone()
        })
        .filter(|line| step.cells.contains_key(&line.terminal))
        .collect()
}

/// Every line of a step that could not be made, with the reason.
pub(super) fn judge_unmade(step: &PlannedStep, rule: Rule, why: &str) -> Vec<LineJudged> {
    step.cells
        .iter()
        .map(|(line, cell)| LineJudged {
            step: step.number,
            terminal: line.clone(),
            expected: cell.expected,
            observed: Observed::NotMeasured,
            verdict: judge_cell(cell.expected, Observed::NotMeasured),
            readings: Vec::new(),
            rule,
            reason: why.to_owned(),
        })
        .collect()
}

/// Judges the changeover from the cooling and heating calls together, by the name of the line.
pub(super) fn judge_changeover(plan: &Plan, state: &RunState) -> Option<ChangeoverJudged> {
    let planned = plan.changeover.as_ref()?;
    let seen = |wanted: &dyn Fn(&Call) -> bool| -> Vec<(Call, Observed)> {
        plan.steps
            .iter()
            .filter(|step| wanted(&step.call) && plan.condition(step.number).is_none())
            .filter_map(|step| {
                let made = state.steps.iter().find(|made| made.number == step.number)?;
                let line = made.lines.get(&planned.terminal)?;
                answered(made, &planned.terminal).then(|| (step.call.clone(), line.judged.observed))
            })
            .collect()
    };
    let cooling = seen(&|call| matches!(call, Call::Cooling(_)));
    let heating = seen(&|call| matches!(call, Call::Heating(_)));
    let outcome = match (agreed(&cooling), agreed(&heating)) {
        (Some(true), Some(true)) => ChangeoverOutcome::StuckOn,
        (Some(false), Some(false)) => ChangeoverOutcome::StuckOff,
        (Some(cool), Some(_)) if cool == (planned.convention == Changeover::O) => {
            ChangeoverOutcome::Follows
        }
        (Some(_), Some(_)) => ChangeoverOutcome::Inverted,
        _ => ChangeoverOutcome::NotShown,
    };
    let shown = (outcome != ChangeoverOutcome::NotShown).then_some(ShownBy::Signal);
    Some(ChangeoverJudged {
        convention: planned.convention.word().to_owned(),
        terminal: planned.terminal.clone(),
        outcome,
        shown,
        evidence: evidence(&planned.terminal, &cooling, &heating),
    })
}

/// Whether any other line answered in the step: where nothing does, a dead changeover line says
/// nothing of the changeover.
fn answered(step: &StepState, changeover: &Terminal) -> bool {
    step.lines.iter().any(|(line, state)| {
        line != changeover
            && state.judged.expected == Expected::On
            && state.judged.observed == Observed::On
    })
}

fn agreed(seen: &[(Call, Observed)]) -> Option<bool> {
    let first = seen.first()?.1;
    let all_same = seen.iter().all(|(_, observed)| *observed == first);
    match first {
        Observed::On if all_same => Some(true),
        Observed::Off if all_same => Some(false),
        _ => None,
    }
}

fn evidence(line: &Terminal, cooling: &[(Call, Observed)], heating: &[(Call, Observed)]) -> String {
    let words = |seen: &[(Call, Observed)], what: &str| {
        if seen.is_empty() {
            return format!("no {what} call showed it");
        }
        let parts: Vec<String> = seen
            .iter()
            .map(|(call, observed)| format!("{observed} in {call}"))
            .collect();
        parts.join(", ")
    };
    format!(
        "{line}: {}; {}",
        words(cooling, "cooling"),
        words(heating, "heating")
    )
}
