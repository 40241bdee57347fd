//! Decode Modbus RTU as a client: the reply to one known request.
//!
//! A serial line has no transaction number, so a reply counts only if everything that can be
//! checked is right: unit, function, exact length, check sum, and for a write all that the device
//! repeats. What is checked cannot tell a late reply to an equal request from the true one: the bus
//! waits such replies out before it asks again.
//!
//! **Resynchronising.** A good frame is found behind garbage by trying each start; lengths come
//! from the request, never from a guess. Frames of other lengths are recognised only to say what
//! came instead, never accepted.
//!
//! **Local echo.** On a two-wire line the port may hear its own request. For a function whose reply
//! differs from the request every copy of the request is dropped, and the true reply may follow;
//! if none does by the deadline, that is [`Echoed`](TroubleKind::Echoed). (A read of 17 to 24 bits
//! from an address of the form 03xx could have a true reply equal to its request; it is told as
//! echo, which is safe.) A reply to functions 05 and 06 *is* a copy of the request. One copy alone
//! is therefore taken, and the caller's read-back decides whether the device did it. Where earlier
//! reads have shown that the link echoes, say so with
//! [`on_echoing_link`](RtuReplyDecoder::on_echoing_link): then two copies are demanded.

use super::crc::has_good_crc;
use super::modbus_pdu::{ExceptionCode, Request, Response};
use super::modbus_rtu::{MAX_FRAME, request_frame};
use super::reply::{ReplyDecoder, Step};
use crate::units::{TroubleKind, UnitAddress};

/// More than this much unusable input ends the wait: no garbage before a frame is so long.
const FLOOD: usize = 4 * MAX_FRAME;

/// Shortest frame: unit, function, one byte, check sum (an exception).
const EXCEPTION_FRAME: usize = 5;

/// A reply as the request asked for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ModbusReply {
    /// What the device answered.
    pub response: Response,
    /// The link repeated our own request before the reply.
    pub echo_heard: bool,
}

/// Finds the reply to one request.
#[derive(Debug)]
pub struct RtuReplyDecoder {
    unit: UnitAddress,
    request: Request,
    request_frame: Vec<u8>,
    echo_is_certain: bool,
}

/// What one start in the received bytes holds.
enum Found {
    Nothing,
    Unfinished,
    OwnRequest,
    Step(Step<ModbusReply>),
}

impl RtuReplyDecoder {
    /// A decoder for the reply of this unit to this request.
    #[must_use]
    pub fn new(unit: UnitAddress, request: Request) -> Self {
        Self {
            request_frame: request_frame(unit, &request),
            unit,
            request,
            echo_is_certain: false,
        }
    }

    /// The link is known to repeat what it sends: the first copy of a request is never its reply.
    #[must_use]
    pub fn on_echoing_link(mut self) -> Self {
        self.echo_is_certain = true;
        self
    }

    /// The request's bytes.
    #[must_use]
    pub fn request_bytes(&self) -> &[u8] {
        &self.request_frame
    }

    /// Length of the complete reply on the wire.
    #[must_use]
    pub fn reply_length(&self) -> usize {
        self.request.response_length() + 3
    }

    /// Goes through the received bytes from the first; `at_end` says that nothing more will come.
    fn scan(&self, received: &[u8], at_end: bool) -> Step<ModbusReply> {
        let mut start = 0;
        let mut echoes = 0;
        while start < received.len() {
            match self.at(&received[start..], start, echoes > 0) {
                Found::Step(step) => return step,
                Found::OwnRequest => {
                    echoes += 1;
                    start += self.request_frame.len();
                }
                Found::Unfinished if !at_end => return Step::NeedMore,
                Found::Unfinished => {
                    // Nothing more will come: it may still be whole as the shorter reply.
                    if let Some(step) = self.as_reply(&received[start..], start, echoes > 0) {
                        return step;
                    }
                    start += 1;
                }
                Found::Nothing => start += 1,
            }
        }
        if at_end {
            self.nothing_found(received, echoes)
        } else if received.len() > FLOOD {
            Step::Trouble {
                kind: TroubleKind::Corrupt,
                detail: format!("{} bytes without a reply among them", received.len()),
            }
        } else {
            Step::NeedMore
        }
    }

    /// Looks at what begins here. `offset` is where that is; `echoed` that our request was heard.
    fn at(&self, rest: &[u8], offset: usize, echoed: bool) -> Found {
        let own = &self.request_frame[..];
        let reply_equals_request = matches!(
            self.request,
            Request::WriteCoil { .. } | Request::WriteRegister { .. }
        );
        if !reply_equals_request || (self.echo_is_certain && !echoed) {
            if rest.starts_with(own) {
                return Found::OwnRequest;
            }
            if own.starts_with(rest) {
                return Found::Unfinished;
            }
        }
        if let Some(step) = self.as_reply(rest, offset, echoed) {
            return Found::Step(step);
        }
        self.unfinished_or_foreign(rest)
    }

