//! One link's byte stream: frames in, replies out in their time, struck by link faults.
//!
//! Place in the data's path: the outermost part of the simulator, under the bus of the program
//! that it tests. Requests are carried out as they arrive; each reply waits in a list until it is
//! due, so that a late one does not keep the next request waiting, as on a real line.

use super::link_fault::{LinkFault, LinkFaultKind};
use super::random::Draws;
use super::relay_board;
use super::simulator::SimClock;
use super::world::World;
use crate::units::{DeviceName, Microseconds, ModbusSpec, UnitAddress};
use crate::wire::{
    Exception, ReceivedRequest, Request, Response, RtuRequestDecoder, exception_frame,
    request_frame, response_frame,
};
use std::cell::RefCell;
use std::rc::Rc;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};

/// A device takes this long to answer, in milliseconds (common practice, no source).
const REPLY_DELAY_MS: std::ops::RangeInclusive<u64> = 2..=20;

/// The line has been quiet for so long that an unfinished frame is given up: well above 3.5
/// characters at 9600 baud (4 ms), so that a stream that comes in pieces is not cut apart.
const QUIET: Microseconds = Microseconds(20_000);

/// A unit with this address is every unit (Modbus over serial line V1.02, 2.2).
const BROADCAST: UnitAddress = UnitAddress(0);

/// One device on the link.
pub(super) struct Unit {
    pub(super) device: DeviceName,
    pub(super) spec: ModbusSpec,
    pub(super) faults: Vec<LinkFault>,
    pub(super) reply_times: Draws,
    pub(super) fault_draws: Draws,
}

/// What every connection to one link shares.
pub(super) struct Link {
    pub(super) units: RefCell<Vec<Unit>>,
    /// From this moment on the link is gone.
    pub(super) unplugged_at: Option<Microseconds>,
    pub(super) world: Rc<RefCell<World>>,
    pub(super) now: SimClock,
}

/// A reply that waits for its time.
struct Pending {
    due: Microseconds,
    bytes: Vec<u8>,
}

impl Link {
    /// Whether the link is gone.
    pub(super) fn is_unplugged(&self) -> bool {
        self.unplugged_at.is_some_and(|at| (self.now)() >= at)
    }

    /// Answers on a stream until it closes or the link is unplugged.
    pub(super) async fn serve<S: AsyncRead + AsyncWrite + Unpin>(&self, mut stream: S) {
        let mut decoder = RtuRequestDecoder::new();
        let mut pending: Vec<Pending> = Vec::new();
        let mut quiet_at = None;
        let mut buffer = [0_u8; 512];
        while !self.is_unplugged() {
            let now = (self.now)();
            while let Some(reply) = take_due(&mut pending, now) {
                if stream.write_all(&reply).await.is_err() {
                    return;
                }
            }
            if quiet_at.is_some_and(|at| now >= at) {
                quiet_at = None;
                while let Some(received) = decoder.silence() {
                    pending.extend(self.receive(&received));
                }
            }
            let next_reply = pending.iter().map(|reply| reply.due).min();
            let wakes = [next_reply, quiet_at, self.unplugged_at];
            let wake = wakes.into_iter().flatten().min();
            tokio::select! {
                biased;
                read = stream.read(&mut buffer) => match read {
                    Ok(0) | Err(_) => return,
                    Ok(count) => {
                        decoder.push(&buffer[..count]);
                        while let Some(received) = decoder.take() {
                            pending.extend(self.receive(&received));
                        }
                        let unfinished = decoder.has_unfinished();
                        quiet_at = unfinished.then(|| after((self.now)(), QUIET));
                    }
                },
                () = self.wait_until(wake) => {}
            }
        }
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
    fn receive(&self, received: &ReceivedRequest) -> Option<Pending> {
        let now = (self.now)();
        let mut units = self.units.borrow_mut();
        let mut world = self.world.borrow_mut();
        let mut reply = None;
        for unit in units.iter_mut() {
            if received.unit != BROADCAST && received.unit != unit.spec.unit {
                continue;
            }
            world.house(now);
            world.board(&unit.device, now).request_seen(now);
            let answer = received.request.clone().and_then(|request| {
                relay_board::answer(&mut world, &unit.device, &unit.spec, &request, now)
            });
            if received.unit != BROADCAST {
                let request = received.request.as_ref().ok();
                reply = unit.reply(request, &answer, now);
            }
        }
        reply
    }
}

impl Unit {
    /// The reply as the faults leave it.
    fn reply(
        &mut self,
        request: Option<&Request>,
        answer: &Result<Response, Exception>,
        now: Microseconds,
    ) -> Option<Pending> {
        let address = self.spec.unit;
        let mut bytes = frame(address, answer);
        let mut delay = Microseconds(self.reply_times.within(REPLY_DELAY_MS) * 1000);
        for fault in &self.faults {
            let strikes = match fault.kind() {
                LinkFaultKind::Unplug(_) => false,
                _ => self.fault_draws.chance(fault.probability()),
            };
            if !strikes {
                continue;
            }
            match fault.kind() {
                LinkFaultKind::Late(by) => delay = Microseconds(by.0.saturating_mul(1000)),
                LinkFaultKind::Silent => return None,
                LinkFaultKind::Garbage => garble(&mut bytes, &mut self.fault_draws),
                // A request that could not be read as one is not kept; its refusal goes out.
                LinkFaultKind::Echo => {
                    bytes = request.map_or(bytes, |request| request_frame(address, request));
                }
                LinkFaultKind::WrongAddress => bytes = misaddressed(address, answer),
                LinkFaultKind::Truncated => bytes.truncate(bytes.len() / 2),
                LinkFaultKind::Unplug(_) => {}
            }
        }
        Some(Pending {
            due: after(now, delay),
            bytes,
        })
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

fn frame(unit: UnitAddress, answer: &Result<Response, Exception>) -> Vec<u8> {
    match answer {
        Ok(response) => response_frame(unit, response),
        Err(exception) => exception_frame(unit, *exception),
    }
}

/// A sound frame that names another coil, where the answer names one, or comes from another unit.
fn misaddressed(unit: UnitAddress, answer: &Result<Response, Exception>) -> Vec<u8> {
    if let Ok(Response::WroteCoil { address, on }) = answer {
        let response = Response::WroteCoil {
            address: address ^ 1,
            on: *on,
        };
        return response_frame(unit, &response);
    }
    frame(UnitAddress(unit.0 ^ 1), answer)
}

/// Random bytes before the frame, or one byte of it damaged.
fn garble(bytes: &mut Vec<u8>, draws: &mut Draws) {
    if draws.chance(0.5) {
        let count = draws.within(1..=8);
        let noise: Vec<u8> = (0..count).map(|_| draws.byte()).collect();
        bytes.splice(0..0, noise);
    } else if let Some(last) = bytes.len().checked_sub(1) {
        let at = draws.within(0..=last as u64);
        let damage = u8::try_from(draws.within(1..=255)).expect("drawn to fit a byte");
        let at = usize::try_from(at).expect("drawn inside the frame");
        bytes[at] ^= damage;
    }
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
