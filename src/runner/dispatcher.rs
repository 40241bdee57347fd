//! One biased select loop: commands first, the sequence second; then making safe, always.
//!
//! However the sequence ends (its last step, a cancel, a lost journal, a bench error, a panic),
//! every relay is opened and read back, and only then is the run finished. Commands are heard to
//! the end: a second cancel stops waiting for the read-back, not the open-all, which has gone out
//! by then.

use super::measure::{Measure, ReadOrder};
use super::recorder::Recorder;
use super::safety::Safety;
use super::sequencer::{Knowledge, Sequencer, Stop};
use super::setup::{RunOutcome, RunSetup};
use crate::domain::plan::{Plan, SensePoint, Target};
use crate::domain::{Observed, Verdict};
use crate::event::{
    ChangeoverOutcome, Command, DeviceSafe, EventKind, FinishReason, MadeSafe, NextAction,
    RunFinished, RunState, TroubleSeen,
};
use crate::units::{DeviceName, Terminal, Trouble};
use std::any::Any;
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::future::poll_fn;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::{Pin, pin};
use std::task::Poll;
use tokio::sync::mpsc;

/// How the sequence ended.
enum End {
    Sequence(Result<(), Stop>),
    Cancelled { at_once: bool },
    Panicked(String),
}

/// Makes a run, from its first event to its last, and leaves every relay open.
///
/// Needs a current-thread runtime with a local set around it. Dropping the future leaves the
/// relays as they are: send [`Command::Cancel`] instead.
pub async fn run(setup: RunSetup, mut commands: mpsc::Receiver<Command>) -> RunOutcome {
    let RunSetup {
        started,
        ports,
        unopened,
        journal,
        clock,
        observer,
        policy,
    } = setup;
    let recorder = Recorder::new(journal, clock, observer);
    let knowledge = RefCell::new(Knowledge::default());
    let plan = started.plan.clone();
    let end = if recorder
        .record(EventKind::RunStarted(Box::new(started)))
        .is_err()
    {
        End::Sequence(Err(Stop::Unrecorded))
    } else if !unopened.is_empty() {
        End::Sequence(Err(record_unopened(&recorder, &knowledge, &unopened)))
    } else {
        let sequencer = Sequencer {
            plan: &plan,
            ports: &ports,
            policy: &policy,
            recorder: &recorder,
            knowledge: &knowledge,
        };
        follow(sequencer.make_run(), &mut commands).await
    };
    let ending = Ending {
        plan: &plan,
        recorder: &recorder,
        knowledge: &knowledge,
        end,
    };
    let safety = Safety {
        ports: &ports,
        recorder: &recorder,
        policy: &policy,
    };
    let made_safe = ending.make_safe(&safety, &unopened, &mut commands).await;
    ending.finish(made_safe).await
}

/// A run after its sequence: what is left is making safe and saying so.
struct Ending<'a> {
    plan: &'a Plan,
    recorder: &'a Recorder,
    knowledge: &'a RefCell<Knowledge>,
    end: End,
}

impl Ending<'_> {
    /// Opens every relay, and looks once more at every line where that can be done in peace.
    async fn make_safe(
        &self,
        safety: &Safety<'_>,
        unopened: &[(DeviceName, Trouble)],
        commands: &mut mpsc::Receiver<Command>,
    ) -> MadeSafe {
        let was_closed = self.knowledge.borrow().was_closed.clone();
        let at_once = matches!(self.end, End::Cancelled { at_once: true });
        let mut devices = open_at_end(safety, &was_closed, commands, at_once).await;
        devices.extend(unopened_boards(self.plan, unopened));
        let confirmed = devices.iter().all(|board| board.confirmed_open);
        let still_live = if confirmed && !at_once && !self.recorder.is_lost() {
            let measure = Measure {
                ports: safety.ports,
                recorder: self.recorder,
                policy: safety.policy,
                timing: &self.plan.timing,
            };
            still_live(&measure, self.plan).await
        } else {
            Vec::new()
        };
        MadeSafe {
            devices,
            still_live,
            supplies_live: Vec::new(),
        }
    }

    /// Records the last two events and brings the journal onto the disk.
    async fn finish(self, safe: MadeSafe) -> RunOutcome {
        let made_safe = safe.devices.iter().all(|board| board.confirmed_open);
        let still_live = safe.still_live.clone();
        let mut lost = self.recorder.record(EventKind::MadeSafe(safe)).is_err();
        let (reason, mut notes) = reason_of(&self.end, self.recorder);
        notes.extend(self.knowledge.borrow().notes.iter().cloned());
        let verdict = final_verdict(&self.recorder.state(), reason, made_safe);
        let note = notes.join("; ");
        let not_proven = self.plan.not_proven.clone();
        let finished = RunFinished {
            verdict,
            reason,
            note: note.clone(),
            not_proven,
        };
        lost |= self
            .recorder
            .record(EventKind::RunFinished(finished))
            .is_err();
        lost |= self.recorder.end_sync().await.is_err();
        self.recorder.begin_sync();
        lost |= self.recorder.end_sync().await.is_err();
        RunOutcome {
            verdict: if lost { Verdict::Error } else { verdict },
            reason: if lost {
                FinishReason::JournalLost
            } else {
                reason
            },
            made_safe,
            relay_was_closed: !self.knowledge.borrow().was_closed.is_empty(),
            still_live,
            note,
            journal_lost: self.recorder.take_lost(),
        }
    }
}

