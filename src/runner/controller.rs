//! A room controller makes the call: its own timers are waited for.
//!
//! A controller stages up by time, holds its compressor off for minutes and lets the fan lead or
//! lag. While the lines show a pattern that is legal on the way (rest, fan, a smaller stage of the
//! same call), the step waits; a pattern that is none of these, twice in a row, is judged at once;
//! the full pattern never reached within the wait is judged as it stands.
//!
//! Place in the data's path: part of a step, in place of its settling and reading.

use super::judge;
use super::measure::PointReading;
use super::requests::Halt;
use super::sequencer::Sequencer;
use crate::domain::plan::PlannedStep;
use crate::domain::{Cell, Verdict};
use crate::event::{EventKind, Waiting, WaitingFor};
use crate::units::{Microseconds, Terminal};
use std::collections::BTreeMap;

/// What a pattern is on the way to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Progress {
    /// The full pattern.
    Full,
    /// A legal one: wait.
    Legal,
    /// Neither.
    Wrong,
}

impl Sequencer<'_> {
    /// Waits until the call's full pattern stands for the settling time.
    pub(super) async fn wait_for_pattern(
        &self,
        step: &PlannedStep,
    ) -> Result<Vec<PointReading>, Halt> {
        self.wait_until_stable(&step.cells, &step.on_the_way).await
    }

    /// Waits until the controller is at rest again.
    pub(super) async fn wait_for_rest(&self) -> Result<Vec<PointReading>, Halt> {
        match &self.plan.rest {
            // On the way to rest a controller may hold any stage for its minimum-on time.
            Some(rest) => {
                let held: Vec<_> = self
                    .plan
                    .steps
                    .iter()
                    .map(|step| step.cells.clone())
                    .collect();
                self.wait_until_stable(rest, &held).await
            }
            None => self.measure().read(&self.line_order(None)).await,
        }
    }

    async fn wait_until_stable(
        &self,
        full: &BTreeMap<Terminal, Cell>,
        on_the_way: &[BTreeMap<Terminal, Cell>],
    ) -> Result<Vec<PointReading>, Halt> {
        let wait = self.plan.timing.controller_wait;
        let until = Microseconds(self.recorder.now().0 + wait.0 * 1000);
        self.record(EventKind::Waiting(Waiting {
            why: WaitingFor::ControllerTimer,
            until,
        }))?;
        let mut before = None;
        loop {
            self.pause(self.plan.timing.settle).await;
            let readings = self.measure().read(&self.line_order(None)).await?;
            let progress = self.progress(full, on_the_way, &readings);
            let twice = before == Some(progress);
            let over = self.recorder.now() >= until;
            match progress {
                Progress::Full | Progress::Wrong if twice || over => return Ok(readings),
                Progress::Legal if over => return Ok(readings),
                Progress::Full | Progress::Legal | Progress::Wrong => before = Some(progress),
            }
            if progress == Progress::Legal {
                self.pause(self.plan.timing.controller_look).await;
            }
        }
    }

    fn progress(
        &self,
        full: &BTreeMap<Terminal, Cell>,
        on_the_way: &[BTreeMap<Terminal, Cell>],
        readings: &[PointReading],
    ) -> Progress {
        let fits = |cells: &BTreeMap<Terminal, Cell>| {
            cells.iter().all(|(line, cell)| {
                judge::line_verdict(&self.plan.bands, cell.expected, readings, line).0
                    == Verdict::Pass
            })
        };
        if fits(full) {
            Progress::Full
        } else if on_the_way.iter().any(fits) {
            Progress::Legal
        } else {
            Progress::Wrong
        }
    }
}
