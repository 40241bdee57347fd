//! A meter's answers in SCPI: the common commands, the error queue, its configured questions.
//!
//! Place in the data's path: between a link's lines and the world. It answers at the instant at
//! which the line arrives; when the answer leaves, and in what state, is the link's matter.
//!
//! Common commands as IEEE 488.2, section 10 demands of every instrument; the error queue as
//! SCPI-99 vol. 2, 21.8 has it, with the numbers of the classes that a meter meets. What it does
//! not know is answered by nothing but an entry in the queue.

use crate::units::{DeviceName, MeterValue, Quantity, ScpiSpec};
use crate::wire::{ScpiError, scpi_answer};
use std::collections::VecDeque;

/// Entries that the queue holds; the one too many becomes "Queue overflow".
const QUEUE_LENGTH: usize = 20;
/// Power has come on (IEEE 488.2, 11.5.1.1.2).
const POWER_ON: u8 = 1 << 7;
const OPERATION_COMPLETE: u8 = 1;
/// Status byte: the error queue is not empty; an enabled event has happened.
const QUEUE_NOT_EMPTY: u8 = 1 << 2;
const EVENT_SUMMARY: u8 = 1 << 5;

/// One meter's own state.
#[derive(Debug)]
pub(super) struct ScpiMeter {
    identity: String,
    spec: ScpiSpec,
    errors: VecDeque<ScpiError>,
    events: u8,
    events_enabled: u8,
    service_enabled: u8,
}

