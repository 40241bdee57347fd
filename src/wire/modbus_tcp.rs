//! Modbus frames over TCP: encode for both sides, decode as a server and as a client.
//!
//! A frame is a header of seven bytes and the request or response without a check sum: transaction
//! number, protocol number 0, length of what follows, unit (Modbus messaging on TCP/IP V1.0b,
//! 3.1.3; field order and sizes as several stored implementations have them).
//!
//! Place in the data's path: as `modbus_rtu` and `modbus_rtu_reply`, for gateways. The reply to a
//! request carries its transaction number: one that carries another is late, or somebody else's;
//! it is dropped and waiting goes on. It is never taken. TCP loses and damages nothing, so a header
//! that makes no sense means that both sides no longer agree where a frame begins: the wait ends.

use super::modbus_pdu::{Exception, ExceptionCode, Request, Response};
use super::modbus_rtu_reply::ModbusReply;
use super::reply::{ReplyDecoder, Step};
use crate::units::{TroubleKind, UnitAddress};

/// Transaction, protocol, length, unit.
const HEADER: usize = 7;
/// Shortest reply: header, function and code of an exception.
const EXCEPTION_FRAME: usize = HEADER + 2;
/// The length field counts unit and data: at least a function, at most 253 bytes of data (V1.1b3,
/// section 4.1).
const LENGTHS: std::ops::RangeInclusive<usize> = 2..=254;

/// The number that joins a reply to its request.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct TransactionId(pub u16);

/// A header that is none: the stream is out of step and must be closed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct BadHeader(pub String);

/// A request as sent to a unit.
#[must_use]
pub fn tcp_request_frame(id: TransactionId, unit: UnitAddress, request: &Request) -> Vec<u8> {
    frame(id, unit, &request.encode())
}

/// A response as sent by a unit.
#[must_use]
pub fn tcp_response_frame(id: TransactionId, unit: UnitAddress, response: &Response) -> Vec<u8> {
    frame(id, unit, &response.encode())
}

/// A refusal as sent by a unit.
#[must_use]
pub fn tcp_exception_frame(id: TransactionId, unit: UnitAddress, exception: Exception) -> Vec<u8> {
    frame(id, unit, &exception.encode())
}

fn frame(id: TransactionId, unit: UnitAddress, pdu: &[u8]) -> Vec<u8> {
    let length = u16::try_from(pdu.len() + 1).expect("253 bytes at most inside the limits");
    let mut bytes = Vec::with_capacity(HEADER + pdu.len());
    bytes.extend(id.0.to_be_bytes());
    bytes.extend([0, 0]);
    bytes.extend(length.to_be_bytes());
    bytes.push(unit.0);
    bytes.extend(pdu);
    bytes
}

/// What stands at the front of received bytes.
enum Front<'a> {
    Unfinished,
    Frame {
        id: TransactionId,
        unit: UnitAddress,
        pdu: &'a [u8],
        length: usize,
    },
}

/// Takes the first frame of received bytes.
fn front(bytes: &[u8]) -> Result<Front<'_>, BadHeader> {
    let pair = |at: usize| {
        let pair = bytes.get(at..at + 2)?;
        Some(u16::from_be_bytes([pair[0], pair[1]]))
    };
    if let Some(protocol) = pair(2)
        && protocol != 0
    {
        let detail = format!("protocol 0 expected in the header, got {protocol}");
        return Err(BadHeader(detail));
    }
    let (Some(id), Some(length)) = (pair(0), pair(4)) else {
        return Ok(Front::Unfinished);
    };
    let counted = usize::from(length);
    if !LENGTHS.contains(&counted) {
        let detail = format!("a length of 2 to 254 expected in the header, got {length}");
        return Err(BadHeader(detail));
    }
    let whole = HEADER - 1 + counted;
    Ok(match bytes.get(..whole) {
        None => Front::Unfinished,
        Some(frame) => Front::Frame {
            id: TransactionId(id),
            unit: UnitAddress(frame[HEADER - 1]),
            pdu: &frame[HEADER..],
            length: whole,
        },
    })
}

/// A request that a server received.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReceivedTcpRequest {
    /// The number that the answer repeats.
    pub id: TransactionId,
    /// The unit that it is sent to.
    pub unit: UnitAddress,
    /// The request, or the exception that the addressed unit answers with.
    pub request: Result<Request, Exception>,
}

/// Finds requests in what a server receives.
#[derive(Debug, Default)]
pub struct TcpRequestDecoder {
    received: Vec<u8>,
}

impl TcpRequestDecoder {
    /// A decoder that has received nothing.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes bytes as they arrive.
    pub fn push(&mut self, bytes: &[u8]) {
        self.received.extend(bytes);
    }

