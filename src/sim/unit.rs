//! One device on a link: requests in, answers out, struck by its link faults.
//!
//! Place in the data's path: between a link's stream and the servers of the protocols. Requests are
//! carried out at once; a fault strikes what is answered, never what is done. An answer comes with
//! what it would be under each fault, so that the faults themselves know no protocol.
//!
//! Damage is always of a kind that the protocol can show: anywhere in a frame with a check sum; in
//! the header of a frame over TCP, which loses nothing but may be put together wrongly; and in
//! lines of text, which carry no check sum, as bytes that are no text.

use super::ear::Heard;
use super::link_fault::{LinkFault, LinkFaultKind};
use super::plain_device;
use super::random::Draws;
use super::relay_board;
use super::scpi_meter::ScpiMeter;
use super::world::World;
use crate::units::{AsciiSpec, DeviceName, Microseconds, ModbusSpec, UnitAddress};
use crate::wire::{
    Exception, Request, Response, TransactionId, exception_frame, request_frame, response_frame,
    tcp_exception_frame, tcp_request_frame, tcp_response_frame,
};

/// A device takes this long to answer, in milliseconds (common practice, no source).
const REPLY_DELAY_MS: std::ops::RangeInclusive<u64> = 2..=20;

/// A unit with this address is every unit (Modbus over serial line V1.02, 2.2).
const BROADCAST: UnitAddress = UnitAddress(0);

/// The bytes of a frame over TCP in which damage shows: header and function.
const TCP_HEADER: usize = 8;

/// What the device does.
#[derive(Debug)]
pub(super) enum Server {
    Modbus(ModbusSpec),
    Scpi(ScpiMeter),
    Plain(AsciiSpec),
}

/// One device on the link.
pub(super) struct Unit {
    pub(super) device: DeviceName,
    pub(super) server: Server,
    pub(super) faults: Vec<LinkFault>,
    pub(super) reply_times: Draws,
    pub(super) fault_draws: Draws,
}

/// A reply that waits for its time.
pub(super) struct Pending {
    pub(super) due: Microseconds,
    pub(super) bytes: Vec<u8>,
}

/// Where damage to an answer shows.
#[derive(Clone, Copy)]
enum Damage {
    Anywhere,
    Header,
    NotText,
}

/// An answer and what it is under the faults that put another in its place.
struct Answer {
    bytes: Vec<u8>,
    echo: Vec<u8>,
    misaddressed: Vec<u8>,
    damage: Damage,
}

impl Unit {
    /// Carries a request out where it is for this device; its reply, where one is sent.
    pub(super) fn hear(
        &mut self,
        heard: &Heard,
        world: &mut World,
        now: Microseconds,
    ) -> Option<Pending> {
        let answer = match heard {
            Heard::Rtu(received) => {
                let addressed = (received.unit, &received.request);
                self.hear_modbus(addressed, Frames::Rtu, world, now)
            }
            Heard::Tcp(received) => {
                let addressed = (received.unit, &received.request);
                self.hear_modbus(addressed, Frames::Tcp(received.id), world, now)
            }
            Heard::Line(line) => self.hear_line(line, world, now),
        }?;
        world.follow(now);
        self.struck(answer, now)
    }

    fn hear_modbus(
        &self,
        (addressed, request): (UnitAddress, &Result<Request, Exception>),
        frames: Frames,
        world: &mut World,
        now: Microseconds,
    ) -> Option<Answer> {
        let Server::Modbus(spec) = &self.server else {
            return None;
        };
        // Over TCP nobody is addressed by 0 but unit 0.
        let broadcast = addressed == BROADCAST && frames == Frames::Rtu;
        if addressed != spec.unit && !broadcast {
            return None;
        }
        world.board(&self.device, now).request_seen(now);
        let outcome = request
            .clone()
            .and_then(|request| relay_board::answer(world, &self.device, spec, &request, now));
        if broadcast {
            return None;
        }
        let bytes = frames.of(spec.unit, &outcome);
        Some(Answer {
            // A request that could not be read as one is not kept; its refusal goes out.
            echo: match request {
                Ok(request) => frames.request(spec.unit, request),
                Err(_) => bytes.clone(),
            },
            misaddressed: frames.misaddressed(spec.unit, &outcome),
            damage: match frames {
                Frames::Rtu => Damage::Anywhere,
                Frames::Tcp(_) => Damage::Header,
            },
            bytes,
        })
    }

    fn hear_line(&mut self, line: &str, world: &mut World, now: Microseconds) -> Option<Answer> {
        let device = &self.device;
        let (answer, end, elsewhere) = match &mut self.server {
            Server::Modbus(_) => return None,
            Server::Scpi(meter) => {
                let read = |quantity| world.meter_value(device, quantity, now);
                let answer = meter.hear(line, read)?;
                // The answer to another question of the same meter.
                let is_number = answer.starts_with(['+', '-']) && !answer.contains(',');
                let elsewhere = if is_number {
                    "0,\"No error\""
                } else {
                    "+0.000000E+00"
                };
                (answer, "\n", elsewhere)
            }
            Server::Plain(spec) => {
                let answer = plain_device::answer(world, device, spec, line, now)?;
                (answer, spec.line_end.text(), "another device")
            }
        };
        let ended = |line: &str| format!("{line}{end}").into_bytes();
        Some(Answer {
            bytes: ended(&answer),
            echo: ended(line),
            misaddressed: ended(elsewhere),
            damage: Damage::NotText,
        })
    }

