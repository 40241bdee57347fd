//! What was commanded and what was read, in time: the matter of the timing diagram.
//!
//! Place in the data's path: made with the [`RunView`](super::RunView) from the relay commands and
//! the readings of the folded events. Nothing is judged; equal readings in a row are kept as they
//! are, since each is a look at the line at its own moment.

use crate::domain::Observed;
use crate::domain::bench_map::RelayAt;
use crate::domain::plan::Target;
use crate::event::{Read, RelaysSet, RunState};
use crate::units::{Microseconds, Terminal};
use std::collections::BTreeMap;

/// One span in which a line's relay was meant to be closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DrivenSpan {
    /// From when: the moment of the command.
    pub from: Microseconds,
    /// Until when; `None` where no command to open it is recorded.
    pub until: Option<Microseconds>,
    /// Whether the relay board read it back closed.
    pub is_confirmed: bool,
}

/// One look at a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// The last sample's moment.
    pub at: Microseconds,
    /// What was seen.
    pub state: Observed,
}

/// One line in time.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct LineTrace {
    /// When its relay was commanded closed.
    pub driven: Vec<DrivenSpan>,
    /// When it was looked at.
    pub looks: Vec<Look>,
}

/// Every line and the supply in time.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Timeline {
    /// The lines.
    pub lines: BTreeMap<Terminal, LineTrace>,
    /// The supply, whichever rail.
    pub supply: Vec<Look>,
    /// When a room controller's supply was cut on purpose, and when it came back.
    pub cuts: Vec<(Microseconds, Option<Microseconds>)>,
}

impl Timeline {
    /// The timeline of a run; empty before it has started.
    pub(super) fn of(state: &RunState) -> Self {
        let mut timeline = Self::default();
        let Some((_, started)) = &state.started else {
            return timeline;
        };
        for drive in &started.plan.drives {
            let spans = driven_spans(&drive.relay, &state.relays);
            let trace = timeline.lines.entry(drive.terminal.clone()).or_default();
            trace.driven = spans;
        }
        let in_steps = state.steps.iter().flat_map(|step| &step.readings);
        for read in in_steps.chain(&state.other_readings) {
            timeline.add(read);
        }
        for trace in timeline.lines.values_mut() {
            trace.looks.sort_by_key(|look| look.at);
        }
        timeline.supply.sort_by_key(|look| look.at);
        timeline.cuts.clone_from(&state.cuts);
        timeline
    }

    /// Whether the supply was cut on purpose at this moment.
    #[must_use]
    pub fn is_cut(&self, at: Microseconds) -> bool {
        let mut cuts = self.cuts.iter();
        cuts.any(|(from, until)| *from <= at && until.is_none_or(|until| at < until))
    }

    fn add(&mut self, read: &Read) {
        let look = Look {
            at: read.to_us,
            state: read.result.state,
        };
        match &read.target {
            Target::Line(line) => match self.lines.get_mut(line) {
                Some(trace) => trace.looks.push(look),
                None => {
                    let trace = LineTrace {
                        looks: vec![look],
                        ..LineTrace::default()
                    };
                    self.lines.insert(line.clone(), trace);
                }
            },
            Target::Supply(_) => self.supply.push(look),
            Target::Pair(..) => {}
        }
    }
}

fn driven_spans(relay: &RelayAt, commands: &[RelaysSet]) -> Vec<DrivenSpan> {
    let mut spans: Vec<DrivenSpan> = Vec::new();
    for set in commands.iter().filter(|set| set.device == relay.device) {
        let is_meant = set.intended.contains(&relay.coil);
        let is_read_back = set
            .read_back
            .as_ref()
            .is_some_and(|closed| closed.contains(&relay.coil));
        match spans.last_mut().filter(|span| span.until.is_none()) {
            Some(open) if is_meant => open.is_confirmed |= is_read_back,
            Some(open) => open.until = Some(set.sent_us),
            None if is_meant => spans.push(DrivenSpan {
                from: set.sent_us,
                until: None,
                is_confirmed: is_read_back,
            }),
            None => {}
        }
    }
    spans
}