    /// The complete reply or exception, if exactly that begins here.
    fn as_reply(&self, rest: &[u8], offset: usize, echoed: bool) -> Option<Step<ModbusReply>> {
        if rest.first() != Some(&self.unit.0) {
            return None;
        }
        let function = *rest.get(1)?;
        if function == self.request.function() {
            let length = self.reply_length();
            let frame = rest.get(..length).filter(|frame| has_good_crc(frame))?;
            let response = Response::parse(&frame[1..length - 2], &self.request).ok()?;
            return Some(Step::Reply {
                reply: ModbusReply {
                    response,
                    echo_heard: echoed,
                },
                used: offset + length,
            });
        }
        if function == self.request.function() | 0x80 {
            let frame = rest.get(..EXCEPTION_FRAME);
            let frame = frame.filter(|frame| has_good_crc(frame))?;
            let code = ExceptionCode::from_number(frame[2]);
            return Some(Step::Refused {
                kind: match code {
                    ExceptionCode::Acknowledge | ExceptionCode::Busy => TroubleKind::Busy,
                    _ => TroubleKind::Refused,
                },
                detail: code.to_string(),
                used: offset + EXCEPTION_FRAME,
            });
        }
        None
    }

    /// Another frame with a good check sum, or the beginning of one of our unit and function.
    fn unfinished_or_foreign(&self, rest: &[u8]) -> Found {
        let Some(function) = rest.get(1).copied() else {
            return if rest.first() == Some(&self.unit.0) {
                Found::Unfinished
            } else {
                Found::Nothing
            };
        };
        let length = match (function, rest.get(2)) {
            (0x01..=0x04, None) => None,
            (0x01..=0x04, Some(count)) => Some(5 + usize::from(*count)),
            (0x05 | 0x06 | 0x0F | 0x10, _) => Some(8),
            (0x81..=0x86 | 0x8F | 0x90, _) => Some(EXCEPTION_FRAME),
            _ => return Found::Nothing,
        };
        match length.and_then(|length| rest.get(..length)) {
            Some(frame) if has_good_crc(frame) => Found::Step(self.mismatch(frame)),
            Some(_) => Found::Nothing,
            None if self.may_be_ours(rest, length) => Found::Unfinished,
            None => Found::Nothing,
        }
    }

    /// An unfinished frame is waited for only where its finished form could be the reply.
    fn may_be_ours(&self, rest: &[u8], length: Option<usize>) -> bool {
        let ours = self.request.function();
        rest[0] == self.unit.0
            && (rest[1] == ours && length.is_none_or(|length| length == self.reply_length())
                || rest[1] == ours | 0x80)
    }

    fn mismatch(&self, frame: &[u8]) -> Step<ModbusReply> {
        let detail = if frame[0] == self.unit.0 {
            match Response::parse(&frame[1..frame.len() - 2], &self.request) {
                Err(bad) => bad.to_string(),
                Ok(_) => "a reply that was not expected here".into(),
            }
        } else {
            format!("unit {} expected, got unit {}", self.unit.0, frame[0])
        };
        Step::Trouble {
            kind: TroubleKind::Mismatched,
            detail,
        }
    }

    fn nothing_found(&self, received: &[u8], echoes: usize) -> Step<ModbusReply> {
        let expected = self.reply_length();
        let after_echo = received.len().saturating_sub(self.request_frame.len());
        let (kind, detail) = if received.is_empty() {
            (TroubleKind::Timeout, "no byte came".to_owned())
        } else if echoes > 0 && after_echo == 0 {
            (TroubleKind::Echoed, "nothing came behind it".to_owned())
        } else if self.is_beginning(received) {
            let detail = format!("{} of {expected} bytes came", received.len());
            (TroubleKind::Timeout, detail)
        } else {
            let detail = format!("{} bytes came, no good frame among them", received.len());
            (TroubleKind::Corrupt, detail)
        };
        Step::Trouble { kind, detail }
    }

    /// True where what came is the first part of a reply and nothing else.
    fn is_beginning(&self, received: &[u8]) -> bool {
        let function = self.request.function();
        let data_bytes = self.request.response_length() - 2;
        received.len() < self.reply_length()
            && received[0] == self.unit.0
            && received.get(1).is_none_or(|got| *got == function)
            && (!self.request.is_read()
                || received
                    .get(2)
                    .is_none_or(|got| usize::from(*got) == data_bytes))
    }
}

impl ReplyDecoder for RtuReplyDecoder {
    type Reply = ModbusReply;

    fn decode(&mut self, received: &[u8]) -> Step<ModbusReply> {
        self.scan(received, false)
    }

    fn conclude(&mut self, received: &[u8]) -> Step<ModbusReply> {
        self.scan(received, true)
    }
    fn shortest_reply(&self) -> usize {
        EXCEPTION_FRAME
    }
}
