//! What can go wrong on a link, as data.
//!
//! Place in the data's path: a driver returns a [`Trouble`], the runner records it as an event and
//! decides a retry on its kind alone. A trouble is never a verdict on the wiring.

use serde::{Deserialize, Serialize};
use std::fmt;

/// The kind of a link's trouble; retries are decided on this and on nothing else.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TroubleKind {
    /// No complete reply within the deadline.
    Timeout,
    /// Bytes came, but no frame with a good check sum.
    Corrupt,
    /// A good frame that answers another question (unit, function, length, address or value).
    Mismatched,
    /// Our own request came back in place of an answer.
    Echoed,
    /// The device refused the request (a Modbus exception, an instrument's error).
    Refused,
    /// The device is busy and says to ask again.
    Busy,
    /// The port is gone.
    Disconnected,
    /// A relay's read-back differs from what was written.
    ReadBackDiffers,
    /// The port could not be opened: it is missing.
    Missing,
    /// The port exists but this user may not open it.
    NotPermitted,
    /// The port is in use by another program.
    InUse,
    /// The request was set aside for an open-all that could not wait.
    Superseded,
}

impl TroubleKind {
    /// The kind in a person's words, as a fragment.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Timeout => "no complete reply in time",
            Self::Corrupt => "a damaged reply",
            Self::Mismatched => "a reply to another question",
            Self::Echoed => "our own request echoed back",
            Self::Refused => "the device refused the request",
            Self::Busy => "the device is busy",
            Self::Disconnected => "the port is gone",
            Self::ReadBackDiffers => "the relays read back otherwise than set",
            Self::Missing => "there is no such port",
            Self::NotPermitted => "the port exists but may not be opened by this user",
            Self::InUse => "the port is in use by another program",
            Self::Superseded => "set aside for opening all relays",
        }
    }
}

impl fmt::Display for TroubleKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.words())
    }
}

/// One trouble with its evidence; bytes are hexadecimal, as on the wire.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, thiserror::Error)]
#[error("{tried}: {kind}{}", bracketed(.detail))]
pub struct Trouble {
    /// What went wrong.
    pub kind: TroubleKind,
    /// What was tried, on which link and unit: a fragment such as
    /// "read inputs 1-16 of unit 1 on link board".
    pub tried: String,
    /// Expected against got; empty where the kind says it all.
    pub detail: String,
    /// The request's bytes in hexadecimal; empty where none was sent.
    pub request: String,
    /// The reply's bytes in hexadecimal; empty where none came.
    pub reply: String,
}

fn bracketed(detail: &str) -> String {
    if detail.is_empty() {
        String::new()
    } else {
        format!(" ({detail})")
    }
}
