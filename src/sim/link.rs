//! One link's byte stream: requests in, replies out in their time.
//!
//! Place in the data's path: the outermost part of the simulator, under the bus of the program
//! that it tests. Requests are carried out as they arrive; each reply waits in a list until it is
//! due, so that a late one does not keep the next request waiting, as on a real line. A meter that
//! streams sends its lines from the moment at which somebody listens, beginning in the middle of
//! one.

use super::ear::{Ear, Heard, OutOfStep, Tongue};
use super::simulator::SimClock;
use super::unit::{Pending, Unit};
use super::world::World;
use crate::units::Microseconds;
use std::cell::RefCell;
use std::rc::Rc;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};

/// The line has been quiet for so long that an unfinished frame is given up: well above 3.5
/// characters at 9600 baud (4 ms), so that a stream that comes in pieces is not cut apart.
const QUIET: Microseconds = Microseconds(20_000);

/// A streaming meter sends four lines a second (common practice, no source).
const STREAM_PERIOD: Microseconds = Microseconds(250_000);

/// What every connection to one link shares.
pub(super) struct Link {
    pub(super) tongue: Tongue,
    pub(super) units: RefCell<Vec<Unit>>,
    /// From this moment on the link is gone.
    pub(super) unplugged_at: Option<Microseconds>,
    pub(super) world: Rc<RefCell<World>>,
    pub(super) now: SimClock,
}

/// What one connection holds.
struct Connection {
    ear: Ear,
    pending: Vec<Pending>,
    /// When unfinished bytes are given up.
    quiet_at: Option<Microseconds>,
    /// When the next line of a streaming meter leaves.
    streams_at: Option<Microseconds>,
}

impl Link {
    /// Whether the link is gone.
    pub(super) fn is_unplugged(&self) -> bool {
        self.unplugged_at.is_some_and(|at| (self.now)() >= at)
    }

    /// Answers on a stream until it closes or the link is unplugged.
    pub(super) async fn serve<S: AsyncRead + AsyncWrite + Unpin>(&self, mut stream: S) {
        let mut connection = Connection {
            ear: Ear::for_tongue(self.tongue),
            pending: Vec::new(),
            quiet_at: None,
            streams_at: None,
        };
        let mut buffer = [0_u8; 512];
        if let Some(tail) = self.stream(&mut connection) {
            let middle = tail.len() / 2;
            if stream.write_all(&tail[middle..]).await.is_err() {
                return;
            }
        }
        while !self.is_unplugged() {
            let now = (self.now)();
            if connection.streams_at.is_some_and(|at| now >= at)
                && let Some(line) = self.stream(&mut connection)
            {
                connection.pending.push(Pending {
                    due: now,
                    bytes: line,
                });
            }
            while let Some(reply) = take_due(&mut connection.pending, now) {
                if stream.write_all(&reply).await.is_err() {
                    return;
                }
            }
            if connection.quiet_at.is_some_and(|at| now >= at) {
                connection.quiet_at = None;
                while let Some(heard) = connection.ear.silence() {
                    connection.pending.extend(self.receive(&heard));
                }
            }
            let wake = self.next_wake(&connection);
            tokio::select! {
                biased;
                read = stream.read(&mut buffer) => match read {
                    Ok(0) | Err(_) => return,
                    Ok(count) => {
                        if self.heard(&mut connection, &buffer[..count]).is_err() {
                            return;
                        }
                    }
                },
                () = self.wait_until(wake) => {}
            }
        }
    }

    fn next_wake(&self, connection: &Connection) -> Option<Microseconds> {
        let next_reply = connection.pending.iter().map(|reply| reply.due).min();
        let wakes = [
            next_reply,
            connection.quiet_at,
            connection.streams_at,
            self.unplugged_at,
        ];
        wakes.into_iter().flatten().min()
    }

    fn heard(&self, connection: &mut Connection, bytes: &[u8]) -> Result<(), OutOfStep> {
        connection.ear.push(bytes);
        while let Some(heard) = connection.ear.take()? {
            connection.pending.extend(self.receive(&heard));
        }
        let waits = connection.ear.waits_for_silence();
        connection.quiet_at = waits.then(|| after((self.now)(), QUIET));
        Ok(())
    }

    async fn wait_until(&self, moment: Option<Microseconds>) {
        match moment {
            None => std::future::pending().await,
            Some(at) => {
                let left = Microseconds(at.0.saturating_sub((self.now)().0));
                tokio::time::sleep(left.duration()).await;
            }
        }
    }

    /// Carries a request out at this instant; the reply with its time, where one is sent.
    fn receive(&self, heard: &Heard) -> Option<Pending> {
        let now = (self.now)();
        let mut units = self.units.borrow_mut();
        let mut world = self.world.borrow_mut();
        let mut reply = None;
        for unit in units.iter_mut() {
            let answered = unit.hear(heard, &mut world, now);
            reply = answered.or(reply);
        }
        reply
    }

    /// The line that a streaming meter on this link sends now; sets the time of the next.
    fn stream(&self, connection: &mut Connection) -> Option<Vec<u8>> {
        let now = (self.now)();
        let mut units = self.units.borrow_mut();
        let mut world = self.world.borrow_mut();
        let streamed = units
            .iter_mut()
            .find_map(|unit| unit.stream(&mut world, now));
        let (line, held_up) = streamed?;
        connection.streams_at = Some(after(now, after(STREAM_PERIOD, held_up)));
        line.map(|line| line.bytes)
    }
}

fn after(now: Microseconds, span: Microseconds) -> Microseconds {
    Microseconds(now.0.saturating_add(span.0))
}

/// The bytes of the reply that has been due longest; of two due together, the one made first.
fn take_due(pending: &mut Vec<Pending>, now: Microseconds) -> Option<Vec<u8>> {
    let (index, _) = pending
        .iter()
        .enumerate()
        .filter(|(_, reply)| reply.due <= now)
        .min_by_key(|(_, reply)| reply.due)?;
    Some(pending.remove(index).bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn replies_leave_in_the_order_in_which_they_fall_due() {
        let pending = |due, byte| Pending {
            due: Microseconds(due),
            bytes: vec![byte],
        };
        let mut waiting = vec![
            pending(30, 1),
            pending(10, 2),
            pending(10, 3),
            pending(50, 4),
        ];
        let mut leave = |now| take_due(&mut waiting, Microseconds(now));
        assert_eq!(leave(9), None);
        assert_eq!(leave(40), Some(vec![2]));
        assert_eq!(leave(40), Some(vec![3]));
        assert_eq!(leave(40), Some(vec![1]));
        assert_eq!(leave(40), None);
    }
}
