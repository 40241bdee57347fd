//! A relay board with digital inputs that speaks Modbus, in either framing.
//!
//! Place in the data's path: the runner sees [`RelayBoard`] and [`Inputs`]; below is a shared
//! [`BusHandle`]. Several boards may hang on one link: each has its own unit address and its own
//! `ModbusBoard` over a clone of the handle.
//!
//! A relay write is taken on the full echo, and the caller reads back: an echo alone may be our own
//! (see [`RtuReplyDecoder`](crate::wire::RtuReplyDecoder)). Whether a link echoes is learnt from
//! every read. What a relay switches is unknown here.

use super::bus::{BusHandle, Exchange, SetAside};
use super::modbus_framing::{FramedReply, ModbusFraming};
use crate::port::{Identity, Inputs, LocalFuture, RelayBoard};
use crate::units::{
    CoilAddress, DeviceName, Milliseconds, ModbusSpec, Trouble, TroubleKind, WatchdogSpec,
};
use crate::wire::{MAX_READ_BITS, MAX_WRITE_COILS, ModbusReply, Request, Response};

/// One board on one link.
pub struct ModbusBoard {
    device: DeviceName,
    spec: ModbusSpec,
    bus: BusHandle,
    framing: ModbusFraming,
}

/// Which single-bit table is read.
#[derive(Clone, Copy)]
enum Bits {
    Coils,
    Inputs,
}

/// In which turn an exchange is made.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Urgency {
    InTurn(SetAside),
    AtOnce,
}

const IN_TURN: Urgency = Urgency::InTurn(SetAside::Resolve);
/// The read-back of an open-all: another board's open-all may overtake it, not cancel it.
const AFTER_OPENING: Urgency = Urgency::InTurn(SetAside::Repeat);

impl ModbusBoard {
    /// The board of this description on this link, in serial frames. Nothing is sent yet.
    #[must_use]
    pub fn new(device: DeviceName, spec: ModbusSpec, bus: BusHandle) -> Self {
        Self {
            device,
            spec,
            bus,
            framing: ModbusFraming::Rtu,
        }
    }

    /// The same board in other frames.
    #[must_use]
    pub fn framed(self, framing: ModbusFraming) -> Self {
        Self { framing, ..self }
    }

    async fn ask(
        &self,
        what: &str,
        request: Request,
        urgency: Urgency,
    ) -> Result<Response, Trouble> {
        let is_read = request.is_read();
        let decoder = FramedReply::to(self.framing, &self.bus, self.spec.unit, request);
        let exchange = Exchange {
            tried: self.tried(what),
            request: decoder.request_bytes().to_vec(),
            reply_bytes: decoder.reply_length(),
            set_aside: match urgency {
                Urgency::InTurn(set_aside) => set_aside,
                Urgency::AtOnce => SetAside::Resolve,
            },
        };
        let ModbusReply {
            response,
            echo_heard,
        } = match urgency {
            Urgency::InTurn(_) => self.bus.transact(exchange, decoder).await?,
            Urgency::AtOnce => self.bus.urgent(exchange, decoder).await?,
        };
        if is_read {
            self.bus.note_echo(echo_heard);
        }
        Ok(response)
    }

