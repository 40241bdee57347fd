//! A peer that misbehaves in one reply, or in all of them, between the runner and the bench.
//!
//! Each way stands for something that serial links really do. For every way and every reply of a
//! run: no wrong result, and relays end open as the peer sees them. A way that a bench recovers
//! from leaves the true verdict; one that goes on for ever is a bench error and never a verdict.

use super::harness::{Case, Ran, in_virtual_time, run_over};
use coilcall::app::open_over;
use coilcall::domain::Verdict;
use coilcall::driver::{ByteStream, Connector};
use coilcall::port::{Clock, LocalFuture, RunClock};
use coilcall::sim::Simulator;
use coilcall::units::{LinkName, LinkSpec, Milliseconds, Trouble, TroubleKind};
use coilcall::wire::crc16_modbus;
use std::cell::Cell;
use std::rc::Rc;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream};
use tokio::sync::mpsc;
use tokio::time::timeout;

/// One way of misbehaving.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    Late,
    VeryLate,
    Doubled,
    EchoAndDead,
    EchoThenReply,
    NamesAnotherCoil,
    WrongUnit,
    TooFewBytes,
    GarbageBefore,
    DamagedByte,
    Exception,
    HalfAFrame,
    OneByteAtATime,
    Silence,
    Disconnect,
}

const WAYS: [Way; 15] = [
    Way::Late,
    Way::VeryLate,
    Way::Doubled,
    Way::EchoAndDead,
    Way::EchoThenReply,
    Way::NamesAnotherCoil,
    Way::WrongUnit,
    Way::TooFewBytes,
    Way::GarbageBefore,
    Way::DamagedByte,
    Way::Exception,
    Way::HalfAFrame,
    Way::OneByteAtATime,
    Way::Silence,
    Way::Disconnect,
];

/// Which replies are disturbed.
#[derive(Debug, Clone, Copy)]
enum Which {
    Only(usize),
    From(usize),
}

impl Which {
    fn has(self, reply: usize) -> bool {
        match self {
            Self::Only(at) => reply == at,
            Self::From(at) => reply >= at,
        }
    }
}

struct Disturbing {
    simulator: Simulator,
    link: LinkName,
    way: Way,
    which: Which,
    replies: Rc<Cell<usize>>,
}

impl Connector for Disturbing {
    fn connect(&self) -> LocalFuture<'_, Result<Box<dyn ByteStream>, Trouble>> {
        Box::pin(async move {
            let bench = self
                .simulator
                .connect(&self.link)
                .map_err(|error| Trouble {
                    kind: TroubleKind::Missing,
                    tried: "connect".to_owned(),
                    detail: error.to_string(),
                    request: String::new(),
                    reply: String::new(),
                })?;
            let (near, far) = tokio::io::duplex(4096);
            let (way, which, replies) = (self.way, self.which, Rc::clone(&self.replies));
            tokio::task::spawn_local(between(far, bench, way, which, replies));
            Ok(Box::new(near) as Box<dyn ByteStream>)
        })
    }
}

/// Passes requests on, and replies as the way has it. Ends when either side closes.
async fn between(
    mut client: DuplexStream,
    mut bench: DuplexStream,
    way: Way,
    which: Which,
    replies: Rc<Cell<usize>>,
) {
    let mut request = Vec::new();
    let (mut from_client, mut from_bench) = ([0; 512], [0; 512]);
    loop {
        tokio::select! {
            biased;
            read = bench.read(&mut from_bench) => {
                let Ok(count @ 1..) = read else { return };
                let at = replies.get();
                replies.set(at + 1);
                let reply = &from_bench[..count];
                let passed_on = if which.has(at) {
                    disturb(&mut client, way, &request, reply).await
                } else {
                    client.write_all(reply).await.is_ok()
                };
                if !passed_on {
                    return;
                }
            }
            read = client.read(&mut from_client) => {
                let Ok(count @ 1..) = read else { return };
                request = from_client[..count].to_vec();
                if bench.write_all(&request).await.is_err() {
                    return;
                }
            }
        }
    }
}