    /// The line that a streaming meter sends at this instant, and how much later the next comes.
    pub(super) fn stream(
        &mut self,
        world: &mut World,
        now: Microseconds,
    ) -> Option<(Option<Pending>, Microseconds)> {
        let Server::Plain(spec) = &self.server else {
            return None;
        };
        if !plain_device::streams(spec) {
            return None;
        }
        let line = plain_device::reading(world, &self.device, spec, now);
        let bytes = format!("{line}{}", spec.line_end.text()).into_bytes();
        let answer = Answer {
            echo: bytes.clone(),
            misaddressed: format!("another device{}", spec.line_end.text()).into_bytes(),
            damage: Damage::NotText,
            bytes,
        };
        let pending = self.struck(answer, now);
        // A line that is held up holds what is true when it leaves: the whole stream is slower.
        let behind = pending.as_ref().map_or(now, |pending| pending.due);
        let held_up = Microseconds(behind.0 - now.0);
        let at_once = pending.map(|pending| Pending {
            due: now,
            ..pending
        });
        Some((at_once, held_up))
    }

    /// The reply as the faults leave it.
    fn struck(&mut self, answer: Answer, now: Microseconds) -> Option<Pending> {
        let mut bytes = answer.bytes;
        let mut delay = Microseconds(self.reply_times.within(REPLY_DELAY_MS) * 1000);
        for fault in &self.faults {
            let strikes = match fault.kind() {
                LinkFaultKind::Unplug(_) => false,
                _ => self.fault_draws.chance(fault.probability()),
            };
            if !strikes {
                continue;
            }
            match fault.kind() {
                LinkFaultKind::Late(by) => delay = Microseconds(by.0.saturating_mul(1000)),
                LinkFaultKind::Silent => return None,
                LinkFaultKind::Garbage => {
                    garble(&mut bytes, answer.damage, &mut self.fault_draws);
                }
                LinkFaultKind::Echo => bytes.clone_from(&answer.echo),
                LinkFaultKind::WrongAddress => bytes.clone_from(&answer.misaddressed),
                LinkFaultKind::Truncated => bytes.truncate(bytes.len() / 2),
                LinkFaultKind::Unplug(_) => {}
            }
        }
        Some(Pending {
            due: Microseconds(now.0.saturating_add(delay.0)),
            bytes,
        })
    }
}

/// The framing of a Modbus answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Frames {
    Rtu,
    Tcp(TransactionId),
}

impl Frames {
    fn of(self, unit: UnitAddress, outcome: &Result<Response, Exception>) -> Vec<u8> {
        match (self, outcome) {
            (Self::Rtu, Ok(response)) => response_frame(unit, response),
            (Self::Rtu, Err(exception)) => exception_frame(unit, *exception),
            (Self::Tcp(id), Ok(response)) => tcp_response_frame(id, unit, response),
            (Self::Tcp(id), Err(exception)) => tcp_exception_frame(id, unit, *exception),
        }
    }

    fn request(self, unit: UnitAddress, request: &Request) -> Vec<u8> {
        match self {
            Self::Rtu => request_frame(unit, request),
            Self::Tcp(id) => tcp_request_frame(id, unit, request),
        }
    }

    /// A sound frame that names another coil, where the answer names one, or comes from another
    /// unit.
    fn misaddressed(self, unit: UnitAddress, outcome: &Result<Response, Exception>) -> Vec<u8> {
        if let Ok(Response::WroteCoil { address, on }) = outcome {
            let response = Response::WroteCoil {
                address: address ^ 1,
                on: *on,
            };
            return self.of(unit, &Ok(response));
        }
        self.of(UnitAddress(unit.0 ^ 1), outcome)
    }
}

/// Random bytes before the answer, or one byte of it damaged.
fn garble(bytes: &mut Vec<u8>, damage: Damage, draws: &mut Draws) {
    let no_text = |byte: u8| match damage {
        Damage::NotText => byte | 0x80,
        Damage::Anywhere | Damage::Header => byte,
    };
    if draws.chance(0.5) {
        let count = draws.within(1..=8);
        let noise: Vec<u8> = (0..count).map(|_| no_text(draws.byte())).collect();
        bytes.splice(0..0, noise);
        return;
    }
    let whole = match damage {
        Damage::Header => bytes.len().min(TCP_HEADER),
        Damage::Anywhere | Damage::NotText => bytes.len(),
    };
    if let Some(last) = whole.checked_sub(1) {
        let at = draws.within(0..=last as u64);
        let flip = u8::try_from(draws.within(1..=255)).expect("drawn to fit a byte");
        let at = usize::try_from(at).expect("drawn inside the answer");
        // The bytes of a line are text: the highest bit is clear and becomes set.
        bytes[at] ^= no_text(flip);
    }
}
