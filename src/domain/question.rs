//! What a person is asked during a run.
//!
//! Place in the data's path: the plan or the runner puts a question, an event carries it, and
//! whoever answers (keyboard, answers file, simulator) finds the answer by its [`Question::key`].
//! The words of a prompt are made here, so that every way of asking says the same.

use super::bench_map::Rail;
use super::call::Call;
use super::checklist::Check;
use super::machine::{Machine, Warmth};
use super::plan::Target;
use crate::units::{End, MeterValue, Quantity, Terminal};
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
        /// Whether Rc and Rh stand in R's place, each for its own lines.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        two_supplies: bool,
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
    /// Confirm one point of the checklist before a run on real or lifted loads.
    Confirm {
        /// The point.
        check: Check,
    },
    /// Say whether air moves.
    Air {
        /// The call under way.
        call: Call,
        /// How long the person has, in seconds: without an answer everything opens.
        within_s: u64,
    },
    /// Say which machines run, or whose coils are pulled in.
    Machines {
        /// The call under way.
        call: Call,
        /// The machines in question.
        machines: Vec<Machine>,
    },
    /// Say whether the supply air gets colder or warmer.
    Warmth {
        /// The call under way.
        call: Call,
    },
    /// Say what an instrument in the person's hand shows.
    Value {
        /// The call under way.
        call: Call,
        /// What it is put on.
        target: Target,
        /// At which end.
        end: End,
        /// Which quantity.
        quantity: Quantity,
    },
}

/// The most that an instrument may be said to show: far beyond any 24 V circuit, so that a slip of
/// the keys is asked about again (assumed).
const MOST_VOLTS: f64 = 1_000.0;
const MOST_AMPS: f64 = 20.0;
const MOST_OHMS: f64 = 1e9;

/// The way of an answer that a person typed at this program's keyboard.
pub const VIA_KEYBOARD: &str = "keyboard";

impl Question {
    /// Whether only a person at the bench can know the answer. On real loads such an answer is
    /// taken from the keyboard alone, unless the bench is simulated.
    #[must_use]
    pub fn needs_a_person_there(&self) -> bool {
        match self {
            Self::Confirm { .. }
            | Self::Air { .. }
            | Self::Machines { .. }
            | Self::Warmth { .. }
            | Self::Value { .. }
            | Self::Observe { .. } => true,
            Self::MakeCall { .. } | Self::EndCall { .. } | Self::Probe { .. } => false,
        }
    }

    /// The name by which an answers file gives its answer: `make:cooling-1`, `end:cooling-1`,
    /// `observe:cooling-1`, `observe:supply`, `probe:Y1@equipment`, `confirm:valves-open`,
    /// `air:fan-only`, `machines:cooling-1`, `warmth:cooling-1`, `amps:Y1@controller`.
    #[must_use]
    pub fn key(&self) -> String {
        match self {
            Self::MakeCall { call, .. } => format!("make:{call}"),
            Self::EndCall { call } => format!("end:{call}"),
            Self::Observe { lines, .. } if is_supply(lines) => "observe:supply".to_owned(),
            Self::Observe { call, .. } => format!("observe:{call}"),
            Self::Confirm { check } => format!("confirm:{}", check.word()),
            Self::Air { call, .. } => format!("air:{call}"),
            Self::Machines { call, .. } => format!("machines:{call}"),
            Self::Warmth { call } => format!("warmth:{call}"),
            Self::Probe { target, end } => format!("probe:{}", place_key(target, *end)),
            Self::Value {
                target,
                end,
                quantity,
                ..
            } => format!("{}:{}", shown_word(*quantity), place_key(target, *end)),
        }
    }