/// Sends what this way makes of the reply; false where the connection ends here.
async fn disturb(client: &mut DuplexStream, way: Way, request: &[u8], reply: &[u8]) -> bool {
    let sum = |mut frame: Vec<u8>| {
        frame.truncate(frame.len() - 2);
        let crc = crc16_modbus(&frame);
        frame.extend(crc.to_le_bytes());
        frame
    };
    let changed = |at: usize, by: u8| {
        let mut frame = reply.to_vec();
        frame[at] ^= by;
        sum(frame)
    };
    let bytes = match way {
        Way::Late | Way::VeryLate => {
            let late = if way == Way::Late { 1_000 } else { 2_300 };
            after(Milliseconds(late)).await;
            reply.to_vec()
        }
        Way::Doubled => [reply, reply].concat(),
        Way::EchoAndDead => request.to_vec(),
        Way::EchoThenReply => [request, reply].concat(),
        Way::NamesAnotherCoil if reply[1] == 5 => changed(3, 1),
        Way::NamesAnotherCoil => changed(1, 3),
        Way::WrongUnit => changed(0, 6),
        Way::TooFewBytes if reply[1] <= 2 && reply[2] > 1 => {
            let mut frame = reply.to_vec();
            frame[2] -= 1;
            frame.remove(3);
            sum(frame)
        }
        Way::TooFewBytes => reply[..reply.len() - 1].to_vec(),
        Way::GarbageBefore => [&[0x7F, 0x00, 0xA5][..], reply].concat(),
        Way::DamagedByte => {
            let mut frame = reply.to_vec();
            frame[3] ^= 0x10;
            frame
        }
        Way::Exception => sum(vec![reply[0], reply[1] | 0x80, 4, 0, 0]),
        Way::HalfAFrame => reply[..reply.len() / 2].to_vec(),
        Way::OneByteAtATime => {
            for byte in reply {
                after(Milliseconds(7)).await;
                if client.write_all(&[*byte]).await.is_err() {
                    return false;
                }
            }
            return true;
        }
        Way::Silence => return true,
        Way::Disconnect => return false,
    };
    client.write_all(&bytes).await.is_ok()
}

/// The virtual clock moves on by this much: nothing ever wakes what is awaited.
async fn after(span: Milliseconds) {
    let nothing = timeout(span.duration(), std::future::pending::<()>()).await;
    assert!(nothing.is_err(), "nothing ends this wait but its time");
}

fn run(faults: &[&str], way: Way, which: Which) -> (Ran, usize) {
    let case = Case::new("heat-pump-1-stage-electric-o", "panel-16").faults(faults);
    let plan = case.plan();
    in_virtual_time(async move {
        let clock: Rc<dyn Clock> = Rc::new(RunClock::start());
        let simulator = case.simulator(&clock);
        let replies = Rc::new(Cell::new(0));
        let opened = open_over(&case.bench, &|link: &LinkSpec| {
            Box::new(Disturbing {
                simulator: simulator.clone(),
                link: link.name.clone(),
                way,
                which,
                replies: Rc::clone(&replies),
            })
        })
        .await;
        let (_sender, commands) = mpsc::channel(1);
        let ran = run_over(plan, opened, clock, commands, simulator).await;
        (ran, replies.get())
    })
}

#[test]
fn one_disturbed_reply_anywhere_changes_no_verdict() {
    let (_, replies) = run(&[], Way::Silence, Which::Only(usize::MAX));
    assert!(replies > 150, "{replies}");
    let mut problems = Vec::new();
    for way in WAYS {
        // A stride that is prime to the run's rhythm meets every kind of request.
        for at in (0..replies).step_by(3) {
            for (faults, truth) in [
                (&[][..], Verdict::Pass),
                (&["swap:Y1,G"][..], Verdict::Fail),
            ] {
                let (ran, _) = run(faults, way, Which::Only(at));
                if ran.verdict() != truth || !ran.ends_open() || !ran.outcome.made_safe {
                    problems.push(format!(
                        "{way:?} in reply {at} with {faults:?}: {:?}, safe {}, {}",
                        ran.verdict(),
                        ran.outcome.made_safe,
                        ran.outcome.note
                    ));
                }
            }
        }
    }
    assert!(
        problems.is_empty(),
        "{}:\n{}",
        problems.len(),
        problems.join("\n")
    );
}

#[test]
fn a_link_that_stays_bad_is_a_bench_error_and_no_verdict() {
    for way in WAYS {
        for at in [0, 1, 5, 40, 120] {
            for faults in [&[][..], &["swap:Y1,G"][..]] {
                let (ran, _) = run(faults, way, Which::From(at));
                let recovers = matches!(
                    way,
                    Way::GarbageBefore | Way::OneByteAtATime | Way::Doubled | Way::EchoThenReply
                );
                let truth = if faults.is_empty() {
                    Verdict::Pass
                } else {
                    Verdict::Fail
                };
                let words = format!(
                    "{way:?} from reply {at} with {faults:?}: {:?}, {}",
                    ran.verdict(),
                    ran.outcome.note
                );
                if faults.is_empty() {
                    assert_ne!(ran.verdict(), Verdict::Fail, "{words}");
                }
                if recovers {
                    assert_eq!(ran.verdict(), truth, "{words}");
                } else {
                    assert_eq!(ran.verdict(), Verdict::Error, "{words}");
                }
                // A port that closes at every reply still takes the command that opens relays.
                assert!(ran.ends_open(), "{words}");
                assert!(!recovers || ran.outcome.made_safe, "{words}");
            }
        }
    }
}
