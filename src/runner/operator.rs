//! A person who is asked, and answers in their own time.
//!
//! Place in the data's path: a question becomes an event; the answer comes as a command, from
//! keyboard, file, browser or simulator, through the dispatcher into [`Answers`]. An answer that is
//! none is asked for again. Someone who stays silent for a set time, or cannot do what is asked,
//! ends the step: relays are released, and the step is inconclusive.

use super::recorder::Recorder;
use super::requests::Halt;
use super::setup::Policy;
use crate::domain::plan::Target;
use crate::domain::{Question, Understood, VIA_KEYBOARD};
use crate::event::{EventKind, Waiting, WaitingFor};
use crate::units::{DeviceName, End, Microseconds};
use std::cell::{Cell, RefCell};
use std::collections::VecDeque;
use tokio::sync::Notify;

/// One answer on its way.
#[derive(Debug)]
pub(super) struct Given {
    pub(super) prompt: u32,
    pub(super) text: String,
    pub(super) via: String,
}

/// Answers that have come and were not yet taken.
#[derive(Debug, Default)]
pub(super) struct Answers {
    waiting: RefCell<VecDeque<Given>>,
    came: Notify,
    nobody: Cell<bool>,
    next_prompt: Cell<u32>,
    armed_by: RefCell<Option<String>>,
    /// Where a person last put a meter's leads, with nothing asked of them since.
    leads: RefCell<Option<(DeviceName, Target, End)>>,
}

impl Answers {
    /// An answer came.
    pub(super) fn put(&self, given: Given) {
        self.waiting.borrow_mut().push_back(given);
        self.came.notify_one();
    }

    /// No answer can come any more.
    pub(super) fn close(&self) {
        self.nobody.set(true);
        self.came.notify_one();
    }

    /// A named person armed the run.
    pub(super) fn arm(&self, by: String) {
        self.armed_by.replace(Some(by));
        self.came.notify_one();
    }

    /// Waits for a named person to arm the run; `None` where nobody is there.
    pub(super) async fn armed(&self) -> Option<String> {
        loop {
            if let Some(by) = self.armed_by.borrow_mut().take() {
                return Some(by);
            }
            if self.nobody.get() {
                return None;
            }
            self.came.notified().await;
        }
    }

    /// The answer to this prompt; answers to others are dropped. `None` where nobody is there.
    async fn take(&self, prompt: u32, by_keyboard: bool) -> Option<Given> {
        loop {
            while let Some(given) = self.pop() {
                let good_way = !by_keyboard || given.via == VIA_KEYBOARD;
                if given.prompt == prompt && good_way {
                    return Some(given);
                }
            }
            if self.nobody.get() {
                return None;
            }
            self.came.notified().await;
        }
    }

    fn pop(&self) -> Option<Given> {
        self.waiting.borrow_mut().pop_front()
    }
}

/// Asks.
#[derive(Clone, Copy)]
pub(super) struct Operator<'a> {
    pub(super) recorder: &'a Recorder,
    pub(super) policy: &'a Policy,
    pub(super) answers: &'a Answers,
    /// What only a person at the bench can know is taken from the keyboard alone: on real loads,
    /// unless the bench is simulated.
    pub(super) people_only: bool,
}

impl Operator<'_> {
    /// Asks until there is an answer that can be understood.
    pub(super) async fn ask(&self, question: &Question) -> Result<Understood, Halt> {
        self.ask_until(question, None).await
    }

    /// The same, with a moment after which no answer counts.
    pub(super) async fn ask_until(
        &self,
        question: &Question,
        deadline: Option<Microseconds>,
    ) -> Result<Understood, Halt> {
        let by_keyboard = self.people_only && question.needs_a_person_there();
        self.answers.leads.replace(None);
        let mut text = question.text();
        for _try in 0..self.policy.operator_tries {
            let prompt = self.answers.next_prompt.get();
            self.answers.next_prompt.set(prompt + 1);
            let silence = self.policy.operator_silence;
            let patient = Microseconds(self.recorder.now().0 + silence.0 * 1000);
            let until = deadline.map_or(patient, |deadline| deadline.min(patient));
            self.recorder.record(EventKind::Waiting(Waiting {
                why: WaitingFor::Operator,
                until,
            }))?;
            self.recorder.record(EventKind::Asked {
                prompt,
                about: question.clone(),
                text,
                choices: question.choices(),
            })?;
            let left = Microseconds(until.0.saturating_sub(self.recorder.now().0));
            let answer = self.answers.take(prompt, by_keyboard);
            let given = tokio::time::timeout(left.duration(), answer).await;
            let Ok(Some(given)) = given else {
                return Err(Halt::NoAnswer(format!(
                    "nobody answered: {}",
                    question.text()
                )));
            };
            self.recorder.record(EventKind::Answered {
                prompt,
                text: given.text.clone(),
                via: given.via,
            })?;
            match question.understand(&given.text) {
                Ok(Understood::Cannot) => {
                    return Err(Halt::NoAnswer(format!(
                        "could not be done: {}",
                        question.text()
                    )));
                }
                Ok(understood) => return Ok(understood),
                Err(why) => text = format!("{why}. {}", question.text()),
            }
        }
        Err(Halt::NoAnswer(format!(
            "no usable answer: {}",
            question.text()
        )))
    }

    /// Has the meter's leads put on a point, unless they lie there already.
    pub(super) async fn put_leads(
        &self,
        meter: &DeviceName,
        (target, end): (&Target, End),
    ) -> Result<(), Halt> {
        let there = Some((meter.clone(), target.clone(), end));
        if *self.answers.leads.borrow() == there {
            return Ok(());
        }
        let target = target.clone();
        self.ask_done(&Question::Probe { target, end }).await?;
        self.answers.leads.replace(there);
        Ok(())
    }

    /// Asks for something to be done.
    pub(super) async fn ask_done(&self, question: &Question) -> Result<(), Halt> {
        self.ask(question).await.map(|_done| ())
    }
}
