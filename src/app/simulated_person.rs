//! The person beside a simulated bench: hears the run's questions, looks, answers.
//!
//! Place in the data's path: an observer that the runner calls with each event, and a sender of
//! commands like the keyboard's. A person takes a few seconds to look, and waits for air until the
//! question's own time is nearly over before saying that there is none.

use crate::domain::Question;
use crate::event::{Command, EventKind, RunEvent};
use crate::runner::Observer;
use crate::sim::Simulator;
use std::time::Duration;
use tokio::sync::mpsc;

/// How long it takes to look round (assumed).
const LOOK: Duration = Duration::from_secs(3);

/// By which way these answers come.
const VIA: &str = "simulator";

/// Hears every event beside the observer that is there, and answers what can be answered. Needs a
/// `LocalSet` around it.
#[must_use]
pub fn with_person(
    mut observer: Observer,
    simulator: Simulator,
    commands: mpsc::Sender<Command>,
) -> Observer {
    Box::new(move |event: &RunEvent| {
        observer(event);
        let EventKind::Asked { prompt, about, .. } = &event.kind else {
            return;
        };
        let (prompt, question) = (*prompt, about.clone());
        let (simulator, commands) = (simulator.clone(), commands.clone());
        tokio::task::spawn_local(async move {
            let Some(text) = look(&simulator, &question).await else {
                return;
            };
            let via = VIA.to_owned();
            let answer = Command::Answer { prompt, text, via };
            // A run that is over needs no answer.
            drop(commands.send(answer).await);
        });
    })
}

async fn look(simulator: &Simulator, question: &Question) -> Option<String> {
    let Question::Air { within_s, .. } = question else {
        tokio::time::sleep(LOOK).await;
        return simulator.answer(question);
    };
    for _second in 1..*within_s {
        tokio::time::sleep(Duration::from_secs(1)).await;
        if let Some(answer) = simulator.answer(question) {
            return Some(answer);
        }
    }
    Some("no".to_owned())
}
