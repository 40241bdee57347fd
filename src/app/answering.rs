//! Who answers when a run asks: the simulated person, an answers file, or the keyboard.
//!
//! Place in the data's path: sees every event after it was recorded; a question becomes an answer,
//! and the answer a command. It never judges an answer: one that is none is asked for again.

use crate::config::AnswersFile;
use crate::domain::{Question, Understood};
use crate::event::{Command, EventKind, RunEvent};
use crate::runner::Observer;
use crate::sim::Simulator;
use std::time::Duration;
use tokio::sync::mpsc;

/// How long the simulated person takes for each question.
const THINKING: Duration = Duration::from_secs(2);

/// Begins to read the keyboard.
pub type Keyboard = Box<dyn FnOnce() -> mpsc::Receiver<String>>;

/// Where answers come from.
pub(super) enum Answers {
    /// The simulated person.
    Simulated(Simulator),
    /// A file; where the bench is simulated too, what the file says is done is done there.
    File(AnswersFile, Option<Simulator>),
    /// Someone at the keyboard.
    Keyboard(Keyboard),
}

/// One question with its number.
type Prompt = (u32, Question);

/// Begins to answer, and returns the observer that hears the questions. Call inside a `LocalSet`.
pub(super) fn answering(
    mut shown: Observer,
    answers: Answers,
    commands: mpsc::Sender<Command>,
) -> Observer {
    let (sender, asked) = mpsc::unbounded_channel();
    tokio::task::spawn_local(async move {
        match answers {
            Answers::Simulated(simulator) => simulated(asked, &simulator, &commands).await,
            Answers::File(file, simulator) => from_file(asked, (file, simulator), &commands).await,
            Answers::Keyboard(keyboard) => typed(asked, keyboard, &commands).await,
        }
    });
    Box::new(move |event: &RunEvent| {
        shown(event);
        if let EventKind::Asked { prompt, about, .. } = &event.kind {
            // Once nobody listens any more, nobody answers, and the run has been told so.
            let _nobody_listens = sender.send((*prompt, about.clone())).is_err();
        }
    })
}

/// Sends one answer; false where the run is over.
async fn answer(commands: &mpsc::Sender<Command>, prompt: u32, text: String, via: &str) -> bool {
    let via = via.to_owned();
    let command = Command::Answer { prompt, text, via };
    commands.send(command).await.is_ok()
}

async fn simulated(
    mut asked: mpsc::UnboundedReceiver<Prompt>,
    simulator: &Simulator,
    commands: &mpsc::Sender<Command>,
) {
    while let Some((prompt, question)) = asked.recv().await {
        tokio::time::sleep(THINKING).await;
        let text = simulator.answer(&question);
        if !answer(commands, prompt, text, "simulated").await {
            return;
        }
    }
}

async fn from_file(
    mut asked: mpsc::UnboundedReceiver<Prompt>,
    (mut file, simulator): (AnswersFile, Option<Simulator>),
    commands: &mpsc::Sender<Command>,
) {
    while let Some((prompt, question)) = asked.recv().await {
        let Some(text) = file.next(&question) else {
            let _run_is_over = commands.send(Command::NobodyAnswers).await.is_err();
            return;
        };
        if let Some(simulator) = &simulator
            && question.understand(&text) == Ok(Understood::Done)
        {
            let _said_by_the_file = simulator.answer(&question);
        }
        if !answer(commands, prompt, text, "file").await {
            return;
        }
    }
}

async fn typed(
    mut asked: mpsc::UnboundedReceiver<Prompt>,
    keyboard: Keyboard,
    commands: &mpsc::Sender<Command>,
) {
    let Some((mut prompt, _)) = asked.recv().await else {
        return;
    };
    let mut lines = keyboard();
    loop {
        let line = tokio::select! {
            biased;
            // Silence was taken for an answer: what is typed now answers the question on screen.
            newer = asked.recv() => match newer {
                Some((newer, _)) => { prompt = newer; continue; }
                None => return,
            },
            line = lines.recv() => line,
        };
        let Some(text) = line else {
            let _run_is_over = commands.send(Command::NobodyAnswers).await.is_err();
            return;
        };
        if !answer(commands, prompt, text, "keyboard").await {
            return;
        }
        match asked.recv().await {
            Some((newer, _)) => prompt = newer,
            None => return,
        }
    }
}
