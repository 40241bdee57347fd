//! A meter that speaks SCPI.
//!
//! Place in the data's path: the runner sees [`Meter`]; below is a [`BusHandle`] over a serial line
//! or TCP. It judges no reading.
//!
//! No answer says which question it belongs to, so each reading stands between two questions whose
//! answers have other forms. An instrument answers in the order in which it is asked (IEEE 488.2,
//! 6.1, from memory):
//! - **Behind** every reading the error queue is read. A late answer that was taken for the reading
//!   pushes the true one into that place, where a number is no error entry: the reading is thrown
//!   away. An error that the meter reports does the same.
//! - **Before** the next reading after any trouble the identity is asked for again. What is still
//!   owed comes before it, and is no identity. The same identity also shows that it is still the
//!   same instrument.

use super::bus::{BusHandle, Exchange, SetAside};
use crate::port::{Identity, LocalFuture, Meter};
use crate::units::{DeviceName, MeterValue, Quantity, ScpiSpec, Trouble, TroubleKind};
use crate::wire::{
    CLEAR_STATUS, ERROR_QUESTION, IDENTITY_QUESTION, LineEnds, LineReplyDecoder, Meaning, NoReply,
    ScpiError, quoted, scpi_error, scpi_identity, scpi_value,
};
use std::cell::{Cell, RefCell};

/// Entries that are taken out of an error queue before it is called endless.
const MOST_ERRORS: usize = 32;
/// So many of them are told.
const ERRORS_TOLD: usize = 3;
/// How often the identity is asked for while what comes is another question's answer.
const INTRODUCTIONS: usize = 3;
/// An identity is the longest answer (72 characters at most by IEEE 488.2, 10.14, from memory).
const REPLY_BYTES: usize = 80;

/// One meter on one link.
pub struct ScpiMeter {
    device: DeviceName,
    spec: ScpiSpec,
    bus: BusHandle,
    /// Something went wrong since the last answer that was surely ours.
    in_doubt: Cell<bool>,
    identity: RefCell<Option<String>>,
}

impl ScpiMeter {
    /// The meter of this description on this link. Nothing is sent yet.
    #[must_use]
    pub fn new(device: DeviceName, spec: ScpiSpec, bus: BusHandle) -> Self {
        Self {
            device,
            spec,
            bus,
            in_doubt: Cell::new(true),
            identity: RefCell::new(None),
        }
    }

    fn tried(&self, what: &str) -> String {
        format!("{what} of {} on link {}", self.device, self.bus.link())
    }

    fn trouble(&self, kind: TroubleKind, what: &str, detail: String) -> Trouble {
        Trouble {
            kind,
            tried: self.tried(what),
            detail,
            request: String::new(),
            reply: String::new(),
        }
    }

    fn exchange(&self, what: &str, line: &str, reply_bytes: usize) -> Exchange {
        Exchange {
            tried: self.tried(what),
            request: format!("{line}\n").into_bytes(),
            reply_bytes,
            set_aside: SetAside::Resolve,
        }
    }

