//! What must outlive the sequence: which relays are closed, which lines are barred.
//!
//! Place in the data's path: written before a relay is commanded, so that whatever drops the
//! sequence, making safe knows what to expect.

use super::timers::Timers;
use crate::domain::bench_map::RelayAt;
use crate::domain::{Call, Warmth};
use crate::units::{CoilAddress, DeviceName, Terminal};
use std::collections::{BTreeMap, BTreeSet};

/// What is known outside of the sequence.
#[derive(Debug, Default)]
pub(super) struct Knowledge {
    /// Boards of which this run closed a relay, or found one closed.
    pub(super) was_closed: BTreeSet<DeviceName>,
    /// Relays closed now, as meant, in the order of closing.
    closed: BTreeMap<DeviceName, Vec<CoilAddress>>,
    /// The relay that selects a level of the supply, closed beyond the call that it was closed for.
    pub(super) level: Option<RelayAt>,
    /// Lines that are not driven again, with the reason.
    pub(super) barred: BTreeMap<Terminal, String>,
    /// Lines that were live while a room controller was at rest and should not be.
    pub(super) known_wrong: BTreeSet<Terminal>,
    /// Whether any line has been live in this run.
    pub(super) anything_live: bool,
    /// When machines last ran; real loads alone.
    pub(super) timers: Timers,
    /// What the supply air did in a compressor's call.
    pub(super) warmth: BTreeMap<Call, Warmth>,
    /// Lines that were last seen to answer with every call released, and that nothing sees again
    /// at the end; real loads alone.
    pub(super) live_at_rest: BTreeSet<Terminal>,
    /// What is to be said of the run as a whole.
    pub(super) notes: Vec<String>,
}

impl Knowledge {
    /// A relay is about to be commanded closed.
    pub(super) fn note_closing(&mut self, device: &DeviceName, relay: CoilAddress) {
        self.was_closed.insert(device.clone());
        let order = self.closed.entry(device.clone()).or_default();
        if !order.contains(&relay) {
            order.push(relay);
        }
    }

    /// One relay is meant open from now on.
    pub(super) fn note_opening(&mut self, device: &DeviceName, relay: CoilAddress) {
        if let Some(order) = self.closed.get_mut(device) {
            order.retain(|closed| *closed != relay);
            if order.is_empty() {
                self.closed.remove(device);
            }
        }
    }

    /// Whether this relay is meant to be closed.
    pub(super) fn is_closed(&self, relay: &RelayAt) -> bool {
        self.closed
            .get(&relay.device)
            .is_some_and(|order| order.contains(&relay.coil))
    }

    /// The board's relays read back open.
    pub(super) fn note_open(&mut self, device: &DeviceName) {
        self.closed.remove(device);
        self.level.take_if(|level| level.device == *device);
    }

    /// The board's relays read back open, but for what a release leaves closed.
    pub(super) fn note_released(&mut self, device: &DeviceName) {
        let kept = self.kept_on(device);
        if let Some(order) = self.closed.get_mut(device) {
            order.retain(|relay| kept.contains(relay));
            if order.is_empty() {
                self.closed.remove(device);
            }
        }
    }

    /// The relays of one board that a release leaves closed.
    pub(super) fn kept_on(&self, device: &DeviceName) -> BTreeSet<CoilAddress> {
        let level = self.level.iter().filter(|level| level.device == *device);
        level.map(|level| level.coil).collect()
    }

    /// The relays of one board that are meant to be closed.
    pub(super) fn closed_on(&self, device: &DeviceName) -> BTreeSet<CoilAddress> {
        self.closed
            .get(device)
            .into_iter()
            .flatten()
            .copied()
            .collect()
    }

    /// Every board that is meant to hold relays closed.
    pub(super) fn closed_now(&self) -> Vec<(DeviceName, BTreeSet<CoilAddress>)> {
        self.closed
            .keys()
            .map(|device| (device.clone(), self.closed_on(device)))
            .collect()
    }

    /// Every closed relay, the last closed first, so that Y, W and E open before the fan and the
    /// changeover line. The level of the supply stays: what is released is the call.
    pub(super) fn release_order(&self) -> Vec<(DeviceName, Vec<CoilAddress>)> {
        let boards = self.closed.iter().map(|(device, relays)| {
            let kept = self.kept_on(device);
            let to_open = relays.iter().rev().filter(|relay| !kept.contains(relay));
            (device.clone(), to_open.copied().collect())
        });
        boards
            .filter(|(_, to_open): &(_, Vec<CoilAddress>)| !to_open.is_empty())
            .collect()
    }
}