    /// The prompt.
    #[must_use]
    pub fn text(&self) -> String {
        match self {
            Self::MakeCall {
                call: Call::Idle,
                lines,
                ..
            } if lines.is_empty() => "Make no call, and take every jumper off. Done?".to_owned(),
            Self::MakeCall { call, lines, .. } if lines.is_empty() => {
                format!("Make the call {call} at the room controller. Done?")
            }
            Self::MakeCall {
                call,
                lines,
                two_supplies: true,
            } => format!(
                "For the call {call} put {} at the controller end, one after the other, and \
                 nothing else; Rc and Rh must never meet. Done?",
                each_on_its_supply(lines)
            ),
            Self::MakeCall { call, lines, .. } => format!(
                "For the call {call} put {} on R at the controller end, one after the other, and \
                 nothing else. Done?",
                named(lines)
            ),
            Self::EndCall { call } => format!("End the call {call}: take it off again. Done?"),
            Self::Observe { lines, end, .. } if is_supply(lines) && lines.len() == 1 => format!(
                "Is {0} live against C at the {end} end? ({0}, or none)",
                named(lines)
            ),
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
            Self::Confirm { check } => check.question().to_owned(),
            Self::Air { call, within_s } => format!(
                "In the call {call}, does air move at a supply register? Without a yes within \
                 {within_s} s everything opens."
            ),
            Self::Machines {
                call: Call::Idle, ..
            } => "Nothing is called. What still runs, or is still pulled in? Name it, or say none."
                .to_owned(),
            Self::Machines { call, .. } => format!(
                "In the call {call}, what runs or is pulled in? Name everything that does, called \
                 or not."
            ),
            Self::Warmth { call } => format!(
                "In the call {call}, does the supply air get colder or warmer than the room?"
            ),
            Self::Value {
                call,
                target,
                end,
                quantity,
            } => {
                let (unit, target) = (quantity.unit(), put_on(target, *quantity));
                format!("In the call {call}, what does {target} show at the {end} end, in {unit}?")
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
            Self::Confirm { .. } | Self::Air { .. } => vec!["yes".to_owned(), "no".to_owned()],
            Self::Machines { machines, .. } => {
                let mut choices: Vec<String> = machines.iter().map(ToString::to_string).collect();
                choices.push("none".to_owned());
                choices
            }
            Self::Warmth { .. } => Warmth::ALL.iter().map(ToString::to_string).collect(),
            Self::Value { .. } => ["NUMBER", "overload", "none"].map(str::to_owned).to_vec(),
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
            Self::Confirm { .. } | Self::Air { .. } => match words.as_slice() {
                ["yes" | "y"] => Ok(Understood::Yes),
                ["no" | "n"] => Ok(Understood::No),
                _ => Err(format!("'{answer}' is no answer here; expected yes or no")),
            },
            Self::Machines { machines, .. } => running(&words, machines)
                .ok_or_else(|| {
                    format!(
                        "'{answer}' is no answer here; expected some of {}, or none",
                        machine_words(machines)
                    )
                })
                .map(Understood::Running),
            Self::Warmth { .. } => match words.as_slice() {
                [word] => Warmth::ALL
                    .iter()
                    .find(|warmth| warmth.word() == *word)
                    .copied()
                    .map(Understood::Warmth),
                _ => None,
            }
            .ok_or_else(|| {
                format!("'{answer}' is no answer here; expected colder, warmer or unclear")
            }),
            Self::Value { quantity, .. } => shown(&words, *quantity)
                .ok_or_else(|| {
                    format!(
                        "'{answer}' is no answer here; expected a number from 0 to {}, overload \
                         or none",
                        most(*quantity)
                    )
                })
                .map(Understood::Shown),
        }
    }
}

/// An answer, understood.
#[derive(Debug, Clone, PartialEq)]
pub enum Understood {
    /// It was done.
    Done,
    /// It cannot be done.
    Cannot,
    /// These lines are live, and no others of those asked about.
    Live(Vec<Terminal>),
    /// It is so.
    Yes,
    /// It is not.
    No,
    /// These machines run, and no others of those asked about.
    Running(Vec<Machine>),
    /// What the supply air does.
    Warmth(Warmth),
    /// What an instrument shows.
    Shown(MeterValue),
}

/// The instrument with where it is put.
fn put_on(target: &Target, quantity: Quantity) -> String {
    match (target, quantity) {
        (Target::Line(line), Quantity::AcAmps) => format!("a clamp around {line}"),
        (Target::Line(line), _) => format!("a meter from {line} to C"),
        (Target::Supply(_) | Target::Pair(..), _) => format!("a meter from {target}"),
    }
}

fn place_key(target: &Target, end: End) -> String {
    match target {
        Target::Line(line) => format!("{line}@{end}"),
        Target::Supply(rail) => format!("{rail}@{end}"),
        Target::Pair(a, b) => format!("{a},{b}@{end}"),
    }
}

fn shown_word(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::AcAmps => "amps",
        Quantity::Resistance => "ohms",
        Quantity::AcVolts | Quantity::Presence | Quantity::Observation => "volts",
    }
}

