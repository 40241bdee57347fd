//! An answers file: what a person would answer, given beforehand.
//!
//! Place in the data's path: compared with the questions that a plan may put, before anything is
//! opened; during the run the app takes one answer after the other. docs/answers-file.md describes
//! the format.

use super::nearest::help_for;
use super::problem::ConfigErrors;
use super::source::{Finding, Source, Span, read_text};
use crate::domain::Question;
use std::collections::{BTreeMap, VecDeque};
use std::path::Path;
use toml::de::{DeTable, DeValue};

/// The answers to one kind of question.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Given {
    /// The same every time.
    Always(String),
    /// One after the other; then nobody answers.
    InTurn(VecDeque<String>),
}

/// Answers by question.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct AnswersFile(BTreeMap<String, Given>);

impl AnswersFile {
    /// The next answer to this question; `None` where there is none, or no more.
    pub fn next(&mut self, question: &Question) -> Option<String> {
        match self.0.get_mut(&question.key())? {
            Given::Always(text) => Some(text.clone()),
            Given::InTurn(texts) => texts.pop_front(),
        }
    }

    /// The names of those questions to which the file has no answer, each once.
    #[must_use]
    pub fn unanswered(&self, questions: &[Question]) -> Vec<String> {
        let mut keys: Vec<String> = Vec::new();
        for key in questions.iter().map(Question::key) {
            if !self.0.contains_key(&key) && !keys.contains(&key) {
                keys.push(key);
            }
        }
        keys
    }
}

/// Reads an answers file for a run that may put these questions; those of people are put too, and
/// no file may answer them.
///
/// # Errors
/// Everything that is wrong with it, each with its place.
pub fn read_answers(
    path: &Path,
    questions: &[Question],
    of_people: &[Question],
) -> Result<AnswersFile, ConfigErrors> {
    let text = read_text(path)?;
    let file = path.display().to_string();
    let source = Source {
        file: &file,
        text: &text,
    };
    let document = source.document()?;
    let mut findings = Vec::new();
    let mut answers = AnswersFile::default();
    let found = document.get("answers");
    match found.map(|value| (value.get_ref(), value.span())) {
        Some((DeValue::Table(table), _)) => {
            let asked = (questions, of_people);
            read_table(table, asked, (&mut answers, &mut findings));
        }
        Some((_, span)) => {
            findings.push(Finding::new(span, "answers", "[answers] must be a table"))
        }
        None => findings.push(Finding::new(
            0..0,
            "answers",
            "missing [answers]: an answer for each question, by its name",
        )),
    }
    for (key, _) in document
        .iter()
        .filter(|(key, _)| key.get_ref() != "answers")
    {
        let message = format!("unknown key `{}`", key.get_ref());
        let finding = Finding::new(key.span(), key.get_ref().to_string(), message);
        findings.push(finding.help("the file holds [answers] and nothing else"));
    }
    if findings.is_empty() {
        Ok(answers)
    } else {
        Err(source.errors(findings))
    }
}

fn read_table(
    table: &DeTable<'_>,
    (questions, of_people): (&[Question], &[Question]),
    (answers, findings): (&mut AnswersFile, &mut Vec<Finding>),
) {
    let known: Vec<String> = questions.iter().map(Question::key).collect();
    for (name, value) in table {
        let key = name.get_ref().to_string();
        let path = format!("answers.\"{key}\"");
        let asked: Vec<&Question> = questions.iter().filter(|q| q.key() == key).collect();
        if of_people.iter().any(|question| question.key() == key) {
            let message = format!("`{key}` is a person's to answer at the keyboard, in each run");
            let finding = Finding::new(name.span(), path, message);
            findings.push(finding.help(
                "on real or lifted loads no file answers what only someone at the bench can know; \
                 with --simulate it may",
            ));
            continue;
        }
        if asked.is_empty() {
            let message = format!("this run never asks `{key}`");
            let known: Vec<&str> = known.iter().map(String::as_str).collect();
            let finding = Finding::new(name.span(), path, message);
            findings.push(finding.help_where_known(help_for(&key, &known)));
            continue;
        }
        let mut check = |text: &str, span: Span| {
            // One name may stand for the same question at both ends; either may take the answer.
            let refused = asked.iter().map(|q| q.understand(text).err());
            if let Some(Some(why)) = refused.min_by_key(Option::is_some) {
                findings.push(Finding::new(span, path.clone(), why));
            }
        };
        let mut strange = Vec::new();
        let given = match value.get_ref() {
            DeValue::String(text) => {
                check(text, value.span());
                Given::Always(text.to_string())
            }
            DeValue::Array(items) => {
                let mut texts = VecDeque::new();
                for item in items {
                    match item.get_ref().as_str() {
                        Some(text) => {
                            check(text, item.span());
                            texts.push_back(text.to_owned());
                        }
                        None => strange.push(item.span()),
                    }
                }
                Given::InTurn(texts)
            }
            _ => {
                strange.push(value.span());
                Given::InTurn(VecDeque::new())
            }
        };
        for span in strange {
            let message = "an answer is a text, or an array of texts that are given in turn";
            findings.push(Finding::new(span, path.clone(), message));
        }
        answers.0.insert(key, given);
    }
}
