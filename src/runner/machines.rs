//! What readings, currents and a person's looks come to on real machines.
//!
//! In `under_test = "equipment"` the harness senses its own relays: a voltage there proves shorts,
//! back-feed and the supply, and nothing of the machine. A driven line passes on its current inside
//! the load's band or on what a person saw, else it is inconclusive; a machine that runs uncalled
//! fails the line that calls it.
//!
//! Place in the data's path: `equipment` gathers what was seen, the judgement is made here and
//! recorded there.

use super::equipment::OnMachines;
use super::judge::{self, SupplyKnown};
use super::measure::PointReading;
use super::sequencer::Sequencer;
use crate::domain::plan::{Plan, Target};
use crate::domain::profile::Changeover;
use crate::domain::{Call, Expected, Machine, Observed, Verdict, Warmth};
use crate::event::{ChangeoverJudged, ChangeoverOutcome, LineJudged, Rule, ShownBy};
use crate::units::{End, Terminal};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

/// The current of one line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct LineAmps {
    /// The reading's number in the record.
    pub(super) id: u64,
    /// In amperes.
    pub(super) amps: f64,
    /// Its standard uncertainty.
    pub(super) u: f64,
}

/// What was seen of one step beyond its lines' voltages.
#[derive(Debug, Default)]
pub(super) struct Seen {
    /// What ran, as a person saw it; `None` where nobody was asked.
    pub(super) running: Option<BTreeSet<Machine>>,
    /// Currents of driven lines.
    pub(super) amps: BTreeMap<Terminal, LineAmps>,
    /// What the supply air did.
    pub(super) warmth: Option<Warmth>,
}

/// The lines that call a machine which runs uncalled: of several, the first that the step does not
/// drive. What no line of the profile calls is nobody's.
pub(super) fn uncalled_lines(
    this: OnMachines<'_>,
    uncalled: &[&Machine],
) -> Vec<(Terminal, String)> {
    let undriven = |line: &Terminal| {
        let cell = this.step.cells.get(line);
        cell.is_some_and(|cell| cell.expected == Expected::Off)
    };
    uncalled
        .iter()
        .filter(|machine| ***machine != Machine::Other)
        .filter_map(|machine| {
            let mut lines = this.equipment.machines.iter();
            let (line, _) = lines.find(|(line, calls)| calls == machine && undriven(line))?;
            let drive: Vec<&str> = this.step.drive.iter().map(Terminal::as_str).collect();
            let why = if drive.is_empty() {
                format!("{machine} runs while nothing is driven: {line} is fed from elsewhere")
            } else {
                format!(
                    "{machine} runs while only {} is driven: {line} or what it calls answers to \
                     another line",
                    drive.join(" ")
                )
            };
            Some((line.clone(), why))
        })
        .collect()
}

impl Sequencer<'_> {
    pub(super) fn judge_on_machines(
        &self,
        this: OnMachines<'_>,
        lines: &[PointReading],
        seen: &Seen,
    ) -> Vec<LineJudged> {
        let mut judged = judge::judge_lines(self.plan, this.step, lines, SupplyKnown::Live);
        for line in &mut judged {
            judge_by_sight(this, seen, line);
        }
        let proven = proven_lines(this, seen);
        judge::credit_own_relays((self.plan, this.step), lines, &proven, &mut judged);
        for line in &mut judged {
            add_amps(this, seen, line);
        }
        if let Some(warmth) = seen.warmth {
            judge_warmth(this, self.plan, warmth, &mut judged);
        }
        judged
    }

    /// The changeover by what the supply air did; `None` where that was never asked.
    pub(super) fn changeover_by_effect(&self) -> Option<ChangeoverJudged> {
        let planned = self.plan.changeover.as_ref()?;
        let real = self.plan.equipment.as_ref()?;
        if !real.starts_machines {
            return None;
        }
        let knowledge = self.knowledge.borrow();
        let seen = |cooling: bool| {
            let mut asked = knowledge.warmth.iter();
            let found = asked.find(|(call, _)| call.is_cooling() == cooling);
            found.map(|(_, warmth)| *warmth)
        };
        let (cooling, heating) = (seen(true), seen(false));
        let outcome = match (cooling, heating) {
            (Some(Warmth::Colder), Some(Warmth::Warmer)) => ChangeoverOutcome::Follows,
            (Some(Warmth::Warmer), Some(Warmth::Colder)) => ChangeoverOutcome::Inverted,
            (Some(Warmth::Colder), Some(Warmth::Colder)) => match planned.convention {
                Changeover::O => ChangeoverOutcome::StuckOn,
                Changeover::B => ChangeoverOutcome::StuckOff,
            },
            (Some(Warmth::Warmer), Some(Warmth::Warmer)) => match planned.convention {
                Changeover::O => ChangeoverOutcome::StuckOff,
                Changeover::B => ChangeoverOutcome::StuckOn,
            },
            _ => ChangeoverOutcome::NotShown,
        };
        // Where the lines are sensed at the equipment, their signal speaks for itself.
        if outcome == ChangeoverOutcome::NotShown && !real.senses_own_relays {
            return None;
        }
        let words = |warmth: Option<Warmth>| warmth.map_or("not asked", Warmth::word);
        Some(ChangeoverJudged {
            convention: planned.convention.word().to_owned(),
            terminal: planned.terminal.clone(),
            outcome,
            shown: (outcome != ChangeoverOutcome::NotShown).then_some(ShownBy::Effect),
            evidence: format!(
                "supply air in cooling: {}; in heating: {}",
                words(cooling),
                words(heating)
            ),
        })
    }
}

