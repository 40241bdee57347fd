//! The trait between a codec and the bus that runs it.
//!
//! Place in the data's path: the bus collects what a port received since the request went out and
//! asks the decoder what it amounts to. The decoder keeps no clock and no port: it is told when
//! the deadline has passed.

use crate::units::TroubleKind;
use std::fmt::Write as _;

/// What the bytes received so far amount to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step<R> {
    /// Nothing can be said yet.
    NeedMore,
    /// The reply that was asked for, exact in every part that can be checked.
    Reply {
        /// The reply.
        reply: R,
        /// Bytes up to the reply's end; what lies behind it came unasked.
        used: usize,
    },
    /// A sound reply in which the device refuses or puts off the request.
    Refused {
        /// [`Refused`](TroubleKind::Refused) or [`Busy`](TroubleKind::Busy).
        kind: TroubleKind,
        /// What it said.
        detail: String,
        /// Bytes up to the reply's end.
        used: usize,
    },
    /// What came is not the reply; the bus must not be trusted until it has been quiet.
    Trouble {
        /// What it is instead.
        kind: TroubleKind,
        /// Expected against got.
        detail: String,
    },
}

/// Tells the reply to one known request from everything else that a port may receive.
pub trait ReplyDecoder {
    /// What a good reply becomes.
    type Reply;

    /// Judges all bytes received since the request was sent; called again as more arrive.
    fn decode(&mut self, received: &[u8]) -> Step<Self::Reply>;

    /// Judges them for the last time, the deadline having passed.
    /// [`NeedMore`](Step::NeedMore) is taken as a plain time-out.
    fn conclude(&mut self, received: &[u8]) -> Step<Self::Reply>;

    /// Length of the shortest reply of any kind in this protocol. Fewer bytes that come unasked are
    /// noise on the line; as many may be a reply that came late or twice.
    fn shortest_reply(&self) -> usize {
        1
    }
}

/// Bytes as evidence: two hexadecimal digits each, with a blank between them.
#[must_use]
pub fn hexadecimal(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len() * 3);
    for (index, byte) in bytes.iter().enumerate() {
        let blank = if index == 0 { "" } else { " " };
        write!(text, "{blank}{byte:02X}").expect("writing into a String does not fail");
    }
    text
}
