//! Callers that go away, ports that come back, bytes that nobody asked for, devices beyond the
//! limits of one request.

use super::peer::{
    Behaviour, LATE_REPLY_MS, Shared, board, count_as_inputs, link_name, pass, peer_and_bus,
    slow_line, spec, start_peer,
};
use coilcall::driver::{BusHandle, ByteStream, Connector};
use coilcall::port::{Inputs, LocalFuture, RelayBoard};
use coilcall::units::{
    CoilAddress, Milliseconds, ModbusSpec, RegisterAddress, Trouble, TroubleKind, WatchdogSpec,
};
use coilcall::wire::Request;
use std::cell::RefCell;
use std::rc::Rc;
use std::time::Duration;
use tokio::io::{AsyncWriteExt, duplex};
use tokio::join;
use tokio::task::LocalSet;
use tokio::time::timeout;

#[tokio::test(start_paused = true)]
async fn a_caller_that_goes_away_leaves_no_transaction_half_done() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[Behaviour::Late(500)]);
            let board = board(spec(1), &bus);
            // The caller gives up after 100 ms; the reply comes at 500 ms.
            let cut = timeout(Duration::from_millis(100), board.read_inputs()).await;
            assert!(cut.is_err());
            assert_eq!(board.read_inputs().await.unwrap(), count_as_inputs(2));
            let log = &peer.borrow().log;
            assert!((log[1].0 - log[0].0).as_millis() >= 500, "one at a time");
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn what_a_lost_caller_had_queued_is_not_sent() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[Behaviour::Late(500)]);
            let board = board(spec(1), &bus);
            let cut = timeout(Duration::from_millis(100), board.set(CoilAddress(1), true));
            let (read, cut) = join!(board.read_inputs(), cut);
            assert!(read.is_ok() && cut.is_err());
            board.read_back().await.unwrap();
            let wrote = |request: &Request| matches!(request, Request::WriteCoil { .. });
            assert!(!peer.borrow().requests().iter().any(wrote));
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn several_devices_on_one_link_take_turns() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[]);
            let (first, second) = (board(spec(1), &bus), board(spec(2), &bus));
            let (a, b, c) = join!(
                first.read_inputs(),
                second.read_inputs(),
                first.read_inputs()
            );
            let answers = [a, b, c].map(Result::unwrap);
            assert_eq!(answers, [1, 2, 3].map(count_as_inputs));
            let log = &peer.borrow().log;
            for pair in log.windows(2) {
                assert!(
                    (pair[1].0 - pair[0].0).as_micros() >= 4010,
                    "3.5 characters of quiet"
                );
            }
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn bytes_that_nobody_asked_for_quarantine_the_bus() {
    LocalSet::new()
        .run_until(async {
            let (near, mut far) = duplex(4096);
            let bus = BusHandle::over(link_name(), slow_line(), near);
            let board = board(spec(1), &bus);
            // A reply from nowhere that would fit the next question exactly.
            far.write_all(&[0x01, 0x02, 0x02, 0xFF, 0xFF, 0xB8, 0x08])
                .await
                .unwrap();
            pass(10).await;
            let peer = start_peer(far, &[]);
            assert_eq!(board.read_inputs().await.unwrap(), count_as_inputs(1));
            let asked = peer.borrow().log[0].0.as_millis();
            assert!(
                asked + 10 >= u128::from(LATE_REPLY_MS),
                "asked after {asked} ms"
            );
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn noise_shorter_than_any_reply_costs_no_quarantine() {
    for (noise, is_quarantined) in [
        (vec![0x00], false),
        (vec![0xFF; 4], false),
        (vec![0; 5], true),
    ] {
        LocalSet::new()
            .run_until(async {
                let (peer, bus) = peer_and_bus(&[Behaviour::NoiseBehind(noise)]);
                let board = board(spec(1), &bus);
                assert_eq!(board.read_inputs().await.unwrap(), count_as_inputs(1));
                assert_eq!(board.read_inputs().await.unwrap(), count_as_inputs(2));
                let log = &peer.borrow().log;
                let gap = (log[1].0 - log[0].0).as_millis();
                assert_eq!(gap >= u128::from(LATE_REPLY_MS), is_quarantined, "{gap} ms");
            })
            .await;
    }
}

#[tokio::test(start_paused = true)]
async fn a_line_that_is_never_quiet_is_not_waited_for_without_end() {
    LocalSet::new()
        .run_until(async {
            let (near, mut far) = duplex(4096);
            let bus = BusHandle::over(link_name(), slow_line(), near);
            let babble = tokio::task::spawn_local(async move {
                while far.write_all(&[0x55]).await.is_ok() {
                    pass(2).await;
                }
            });
            let read = timeout(Duration::from_secs(60), async {
                board(spec(1), &bus).read_inputs().await
            });
            let trouble = read.await.expect("bounded").unwrap_err();
            assert_eq!(trouble.kind, TroubleKind::Corrupt);
            babble.abort();
        })
        .await;
}

/// A port that can be plugged in again; each time another peer answers.
struct Replugged {
    peers: Rc<RefCell<Vec<Shared>>>,
    scripts: RefCell<Vec<Vec<Behaviour>>>,
}

impl Connector for Replugged {
    fn connect(&self) -> LocalFuture<'_, Result<Box<dyn ByteStream>, Trouble>> {
        Box::pin(async {
            let (near, far) = duplex(4096);
            let script = self.scripts.borrow_mut().pop().unwrap_or_default();
            self.peers.borrow_mut().push(start_peer(far, &script));
            let stream: Box<dyn ByteStream> = Box::new(near);
            Ok(stream)
        })
    }
}

#[tokio::test(start_paused = true)]
async fn a_lost_port_stays_lost_until_it_is_opened_again() {
    LocalSet::new()
        .run_until(async {
            let peers = Rc::new(RefCell::new(Vec::new()));
            let connector = Replugged {
                peers: peers.clone(),
                scripts: RefCell::new(vec![vec![Behaviour::Good, Behaviour::Unplugged]]),
            };
            let bus = BusHandle::open(link_name(), slow_line(), Box::new(connector))
                .await
                .unwrap();
            let board = board(spec(1), &bus);
            board.read_inputs().await.unwrap();
            for _ in 0..3 {
                let gone = board.read_inputs().await.unwrap_err();
                assert_eq!(gone.kind, TroubleKind::Disconnected);
            }
            assert_eq!(peers.borrow().len(), 1, "nobody opens a port unasked");
            bus.reopen().await.unwrap();
            assert_eq!(board.read_inputs().await.unwrap(), count_as_inputs(1));
            assert_eq!(peers.borrow().len(), 2);
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn a_stream_that_was_handed_over_cannot_be_opened_again() {
    LocalSet::new()
        .run_until(async {
            let (_peer, bus) = peer_and_bus(&[Behaviour::Unplugged]);
            board(spec(1), &bus).read_inputs().await.unwrap_err();
            let trouble = bus.reopen().await.unwrap_err();
            assert_eq!(trouble.kind, TroubleKind::Disconnected);
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn more_than_one_request_holds_is_asked_in_parts() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[]);
            let large = ModbusSpec {
                coils: 2001,
                discrete_inputs: 4001,
                ..spec(1)
            };
            peer.borrow_mut().coils[2000] = true;
            let board = board(large, &bus);
            assert_eq!(board.read_inputs().await.unwrap().len(), 4001);
            let coils = board.read_back().await.unwrap();
            assert_eq!(coils.len(), 2001);
            assert!(coils[2000] && !coils[1999]);
            assert_eq!(board.open_all().await.unwrap(), [false; 2001]);
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn a_watchdog_is_set_and_read_back() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[]);
            let watchdog = |timeout_ms, milliseconds_per_count| ModbusSpec {
                watchdog: Some(WatchdogSpec {
                    register: RegisterAddress(7),
                    timeout_ms: Milliseconds(timeout_ms),
                    milliseconds_per_count,
                }),
                ..spec(1)
            };
            let armed = board(watchdog(5000, 100), &bus);
            armed.arm_watchdog().await.unwrap();
            assert_eq!(peer.borrow().registers[7], 50);
            assert_eq!(armed.watchdog(), Some(Milliseconds(5000)));

            // Confirmed but not kept: the write is lost on its way, its echo is not.
            peer.borrow_mut().script.push_back(Behaviour::EchoAlone);
            let differs = board(watchdog(9000, 100), &bus)
                .arm_watchdog()
                .await
                .unwrap_err();
            assert_eq!(differs.kind, TroubleKind::ReadBackDiffers);
            assert_eq!(differs.detail, "90 written, read [50]");

            let too_long = board(watchdog(70_000, 1), &bus)
                .arm_watchdog()
                .await
                .unwrap_err();
            assert_eq!(too_long.kind, TroubleKind::Refused);
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn a_board_says_what_it_answers_for() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[]);
            let identity = board(spec(1), &bus).identify().await.unwrap();
            assert_eq!(identity.text, "Modbus unit 1 with 16 relays and 16 inputs");
            assert!(peer.borrow().requests().iter().all(Request::is_read));
        })
        .await;
}
