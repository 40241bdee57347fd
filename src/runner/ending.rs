//! After the sequence: every relay open, the last look, the last two events, the outcome.
//!
//! Place in the data's path: the dispatcher comes here however the sequence ended. Making safe
//! hears commands to the end: a second cancel stops waiting for the read-back, not the open-all,
//! which has gone out by then.

use super::measure::{Measure, ReadOrder};
use super::recorder::Recorder;
use super::safety::Safety;
use super::sequencer::{Sequencer, Stop};
use super::setup::RunOutcome;
use crate::domain::bench_map::SenseMeans;
use crate::domain::plan::{Plan, SensePoint, Target};
use crate::domain::{Observed, Verdict};
use crate::event::{
    ChangeoverOutcome, Command, DeviceSafe, EventKind, FinishReason, MadeSafe, RunFinished,
    RunState,
};
use crate::units::{DeviceName, Terminal, Trouble};
use std::collections::BTreeSet;
use std::pin::{Pin, pin};
use tokio::sync::mpsc;

/// How the sequence ended.
pub(super) enum End {
    Sequence(Result<(), Stop>),
    Cancelled { at_once: bool },
    Panicked(String),
}

/// A run after its sequence: what is left is making safe and saying so.
pub(super) struct Ending<'a> {
    pub(super) sequencer: &'a Sequencer<'a>,
    pub(super) end: End,
}

impl Ending<'_> {
    /// Opens every relay, and looks once more at every line where that can be done in peace.
    pub(super) async fn make_safe(
        &self,
        unopened: &[(DeviceName, Trouble)],
        commands: &mut mpsc::Receiver<Command>,
    ) -> MadeSafe {
        let safety = self.sequencer.safety();
        let was_closed = self.sequencer.knowledge.borrow().was_closed.clone();
        let at_once = matches!(self.end, End::Cancelled { at_once: true });
        let mut devices = open_at_end(&safety, &was_closed, commands, at_once).await;
        devices.extend(unopened_boards(self.sequencer.plan, unopened));
        let confirmed = devices.iter().all(|board| board.confirmed_open);
        let known = self.sequencer.knowledge.borrow().live_at_rest.clone();
        let still_live = if confirmed && !at_once && !self.sequencer.recorder.is_lost() {
            still_live(&self.sequencer.measure(), self.sequencer.plan, known).await
        } else {
            known.into_iter().collect()
        };
        MadeSafe {
            devices,
            still_live,
            supplies_live: Vec::new(),
        }
    }

    /// Records the last two events and brings the journal onto the disk.
    pub(super) async fn finish(self, safe: MadeSafe) -> RunOutcome {
        let Sequencer {
            plan,
            recorder,
            knowledge,
            ..
        } = self.sequencer;
        let made_safe = safe.devices.iter().all(|board| board.confirmed_open);
        let still_live = safe.still_live.clone();
        let mut lost = recorder.record(EventKind::MadeSafe(safe)).is_err();
        let (reason, mut notes) = reason_of(&self.end, recorder);
        notes.extend(knowledge.borrow().notes.iter().cloned());
        let verdict = final_verdict(&recorder.state(), reason, made_safe);
        let note = notes.join("; ");
        let not_proven = plan.not_proven.clone();
        let finished = RunFinished {
            verdict,
            reason,
            note: note.clone(),
            not_proven,
        };
        lost |= recorder.record(EventKind::RunFinished(finished)).is_err();
        lost |= recorder.end_sync().await.is_err();
        recorder.begin_sync();
        lost |= recorder.end_sync().await.is_err();
        RunOutcome {
            verdict: if lost { Verdict::Error } else { verdict },
            reason: if lost {
                FinishReason::JournalLost
            } else {
                reason
            },
            made_safe,
            relay_was_closed: !knowledge.borrow().was_closed.is_empty(),
            still_live,
            note,
            journal_lost: recorder.take_lost(),
        }
    }
}

/// Relay boards that could not be opened: nothing is known of their relays.
fn unopened_boards<'a>(
    plan: &'a Plan,
    unopened: &'a [(DeviceName, Trouble)],
) -> impl Iterator<Item = DeviceSafe> + 'a {
    let drives = |device: &DeviceName| plan.relays().any(|relay| relay.device == *device);
    unopened
        .iter()
        .filter(move |(device, _)| drives(device))
        .map(|(device, trouble)| DeviceSafe {
            device: device.clone(),
            confirmed_open: false,
            still_closed: Vec::new(),
            was_closed: false,
            trouble: trouble.to_string(),
            trouble_kind: Some(trouble.kind),
        })
}