fn most(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::AcAmps => MOST_AMPS,
        Quantity::Resistance => MOST_OHMS,
        Quantity::AcVolts | Quantity::Presence | Quantity::Observation => MOST_VOLTS,
    }
}

/// A number without its unit, or a word.
fn shown(words: &[&str], quantity: Quantity) -> Option<MeterValue> {
    let [word] = words else {
        return None;
    };
    match *word {
        "none" => Some(MeterValue::NotANumber),
        "overload" | "OL" | "ol" => Some(MeterValue::Overload),
        number => number
            .parse::<f64>()
            .ok()
            .filter(|value| (0.0..=most(quantity)).contains(value))
            .map(MeterValue::Value),
    }
}

fn machine_words(machines: &[Machine]) -> String {
    let words: Vec<String> = machines.iter().map(ToString::to_string).collect();
    words.join(" ")
}

fn running(words: &[&str], machines: &[Machine]) -> Option<Vec<Machine>> {
    if words == ["none"] {
        return Some(Vec::new());
    }
    if words.is_empty() {
        return None;
    }
    words
        .iter()
        .map(|word| {
            machines
                .iter()
                .find(|machine| machine.to_string() == *word)
                .cloned()
        })
        .collect()
}

/// `G Y1 on Rc and W1 on Rh`: an accessory may hang on either supply.
fn each_on_its_supply(lines: &[Terminal]) -> String {
    let of = |rail: Option<Rail>| -> Vec<Terminal> {
        let lines = lines.iter().filter(|line| Rail::by_function(line) == rail);
        lines.cloned().collect()
    };
    let groups = [
        (of(Some(Rail::Rc)), "Rc"),
        (of(Some(Rail::Rh)), "Rh"),
        (of(None), "its own supply"),
    ];
    let groups = groups.iter().filter(|(lines, _)| !lines.is_empty());
    let words: Vec<String> = groups
        .map(|(lines, rail)| format!("{} on {rail}", named(lines)))
        .collect();
    words.join(" and ")
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
            two_supplies: false,
        };
        assert_eq!(make.understand("done"), Ok(Understood::Done));
        assert!(make.understand("Y1").is_err());
    }

    #[test]
    fn with_two_supplies_no_line_is_put_on_the_wrong_one() {
        let put = |lines: &[&'static str], two_supplies| {
            let lines = lines.iter().map(|line| Terminal::known(line)).collect();
            let call = Call::AuxiliaryHeat(1);
            Question::MakeCall {
                call,
                lines,
                two_supplies,
            }
            .text()
        };
        let text = put(&["G", "Y1", "W1"], true);
        assert!(text.contains("put G Y1 on Rc and W1 on Rh at"), "{text}");
        assert!(text.contains("Rc and Rh must never meet"), "{text}");
        let text = put(&["HUM"], true);
        assert!(text.contains("put HUM on its own supply at"), "{text}");
        let text = put(&["G", "Y1", "W1"], false);
        assert!(text.contains("put G Y1 W1 on R at"), "{text}");
    }

    #[test]
    fn a_number_is_taken_within_reason() {
        let question = Question::Value {
            call: Call::Cooling(1),
            target: Target::Line(Terminal::known("Y1")),
            end: End::Controller,
            quantity: Quantity::AcAmps,
        };
        assert_eq!(question.key(), "amps:Y1@controller");
        let shown = |answer: &str| question.understand(answer);
        let value = MeterValue::Value(0.38);
        assert_eq!(shown(" 0.38 "), Ok(Understood::Shown(value)));
        let beyond = MeterValue::Overload;
        assert_eq!(shown("OL"), Ok(Understood::Shown(beyond)));
        let nothing = MeterValue::NotANumber;
        assert_eq!(shown("none"), Ok(Understood::Shown(nothing)));
        for wrong in ["", "-1", "21", "0,38", "0.38 A", "NaN", "inf", "yes"] {
            let error = shown(wrong).expect_err(wrong);
            assert!(error.contains("a number from 0 to 20"), "{error}");
        }
    }
}
