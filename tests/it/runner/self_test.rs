//! The self-test over boards whose relays do not do as they are told, and its ends.
//!
//! The board is the simulated one with a peer before it that keeps one relay from closing, or says
//! that it stays closed, as a dead coil and a welded contact with read-back would.

use super::harness::{Case, in_virtual_time};
use coilcall::app::{OpenedBench, open_over};
use coilcall::domain::plan::{exercises, self_test_plan, timed_quantities};
use coilcall::driver::{ByteStream, Connector};
use coilcall::event::{Command, EventKind, FinishReason};
use coilcall::port::{Clock, LocalFuture, RunClock};
use coilcall::runner::{
    Policy, RelayOutcome, RunOutcome, SelfTestFindings, SelfTestSetup, self_test,
};
use coilcall::sim::Simulator;
use coilcall::store::MemoryJournal;
use coilcall::units::{CoilAddress, LinkName, Trouble};
use coilcall::wire::crc16_modbus;
use std::rc::Rc;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream};
use tokio::sync::mpsc;

/// The relay that does not follow: G's on the panel.
const RELAY: u8 = 2;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stuck {
    Nowhere,
    Open,
    ClosedOnceClosed,
}

struct StuckRelay {
    simulator: Simulator,
    link: LinkName,
    stuck: Stuck,
}

impl Connector for StuckRelay {
    fn connect(&self) -> LocalFuture<'_, Result<Box<dyn ByteStream>, Trouble>> {
        Box::pin(async move {
            let bench = self
                .simulator
                .connect(&self.link)
                .expect("it is plugged in");
            let (near, far) = tokio::io::duplex(4096);
            tokio::task::spawn_local(between(far, bench, self.stuck));
            Ok(Box::new(near) as Box<dyn ByteStream>)
        })
    }
}

async fn between(mut client: DuplexStream, mut bench: DuplexStream, stuck: Stuck) {
    let (mut from_client, mut from_bench) = ([0; 512], [0; 512]);
    let mut was_closed = false;
    loop {
        let to_pass = tokio::select! {
            biased;
            read = bench.read(&mut from_bench) => {
                let Ok(count @ 1..) = read else { return };
                let mut reply = from_bench[..count].to_vec();
                // Modbus V1.1b3, 6.1: read coils, one bit for each, the first in the lowest.
                if stuck == Stuck::ClosedOnceClosed && was_closed && reply[1] == 1 {
                    reply[3] |= 1 << RELAY;
                    reply.truncate(count - 2);
                    reply.extend(crc16_modbus(&reply).to_le_bytes());
                }
                client.write_all(&reply).await
            }
            read = client.read(&mut from_client) => {
                let Ok(count @ 1..) = read else { return };
                let request = &from_client[..count];
                // Modbus V1.1b3, 6.5: write single coil, FF00 closes; the reply is its echo.
                let closes = request[1..5] == [5, 0, RELAY, 0xFF];
                was_closed |= closes;
                if closes && stuck == Stuck::Open {
                    client.write_all(request).await
                } else {
                    bench.write_all(request).await
                }
            }
        };
        if to_pass.is_err() {
            return;
        }
    }
}

/// A self-test of the panel; a cancel is sent as the relay of the given address closes.
fn tested(stuck: Stuck, cancel_at: Option<u16>) -> (SelfTestFindings, RunOutcome) {
    in_virtual_time(async move {
        let case = Case::new("heat-pump-1-stage-electric-o", "panel-16");
        let clock: Rc<dyn Clock> = Rc::new(RunClock::start());
        let simulator = case.simulator(&clock);
        let OpenedBench { ports, unopened } = open_over(&case.bench, &|link| {
            Box::new(StuckRelay {
                simulator: simulator.clone(),
                link: link.name.clone(),
                stuck,
            })
        })
        .await;
        let (sender, commands) = mpsc::channel(1);
        let cancels = move |closed: &[CoilAddress]| {
            cancel_at.is_some_and(|at| closed.contains(&CoilAddress(at)))
        };
        let setup = SelfTestSetup {
            plan: self_test_plan(&case.bench),
            exercises: exercises(&case.bench),
            master: None,
            quantities: timed_quantities(&case.bench),
            reads: 30,
            ports,
            unopened,
            journal: Rc::new(MemoryJournal::new()),
            clock,
            observer: Box::new(move |event| {
                if let EventKind::RelaysSet(set) = &event.kind {
                    assert!(set.intended.len() <= 1, "one relay at a time: {set:?}");
                    if cancels(&set.intended) {
                        sender.try_send(Command::Cancel).expect("there is room");
                    }
                }
            }),
            policy: Policy::default(),
        };
        self_test(setup, commands).await
    })
}

fn outcome_of<'a>(found: &'a SelfTestFindings, serves: &str) -> &'a RelayOutcome {
    let mut relays = found.relays.iter();
    let relay = relays.find(|relay| relay.exercise.serves.to_string() == serves);
    &relay.unwrap_or_else(|| panic!("{serves}")).outcome
}

#[test]
fn a_sound_board_follows_everywhere() {
    let (found, outcome) = tested(Stuck::Nowhere, None);
    assert!(
        found
            .relays
            .iter()
            .all(|relay| relay.outcome == RelayOutcome::Good)
    );
    assert_eq!(
        (outcome.reason, outcome.made_safe),
        (FinishReason::Complete, true)
    );
    assert!(
        found
            .devices
            .values()
            .all(|device| device.replies.times.len() == 60)
    );
}

#[test]
fn a_relay_that_does_not_close_is_named_and_the_others_are_tested() {
    let (found, outcome) = tested(Stuck::Open, None);
    let RelayOutcome::Failed(why) = outcome_of(&found, "G") else {
        panic!("{found:?}");
    };
    assert!(
        why.contains("meant closed: relay 3; read back closed: none"),
        "{why}"
    );
    let others = found
        .relays
        .iter()
        .filter(|r| r.outcome == RelayOutcome::Good);
    assert_eq!(others.count(), found.relays.len() - 1);
    assert_eq!(
        (outcome.reason, outcome.made_safe),
        (FinishReason::Complete, true)
    );
}

#[test]
fn a_relay_that_stays_closed_ends_the_test_and_is_not_confirmed_safe() {
    let (found, outcome) = tested(Stuck::ClosedOnceClosed, None);
    assert!(
        matches!(outcome_of(&found, "G"), RelayOutcome::Failed(_)),
        "{found:?}"
    );
    let after = outcome_of(&found, "O");
    assert!(
        matches!(after, RelayOutcome::NotExercised(_)),
        "never beside a closed one"
    );
    assert!(
        !outcome.made_safe && outcome.relay_was_closed,
        "{outcome:?}"
    );
    assert_eq!(outcome.reason, FinishReason::BenchError);
}

#[test]
fn a_cancel_opens_the_relay_and_leaves_the_rest() {
    let (found, outcome) = tested(Stuck::Nowhere, Some(3));
    assert_eq!(*outcome_of(&found, "G"), RelayOutcome::Good);
    assert!(matches!(
        outcome_of(&found, "O"),
        RelayOutcome::NotExercised(_)
    ));
    assert_eq!(
        (outcome.reason, outcome.made_safe),
        (FinishReason::Cancelled, true)
    );
}