/// What one unit of a line comes to: an answer, silence, or an entry in the queue.
type Outcome = Result<Option<String>, (i32, &'static str)>;

const UNDEFINED: (i32, &str) = (-113, "Undefined header");
const NOT_ALLOWED: (i32, &str) = (-108, "Parameter not allowed");
const MISSING: (i32, &str) = (-109, "Missing parameter");
const WRONG_TYPE: (i32, &str) = (-104, "Data type error");
const OUT_OF_RANGE: (i32, &str) = (-222, "Data out of range");

/// What a header asks for.
#[derive(Debug, Clone, Copy)]
enum Command {
    ClearStatus,
    Complete,
    Identity,
    EventMask,
    SetEventMask,
    Events,
    ServiceMask,
    SetServiceMask,
    Status,
    NextError,
    ErrorCount,
    /// A question with one answer for ever.
    Fixed(&'static str),
    /// A command that changes nothing here.
    Nothing,
}

impl Command {
    fn of(header: &str) -> Option<Self> {
        let header = header.trim_start_matches(':').to_ascii_uppercase();
        let command = match header.as_str() {
            "*CLS" => Self::ClearStatus,
            "*OPC" => Self::Complete,
            "*OPC?" => Self::Fixed("1"),
            "*IDN?" => Self::Identity,
            "*TST?" => Self::Fixed("0"),
            "*ESE" => Self::SetEventMask,
            "*ESE?" => Self::EventMask,
            "*ESR?" => Self::Events,
            "*SRE" => Self::SetServiceMask,
            "*SRE?" => Self::ServiceMask,
            "*STB?" => Self::Status,
            "*RST" | "*WAI" => Self::Nothing,
            other => return Self::of_words(other),
        };
        Some(command)
    }

    fn of_words(header: &str) -> Option<Self> {
        let forms: [(&[&str], Self); 4] = [
            (&["SYSTem", "ERRor"], Self::NextError),
            (&["SYSTem", "ERRor", "NEXT"], Self::NextError),
            (&["SYSTem", "ERRor", "COUNt"], Self::ErrorCount),
            (&["SYSTem", "VERSion"], Self::Fixed("1999.0")),
        ];
        let found = forms.into_iter().find(|(words, _)| is(header, words));
        found.map(|(_, command)| command)
    }
}

impl ScpiMeter {
    /// A meter as it is when power comes on.
    pub(super) fn new(device: &DeviceName, spec: ScpiSpec) -> Self {
        Self {
            identity: format!("SIMULATED,METER,{device},0"),
            spec,
            errors: VecDeque::new(),
            events: POWER_ON,
            events_enabled: 0,
            service_enabled: 0,
        }
    }

    /// Carries a line out; its answers in one line, where there are any. `read` measures.
    pub(super) fn hear(
        &mut self,
        line: &str,
        mut read: impl FnMut(Quantity) -> MeterValue,
    ) -> Option<String> {
        if let Some(quantity) = self.asked_for(line) {
            return Some(self.reading(quantity, read(quantity)));
        }
        let mut answers = Vec::new();
        for unit in line
            .split(';')
            .map(str::trim)
            .filter(|unit| !unit.is_empty())
        {
            let outcome = match self.asked_for(unit) {
                Some(quantity) => Ok(Some(self.reading(quantity, read(quantity)))),
                None => self.carry_out(unit),
            };
            match outcome {
                Ok(answer) => answers.extend(answer),
                Err((number, text)) => self.complain(number, text),
            }
        }
        (!answers.is_empty()).then(|| answers.join(";"))
    }

    /// The quantity whose configured question this is, letters large or small.
    fn asked_for(&self, line: &str) -> Option<Quantity> {
        let words = |text: &str| {
            let text = text.trim().trim_start_matches(':').to_ascii_uppercase();
            text.split_whitespace().collect::<Vec<_>>().join(" ")
        };
        let asked = words(line);
        [Quantity::AcVolts, Quantity::Resistance]
            .into_iter()
            .find(|quantity| {
                let question = self.spec.question(*quantity);
                question.is_some_and(|(question, _)| words(question) == asked)
            })
    }

    fn reading(&self, quantity: Quantity, value: MeterValue) -> String {
        let range = self.spec.question(quantity).and_then(|(_, range)| range);
        let resolution = self.spec.accuracy.resolution;
        let shown = match value {
            MeterValue::Value(value) if range.is_some_and(|range| value.abs() > range) => {
                MeterValue::Overload
            }
            MeterValue::Value(value) if quantity == Quantity::AcVolts => {
                MeterValue::Value((value / resolution).round() * resolution)
            }
            other => other,
        };
        scpi_answer(shown)
    }

    fn carry_out(&mut self, unit: &str) -> Outcome {
        let (header, parameter) = match unit.split_once(char::is_whitespace) {
            Some((header, parameter)) => (header, Some(parameter.trim())),
            None => (unit, None),
        };
        let command = Command::of(header).ok_or(UNDEFINED)?;
        match command {
            Command::SetEventMask => return take_mask(parameter, &mut self.events_enabled),
            Command::SetServiceMask => return take_mask(parameter, &mut self.service_enabled),
            _ if parameter.is_some() => return Err(NOT_ALLOWED),
            _ => {}
        }
        Ok(self.without_parameter(command))
    }

    fn without_parameter(&mut self, command: Command) -> Option<String> {
        let answer = match command {
            Command::ClearStatus => {
                self.errors.clear();
                self.events = 0;
                return None;
            }
            Command::Complete => {
                self.events |= OPERATION_COMPLETE;
                return None;
            }
            Command::Nothing | Command::SetEventMask | Command::SetServiceMask => return None,
            Command::Identity => self.identity.clone(),
            Command::Fixed(answer) => answer.to_owned(),
            Command::EventMask => self.events_enabled.to_string(),
            Command::ServiceMask => self.service_enabled.to_string(),
            Command::Events => std::mem::take(&mut self.events).to_string(),
            Command::Status => self.status().to_string(),
            Command::NextError => self.next_error(),
            Command::ErrorCount => self.errors.len().to_string(),
        };
        Some(answer)
    }

    fn next_error(&mut self) -> String {
        match self.errors.pop_front() {
            Some(ScpiError { number, text }) => format!("{number},\"{text}\""),
            None => "0,\"No error\"".to_owned(),
        }
    }

    fn status(&self) -> u8 {
        let queue = if self.errors.is_empty() {
            0
        } else {
            QUEUE_NOT_EMPTY
        };
        let happened = self.events & self.events_enabled != 0;
        queue | if happened { EVENT_SUMMARY } else { 0 }
    }

    fn complain(&mut self, number: i32, text: &str) {
        // Standard event status, IEEE 488.2, 11.5.1: command, execution and device errors.
        self.events |= match number {
            -199..=-100 => 1 << 5,
            -299..=-200 => 1 << 4,
            _ => 1 << 3,
        };
        if self.errors.len() == QUEUE_LENGTH {
            self.errors.pop_back();
            self.errors.push_back(entry(-350, "Queue overflow"));
        } else {
            self.errors.push_back(entry(number, text));
        }
    }
}

fn entry(number: i32, text: &str) -> ScpiError {
    ScpiError {
        number,
        text: text.to_owned(),
    }
}

fn take_mask(parameter: Option<&str>, mask: &mut u8) -> Outcome {
    let given = parameter.ok_or(MISSING)?;
    let number: f64 = given.parse().map_err(|_| WRONG_TYPE)?;
    let rounded = number.round();
    if !(0.0..=255.0).contains(&rounded) {
        return Err(OUT_OF_RANGE);
    }
    // In range and whole: the cast is exact.
    *mask = rounded as u8;
    Ok(None)
}

/// Whether a header in large letters is the question of these words, each in its long form or in
/// the short one that its large letters spell (SCPI-99 vol. 1, 6.2.1).
fn is(header: &str, words: &[&str]) -> bool {
    let Some(header) = header.strip_suffix('?') else {
        return false;
    };
    let given: Vec<&str> = header.split(':').collect();
    let short = |word: &str| {
        word.chars()
            .filter(char::is_ascii_uppercase)
            .collect::<String>()
    };
    given.len() == words.len()
        && given
            .iter()
            .zip(words)
            .all(|(given, word)| *given == word.to_ascii_uppercase() || *given == short(word))
}
