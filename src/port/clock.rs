//! The one place that reads a clock.
//!
//! Place in the data's path: the runner stamps events with it and drivers take their deadlines
//! from it. Under a paused runtime the same clock runs in virtual time, so a simulated run is the
//! same to the byte each time; only the wall time of its start and its id differ.

use crate::units::Microseconds;
use jiff::Timestamp;
use tokio::time::Instant;

/// Wall time, time since the run began, and what else must not come from thin air.
pub trait Clock {
    /// Wall time now.
    fn wall(&self) -> Timestamp;

    /// Time since the run began.
    fn elapsed(&self) -> Microseconds;

    /// A fresh id for a run; ids sort by the time they were made.
    fn new_run_id(&self) -> String;

    /// Sixteen fresh bytes for a salted commitment.
    fn salt(&self) -> [u8; 16];
}

/// Now on the monotonic clock, virtual where the runtime's clock is paused.
#[must_use]
pub fn monotonic_now() -> Instant {
    Instant::now()
}

/// The clock of a run: wall time is read once, when it is made, and moved on by the monotonic
/// clock, so that a step of the system's clock never reorders a record.
#[derive(Debug)]
pub struct RunClock {
    started_wall: Timestamp,
    started: Instant,
}

impl RunClock {
    /// A clock that starts now. Needs a tokio runtime around it.
    #[must_use]
    pub fn start() -> Self {
        Self {
            started_wall: Timestamp::now(),
            started: Instant::now(),
        }
    }
}

impl Clock for RunClock {
    fn wall(&self) -> Timestamp {
        let passed = self.started.elapsed();
        self.started_wall
            .checked_add(passed)
            .unwrap_or(Timestamp::MAX)
    }

    fn elapsed(&self) -> Microseconds {
        Microseconds(u64::try_from(self.started.elapsed().as_micros()).unwrap_or(u64::MAX))
    }

    fn new_run_id(&self) -> String {
        uuid::Uuid::now_v7().to_string()
    }

    fn salt(&self) -> [u8; 16] {
        // A version 7 id holds 74 random bits; two of them give enough to hide a short name.
        let hash = blake3::hash(
            [
                uuid::Uuid::now_v7().as_bytes().as_slice(),
                uuid::Uuid::now_v7().as_bytes(),
            ]
            .concat()
            .as_slice(),
        );
        let mut salt = [0; 16];
        salt.copy_from_slice(&hash.as_bytes()[..16]);
        salt
    }
}
