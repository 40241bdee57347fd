//! Modbus frames on a serial line: encode for both sides, decode as a server.
//!
//! Place in the data's path: a client sends [`request_frame`]; a server feeds what it receives to
//! [`RtuRequestDecoder`] and answers with [`response_frame`] or [`exception_frame`]. A frame is
//! unit address, function, data and CRC (Modbus over serial line V1.02, 2.5.1). It ends where its
//! own bytes say, never at a gap; silence only gives up what did not become a frame.

use super::crc::{has_good_crc, with_crc};
use super::modbus_pdu::{Exception, Request, Response};
use crate::units::UnitAddress;

/// Longest frame on a serial line (V1.1b3, section 4.1).
pub(super) const MAX_FRAME: usize = 256;

/// A request as sent to a unit.
#[must_use]
pub fn request_frame(unit: UnitAddress, request: &Request) -> Vec<u8> {
    frame(unit, &request.encode())
}

/// A response as sent by a unit.
#[must_use]
pub fn response_frame(unit: UnitAddress, response: &Response) -> Vec<u8> {
    frame(unit, &response.encode())
}

/// A refusal as sent by a unit.
#[must_use]
pub fn exception_frame(unit: UnitAddress, exception: Exception) -> Vec<u8> {
    frame(unit, &exception.encode())
}

fn frame(unit: UnitAddress, pdu: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(pdu.len() + 3);
    bytes.push(unit.0);
    bytes.extend(pdu);
    with_crc(bytes)
}

/// A frame with a good check sum that a server received.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReceivedRequest {
    /// The unit that it is sent to; 0 is for all, and nobody answers it.
    pub unit: UnitAddress,
    /// The request, or the exception that the addressed unit answers with.
    pub request: Result<Request, Exception>,
}

/// Finds requests in what a server receives, behind garbage too.
///
/// Give it bytes with [`push`](Self::push), take requests with [`take`](Self::take) until there is
/// none, and call [`silence`](Self::silence) when the line has been quiet for 3.5 characters or
/// longer: only then is a frame of an unknown function (whose length nobody knows) or an unfinished
/// frame given up.
#[derive(Debug, Default)]
pub struct RtuRequestDecoder {
    received: Vec<u8>,
}

/// What may begin at one byte.
enum Candidate {
    /// A known function whose frame is not all there.
    Unfinished,
    /// A good frame of this length.
    Frame(usize),
    /// A function that is not known here: only silence tells where it ends.
    Unknown,
    /// No request.
    None,
}

impl RtuRequestDecoder {
    /// A decoder that has received nothing.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes bytes as they arrive.
    pub fn push(&mut self, bytes: &[u8]) {
        self.received.extend(bytes);
    }

    /// True where bytes wait that are not yet a request.
    #[must_use]
    pub fn has_unfinished(&self) -> bool {
        !self.received.is_empty()
    }

    /// The next whole request, if there is one.
    pub fn take(&mut self) -> Option<ReceivedRequest> {
        let mut keep_from = None;
        for start in 0..self.received.len() {
            match candidate(&self.received[start..]) {
                Candidate::Frame(length) => return Some(self.cut(start, length)),
                // It may yet become a frame, and a frame inside it would be a false one.
                Candidate::Unfinished => {
                    keep_from = keep_from.or(Some(start));
                    break;
                }
                Candidate::Unknown => keep_from = keep_from.or(Some(start)),
                Candidate::None => {}
            }
        }
        let whole = self.received.len();
        let longest_kept = whole.saturating_sub(MAX_FRAME);
        self.received
            .drain(..keep_from.unwrap_or(whole).max(longest_kept));
        None
    }

    /// The line is quiet: what is unfinished stays so. Returns a request that was hidden behind it;
    /// call again until there is none.
    pub fn silence(&mut self) -> Option<ReceivedRequest> {
        let whole = self.received.len();
        for start in 0..whole {
            if let Candidate::Frame(length) = candidate(&self.received[start..]) {
                return Some(self.cut(start, length));
            }
        }
        if (4..=MAX_FRAME).contains(&whole) && has_good_crc(&self.received) {
            return Some(self.cut(0, whole));
        }
        self.received.clear();
        None
    }

    fn cut(&mut self, start: usize, length: usize) -> ReceivedRequest {
        let frame = &self.received[start..start + length];
        let received = ReceivedRequest {
            unit: UnitAddress(frame[0]),
            request: Request::parse(&frame[1..length - 2]),
        };
        self.received.drain(..start + length);
        received
    }
}

