//! A meter that speaks SCPI.
//!
//! Place in the data's path: the runner sees [`Meter`]; below is a [`BusHandle`] over a serial line
//! or TCP. It judges no reading.
//!
//! No answer says which question it belongs to, so each reading stands between two questions whose
//! answers have other forms. An instrument answers in the order in which it is asked (IEEE 488.2,
//! 6.1, from memory):
//! - **Behind** every reading the error queue is read. A late answer that was taken for the reading
//!   pushes the true one into that place, where a number is no error entry, or between the two
//!   exchanges, where nothing may come: the reading is thrown away. An error that the meter reports
//!   does the same.
//! - **Before** the next reading after any trouble the identity is asked for again, which shows
//!   that it is still the same instrument, and then a number that was not used lately is set as
//!   event mask and asked back. What is still owed comes before that answer and is not that
//!   number; once it has come nothing is owed. Last comes the error queue, so that no number is
//!   ever the answer just before a reading's. The mask changes nothing but a bit of the status
//!   byte. A meter without it (IEEE 488.2, 10.11 demands it) is known by its identity alone.

use super::bus::{BusHandle, Exchange, SetAside};
use crate::port::{Identity, LocalFuture, Meter};
use crate::units::{DeviceName, MeterValue, Quantity, ScpiSpec, Trouble, TroubleKind};
use crate::wire::{
    CLEAR_STATUS, ERROR_QUESTION, EVENT_MASK, EVENT_MASK_QUESTION, IDENTITY_QUESTION, LineEnds,
    LineReplyDecoder, Meaning, NoReply, ScpiError, quoted, scpi_error, scpi_identity, scpi_value,
};
use std::cell::{Cell, RefCell};

/// Entries that are taken out of an error queue before it is called endless.
const MOST_ERRORS: usize = 32;
/// So many of them are told.
const ERRORS_TOLD: usize = 3;
/// How often the identity is asked for while what comes is another question's answer.
const INTRODUCTIONS: usize = 3;
/// Masks that were asked back in vain, the identity answered, until a meter counts as without one.
const SILENT_MASKS: usize = 2;
/// Three digits each, so that no rest of a line that was cut passes for one easily.
const MASKS: std::ops::RangeInclusive<u8> = 100..=255;
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
    last_mask: Cell<u8>,
    has_mask: Cell<bool>,
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
            last_mask: Cell::new(*MASKS.end()),
            has_mask: Cell::new(true),
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

    /// Sends what is answered by nothing.
    async fn tell(&self, what: &str, command: &str) -> Result<(), Trouble> {
        let exchange = self.exchange(what, command, 0);
        self.bus.transact(exchange, NoReply).await
    }

    /// Comes to terms with the meter: clears its errors, asks who it is and makes sure that the
    /// answers are those to these questions.
    async fn introduce(&self) -> Result<String, Trouble> {
        let mut silent_masks = 0;
        let mut tries = 1;
        loop {
            self.tell("clear the status", CLEAR_STATUS).await?;
            let what = "ask for the identity";
            let identity = self.ask(what, IDENTITY_QUESTION, scpi_identity).await;
            let known = identity.is_ok();
            let agreed = match identity {
                Ok(identity) => self.agree().await.map(|()| identity),
                Err(trouble) => Err(trouble),
            };
            let trouble = match agreed {
                Ok(identity) => {
                    // What is in it now is no doing of ours, but it must come to an end.
                    self.take_errors().await?;
                    return self.known_as(what, identity);
                }
                Err(trouble) => trouble,
            };
            match trouble.kind {
                TroubleKind::Mismatched if tries < INTRODUCTIONS => {}
                TroubleKind::Timeout if known => {
                    silent_masks += 1;
                    self.has_mask.set(silent_masks < SILENT_MASKS);
                }
                _ => return Err(trouble),
            }
            tries += 1;
        }
    }

    /// Sets a mask that was not used before and asks for it.
    async fn agree(&self) -> Result<(), Trouble> {
        if !self.has_mask.get() {
            return Ok(());
        }
        let last = self.last_mask.get();
        let mask = if last == *MASKS.end() {
            *MASKS.start()
        } else {
            last + 1
        };
        self.last_mask.set(mask);
        let command = format!("{EVENT_MASK} {mask}");
        self.tell("set the event mask", &command).await?;
        let expected = mask.to_string();
        let meaning = move |line: &str| {
            if line.trim_start_matches('+') == expected {
                Meaning::Answer(())
            } else {
                Meaning::Other(format!("{expected} expected, got {}", quoted(line)))
            }
        };
        self.ask("ask for the event mask", EVENT_MASK_QUESTION, meaning)
            .await
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
                let unasked = self.bus.unasked_bytes();
                let errors = self.take_errors().await?;
                let unasked = self.bus.unasked_bytes() - unasked;
                if unasked > 0 {
                    let detail = format!("{unasked} bytes came behind it that nobody asked for");
                    return Err(self.trouble(TroubleKind::Mismatched, what, detail));
                }
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
