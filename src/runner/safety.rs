//! Opening every relay: first thing, last thing, and whenever something is lost.
//!
//! Every board gets the command at the same moment, and gets it again until its read-back shows
//! every relay open or the tries are used up. Making safe never waits for the journal: events are
//! recorded where they can be, and the outcome is returned either way.

use super::recorder::Recorder;
use super::setup::{Policy, Ports};
use crate::event::{DeviceSafe, EventKind, NextAction, RelayReason, RelaysSet, TroubleSeen};
use crate::port::{LocalFuture, RelayBoard};
use crate::units::{CoilAddress, DeviceName, Microseconds, Trouble, TroubleKind};
use std::collections::BTreeSet;
use std::future::poll_fn;
use std::task::Poll;

/// What opening relays needs.
pub(super) struct Safety<'a> {
    pub(super) ports: &'a Ports,
    pub(super) recorder: &'a Recorder,
    pub(super) policy: &'a Policy,
}

impl Safety<'_> {
    /// Opens every relay of every board, all boards at once, and says board by board whether it
    /// read back open. `was_closed` names boards of which this run closed a relay or found one
    /// closed.
    pub(super) async fn open_all(&self, was_closed: &BTreeSet<DeviceName>) -> Vec<DeviceSafe> {
        let boards = self
            .ports
            .boards
            .iter()
            .map(|(name, board)| -> LocalFuture<'_, DeviceSafe> {
                Box::pin(self.open_board(name, board.as_ref(), was_closed.contains(name)))
            })
            .collect();
        all_of(boards).await
    }

    async fn open_board(
        &self,
        name: &DeviceName,
        board: &dyn RelayBoard,
        was_closed: bool,
    ) -> DeviceSafe {
        let mut safe = DeviceSafe {
            device: name.clone(),
            confirmed_open: false,
            still_closed: Vec::new(),
            was_closed,
            trouble: String::new(),
            trouble_kind: None,
        };
        for attempt in 1..=self.policy.open_all_tries {
            let sent_us = self.recorder.now();
            let answer = board.open_all().await;
            let closed = answer.as_ref().ok().map(|states| closed_relays(states));
            self.record_set(name, sent_us, closed.clone());
            let trouble = match (answer, closed) {
                (Ok(_), Some(closed)) if closed.is_empty() => {
                    return DeviceSafe {
                        confirmed_open: true,
                        still_closed: closed,
                        trouble: String::new(),
                        trouble_kind: None,
                        ..safe
                    };
                }
                (Ok(_), closed) => {
                    safe.still_closed = closed.unwrap_or_default();
                    still_closed_trouble(name, &safe.still_closed)
                }
                (Err(trouble), _) => trouble,
            };
            safe.trouble = trouble.to_string();
            safe.trouble_kind = Some(trouble.kind);
            let is_last = attempt == self.policy.open_all_tries;
            self.record_trouble(name, &trouble, attempt, is_last);
            if trouble.kind == TroubleKind::Disconnected && !is_last {
                self.find_again(name).await;
            }
        }
        safe
    }

    /// One look for a port that is gone; whether it is back shows at the next try.
    async fn find_again(&self, name: &DeviceName) {
        let Some(link) = self.ports.links.get(name) else {
            return;
        };
        if let Err(trouble) = link.reopen().await {
            self.record_trouble(name, &trouble, 1, false);
            tokio::time::sleep(self.policy.replug_interval.duration()).await;
        }
    }

    fn record_set(
        &self,
        device: &DeviceName,
        sent_us: Microseconds,
        read_back: Option<Vec<CoilAddress>>,
    ) {
        let confirmed_us = read_back.as_ref().map(|_| self.recorder.now());
        self.record(EventKind::RelaysSet(RelaysSet {
            device: device.clone(),
            reason: RelayReason::MakeSafe,
            intended: Vec::new(),
            read_back,
            sent_us,
            confirmed_us,
        }));
    }

    fn record_trouble(&self, device: &DeviceName, trouble: &Trouble, attempt: u32, is_last: bool) {
        let next = if is_last {
            NextAction::Stop
        } else {
            NextAction::OpenAllAgain
        };
        self.record(EventKind::Trouble(TroubleSeen {
            device: device.clone(),
            trouble: trouble.clone(),
            attempt,
            next,
        }));
    }

    /// A lost journal is kept by the recorder and ends the run; opening relays goes on without it.
    fn record(&self, kind: EventKind) {
        match self.recorder.record(kind) {
            Ok(()) => {}
            Err(_unrecorded) => debug_assert!(self.recorder.is_lost(), "only a lost journal"),
        }
    }
}

/// The relays that read back closed.
pub(super) fn closed_relays(states: &[bool]) -> Vec<CoilAddress> {
    (0_u16..)
        .zip(states)
        .filter(|(_, closed)| **closed)
        .map(|(at, _)| CoilAddress(at))
        .collect()
}

fn still_closed_trouble(device: &DeviceName, closed: &[CoilAddress]) -> Trouble {
    let labels: Vec<String> = closed.iter().map(|relay| relay.label()).collect();
    Trouble {
        kind: TroubleKind::ReadBackDiffers,
        tried: format!("open every relay of {device}"),
        detail: format!("still closed: {}", labels.join(", ")),
        request: String::new(),
        reply: String::new(),
    }
}

/// Drives all futures together and returns their results in order.
async fn all_of<T>(mut futures: Vec<LocalFuture<'_, T>>) -> Vec<T> {
    let mut results: Vec<Option<T>> = futures.iter().map(|_| None).collect();
    poll_fn(move |context| {
        for (future, result) in futures.iter_mut().zip(&mut results) {
            if result.is_none()
                && let Poll::Ready(value) = future.as_mut().poll(context)
            {
                *result = Some(value);
            }
        }
        if results.iter().all(Option::is_some) {
            Poll::Ready(results.iter_mut().filter_map(Option::take).collect())
        } else {
            Poll::Pending
        }
    })
    .await
}
