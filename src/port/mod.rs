//! F2: what the runner needs of the outside, as traits.
//!
//! A real bench and a simulated one look the same from here: both are byte streams under the bus
//! task, and the drivers above it implement these traits. Futures are boxed and local, because a
//! run lives on one thread. No concrete device is named here, and no trait judges.

mod clock;

pub use clock::{Clock, RunClock, monotonic_now};

use crate::event::{EventKind, RunEvent};
use crate::units::{CoilAddress, DeviceName, MeterValue, Milliseconds, Quantity, Trouble};
use std::future::Future;
use std::pin::Pin;

/// A boxed future that stays on the run's thread.
pub type LocalFuture<'a, T> = Pin<Box<dyn Future<Output = T> + 'a>>;

/// What a device says it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    /// Its own words, or what it answered to.
    pub text: String,
    /// When its calibration falls due, where it says so.
    pub calibration_due: Option<String>,
}

/// The link that a device hangs on, where it can be lost and found again.
pub trait Link {
    /// Looks for the port again and opens it.
    ///
    /// # Errors
    /// The trouble, where it is still missing, busy or not permitted.
    fn reopen(&self) -> LocalFuture<'_, Result<(), Trouble>>;
}

/// A board of relays that is driven over a link.
pub trait RelayBoard {
    /// Its name in the bench file.
    fn device(&self) -> &DeviceName;

    /// How many relays it has; addresses run from 0.
    fn relays(&self) -> u16;

    /// How long the board waits for a request before it opens every relay by itself; `None` where
    /// no watchdog is configured.
    fn watchdog(&self) -> Option<Milliseconds>;

    /// Asks the device something harmless, so that a wrong unit or a dead link shows before
    /// anything is driven.
    ///
    /// # Errors
    /// The link's trouble.
    fn identify(&self) -> LocalFuture<'_, Result<Identity, Trouble>>;

    /// Sets the board's watchdog where one is configured, and reads the setting back.
    ///
    /// # Errors
    /// The link's trouble, or [`ReadBackDiffers`](crate::units::TroubleKind::ReadBackDiffers).
    fn arm_watchdog(&self) -> LocalFuture<'_, Result<(), Trouble>>;

    /// Writes one relay and checks the whole echo. It does not read back: the caller does, so that
    /// both steps are recorded. After an error the relay's state is unknown until it is read back.
    ///
    /// # Errors
    /// The link's trouble.
    fn set(&self, relay: CoilAddress, closed: bool) -> LocalFuture<'_, Result<(), Trouble>>;

    /// Reads every relay's state as the board reports it; index = address.
    ///
    /// # Errors
    /// The link's trouble.
    fn read_back(&self) -> LocalFuture<'_, Result<Vec<bool>, Trouble>>;

    /// Sends the command that opens every relay at once, ahead of any queue and inside a
    /// quarantine, then waits out the quarantine and reads back. A request under way is set aside
    /// ([`Superseded`](crate::units::TroubleKind::Superseded)). The read-back is returned as it
    /// is: the caller compares.
    ///
    /// # Errors
    /// The link's trouble with the read-back; the command itself has been sent unless the port is
    /// gone.
    fn open_all(&self) -> LocalFuture<'_, Result<Vec<bool>, Trouble>>;
}

/// Digital inputs that are read over a link.
pub trait Inputs {
    /// Its name in the bench file.
    fn device(&self) -> &DeviceName;

    /// Reads every input once; index = address.
    ///
    /// # Errors
    /// The link's trouble.
    fn read_inputs(&self) -> LocalFuture<'_, Result<Vec<bool>, Trouble>>;
}

/// A meter that is read over a link.
pub trait Meter {
    /// Its name in the bench file.
    fn device(&self) -> &DeviceName;

    /// Asks who it is, and empties its error queue.
    ///
    /// # Errors
    /// The link's trouble.
    fn identify(&self) -> LocalFuture<'_, Result<Identity, Trouble>>;

    /// Reads one value.
    ///
    /// # Errors
    /// The link's trouble; [`Refused`](crate::units::TroubleKind::Refused) where the meter answers
    /// in another unit than asked for, or reports an error.
    fn read(&self, quantity: Quantity) -> LocalFuture<'_, Result<MeterValue, Trouble>>;
}

/// The journal could not be written: the run stops, and making safe does not wait for it.
#[derive(Debug, thiserror::Error)]
#[error("the journal {file} could not be written")]
pub struct JournalLost {
    /// The journal's file name.
    pub file: String,
    /// Why.
    #[source]
    pub source: std::io::Error,
}

/// Where events go before they are shown or acted on.
pub trait RunJournal {
    /// Stamps, chains and writes one event, and returns it as written.
    ///
    /// # Errors
    /// [`JournalLost`]; nothing more may be appended after it.
    fn append(&self, clock: &dyn Clock, kind: EventKind) -> Result<RunEvent, JournalLost>;

    /// Brings everything written so far onto the disk.
    ///
    /// # Errors
    /// [`JournalLost`].
    fn sync(&self) -> LocalFuture<'_, Result<(), JournalLost>>;
}
