//! What a person is asked during a run.
//!
//! Place in the data's path: the plan or the runner puts a question, an event carries it, and
//! whoever answers (keyboard, answers file, simulator) finds the answer by its [`Question::key`].
//! The words of a prompt are made here, so that every way of asking says the same.

use super::call::Call;
use super::plan::Target;
use crate::units::{End, Terminal};
use serde::{Deserialize, Serialize};

/// One question.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Question {
    /// Make a call, by jumper from R where lines are named, else at the room controller.
    MakeCall {
        /// The call.
        call: Call,
        /// The lines to put on R; empty where a room controller makes the call.
        lines: Vec<Terminal>,
    },
    /// End the call.
    EndCall {
        /// The call.
        call: Call,
    },
    /// Say which of these lines are live.
    Observe {
        /// The call under way.
        call: Call,
        /// The lines in question.
        lines: Vec<Terminal>,
        /// At which end.
        end: End,
    },
    /// Put the meter's leads somewhere.
    Probe {
        /// Where.
        target: Target,
        /// At which end.
        end: End,
    },
}

impl Question {
    /// The name by which an answers file gives its answer: `make:cooling-1`, `end:cooling-1`,
    /// `observe:cooling-1`, `observe:supply`, `probe:Y1@equipment`.
    #[must_use]
    pub fn key(&self) -> String {
        match self {
            Self::MakeCall { call, .. } => format!("make:{call}"),
            Self::EndCall { call } => format!("end:{call}"),
            Self::Observe { lines, .. } if is_supply(lines) => "observe:supply".to_owned(),
            Self::Observe { call, .. } => format!("observe:{call}"),
            Self::Probe {
                target: Target::Line(line),
                end,
            } => format!("probe:{line}@{end}"),
            Self::Probe {
                target: Target::Supply(rail),
                end,
            } => format!("probe:{rail}@{end}"),
            Self::Probe {
                target: Target::Pair(a, b),
                end,
            } => format!("probe:{a},{b}@{end}"),
        }
    }

    /// The prompt.
    #[must_use]
    pub fn text(&self) -> String {
        match self {
            Self::MakeCall {
                call: Call::Idle,
                lines,
            } if lines.is_empty() => "Make no call, and take every jumper off. Done?".to_owned(),
            Self::MakeCall { call, lines } if lines.is_empty() => {
                format!("Make the call {call} at the room controller. Done?")
            }
            Self::MakeCall { call, lines } => format!(
                "For the call {call} put {} on R at the controller end, one after the other, and \
                 nothing else. Done?",
                named(lines)
            ),
            Self::EndCall { call } => format!("End the call {call}: take it off again. Done?"),
            Self::Observe { lines, end, .. } if is_supply(lines) => format!(
                "Which of {} are live against C at the {end} end? (names, or none)",
                named(lines)
            ),
            Self::Observe { call, lines, end } => format!(
                "In the call {call}, which of {} are live at the {end} end? (names, or none)",
                named(lines)
            ),
            Self::Probe { target, end } => {
                format!("Put the meter's leads on {target} at the {end} end. Done?")
            }
        }
    }

    /// The answers that are accepted.
    #[must_use]
    pub fn choices(&self) -> Vec<String> {
        match self {
            Self::MakeCall { .. } | Self::EndCall { .. } | Self::Probe { .. } => {
                vec!["done".to_owned(), "cannot".to_owned()]
            }
            Self::Observe { lines, .. } => {
                let mut choices: Vec<String> = lines.iter().map(ToString::to_string).collect();
                choices.push("none".to_owned());
                choices
            }
        }
    }

    /// What an answer means, or what would be one.
    ///
    /// # Errors
    /// In a person's words, where the answer is none.
    pub fn understand(&self, answer: &str) -> Result<Understood, String> {
        let words: Vec<&str> = answer
            .split([' ', ',', ';'])
            .map(str::trim)
            .filter(|word| !word.is_empty())
            .collect();
        match self {
            Self::MakeCall { .. } | Self::EndCall { .. } | Self::Probe { .. } => {
                match words.as_slice() {
                    ["done" | "yes" | "y"] => Ok(Understood::Done),
                    ["cannot" | "no" | "n"] => Ok(Understood::Cannot),
                    _ => Err(format!(
                        "'{answer}' is no answer here; expected done or cannot"
                    )),
                }
            }
            Self::Observe { lines, .. } => observed(&words, lines)
                .ok_or_else(|| {
                    format!(
                        "'{answer}' is no answer here; expected some of {}, or none",
                        named(lines)
                    )
                })
                .map(Understood::Live),
        }
    }
}

/// An answer, understood.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Understood {
    /// It was done.
    Done,
    /// It cannot be done.
    Cannot,
    /// These lines are live, and no others of those asked about.
    Live(Vec<Terminal>),
}

fn named(lines: &[Terminal]) -> String {
    lines
        .iter()
        .map(Terminal::as_str)
        .collect::<Vec<_>>()
        .join(" ")
}

fn is_supply(lines: &[Terminal]) -> bool {
    lines.iter().all(Terminal::is_supply)
}

fn observed(words: &[&str], lines: &[Terminal]) -> Option<Vec<Terminal>> {
    if words == ["none"] {
        return Some(Vec::new());
    }
    if words.is_empty() {
        return None;
    }
    words
        .iter()
        .map(|word| lines.iter().find(|line| line.as_str() == *word).cloned())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_understood_or_refused_with_what_would_do() {
        let question = Question::Observe {
            call: Call::Cooling(1),
            lines: vec![Terminal::known("Y1"), Terminal::known("G")],
            end: End::Equipment,
        };
        assert_eq!(question.key(), "observe:cooling-1");
        assert_eq!(question.understand("none"), Ok(Understood::Live(vec![])));
        let both = vec![Terminal::known("G"), Terminal::known("Y1")];
        assert_eq!(question.understand("G, Y1"), Ok(Understood::Live(both)));
        for wrong in ["", "O", "Y1 none", "done"] {
            let error = question.understand(wrong).expect_err(wrong);
            assert!(error.contains("some of Y1 G, or none"), "{error}");
        }
        let make = Question::MakeCall {
            call: Call::FanOnly,
            lines: vec![],
        };
        assert_eq!(make.understand("done"), Ok(Understood::Done));
        assert!(make.understand("Y1").is_err());
    }
}
