//! Requests that are tried again by kind, and why a step may have to stop.
//!
//! Place in the data's path: between the ports and everything in the runner that talks to them. A
//! link's trouble is recorded and tried again or handed up; it never becomes a state of a line.

use super::recorder::{Recorder, Unrecorded};
use super::setup::Policy;
use crate::event::{EventKind, NextAction, TroubleSeen};
use crate::port::LocalFuture;
use crate::units::{DeviceName, Trouble, TroubleKind};

/// Why a step cannot go on.
#[derive(Debug)]
pub(super) enum Halt {
    /// The journal is gone.
    Unrecorded,
    /// A device did not answer rightly within its tries.
    Lost(Box<Lost>),
    /// A person did not answer, or could not do what was asked.
    NoAnswer(String),
}

/// What was lost.
#[derive(Debug)]
pub(super) struct Lost {
    /// The device.
    pub(super) device: DeviceName,
    /// The last trouble.
    pub(super) trouble: Trouble,
}

impl Halt {
    pub(super) fn lost(device: &DeviceName, trouble: Trouble) -> Self {
        Self::Lost(Box::new(Lost {
            device: device.clone(),
            trouble,
        }))
    }
}

impl From<Unrecorded> for Halt {
    fn from(_: Unrecorded) -> Self {
        Self::Unrecorded
    }
}

/// Makes requests.
#[derive(Clone, Copy)]
pub(super) struct Requests<'a> {
    pub(super) recorder: &'a Recorder,
    pub(super) policy: &'a Policy,
}

impl Requests<'_> {
    /// Makes one request, again where its kind of trouble allows it.
    pub(super) async fn make<'p, T>(
        &self,
        device: &DeviceName,
        request: impl Fn() -> LocalFuture<'p, Result<T, Trouble>>,
    ) -> Result<T, Halt> {
        let mut attempt = 1;
        loop {
            let trouble = match request().await {
                Ok(answer) => return Ok(answer),
                Err(trouble) => trouble,
            };
            let again = is_worth_retrying(trouble.kind) && attempt < self.policy.request_tries;
            let next = match trouble.kind {
                TroubleKind::Disconnected => NextAction::Reopen,
                _ if again => NextAction::Retry,
                _ => NextAction::GiveUpStep,
            };
            self.record_trouble(device, &trouble, attempt, next)?;
            if !again {
                return Err(Halt::lost(device, trouble));
            }
            attempt += 1;
        }
    }

    /// Records one trouble.
    pub(super) fn record_trouble(
        &self,
        device: &DeviceName,
        trouble: &Trouble,
        attempt: u32,
        next: NextAction,
    ) -> Result<(), Unrecorded> {
        let (device, trouble) = (device.clone(), trouble.clone());
        self.recorder.record(EventKind::Trouble(TroubleSeen {
            device,
            trouble,
            attempt,
            next,
        }))
    }
}

/// Whether asking again may help. A refusal may be a passing one (Modbus exceptions 4 to 6), so it
/// is tried again like a damaged reply.
fn is_worth_retrying(kind: TroubleKind) -> bool {
    match kind {
        TroubleKind::Timeout
        | TroubleKind::Corrupt
        | TroubleKind::Mismatched
        | TroubleKind::Echoed
        | TroubleKind::Refused
        | TroubleKind::Busy
        | TroubleKind::ReadBackDiffers
        | TroubleKind::Superseded => true,
        TroubleKind::Disconnected
        | TroubleKind::Missing
        | TroubleKind::NotPermitted
        | TroubleKind::InUse => false,
    }
}
