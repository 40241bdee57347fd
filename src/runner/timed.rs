//! One request made again and again, and how long each answer took.
//!
//! Place in the data's path: the self-test times each device with it. After a trouble the link
//! rests, and the next request waits for that: it is made, but its time is not counted.

use super::recorder::Recorder;
use super::requests::Requests;
use super::sequencer::Stop;
use crate::event::NextAction;
use crate::port::LocalFuture;
use crate::units::{DeviceName, Microseconds, Trouble};

/// Troubles one after the other that end the timing of a device.
const MOST_TROUBLES: u32 = 3;

/// How a device answered.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Replies {
    /// How long each good answer took, from the request to the whole reply.
    pub times: Vec<Microseconds>,
    /// Reads without a good answer.
    pub troubles: u32,
}

/// Times requests.
pub(super) struct Timed<'a> {
    pub(super) recorder: &'a Recorder,
    pub(super) requests: Requests<'a>,
    pub(super) reads: usize,
}

impl Timed<'_> {
    /// Reads until there are enough good answers, or too many troubles in a row.
    pub(super) async fn read<'p, T>(
        &self,
        device: &DeviceName,
        request: impl Fn() -> LocalFuture<'p, Result<T, Trouble>>,
        replies: &mut Replies,
    ) -> Result<(), Stop> {
        let enough = replies.times.len() + self.reads;
        let mut in_a_row = 0;
        let mut counts = true;
        // Each trouble costs two reads at most, so that twice as many end it in any case.
        for attempt in 1..=2 * u32::try_from(self.reads).unwrap_or(u32::MAX / 2) {
            let from = self.recorder.now();
            match request().await {
                Ok(_) => {
                    if counts {
                        let took = self.recorder.now().0 - from.0;
                        replies.times.push(Microseconds(took));
                    }
                    counts = true;
                    in_a_row = 0;
                }
                Err(trouble) => {
                    let next = NextAction::Retry;
                    self.requests
                        .record_trouble(device, &trouble, attempt, next)?;
                    replies.troubles += 1;
                    in_a_row += 1;
                    counts = false;
                }
            }
            if replies.times.len() >= enough || in_a_row >= MOST_TROUBLES {
                break;
            }
        }
        Ok(())
    }
}
