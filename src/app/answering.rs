//! Who answers when a run asks: the simulated person, an answers file, or the keyboard.
//!
//! Place in the data's path: sees every event after it was recorded; a question becomes an answer,
//! and the answer a command. It never judges an answer: one that is none is asked for again.

use crate::config::AnswersFile;
use crate::domain::{Question, Understood};
use crate::event::{Command, EventKind, RunEvent};
use crate::port::monotonic_now;
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
    /// A file for what it may answer, and someone at the keyboard for the rest.
    FileAndKeyboard(AnswersFile, Keyboard),
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
            Answers::FileAndKeyboard(file, keyboard) => {
                let asked = without_the_files(asked, file, commands.clone());
                typed(asked, keyboard, &commands).await;
            }
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
        let text = look(simulator, &question).await;
        if !answer(commands, prompt, text, "simulated").await {
            return;
        }
    }
}

/// What the simulated person says. Air is waited for until the question's own time is nearly over.
async fn look(simulator: &Simulator, question: &Question) -> String {
    tokio::time::sleep(THINKING).await;
    let mut text = simulator.answer(question);
    if let Question::Air { within_s, .. } = question {
        let last = monotonic_now() + Duration::from_secs(within_s.saturating_sub(4));
        while question.understand(&text) == Ok(Understood::No) && monotonic_now() < last {
            tokio::time::sleep(Duration::from_secs(1)).await;
            text = simulator.answer(question);
        }
    }
    text
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

/// Answers what a file may answer, and hands on what only a person at the bench can know.
fn without_the_files(
    mut asked: mpsc::UnboundedReceiver<Prompt>,
    mut file: AnswersFile,
    commands: mpsc::Sender<Command>,
) -> mpsc::UnboundedReceiver<Prompt> {
    let (sender, for_a_person) = mpsc::unbounded_channel();
    tokio::task::spawn_local(async move {
        while let Some((prompt, question)) = asked.recv().await {
            let by_file = match question.needs_a_person_there() {
                true => None,
                false => file.next(&question),
            };
            let goes_on = match by_file {
                Some(text) => answer(&commands, prompt, text, "file").await,
                None => sender.send((prompt, question)).is_ok(),
            };
            if !goes_on {
                return;
            }
        }
    });
    for_a_person
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
