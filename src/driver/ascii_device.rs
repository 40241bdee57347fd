//! A device that speaks plain lines of text: a relay board, a meter, or both.
//!
//! Place in the data's path: the runner sees [`RelayBoard`] and [`Meter`]; below is a
//! [`BusHandle`], and the lines are those of the device's description. It judges nothing.
//!
//! A plain line carries neither a check sum nor the number of its question. What comes within the
//! quarantine after a trouble is thrown away. States are asked for in order and the first once
//! more, and nothing may come between: so an answer too many shows, surely where the answers
//! themselves name the relay (`{relay}` in `state_closed`, `state_open` and `done`), which is
//! therefore the better description. A reading that comes later than the quarantine cannot be told
//! from another.

use super::bus::{BusHandle, Exchange, SetAside};
use crate::port::{Identity, LocalFuture, Meter, RelayBoard};
use crate::units::{
    AsciiSpec, CoilAddress, DeviceName, MeterValue, Milliseconds, Quantity, Trouble, TroubleKind,
};
use crate::wire::{
    LineEnds, LineReplyDecoder, Meaning, NoReply, StreamedLineDecoder, labelled, plain_answer,
    plain_value, quoted,
};

/// A state or a reading is short.
const REPLY_BYTES: usize = 32;

/// One device on one link.
pub struct AsciiDevice {
    device: DeviceName,
    spec: AsciiSpec,
    bus: BusHandle,
}

impl AsciiDevice {
    /// The device of this description on this link. Nothing is sent yet.
    #[must_use]
    pub fn new(device: DeviceName, spec: AsciiSpec, bus: BusHandle) -> Self {
        Self { device, spec, bus }
    }

    fn tried(&self, what: &str) -> String {
        format!("{what} of {} on link {}", self.device, self.bus.link())
    }

    fn refused(&self, what: &str, detail: &str) -> Trouble {
        Trouble {
            kind: TroubleKind::Refused,
            tried: self.tried(what),
            detail: detail.to_owned(),
            request: String::new(),
            reply: String::new(),
        }
    }

    fn exchange(&self, what: &str, line: &str, reply_bytes: usize) -> Exchange {
        let request = match line {
            "" => Vec::new(),
            line => format!("{line}{}", self.spec.line_end.text()).into_bytes(),
        };
        Exchange {
            tried: self.tried(what),
            request,
            reply_bytes,
            set_aside: SetAside::Resolve,
        }
    }

    /// Takes one line of the meter, asked or overheard.
    async fn take_line<R: 'static>(
        &self,
        what: &str,
        meaning: impl Fn(&str) -> Meaning<R> + 'static,
    ) -> Result<R, Trouble> {
        match &self.spec.ask {
            Some(question) => {
                let exchange = self.exchange(what, question, REPLY_BYTES);
                let decoder = LineReplyDecoder::new(question, LineEnds::Either, meaning);
                self.bus.transact(exchange, decoder).await
            }
            None if self.spec.reading.is_some() => {
                let exchange = self.exchange(what, "", REPLY_BYTES);
                let decoder = StreamedLineDecoder::new(meaning);
                self.bus.transact(exchange, decoder).await
            }
            None => Err(self.refused(what, "it is no meter")),
        }
    }

    /// The line that closes or opens a relay.
    fn command(&self, relay: CoilAddress, closed: bool) -> Result<String, Trouble> {
        let pattern = if closed {
            &self.spec.close
        } else {
            &self.spec.open
        };
        let pattern = pattern.as_deref().filter(|_| relay.0 < self.spec.relays);
        let missing = || self.refused(&format!("set {}", relay.label()), "it has no such relay");
        pattern
            .map(|pattern| labelled(pattern, relay))
            .ok_or_else(missing)
    }

    fn done_decoder(
        &self,
        relay: CoilAddress,
        line: &str,
    ) -> Option<LineReplyDecoder<impl Fn(&str) -> Meaning<()> + 'static>> {
        let done = labelled(self.spec.done.as_deref()?, relay);
        let meaning = move |line: &str| {
            if line == done {
                Meaning::Answer(())
            } else {
                Meaning::Other(format!("{} expected, got {}", quoted(&done), quoted(line)))
            }
        };
        Some(LineReplyDecoder::new(line, LineEnds::Either, meaning))
    }

    async fn state(&self, relay: CoilAddress, set_aside: SetAside) -> Result<bool, Trouble> {
        let what = format!("read {}", relay.label());
        let (Some(state), Some(closed), Some(open)) = (
            &self.spec.state,
            &self.spec.state_closed,
            &self.spec.state_open,
        ) else {
            return Err(self.refused(&what, "it cannot be asked for a relay's state"));
        };
        let question = labelled(state, relay);
        let (closed, open) = (labelled(closed, relay), labelled(open, relay));
        let meaning = move |line: &str| plain_answer(line, &closed, &open);
        let exchange = Exchange {
            set_aside,
            ..self.exchange(&what, &question, REPLY_BYTES)
        };
        let decoder = LineReplyDecoder::new(&question, LineEnds::Either, meaning);
        self.bus.transact(exchange, decoder).await
    }

    async fn states(&self, set_aside: SetAside) -> Result<Vec<bool>, Trouble> {
        let mut states = Vec::with_capacity(usize::from(self.spec.relays));
        let mut unasked = None;
        for relay in 0..self.spec.relays {
            states.push(self.state(CoilAddress(relay), set_aside).await?);
            unasked.get_or_insert(self.bus.unasked_bytes());
        }
        let (Some(first), Some(unasked)) = (states.first(), unasked) else {
            return Ok(states);
        };
        // The first relay once more: an answer too many shows now, here or between two questions.
        let again = self.state(CoilAddress(0), set_aside).await?;
        let detail = if again != *first {
            "relay 1 answers otherwise than just before".to_owned()
        } else if self.bus.unasked_bytes() != unasked {
            "answers came that nobody asked for".to_owned()
        } else {
            return Ok(states);
        };
        Err(Trouble {
            kind: TroubleKind::Mismatched,
            ..self.refused("read the relays", &detail)
        })
    }

    /// Sends the line that opens it for every relay. Only a port that is gone is an error here:
    /// everything else shows in the read-back.
    async fn send_open_all(&self) -> Result<(), Trouble> {
        let mut quiet = Vec::new();
        let mut answered = Vec::new();
        for relay in (0..self.spec.relays).map(CoilAddress) {
            let line = self.command(relay, false)?;
            let what = format!("open {}", relay.label());
            match self.done_decoder(relay, &line) {
                Some(decoder) => answered.push((self.exchange(&what, &line, REPLY_BYTES), decoder)),
                None => quiet.push((self.exchange(&what, &line, 0), NoReply)),
            }
        }
        let mut results = self.bus.urgent_each(quiet).await;
        results.extend(self.bus.urgent_each(answered).await);
        let gone = |trouble: &Trouble| trouble.kind == TroubleKind::Disconnected;
        let lost = results.into_iter().filter_map(Result::err).find(gone);
        lost.map_or(Ok(()), Err)
    }
}