    /// The next whole request, if there is one.
    ///
    /// # Errors
    /// [`BadHeader`]: the connection is of no more use.
    pub fn take(&mut self) -> Result<Option<ReceivedTcpRequest>, BadHeader> {
        let Front::Frame {
            id,
            unit,
            pdu,
            length,
        } = front(&self.received)?
        else {
            return Ok(None);
        };
        let request = Request::parse(pdu);
        self.received.drain(..length);
        Ok(Some(ReceivedTcpRequest { id, unit, request }))
    }
}

/// Finds the reply to one request.
#[derive(Debug)]
pub struct TcpReplyDecoder {
    id: TransactionId,
    unit: UnitAddress,
    request: Request,
    request_frame: Vec<u8>,
    /// Bytes at the front that belong to other transactions.
    stale_bytes: usize,
    stale_frames: usize,
}

impl TcpReplyDecoder {
    /// A decoder for the reply of this unit to this request under this number.
    #[must_use]
    pub fn new(id: TransactionId, unit: UnitAddress, request: Request) -> Self {
        Self {
            request_frame: tcp_request_frame(id, unit, &request),
            id,
            unit,
            request,
            stale_bytes: 0,
            stale_frames: 0,
        }
    }

    /// The request's bytes.
    #[must_use]
    pub fn request_bytes(&self) -> &[u8] {
        &self.request_frame
    }

    /// Length of the complete reply.
    #[must_use]
    pub fn reply_length(&self) -> usize {
        HEADER + self.request.response_length()
    }

    /// Judges a frame under our own number that ends at `used`.
    fn judge(&self, unit: UnitAddress, pdu: &[u8], used: usize) -> Step<ModbusReply> {
        let mismatched = |detail| Step::Trouble {
            kind: TroubleKind::Mismatched,
            detail,
        };
        if unit != self.unit {
            let detail = format!("unit {} expected, got unit {}", self.unit.0, unit.0);
            return mismatched(detail);
        }
        if pdu == self.request.encode() && !self.reply_may_equal_request() {
            return Step::Trouble {
                kind: TroubleKind::Echoed,
                detail: String::new(),
            };
        }
        if let [function, code] = pdu
            && *function == self.request.function() | 0x80
        {
            let code = ExceptionCode::from_number(*code);
            return Step::Refused {
                kind: match code {
                    ExceptionCode::Acknowledge | ExceptionCode::Busy => TroubleKind::Busy,
                    _ => TroubleKind::Refused,
                },
                detail: code.to_string(),
                used,
            };
        }
        match Response::parse(pdu, &self.request) {
            Ok(response) => Step::Reply {
                reply: ModbusReply {
                    response,
                    echo_heard: false,
                },
                used,
            },
            Err(bad) => mismatched(bad.to_string()),
        }
    }

    /// A single write is answered by its own copy (V1.1b3, 6.5 and 6.6): a peer that only repeats
    /// what it hears shows in the read-back.
    fn reply_may_equal_request(&self) -> bool {
        matches!(
            self.request,
            Request::WriteCoil { .. } | Request::WriteRegister { .. }
        )
    }
}

impl ReplyDecoder for TcpReplyDecoder {
    type Reply = ModbusReply;

    fn decode(&mut self, received: &[u8]) -> Step<ModbusReply> {
        loop {
            match front(&received[self.stale_bytes..]) {
                Ok(Front::Unfinished) => return Step::NeedMore,
                Ok(Front::Frame {
                    id,
                    unit,
                    pdu,
                    length,
                }) => {
                    let end = self.stale_bytes + length;
                    if id == self.id {
                        return self.judge(unit, pdu, end);
                    }
                    self.stale_bytes = end;
                    self.stale_frames += 1;
                }
                Err(bad) => {
                    return Step::Trouble {
                        kind: TroubleKind::Corrupt,
                        detail: bad.to_string(),
                    };
                }
            }
        }
    }

    fn conclude(&mut self, received: &[u8]) -> Step<ModbusReply> {
        let last = self.decode(received);
        if last != Step::NeedMore {
            return last;
        }
        let expected = self.reply_length();
        let begun = received.len() - self.stale_bytes;
        let mut detail = match begun {
            0 => "no byte came".to_owned(),
            _ => format!("{begun} of {expected} bytes came"),
        };
        if self.stale_frames > 0 {
            detail += &format!(
                ", behind {} under other transaction numbers",
                self.stale_frames
            );
        }
        Step::Trouble {
            kind: TroubleKind::Timeout,
            detail,
        }
    }

    fn shortest_reply(&self) -> usize {
        EXCEPTION_FRAME
    }
}