/// Says what could not be opened. Nothing else is done: what did open is made safe below.
fn record_unopened(
    recorder: &Recorder,
    knowledge: &RefCell<Knowledge>,
    unopened: &[(DeviceName, Trouble)],
) -> Stop {
    for (device, trouble) in unopened {
        knowledge
            .borrow_mut()
            .notes
            .push(format!("{device}: {trouble}"));
        let seen = TroubleSeen {
            device: device.clone(),
            trouble: trouble.clone(),
            attempt: 1,
            next: NextAction::Stop,
        };
        if recorder.record(EventKind::Trouble(seen)).is_err() {
            return Stop::Unrecorded;
        }
    }
    Stop::Bench
}

/// Relay boards that could not be opened: nothing is known of their relays.
fn unopened_boards<'a>(
    plan: &'a Plan,
    unopened: &'a [(DeviceName, Trouble)],
) -> impl Iterator<Item = DeviceSafe> + 'a {
    let drives = |device: &DeviceName| plan.drives.iter().any(|d| d.relay.device == *device);
    unopened
        .iter()
        .filter(move |(device, _)| drives(device))
        .map(|(device, trouble)| DeviceSafe {
            device: device.clone(),
            confirmed_open: false,
            still_closed: Vec::new(),
            was_closed: false,
            trouble: trouble.to_string(),
        })
}

/// Drives the sequence until it ends, panics or is cancelled.
async fn follow(
    sequence: impl Future<Output = Result<(), Stop>>,
    commands: &mut mpsc::Receiver<Command>,
) -> End {
    let mut sequence = pin!(sequence);
    let mut guarded = pin!(caught(sequence.as_mut()));
    let mut listening = true;
    loop {
        tokio::select! {
            biased;
            command = commands.recv(), if listening => match command {
                Some(Command::Cancel) => return End::Cancelled { at_once: false },
                Some(Command::CancelAtOnce) => return End::Cancelled { at_once: true },
                // Nothing of this run waits for these.
                Some(Command::Start | Command::Arm { .. } | Command::Answer { .. }) => {}
                None => listening = false,
            },
            result = &mut guarded => return match result {
                Ok(result) => End::Sequence(result),
                Err(panic) => End::Panicked(panic_words(panic.as_ref())),
            },
        }
    }
}

/// Polls the future and turns a panic inside it into a value, so that relays are opened after one.
async fn caught<F: Future + ?Sized>(
    mut future: Pin<&mut F>,
) -> Result<F::Output, Box<dyn Any + Send>> {
    poll_fn(
        move |context| match catch_unwind(AssertUnwindSafe(|| future.as_mut().poll(context))) {
            Ok(Poll::Pending) => Poll::Pending,
            Ok(Poll::Ready(value)) => Poll::Ready(Ok(value)),
            Err(panic) => Poll::Ready(Err(panic)),
        },
    )
    .await
}

fn panic_words(panic: &(dyn Any + Send)) -> String {
    panic
        .downcast_ref::<&str>()
        .map(|text| (*text).to_owned())
        .or_else(|| panic.downcast_ref::<String>().cloned())
        .unwrap_or_else(|| "no message".to_owned())
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

/// One second is left for a read-back once nobody wants to wait any longer.
const GRACE: std::time::Duration = std::time::Duration::from_secs(1);

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
            })
            .collect(),
    }
}

/// Lines that are live with every relay open. A trouble while looking leaves it unsaid: the lines
/// were read after each step as well.
async fn still_live(measure: &Measure<'_>, plan: &Plan) -> Vec<Terminal> {
    let points: Vec<&SensePoint> = plan
        .sense_points
        .iter()
        .filter(|p| matches!(p.target, Target::Line(_)))
        .collect();
    let should_be_live = vec![false; points.len()];
    let order = ReadOrder {
        points,
        should_be_live,
        stop_when_live: false,
    };
    let Ok(readings) = measure.read(&order).await else {
        return Vec::new();
    };
    let mut live: Vec<Terminal> = readings
        .into_iter()
        .filter(|reading| reading.state == Observed::On)
        .filter_map(|reading| match reading.point.target {
            Target::Line(line) => Some(line),
            Target::Supply(_) | Target::Pair(..) => None,
        })
        .collect();
    live.sort();
    live.dedup();
    live
}

fn reason_of(end: &End, recorder: &Recorder) -> (FinishReason, Vec<String>) {
    if recorder.is_lost() {
        return (FinishReason::JournalLost, Vec::new());
    }
    match end {
        End::Sequence(Ok(())) => (FinishReason::Complete, Vec::new()),
        End::Sequence(Err(Stop::Unrecorded)) => (FinishReason::JournalLost, Vec::new()),
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
        FinishReason::Cancelled => judged.join(Verdict::Inconc),
        FinishReason::BenchError | FinishReason::JournalLost | FinishReason::Panicked => {
            Verdict::Error
        }
    }
}
