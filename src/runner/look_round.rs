//! A person's look round: which machines run in a call, and which still run after it.
//!
//! A machine that was not called ends the step, and so does air that stopped. Heat beside a heating
//! compressor may be the equipment's own defrost: it is looked at again until it has lasted longer
//! than any defrost.
//!
//! Place in the data's path: `equipment` and `held` ask here; `machines` judges what was seen.

use super::equipment::{Ended, OnMachines};
use super::machines::{Seen, uncalled_lines};
use super::sequencer::Sequencer;
use crate::domain::plan::AirFrom;
use crate::domain::{Call, Machine, Question, Understood};
use crate::event::{LineJudged, WaitingFor};
use crate::units::{Microseconds, Seconds, Terminal};

/// How long after a look that found heat beside the compressor the next one comes.
const LOOK_AGAIN: Seconds = Seconds(60);

impl Sequencer<'_> {
    /// Which machines run; one that was not called ends the step, and so does air that stopped.
    pub(super) async fn look_round(&self, this: OnMachines<'_>) -> Result<Seen, Ended> {
        let mut defrost_until = None;
        loop {
            let running = self.ask_what_runs(this, &this.step.call).await?;
            let uncalled: Vec<&Machine> = running
                .iter()
                .filter(|machine| !this.on.may_run.contains(machine))
                .collect();
            if uncalled.is_empty() {
                return with_air(this, running);
            }
            // A line that is live says which: where a defrost feeds it, it is waited out here.
            self.see_lines(this).await?;
            let may_be_defrost = this.on.compressor_heats
                && !this.equipment.replaces
                && this.step.call != Call::EmergencyHeat
                && uncalled.iter().all(|machine| machine.is_heat());
            if !may_be_defrost {
                return Err(self.uncalled_machines(this, &uncalled)?);
            }
            let now = self.recorder.now();
            let span = this.equipment.times.defrost;
            let until = *defrost_until.get_or_insert(after(now, span));
            if now >= until {
                return Err(self.uncalled_machines(this, &uncalled)?);
            }
            let again = after(now, LOOK_AGAIN).min(until);
            self.hold_until(WaitingFor::Defrost, again).await?;
        }
    }

    /// After a release: a machine that was called and runs on does so by itself. The blower may.
    pub(super) async fn look_round_released(&self, this: OnMachines<'_>) -> Result<(), Ended> {
        let running = self.ask_what_runs(this, &Call::Idle).await?;
        let runs_on = |line: &&Terminal| {
            let machine = this.equipment.machines.get(*line);
            machine.is_some_and(|m| *m != Machine::Fan && running.contains(m))
        };
        let lines: Vec<Terminal> = this.step.drive.iter().filter(runs_on).cloned().collect();
        if lines.is_empty() {
            return Ok(());
        }
        self.knowledge
            .borrow_mut()
            .live_at_rest
            .extend(lines.iter().cloned());
        let why = "still calls its machine with every call released: a contactor or relay that \
                   does not open, or another source";
        Err(self.live_after_release(this, &lines, why)?)
    }

    async fn ask_what_runs(
        &self,
        this: OnMachines<'_>,
        call: &Call,
    ) -> Result<Vec<Machine>, Ended> {
        let question = Question::Machines {
            call: call.clone(),
            machines: this.equipment.all_machines(),
        };
        let until = after(self.recorder.now(), this.equipment.times.look_round);
        let Understood::Running(running) = self.ask_and_watch(&question, Some(until)).await? else {
            unreachable!("what runs is answered with machines")
        };
        Ok(running)
    }

    fn uncalled_machines(
        &self,
        this: OnMachines<'_>,
        uncalled: &[&Machine],
    ) -> Result<Ended, super::recorder::Unrecorded> {
        let wrong = uncalled_lines(this, uncalled);
        if this.step.drive.is_empty() {
            let lines = wrong.iter().map(|(line, _)| line.clone());
            self.knowledge.borrow_mut().live_at_rest.extend(lines);
        }
        let judged: Vec<LineJudged> = wrong
            .iter()
            .map(|(line, why)| self.wrong_line(this, line, why))
            .collect();
        self.record_judged(&judged)?;
        let names: Vec<String> = uncalled.iter().map(ToString::to_string).collect();
        Ok(Ended::Seen(format!(
            "{} runs, and was not called",
            names.join(" and ")
        )))
    }
}

fn after(moment: Microseconds, span: Seconds) -> Microseconds {
    Microseconds(moment.0.saturating_add(span.0 * 1_000_000))
}

/// What runs, where the air that the step needs is among it.
fn with_air(this: OnMachines<'_>, running: Vec<Machine>) -> Result<Seen, Ended> {
    let needs_air = this.on.air_from != AirFrom::Nowhere;
    if needs_air && !running.contains(&Machine::Fan) {
        return Err(Ended::Seen("the fan does not run".to_owned()));
    }
    Ok(Seen {
        running: Some(running.into_iter().collect()),
        ..Seen::default()
    })
}
