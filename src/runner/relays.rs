//! Relays of a call, a stimulus or a multiplexer: written one by one, settled by their read-back.
//!
//! Place in the data's path: the step closes and releases calls with it, measurement connects a
//! meter. A reply that went wrong says nothing of the relay: the board is read back, and the relay
//! is written again only where it reads otherwise than meant. Opening everything is `safety`'s.

use super::knowledge::Knowledge;
use super::recorder::{Recorder, Unrecorded};
use super::requests::{Halt, Requests};
use super::safety::closed_relays;
use super::setup::{Policy, Ports};
use crate::domain::bench_map::RelayAt;
use crate::event::{EventKind, NextAction, RelayReason, RelaysSet};
use crate::port::RelayBoard;
use crate::units::{CoilAddress, DeviceName, Microseconds, Trouble, TroubleKind};
use std::cell::RefCell;
use std::collections::BTreeSet;

/// Sets relays.
#[derive(Clone, Copy)]
pub(super) struct Relays<'a> {
    pub(super) ports: &'a Ports,
    pub(super) recorder: &'a Recorder,
    pub(super) policy: &'a Policy,
    pub(super) knowledge: &'a RefCell<Knowledge>,
    /// A relay that did not close is not tried again: on real loads a retry re-reads and never
    /// re-drives.
    pub(super) drives_once: bool,
}

impl<'a> Relays<'a> {
    pub(super) fn requests(&self) -> Requests<'a> {
        Requests {
            recorder: self.recorder,
            policy: self.policy,
        }
    }

    fn board(&self, device: &DeviceName) -> &'a dyn RelayBoard {
        self.ports.boards[device].as_ref()
    }

    /// Closes one relay and reads the whole board back.
    pub(super) async fn close(&self, relay: &RelayAt, reason: RelayReason) -> Result<(), Halt> {
        self.knowledge
            .borrow_mut()
            .note_closing(&relay.device, relay.coil);
        self.set(relay, true, reason).await
    }

    /// Opens one relay and reads the whole board back.
    pub(super) async fn open(&self, relay: &RelayAt, reason: RelayReason) -> Result<(), Halt> {
        self.knowledge
            .borrow_mut()
            .note_opening(&relay.device, relay.coil);
        self.set(relay, false, reason).await
    }

    async fn set(&self, relay: &RelayAt, closed: bool, reason: RelayReason) -> Result<(), Halt> {
        let board = self.board(&relay.device);
        let intended = self.knowledge.borrow().closed_on(&relay.device);
        let mut attempt = 1;
        loop {
            let sent_us = self.recorder.now();
            self.write(board, (relay.coil, closed), attempt).await?;
            let read = self.read_back(board).await?;
            self.record_set((&relay.device, reason), &intended, &read, sent_us)?;
            let read: BTreeSet<CoilAddress> = read.into_iter().collect();
            if read == intended {
                return Ok(());
            }
            // A relay that nobody asked for is never lived with, and tries have an end.
            let mut differing = read.symmetric_difference(&intended);
            let only_this = differing.all(|other| *other == relay.coil);
            let given_up = closed && self.drives_once;
            if !only_this || given_up || attempt == self.policy.request_tries {
                return Err(self.read_back_differs(&relay.device, &intended, &read, attempt)?);
            }
            attempt += 1;
        }
    }

    /// Writes one relay once. A trouble is recorded and left to the read-back; only a port that is
    /// gone ends the step here.
    async fn write(
        &self,
        board: &dyn RelayBoard,
        (relay, closed): (CoilAddress, bool),
        attempt: u32,
    ) -> Result<(), Halt> {
        let Err(trouble) = board.set(relay, closed).await else {
            return Ok(());
        };
        let gone = trouble.kind == TroubleKind::Disconnected;
        let next = if gone {
            NextAction::Reopen
        } else {
            NextAction::ReadBack
        };
        self.requests()
            .record_trouble(board.device(), &trouble, attempt, next)?;
        if gone {
            return Err(Halt::lost(board.device(), trouble));
        }
        Ok(())
    }

    async fn read_back(&self, board: &dyn RelayBoard) -> Result<Vec<CoilAddress>, Halt> {
        let states = self
            .requests()
            .make(board.device(), || board.read_back())
            .await?;
        Ok(closed_relays(&states))
    }

    /// Opens every relay that this call closed; the level of the supply stays as it is.
    pub(super) async fn release(&self) -> Result<(), Halt> {
        let order = self.knowledge.borrow().release_order();
        for (device, relays) in order {
            self.release_board(&device, relays).await?;
        }
        Ok(())
    }

    async fn release_board(
        &self,
        device: &DeviceName,
        mut to_open: Vec<CoilAddress>,
    ) -> Result<(), Halt> {
        let board = self.board(device);
        let kept = self.knowledge.borrow().kept_on(device);
        let mut attempt = 1;
        loop {
            let sent_us = self.recorder.now();
            for relay in &to_open {
                self.write(board, (*relay, false), attempt).await?;
            }
            let read = self.read_back(board).await?;
            self.record_set((device, RelayReason::Release), &kept, &read, sent_us)?;
            let read: BTreeSet<CoilAddress> = read.into_iter().collect();
            if read == kept {
                self.knowledge.borrow_mut().note_released(device);
                return Ok(());
            }
            to_open = read.difference(&kept).copied().collect();
            // A relay that was to stay and fell is never closed again by a release.
            if to_open.is_empty() || attempt == self.policy.request_tries {
                return Err(self.read_back_differs(device, &kept, &read, attempt)?);
            }
            attempt += 1;
        }
    }

    /// Reads every board that holds relays closed, and checks that it still does.
    pub(super) async fn confirm(&self) -> Result<(), Halt> {
        let closed_now = self.knowledge.borrow().closed_now();
        for (device, intended) in closed_now {
            let read = self
                .read_back(self.board(&device))
                .await?
                .into_iter()
                .collect();
            if read != intended {
                return Err(self.read_back_differs(&device, &intended, &read, 1)?);
            }
        }
        Ok(())
    }

    fn record_set(
        &self,
        (device, reason): (&DeviceName, RelayReason),
        intended: &BTreeSet<CoilAddress>,
        read_back: &[CoilAddress],
        sent_us: Microseconds,
    ) -> Result<(), Unrecorded> {
        self.recorder.record(EventKind::RelaysSet(RelaysSet {
            device: device.clone(),
            reason,
            intended: intended.iter().copied().collect(),
            read_back: Some(read_back.to_vec()),
            sent_us,
            confirmed_us: Some(self.recorder.now()),
        }))
    }

    fn read_back_differs(
        &self,
        device: &DeviceName,
        intended: &BTreeSet<CoilAddress>,
        read: &BTreeSet<CoilAddress>,
        attempt: u32,
    ) -> Result<Halt, Unrecorded> {
        let words = |relays: &BTreeSet<CoilAddress>| {
            let labels: Vec<String> = relays.iter().map(|relay| relay.label()).collect();
            if labels.is_empty() {
                "none".to_owned()
            } else {
                labels.join(", ")
            }
        };
        let trouble = Trouble {
            kind: TroubleKind::ReadBackDiffers,
            tried: format!("set the relays of {device}"),
            detail: format!(
                "meant closed: {}; read back closed: {}",
                words(intended),
                words(read)
            ),
            request: String::new(),
            reply: String::new(),
        };
        self.requests()
            .record_trouble(device, &trouble, attempt, NextAction::GiveUpStep)?;
        Ok(Halt::lost(device, trouble))
    }
}
