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

/// Where a person's lines come from.
pub struct Keyboard {
    /// Begins to read; lines from before are not among them.
    pub begin: Box<dyn FnOnce() -> mpsc::Receiver<String>>,
    /// Whether it is a terminal, and not a pipe that holds the answers of a whole run.
    pub is_terminal: bool,
}

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
    /// Someone at the keyboard, whose word starts machines.
    Arming(Keyboard),
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
                typed(asked, (keyboard, true), &commands).await;
            }
            Answers::Keyboard(keyboard) => typed(asked, (keyboard, false), &commands).await,
            Answers::Arming(keyboard) => typed(asked, (keyboard, true), &commands).await,
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

/// A line that came before its question answers nothing: whoever pressed a key twice has not
/// confirmed the next point of a checklist. A pipe is read ahead all the same, but for what only a
/// person at real machines can know.
async fn typed(
    mut asked: mpsc::UnboundedReceiver<Prompt>,
    (keyboard, starts_machines): (Keyboard, bool),
    commands: &mpsc::Sender<Command>,
) {
    let Some((mut prompt, _)) = asked.recv().await else {
        return;
    };
    let Keyboard { begin, is_terminal } = keyboard;
    let mut lines = begin();
    let forget_earlier = |question: &Question, lines: &mut mpsc::Receiver<String>| {
        if is_terminal || (starts_machines && question.needs_a_person_there()) {
            while lines.try_recv().is_ok() {}
        }
    };
    loop {
        let line = tokio::select! {
            biased;
            // Silence was taken for an answer: what is typed now answers the question on screen.
            newer = asked.recv() => match newer {
                Some((newer, question)) => {
                    prompt = newer;
                    forget_earlier(&question, &mut lines);
                    continue;
                }
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
            Some((newer, question)) => {
                prompt = newer;
                forget_earlier(&question, &mut lines);
            }
            None => return,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::{Call, Check};
    use crate::units::Microseconds;
    use jiff::Timestamp;
    use tokio::task::LocalSet;

    fn asked(prompt: u32, about: Question) -> RunEvent {
        RunEvent {
            v: 1,
            seq: u64::from(prompt),
            at: Timestamp::UNIX_EPOCH,
            elapsed_us: Microseconds(0),
            prev: String::new(),
            kind: EventKind::Asked {
                prompt,
                text: about.text(),
                choices: about.choices(),
                about,
            },
        }
    }

    /// What answers two questions while "yes" is sent three times before the second is put, and
    /// "no" after it.
    fn two_answers(questions: [Question; 2], is_terminal: bool, starts: bool) -> Vec<String> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .start_paused(true)
            .build()
            .expect("a runtime");
        let (typist, lines) = mpsc::channel(8);
        let keyboard = Keyboard {
            begin: Box::new(|| lines),
            is_terminal,
        };
        let who = match starts {
            true => Answers::Arming(keyboard),
            false => Answers::Keyboard(keyboard),
        };
        let [first, second] = questions;
        LocalSet::new().block_on(&runtime, async move {
            let (sender, mut commands) = mpsc::channel(8);
            let mut observer = answering(Box::new(|_| {}), who, sender);
            observer(&asked(0, first));
            for _ in 0..3 {
                typist.send("yes".to_owned()).await.expect("read");
            }
            let mut given = vec![commands.recv().await];
            observer(&asked(1, second));
            // On a paused clock this passes once everybody waits.
            let early = tokio::time::timeout(Duration::from_secs(1), commands.recv()).await;
            given.extend(early);
            typist.send("no".to_owned()).await.expect("read");
            if given.len() < 2 {
                given.push(commands.recv().await);
            }
            given
                .into_iter()
                .map(|command| match command {
                    Some(Command::Answer { prompt, text, .. }) => format!("{prompt} {text}"),
                    other => panic!("{other:?}"),
                })
                .collect()
        })
    }

    fn checks() -> [Question; 2] {
        [Check::ALL[0], Check::ALL[1]].map(|check| Question::Confirm { check })
    }

    fn tasks() -> [Question; 2] {
        [Call::FanOnly, Call::Cooling(1)].map(|call| Question::EndCall { call })
    }

    #[test]
    fn a_key_pressed_twice_confirms_one_point_of_the_checklist() {
        for is_terminal in [true, false] {
            let answers = two_answers(checks(), is_terminal, true);
            assert_eq!(answers, ["0 yes", "1 no"], "terminal: {is_terminal}");
        }
    }

    #[test]
    fn a_terminal_is_never_read_ahead_and_a_pipe_is_where_no_machine_starts() {
        assert_eq!(two_answers(tasks(), true, false), ["0 yes", "1 no"]);
        assert_eq!(two_answers(tasks(), false, false), ["0 yes", "1 yes"]);
    }
}
