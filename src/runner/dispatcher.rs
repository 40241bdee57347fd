//! One biased select loop: commands first, the sequence second; then making safe, always.
//!
//! However the sequence ends (its last step, a cancel, a lost journal, a bench error, a panic),
//! every relay is opened and read back, and only then is the run finished. Commands are heard to
//! the end: a second cancel stops waiting for the read-back, not the open-all, which has gone out
//! by then.

use super::ending::{End, Ending};
use super::knowledge::Knowledge;
use super::operator::{Answers, Given};
use super::recorder::Recorder;
use super::sequencer::{Sequencer, Stop};
use super::setup::{RunOutcome, RunSetup};
use crate::event::{Command, EventKind, NextAction, TroubleSeen};
use crate::units::{DeviceName, Trouble};
use std::any::Any;
use std::cell::RefCell;
use std::future::poll_fn;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::{Pin, pin};
use std::task::Poll;
use tokio::sync::mpsc;

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
    let answers = Answers::default();
    let sequencer = Sequencer {
        plan: &plan,
        ports: &ports,
        policy: &policy,
        recorder: &recorder,
        knowledge: &knowledge,
        answers: &answers,
    };
    let end = if recorder
        .record(EventKind::RunStarted(Box::new(started)))
        .is_err()
    {
        End::Sequence(Err(Stop::Unrecorded))
    } else if !unopened.is_empty() {
        End::Sequence(Err(record_unopened(&recorder, &knowledge, &unopened)))
    } else {
        follow(sequencer.make_run(), &mut commands, &answers).await
    };
    let ending = Ending {
        sequencer: &sequencer,
        end,
    };
    let made_safe = ending.make_safe(&unopened, &mut commands).await;
    ending.finish(made_safe).await
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

/// Drives the sequence until it ends, panics or is cancelled.
pub(super) async fn follow(
    sequence: impl Future<Output = Result<(), Stop>>,
    commands: &mut mpsc::Receiver<Command>,
    answers: &Answers,
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
                Some(Command::Answer { prompt, text, via }) => {
                    answers.put(Given { prompt, text, via });
                }
                Some(Command::NobodyAnswers) => answers.close(),
                // Nothing of this run waits for these.
                Some(Command::Start | Command::Arm { .. }) => {}
                None => {
                    answers.close();
                    listening = false;
                }
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