/// Opens everything. A cancel at once ends the waiting after the first command has gone out; what
/// was not read back by then is not confirmed.
async fn open_at_end(
    safety: &Safety<'_>,
    was_closed: &BTreeSet<DeviceName>,
    commands: &mut mpsc::Receiver<Command>,
    at_once: bool,
) -> Vec<DeviceSafe> {
    let mut opening = pin!(safety.open_all(was_closed));
    let mut listening = true;
    if at_once {
        return within_grace(safety, was_closed, opening).await;
    }
    loop {
        tokio::select! {
            biased;
            boards = &mut opening => return boards,
            command = commands.recv(), if listening => match command {
                Some(Command::CancelAtOnce | Command::Cancel) => {
                    return within_grace(safety, was_closed, opening).await;
                }
                Some(_) => {}
                None => listening = false,
            },
        }
    }
}

/// What is left for a read-back once nobody wants to wait any longer: one quarantine of the usual
/// length (1.6 s), the read-back, and room. The open-all itself is on the wire by then.
const GRACE: std::time::Duration = std::time::Duration::from_secs(4);

async fn within_grace(
    safety: &Safety<'_>,
    was_closed: &BTreeSet<DeviceName>,
    opening: Pin<&mut impl Future<Output = Vec<DeviceSafe>>>,
) -> Vec<DeviceSafe> {
    match tokio::time::timeout(GRACE, opening).await {
        Ok(boards) => boards,
        Err(_elapsed) => safety
            .ports
            .boards
            .keys()
            .map(|device| DeviceSafe {
                device: device.clone(),
                confirmed_open: false,
                still_closed: Vec::new(),
                was_closed: was_closed.contains(device),
                trouble: "stopped at once: open-all was sent, its read-back was not awaited"
                    .to_owned(),
                trouble_kind: None,
            })
            .collect(),
    }
}

/// Lines that are live with every relay open, as digital inputs see them, and lines that were so
/// when they were last looked at: a meter's multiplexer would close relays again, and a person may
/// be gone. A trouble while looking leaves the rest unsaid: the lines were read after each step as
/// well.
async fn still_live(
    measure: &Measure<'_>,
    plan: &Plan,
    mut known: BTreeSet<Terminal>,
) -> Vec<Terminal> {
    let points: Vec<&SensePoint> = plan
        .sense_points
        .iter()
        .filter(|p| matches!(p.target, Target::Line(_)))
        .filter(|p| matches!(p.means, SenseMeans::Input { .. }))
        .filter(|p| !is_fed_by_equipment(plan, &p.target))
        .collect();
    let should_be_live = vec![false; points.len()];
    let order = ReadOrder {
        points,
        should_be_live,
        stop_when_live: false,
        call: None,
    };
    let Ok(readings) = measure.read(&order).await else {
        return known.into_iter().collect();
    };
    for reading in readings {
        let Target::Line(line) = reading.point.target else {
            continue;
        };
        if reading.state == Observed::On && !plan.may_be_live_at_rest(&line) {
            known.insert(line);
        }
    }
    known.into_iter().collect()
}

/// Whether the equipment itself may feed the line at rest.
fn is_fed_by_equipment(plan: &Plan, target: &Target) -> bool {
    let (Some(equipment), Target::Line(line)) = (&plan.equipment, target) else {
        return false;
    };
    equipment.inputs.contains(line)
}

fn reason_of(end: &End, recorder: &Recorder) -> (FinishReason, Vec<String>) {
    if recorder.is_lost() {
        return (FinishReason::JournalLost, Vec::new());
    }
    match end {
        End::Sequence(Ok(())) => (FinishReason::Complete, Vec::new()),
        End::Sequence(Err(Stop::Unrecorded)) => (FinishReason::JournalLost, Vec::new()),
        End::Sequence(Err(Stop::Held)) => (FinishReason::Stopped, Vec::new()),
        End::Sequence(Err(Stop::Bench)) => (FinishReason::BenchError, Vec::new()),
        End::Cancelled { .. } => (FinishReason::Cancelled, vec!["cancelled".to_owned()]),
        End::Panicked(words) => (
            FinishReason::Panicked,
            vec![format!("the program failed: {words}")],
        ),
    }
}

fn final_verdict(state: &RunState, reason: FinishReason, made_safe: bool) -> Verdict {
    let steps = state.steps.iter().filter_map(|step| step.verdict);
    let joined = steps.fold(Verdict::None, Verdict::join);
    let changeover = match state.changeover.as_ref().map(|judged| judged.outcome) {
        None | Some(ChangeoverOutcome::NotShown) => Verdict::None,
        Some(ChangeoverOutcome::Follows) => Verdict::Pass,
        Some(
            ChangeoverOutcome::Inverted | ChangeoverOutcome::StuckOn | ChangeoverOutcome::StuckOff,
        ) => Verdict::Fail,
    };
    let judged = joined.join(changeover);
    match reason {
        _ if !made_safe => Verdict::Error,
        FinishReason::Complete if judged == Verdict::None => Verdict::Inconc,
        FinishReason::Complete => judged,
        FinishReason::Cancelled | FinishReason::Stopped => judged.join(Verdict::Inconc),
        FinishReason::BenchError | FinishReason::JournalLost | FinishReason::Panicked => {
            Verdict::Error
        }
    }
}