    fn tried(&self, what: &str) -> String {
        format!(
            "{what} of unit {} on link {}",
            self.spec.unit.0,
            self.bus.link()
        )
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

    /// Reads all of one table, in as many requests as the limit of one demands.
    async fn read_all(&self, bits: Bits, urgency: Urgency) -> Result<Vec<bool>, Trouble> {
        let (word, count) = match bits {
            Bits::Coils => ("relays", self.spec.coils),
            Bits::Inputs => ("inputs", self.spec.discrete_inputs),
        };
        let mut states = Vec::with_capacity(usize::from(count));
        for (start, count) in chunks(count, MAX_READ_BITS) {
            let what = format!("read {word} {}-{}", start + 1, start + count);
            let request = match bits {
                Bits::Coils => Request::ReadCoils { start, count },
                Bits::Inputs => Request::ReadDiscreteInputs { start, count },
            };
            match self.ask(&what, request, urgency).await? {
                Response::Coils(part) | Response::DiscreteInputs(part) => states.extend(part),
                other => return Err(self.impossible(&what, &other)),
            }
        }
        Ok(states)
    }

    /// The decoder gives only the response that belongs to the request.
    fn impossible(&self, what: &str, response: &Response) -> Trouble {
        let detail = format!("a response of function {:02X}", response.function());
        self.trouble(TroubleKind::Mismatched, what, detail)
    }

    /// Sends the command that opens every relay; returns once it has been answered or its time has
    /// passed. Only a port that is gone is an error here: everything else shows in the read-back.
    async fn send_open_all(&self) -> Result<(), Trouble> {
        for (start, count) in chunks(self.spec.coils, MAX_WRITE_COILS) {
            let what = format!("open relays {}-{}", start + 1, start + count);
            let request = Request::WriteCoils {
                start,
                states: vec![false; usize::from(count)],
            };
            match self.ask(&what, request, Urgency::AtOnce).await {
                Err(trouble) if trouble.kind == TroubleKind::Disconnected => return Err(trouble),
                // The board does not know the command for many: open them one by one.
                Err(trouble) if trouble.kind == TroubleKind::Refused => {
                    self.send_open_each(start, count).await?;
                }
                Ok(_) | Err(_) => {}
            }
        }
        Ok(())
    }

    async fn send_open_each(&self, start: u16, count: u16) -> Result<(), Trouble> {
        for address in start..start + count {
            let what = format!("open {}", CoilAddress(address).label());
            let request = Request::WriteCoil { address, on: false };
            match self.ask(&what, request, Urgency::AtOnce).await {
                Err(trouble) if trouble.kind == TroubleKind::Disconnected => return Err(trouble),
                Ok(_) | Err(_) => {}
            }
        }
        Ok(())
    }

    async fn set_watchdog(&self, watchdog: &WatchdogSpec) -> Result<(), Trouble> {
        let what = "set the watchdog";
        let per_count = u64::from(watchdog.milliseconds_per_count.max(1));
        let counts = watchdog.timeout_ms.0 / per_count;
        let Some(value) = u16::try_from(counts).ok().filter(|value| *value > 0) else {
            let detail = format!(
                "{} is {counts} counts of {per_count} ms, and the register holds 1 to 65535",
                watchdog.timeout_ms
            );
            return Err(self.trouble(TroubleKind::Refused, what, detail));
        };
        let address = watchdog.register.0;
        let write = Request::WriteRegister { address, value };
        self.ask(what, write, IN_TURN).await?;
        let what = "read the watchdog back";
        let read = Request::ReadHoldingRegisters {
            start: address,
            count: 1,
        };
        match self.ask(what, read, IN_TURN).await? {
            Response::HoldingRegisters(got) if got == [value] => Ok(()),
            Response::HoldingRegisters(got) => {
                let detail = format!("{value} written, read {got:?}");
                Err(self.trouble(TroubleKind::ReadBackDiffers, what, detail))
            }
            other => Err(self.impossible(what, &other)),
        }
    }
}

impl RelayBoard for ModbusBoard {
    fn device(&self) -> &DeviceName {
        &self.device
    }

    fn relays(&self) -> u16 {
        self.spec.coils
    }

    fn watchdog(&self) -> Option<Milliseconds> {
        self.spec
            .watchdog
            .as_ref()
            .map(|watchdog| watchdog.timeout_ms)
    }

    /// Reads every coil and every input once: a board with fewer than configured refuses.
    fn identify(&self) -> LocalFuture<'_, Result<Identity, Trouble>> {
        Box::pin(async {
            let relays = self.read_all(Bits::Coils, IN_TURN).await?.len();
            let inputs = self.read_all(Bits::Inputs, IN_TURN).await?.len();
            Ok(Identity {
                text: format!(
                    "Modbus unit {} with {relays} relays and {inputs} inputs",
                    self.spec.unit.0
                ),
                calibration_due: None,
            })
        })
    }

    fn arm_watchdog(&self) -> LocalFuture<'_, Result<(), Trouble>> {
        Box::pin(async {
            match &self.spec.watchdog {
                Some(watchdog) => self.set_watchdog(watchdog).await,
                None => Ok(()),
            }
        })
    }

    fn set(&self, relay: CoilAddress, closed: bool) -> LocalFuture<'_, Result<(), Trouble>> {
        Box::pin(async move {
            let verb = if closed { "close" } else { "open" };
            let what = format!("{verb} {}", relay.label());
            let request = Request::WriteCoil {
                address: relay.0,
                on: closed,
            };
            self.ask(&what, request, IN_TURN).await.map(drop)
        })
    }

    fn read_back(&self) -> LocalFuture<'_, Result<Vec<bool>, Trouble>> {
        Box::pin(self.read_all(Bits::Coils, IN_TURN))
    }

    fn open_all(&self) -> LocalFuture<'_, Result<Vec<bool>, Trouble>> {
        Box::pin(async {
            self.send_open_all().await?;
            self.read_all(Bits::Coils, AFTER_OPENING).await
        })
    }
}

impl Inputs for ModbusBoard {
    fn device(&self) -> &DeviceName {
        &self.device
    }

    fn read_inputs(&self) -> LocalFuture<'_, Result<Vec<bool>, Trouble>> {
        Box::pin(self.read_all(Bits::Inputs, IN_TURN))
    }
}

/// First address and count of each request that together cover `count` addresses from 0.
fn chunks(count: u16, limit: u16) -> impl Iterator<Item = (u16, u16)> {
    (0..count)
        .step_by(usize::from(limit))
        .map(move |start| (start, limit.min(count - start)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn requests_cover_every_address_once() {
        let parts = |count, limit| chunks(count, limit).collect::<Vec<_>>();
        assert_eq!(parts(0, 2000), []);
        assert_eq!(parts(16, 2000), [(0, 16)]);
        assert_eq!(parts(2000, 2000), [(0, 2000)]);
        assert_eq!(parts(4001, 2000), [(0, 2000), (2000, 2000), (4000, 1)]);
        assert_eq!(parts(65535, 1968).last(), Some(&(64944, 591)));
    }
}
