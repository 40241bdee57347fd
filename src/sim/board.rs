//! One relay board's own state: its coils, its contacts' delays, its watchdog.
//!
//! Place in the data's path: a device's server sets coils here, the world reads contacts. It knows
//! no bytes and no line. Time only ever comes in as an argument.

use super::random::Draws;
use crate::units::{CoilAddress, DeviceSpec, Microseconds};
use std::collections::BTreeSet;

/// Operate and release times of a small relay: 5 to 15 ms (release 5 to 20 ms from a trade table,
/// operate from memory).
const CONTACT_DELAY_US: std::ops::RangeInclusive<u64> = 5_000..=15_000;

#[derive(Debug)]
struct Relay {
    commanded: bool,
    /// The contact until `changes_at`; from then on it is as commanded.
    contact: bool,
    changes_at: Microseconds,
    operate: u64,
    release: u64,
}

impl Relay {
    fn command(&mut self, closed: bool, now: Microseconds) {
        if closed == self.commanded {
            return;
        }
        self.contact = self.contact_at(now);
        let delay = if closed { self.operate } else { self.release };
        self.commanded = closed;
        self.changes_at = Microseconds(now.0.saturating_add(delay));
    }

    fn contact_at(&self, now: Microseconds) -> bool {
        if now >= self.changes_at {
            self.commanded
        } else {
            self.contact
        }
    }
}

/// A relay board.
#[derive(Debug)]
pub(super) struct Board {
    relays: Vec<Relay>,
    /// What the watchdog's register holds; 0 switches it off.
    watchdog_counts: u16,
    microseconds_per_count: u64,
    last_request: Microseconds,
}

impl Board {
    /// A board as it is when power comes on: every relay open, the watchdog off.
    pub(super) fn new(device: &DeviceSpec, draws: &mut Draws) -> Self {
        let relay = |_| Relay {
            commanded: false,
            contact: false,
            changes_at: Microseconds(0),
            operate: draws.within(CONTACT_DELAY_US),
            release: draws.within(CONTACT_DELAY_US),
        };
        let watchdog = device.modbus().and_then(|spec| spec.watchdog.as_ref());
        let count_ms = watchdog.map_or(1, |watchdog| watchdog.milliseconds_per_count);
        Self {
            relays: (0..device.relays()).map(relay).collect(),
            watchdog_counts: 0,
            microseconds_per_count: u64::from(count_ms) * 1000,
            last_request: Microseconds(0),
        }
    }

    /// Notes a request addressed to this board; a watchdog that ran out before it has opened
    /// every relay by then.
    pub(super) fn request_seen(&mut self, now: Microseconds) {
        self.expire(now);
        self.last_request = now;
    }

    /// Opens every relay at the moment at which the watchdog ran out, if it has.
    pub(super) fn expire(&mut self, now: Microseconds) {
        if self.watchdog_counts == 0 {
            return;
        }
        let span = u64::from(self.watchdog_counts) * self.microseconds_per_count;
        let runs_out = Microseconds(self.last_request.0.saturating_add(span));
        if now >= runs_out {
            for relay in &mut self.relays {
                relay.command(false, runs_out);
            }
        }
    }

    pub(super) fn set(&mut self, coil: usize, closed: bool, now: Microseconds) {
        self.relays[coil].command(closed, now);
    }

    pub(super) fn commanded(&self) -> Vec<bool> {
        self.relays.iter().map(|relay| relay.commanded).collect()
    }

    /// The coils that are commanded closed.
    pub(super) fn closed(&self) -> BTreeSet<CoilAddress> {
        (0_u16..)
            .zip(&self.relays)
            .filter(|(_, relay)| relay.commanded)
            .map(|(address, _)| CoilAddress(address))
            .collect()
    }

    /// Whether a relay's contact is closed; a relay that the board lacks is not.
    pub(super) fn contact(&self, coil: CoilAddress, now: Microseconds) -> bool {
        self.relays
            .get(usize::from(coil.0))
            .is_some_and(|relay| relay.contact_at(now))
    }

    /// The moments after one and up to another at which a contact follows its coil.
    pub(super) fn changes(
        &self,
        after: Microseconds,
        until: Microseconds,
    ) -> impl Iterator<Item = Microseconds> {
        let moments = self.relays.iter().map(|relay| relay.changes_at);
        moments.filter(move |at| *at > after && *at <= until)
    }

    pub(super) fn watchdog_counts(&self) -> u16 {
        self.watchdog_counts
    }

    pub(super) fn set_watchdog_counts(&mut self, counts: u16) {
        self.watchdog_counts = counts;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::random::Purpose;
    use crate::units::{
        DeviceName, DeviceProtocol, LinkName, Milliseconds, ModbusSpec, RegisterAddress,
        UnitAddress, WatchdogSpec,
    };

    fn board() -> Board {
        let spec = ModbusSpec {
            unit: UnitAddress(1),
            coils: 4,
            discrete_inputs: 0,
            watchdog: Some(WatchdogSpec {
                register: RegisterAddress(0),
                timeout_ms: Milliseconds(1000),
                milliseconds_per_count: 100,
            }),
        };
        let device = DeviceSpec {
            name: DeviceName::new("board").unwrap(),
            link: LinkName::new("field").unwrap(),
            protocol: DeviceProtocol::ModbusRtu(spec),
        };
        Board::new(&device, &mut Draws::new(1, Purpose::RelayTimes, 0))
    }

    const MS: u64 = 1000;

    #[test]
    fn a_contact_follows_its_coil_within_5_to_15_ms() {
        let mut board = board();
        board.set(2, true, Microseconds(100 * MS));
        assert_eq!(board.closed(), BTreeSet::from([CoilAddress(2)]));
        assert!(!board.contact(CoilAddress(2), Microseconds(104 * MS)));
        assert!(board.contact(CoilAddress(2), Microseconds(116 * MS)));
        board.set(2, false, Microseconds(200 * MS));
        assert!(board.contact(CoilAddress(2), Microseconds(204 * MS)));
        assert!(!board.contact(CoilAddress(2), Microseconds(216 * MS)));
    }

    #[test]
    fn a_coil_dropped_before_its_contact_moved_never_closes_it() {
        let mut board = board();
        board.set(0, true, Microseconds(0));
        board.set(0, false, Microseconds(2 * MS));
        for at in 0..40 {
            assert!(!board.contact(CoilAddress(0), Microseconds(at * MS)));
        }
    }

    #[test]
    fn the_watchdog_opens_every_relay_when_no_request_comes() {
        let mut board = board();
        board.request_seen(Microseconds(0));
        board.set_watchdog_counts(10);
        board.set(1, true, Microseconds(0));
        board.request_seen(Microseconds(999 * MS));
        board.expire(Microseconds(1998 * MS));
        assert_eq!(board.closed(), BTreeSet::from([CoilAddress(1)]));
        board.expire(Microseconds(1999 * MS));
        assert_eq!(board.closed(), BTreeSet::new());
    }
}