impl RelayBoard for AsciiDevice {
    fn device(&self) -> &DeviceName {
        &self.device
    }

    fn relays(&self) -> u16 {
        self.spec.relays
    }

    fn watchdog(&self) -> Option<Milliseconds> {
        None
    }

    /// Asks for the state of every relay once.
    fn identify(&self) -> LocalFuture<'_, Result<Identity, Trouble>> {
        Box::pin(async {
            let relays = self.states(SetAside::Resolve).await?.len();
            Ok(Identity {
                text: format!("{relays} relays, spoken to in plain lines"),
                calibration_due: None,
            })
        })
    }

    fn arm_watchdog(&self) -> LocalFuture<'_, Result<(), Trouble>> {
        Box::pin(async { Ok(()) })
    }

    fn set(&self, relay: CoilAddress, closed: bool) -> LocalFuture<'_, Result<(), Trouble>> {
        Box::pin(async move {
            let verb = if closed { "close" } else { "open" };
            let what = format!("{verb} {}", relay.label());
            let line = self.command(relay, closed)?;
            match self.done_decoder(relay, &line) {
                Some(decoder) => {
                    let exchange = self.exchange(&what, &line, REPLY_BYTES);
                    self.bus.transact(exchange, decoder).await
                }
                None => {
                    let exchange = self.exchange(&what, &line, 0);
                    self.bus.transact(exchange, NoReply).await
                }
            }
        })
    }

    fn read_back(&self) -> LocalFuture<'_, Result<Vec<bool>, Trouble>> {
        Box::pin(self.states(SetAside::Resolve))
    }

    fn open_all(&self) -> LocalFuture<'_, Result<Vec<bool>, Trouble>> {
        Box::pin(async {
            self.send_open_all().await?;
            self.states(SetAside::Repeat).await
        })
    }
}

impl Meter for AsciiDevice {
    fn device(&self) -> &DeviceName {
        &self.device
    }

    /// Takes one line, whatever it says: a plain device has no name.
    fn identify(&self) -> LocalFuture<'_, Result<Identity, Trouble>> {
        Box::pin(async {
            let any = |_: &str| Meaning::Answer(());
            self.take_line("take a first line", any).await?;
            let how = match self.spec.ask {
                Some(_) => "answers in",
                None => "streams",
            };
            Ok(Identity {
                text: format!("a meter that {how} plain lines"),
                calibration_due: None,
            })
        })
    }

    fn read(&self, quantity: Quantity) -> LocalFuture<'_, Result<MeterValue, Trouble>> {
        Box::pin(async move {
            let spec = self.spec.clone();
            let meaning = move |line: &str| plain_value(line, &spec, quantity);
            self.take_line("read a value", meaning).await
        })
    }
}