/// A line that only a person looks at: on where its machine ran, off where it did not.
fn judge_by_sight(this: OnMachines<'_>, seen: &Seen, line: &mut LineJudged) {
    if line.observed != Observed::NotMeasured || line.expected == Expected::Either {
        return;
    }
    let machine = this.equipment.machines.get(&line.terminal);
    let (Some(running), Some(machine)) = (&seen.running, machine) else {
        return;
    };
    let runs = running.contains(machine);
    match (line.expected, runs) {
        (Expected::On, true) => {
            line.observed = Observed::On;
            line.verdict = Verdict::Pass;
            line.reason = format!("{machine} was seen to answer");
        }
        // It may run for another line that was called: that says nothing of this one.
        (Expected::Off, false) => {
            line.observed = Observed::Off;
            line.verdict = Verdict::Pass;
            line.reason = format!("{machine} was seen to rest");
        }
        _ => {
            line.verdict = Verdict::Inconc;
            line.reason = format!("{machine} was not seen to answer, and nothing else looks at it");
        }
    }
    line.rule = Rule::Machines;
}

/// Driven lines that are shown to work, with by what.
fn proven_lines(this: OnMachines<'_>, seen: &Seen) -> BTreeMap<Terminal, String> {
    let mut proven = BTreeMap::new();
    for line in &this.step.drive {
        let machine = this.equipment.machines.get(line);
        if let (Some(running), Some(machine)) = (&seen.running, machine)
            && running.contains(machine)
        {
            proven.insert(line.clone(), format!("{machine} was seen to answer"));
        }
        let band = this.equipment.currents.get(line);
        if let (Some(read), Some(band)) = (seen.amps.get(line), band)
            && band.holds(read.amps, read.u)
        {
            proven.insert(
                line.clone(),
                "its load takes the current that it should".to_owned(),
            );
        }
    }
    proven
}

/// Says a line's current, with what its load should take.
fn add_amps(this: OnMachines<'_>, seen: &Seen, line: &mut LineJudged) {
    let Some(LineAmps { id, amps, u }) = seen.amps.get(&line.terminal).copied() else {
        return;
    };
    line.readings.push(id);
    let expanded = 2.0 * u;
    write!(line.reason, "; it carries {amps:.3} A +- {expanded:.3} A")
        .expect("writing to a string cannot fail");
    match this.equipment.currents.get(&line.terminal) {
        Some(band) => write!(
            line.reason,
            ", and its load takes {:.2} to {:.2} A",
            band.from_amps, band.to_amps
        ),
        None => write!(
            line.reason,
            "; the bench file does not say what its load takes"
        ),
    }
    .expect("writing to a string cannot fail");
}

/// The air's answer falls on the changeover line; where there is none, on the lines that call the
/// machines: the equipment places its valve by which of them is live.
fn judge_warmth(this: OnMachines<'_>, plan: &Plan, warmth: Warmth, judged: &mut [LineJudged]) {
    let call = &this.step.call;
    let right = match (call, warmth) {
        (_, Warmth::Unclear) => return,
        (Call::Cooling(_), seen) => seen == Warmth::Colder,
        (_, seen) => seen == Warmth::Warmer,
    };
    let changeover = plan.changeover.as_ref().map(|planned| &planned.terminal);
    let answers = |line: &Terminal| match changeover {
        Some(changeover) => changeover == line,
        None => this.on.then.contains(line),
    };
    for line in judged.iter_mut().filter(|line| answers(&line.terminal)) {
        line.rule = Rule::Machines;
        if right {
            if line.verdict == Verdict::Inconc && changeover.is_some() {
                line.verdict = Verdict::Pass;
            }
            line.reason = format!("the supply air gets {warmth}, as {call} asks");
            continue;
        }
        line.verdict = line.verdict.join(Verdict::Fail);
        let why = match changeover {
            Some(changeover) => format!("the reversing valve (O/B) does not follow {changeover}"),
            None => format!(
                "what {} calls answers to another line, or the equipment places its valve wrongly",
                line.terminal
            ),
        };
        line.reason = format!("the supply air gets {warmth} in {call}: {why}");
    }
}

/// Whether the readings hold one at the equipment's own end of the line.
pub(super) fn is_sensed_at_equipment(readings: &[PointReading], line: &Terminal) -> bool {
    readings.iter().any(|reading| {
        reading.point.end == End::Equipment
            && matches!(&reading.point.target, Target::Line(read) if read == line)
    })
}