    async fn ask<R: 'static>(
        &self,
        what: &str,
        question: &str,
        meaning: impl Fn(&str) -> Meaning<R> + 'static,
    ) -> Result<R, Trouble> {
        let decoder = LineReplyDecoder::new(question, LineEnds::LineFeed, meaning);
        let exchange = self.exchange(what, question, REPLY_BYTES);
        self.bus.transact(exchange, decoder).await
    }

    async fn clear_status(&self) -> Result<(), Trouble> {
        let exchange = self.exchange("clear the status", CLEAR_STATUS, 0);
        self.bus.transact(exchange, NoReply).await
    }

    /// Comes to terms with the meter: clears its errors and asks who it is, until the answer is
    /// one to that question.
    async fn introduce(&self) -> Result<String, Trouble> {
        let what = "ask for the identity";
        let mut tries = 1;
        loop {
            self.clear_status().await?;
            match self.ask(what, IDENTITY_QUESTION, scpi_identity).await {
                Ok(identity) => break self.known_as(what, identity),
                Err(trouble)
                    if trouble.kind == TroubleKind::Mismatched && tries < INTRODUCTIONS =>
                {
                    tries += 1;
                }
                Err(trouble) => break Err(trouble),
            }
        }
    }

    /// Passes where nobody else answers than before.
    fn known_as(&self, what: &str, identity: String) -> Result<String, Trouble> {
        let mut known = self.identity.borrow_mut();
        match known.as_ref().filter(|known| **known != identity) {
            None => {
                *known = Some(identity.clone());
                self.in_doubt.set(false);
                Ok(identity)
            }
            Some(known) => {
                let detail = format!("{} expected, got {}", quoted(known), quoted(&identity));
                Err(self.trouble(TroubleKind::Mismatched, what, detail))
            }
        }
    }

    /// Empties the error queue and returns what was in it.
    async fn take_errors(&self) -> Result<Vec<ScpiError>, Trouble> {
        let what = "read the error queue";
        let mut errors = Vec::new();
        while errors.len() < MOST_ERRORS {
            let error = self.ask(what, ERROR_QUESTION, scpi_error).await?;
            if error.number == 0 {
                return Ok(errors);
            }
            errors.push(error);
        }
        let detail = format!(
            "still not empty after {MOST_ERRORS} entries: {}",
            told(&errors)
        );
        Err(self.trouble(TroubleKind::Refused, what, detail))
    }

    async fn read_value(&self, quantity: Quantity) -> Result<MeterValue, Trouble> {
        let what = match quantity {
            Quantity::Resistance => "read the resistance",
            _ => "read the AC volts",
        };
        let Some((question, range)) = self.spec.question(quantity) else {
            let detail = format!("it has no question for {quantity:?}");
            return Err(self.trouble(TroubleKind::Refused, "read a value", detail));
        };
        if self.in_doubt.get() {
            self.introduce().await?;
        }
        // A caller that goes away in the middle leaves an answer owed.
        self.in_doubt.set(true);
        let meaning = move |line: &str| in_range(scpi_value(line, quantity), range, line);
        match self.ask(what, question, meaning).await {
            Ok(value) => {
                let errors = self.take_errors().await?;
                self.in_doubt.set(false);
                if errors.is_empty() {
                    return Ok(value);
                }
                let detail = format!("the meter reports {}", told(&errors));
                Err(self.trouble(TroubleKind::Refused, what, detail))
            }
            Err(trouble) => Err(self.explained(trouble).await),
        }
    }

    /// A refusal, or silence, with what the error queue says of it.
    async fn explained(&self, trouble: Trouble) -> Trouble {
        if !matches!(trouble.kind, TroubleKind::Refused | TroubleKind::Timeout) {
            return trouble;
        }
        match self.take_errors().await {
            Ok(errors) => {
                self.in_doubt.set(trouble.kind != TroubleKind::Refused);
                if errors.is_empty() {
                    return trouble;
                }
                Trouble {
                    kind: TroubleKind::Refused,
                    detail: format!("{}; the meter reports {}", trouble.detail, told(&errors)),
                    ..trouble
                }
            }
            // What went wrong first is what matters; the doubt stays.
            Err(_) => trouble,
        }
    }
}

/// Refuses a value that the stated range cannot show.
fn in_range(meaning: Meaning<MeterValue>, range: Option<f64>, line: &str) -> Meaning<MeterValue> {
    match (meaning, range) {
        (Meaning::Answer(MeterValue::Value(value)), Some(range)) if value.abs() > range => {
            Meaning::Refused(format!(
                "{range} at most in its range, it said {}",
                quoted(line)
            ))
        }
        (other, _) => other,
    }
}

fn told(errors: &[ScpiError]) -> String {
    let first: Vec<String> = errors
        .iter()
        .take(ERRORS_TOLD)
        .map(ToString::to_string)
        .collect();
    let more = errors.len().saturating_sub(ERRORS_TOLD);
    let rest = if more > 0 {
        format!(" and {more} more")
    } else {
        String::new()
    };
    format!("{}{rest}", first.join(", "))
}

impl Meter for ScpiMeter {
    fn device(&self) -> &DeviceName {
        &self.device
    }

    fn identify(&self) -> LocalFuture<'_, Result<Identity, Trouble>> {
        Box::pin(async {
            let text = self.introduce().await?;
            // What is in it now is no doing of ours, but it must come to an end.
            self.take_errors().await?;
            Ok(Identity {
                text,
                calibration_due: None,
            })
        })
    }

    fn read(&self, quantity: Quantity) -> LocalFuture<'_, Result<MeterValue, Trouble>> {
        Box::pin(self.read_value(quantity))
    }
}