fn candidate(bytes: &[u8]) -> Candidate {
    let length = match bytes.get(1) {
        None => return Candidate::Unfinished,
        Some(0x01..=0x06) => 8,
        Some(0x0F | 0x10) => match bytes.get(6) {
            None => return Candidate::Unfinished,
            Some(count) => 9 + usize::from(*count),
        },
        Some(_) => return Candidate::Unknown,
    };
    if length > MAX_FRAME {
        Candidate::None
    } else if bytes.len() < length {
        Candidate::Unfinished
    } else if has_good_crc(&bytes[..length]) {
        Candidate::Frame(length)
    } else {
        Candidate::None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::ExceptionCode;

    const UNIT: UnitAddress = UnitAddress(0x11);
    // 11 01 00 13 00 13: read 19 coils (V1.1b3, 6.1); frame as in several stored test files.
    const READ_COILS: [u8; 8] = [0x11, 0x01, 0x00, 0x13, 0x00, 0x13, 0x8E, 0x92];
    // 11 0F ... : write 10 coils (V1.1b3, 6.11).
    const WRITE_COILS: [u8; 11] = [
        0x11, 0x0F, 0x00, 0x13, 0x00, 0x0A, 0x02, 0xCD, 0x01, 0xBF, 0x0B,
    ];

    fn read_coils() -> Option<ReceivedRequest> {
        Some(ReceivedRequest {
            unit: UNIT,
            request: Ok(Request::ReadCoils {
                start: 0x13,
                count: 0x13,
            }),
        })
    }

    #[test]
    fn one_byte_at_a_time_gives_the_request_with_its_last_byte() {
        for frame in [&READ_COILS[..], &WRITE_COILS[..]] {
            let mut decoder = RtuRequestDecoder::new();
            let (last, before) = frame.split_last().unwrap();
            for byte in before {
                decoder.push(&[*byte]);
                assert_eq!(decoder.take(), None);
            }
            decoder.push(&[*last]);
            let taken = decoder.take().unwrap();
            assert_eq!(request_frame(taken.unit, &taken.request.unwrap()), frame);
            assert!(!decoder.has_unfinished());
        }
    }

    #[test]
    fn requests_behind_garbage_and_behind_one_another_are_found() {
        let mut decoder = RtuRequestDecoder::new();
        decoder.push(&[0xFF, 0x00, 0x7E]);
        decoder.push(&READ_COILS);
        decoder.push(&READ_COILS);
        assert_eq!(decoder.take(), read_coils());
        assert_eq!(decoder.take(), read_coils());
        assert_eq!(decoder.take(), None);
    }

    #[test]
    fn silence_gives_up_an_unfinished_frame_and_finds_what_it_hid() {
        let mut decoder = RtuRequestDecoder::new();
        // Looks like a write of many coils that never ends.
        decoder.push(&[0x11, 0x0F, 0x00, 0x00, 0x07, 0xB0, 0xF6]);
        decoder.push(&READ_COILS);
        assert_eq!(decoder.take(), None);
        assert_eq!(decoder.silence(), read_coils());
        assert_eq!(decoder.silence(), None);
        assert!(!decoder.has_unfinished());
    }

    #[test]
    fn an_unknown_function_is_refused_once_the_line_is_quiet() {
        let frame = with_crc(vec![0x11, 0x2B, 0x0E, 0x01, 0x00]);
        let mut decoder = RtuRequestDecoder::new();
        for byte in &frame {
            decoder.push(&[*byte]);
            assert_eq!(decoder.take(), None);
        }
        let refused = decoder.silence().unwrap();
        let exception = refused.request.unwrap_err();
        assert_eq!(
            (exception.function, exception.code),
            (0x2B, ExceptionCode::IllegalFunction)
        );
    }

    #[test]
    fn an_illegal_value_in_a_good_frame_is_refused_not_dropped() {
        let mut decoder = RtuRequestDecoder::new();
        decoder.push(&with_crc(vec![0x01, 0x05, 0x00, 0x00, 0x12, 0x34]));
        let refused = decoder.take().unwrap().request.unwrap_err();
        assert_eq!(refused.code, ExceptionCode::IllegalDataValue);
    }

    #[test]
    fn an_endless_flood_is_kept_within_bounds() {
        let mut decoder = RtuRequestDecoder::new();
        for _ in 0..100 {
            decoder.push(&[0x55; 64]);
            assert_eq!(decoder.take(), None);
            assert!(decoder.received.len() <= MAX_FRAME);
        }
    }
}
