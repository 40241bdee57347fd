//! Opening all relays: ahead of everything, as seen by the peer.

use super::peer::{Behaviour, LATE_REPLY_MS, REPLY_TIMEOUT_MS, board, pass, peer_and_bus, spec};
use coilcall::port::{Inputs, RelayBoard};
use coilcall::units::{CoilAddress, TroubleKind};
use coilcall::wire::{ExceptionCode, Request};
use tokio::join;
use tokio::task::LocalSet;
use tokio::time::Instant;

fn open_16() -> Request {
    Request::WriteCoils {
        start: 0,
        states: vec![false; 16],
    }
}

fn read_16() -> Request {
    Request::ReadCoils {
        start: 0,
        count: 16,
    }
}

#[tokio::test(start_paused = true)]
async fn on_a_sound_bus_it_takes_two_exchanges_and_no_quarantine() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[]);
            peer.borrow_mut().coils[5] = true;
            let began = Instant::now();
            let read_back = board(spec(1), &bus).open_all().await.unwrap();
            assert_eq!(read_back, [false; 16]);
            assert_eq!(peer.borrow().requests(), [open_16(), read_16()]);
            assert!(began.elapsed().as_millis() < 100, "{:?}", began.elapsed());
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn it_overtakes_what_is_in_flight_and_what_is_queued() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[Behaviour::Silent]);
            let board = board(spec(1), &bus);
            let began = Instant::now();
            let (in_flight, first, second, opened) = join!(
                board.read_inputs(),
                board.set(CoilAddress(1), true),
                board.set(CoilAddress(2), true),
                async {
                    pass(50).await;
                    board.open_all().await
                }
            );
            assert_eq!(in_flight.unwrap_err().kind, TroubleKind::Superseded);
            for set_aside in [first.unwrap_err(), second.unwrap_err()] {
                assert_eq!(set_aside.kind, TroubleKind::Superseded);
                assert_eq!(set_aside.request, "", "it was never sent");
            }
            assert_eq!(opened.unwrap(), [false; 16]);
            let peer = peer.borrow();
            let inputs = Request::ReadDiscreteInputs {
                start: 0,
                count: 16,
            };
            // No relay that somebody wanted closed before the stop is closed after it.
            assert_eq!(peer.requests(), [inputs, open_16(), read_16()]);
            let sent = peer.log[1].0.as_millis();
            assert!((50..=56).contains(&sent), "sent after {sent} ms");
            // The read that was set aside may still be answered: the read-back waits for that.
            assert!(began.elapsed().as_millis() >= u128::from(50 + LATE_REPLY_MS));
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn it_waits_until_our_last_bytes_have_left_the_wire_and_no_longer() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[Behaviour::Silent]);
            let board = board(spec(1), &bus);
            let (_, opened) = join!(board.read_inputs(), async {
                pass(6).await;
                board.open_all().await
            });
            opened.unwrap();
            let log = &peer.borrow().log;
            // 8 bytes of 1.146 ms, then 4.01 ms of quiet: 13.2 ms after the one before.
            let gap = (log[1].0 - log[0].0).as_micros();
            assert!((13_178..16_000).contains(&gap), "{gap} us");
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn it_goes_out_inside_a_quarantine_and_its_read_back_waits() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[Behaviour::Silent]);
            let board = board(spec(1), &bus);
            let timed_out = board.read_inputs().await.unwrap_err();
            assert_eq!(timed_out.kind, TroubleKind::Timeout);
            let stopped = Instant::now();
            assert_eq!(board.open_all().await.unwrap(), [false; 16]);
            let log = &peer.borrow().log;
            let sent = (log[1].0 - log[0].0).as_millis();
            let earliest = u128::from(REPLY_TIMEOUT_MS);
            assert!((earliest..earliest + 30).contains(&sent), "{sent} ms");
            assert!(stopped.elapsed().as_millis() >= u128::from(LATE_REPLY_MS));
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn a_waiting_transaction_in_a_quarantine_is_set_aside_too() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[Behaviour::Silent]);
            let board = board(spec(1), &bus);
            board.read_inputs().await.unwrap_err();
            let (close, opened) = join!(board.set(CoilAddress(1), true), async {
                pass(300).await;
                board.open_all().await
            });
            assert_eq!(close.unwrap_err().kind, TroubleKind::Superseded);
            assert_eq!(opened.unwrap(), [false; 16]);
            assert_eq!(peer.borrow().requests()[1..], [open_16(), read_16()]);
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn a_board_without_the_command_for_many_is_opened_one_by_one() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[Behaviour::Refuse(ExceptionCode::IllegalFunction)]);
            peer.borrow_mut().coils[..16].fill(true);
            let read_back = board(spec(1), &bus).open_all().await.unwrap();
            assert_eq!(read_back, [false; 16]);
            let requests = peer.borrow().requests();
            let each = (0..16).map(|address| Request::WriteCoil { address, on: false });
            assert_eq!(requests[0], open_16());
            assert_eq!(requests[1..17], each.collect::<Vec<_>>());
            assert_eq!(requests[17..], [read_16()]);
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn a_board_that_did_not_open_says_so_in_the_read_back() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[Behaviour::EchoAlone]);
            peer.borrow_mut().coils[5] = true;
            let read_back = board(spec(1), &bus).open_all().await.unwrap();
            let closed: Vec<usize> = (0..16).filter(|relay| read_back[*relay]).collect();
            assert_eq!(closed, [5]);
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn two_boards_on_one_link_both_open_even_where_the_first_is_dead() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[Behaviour::Silent]);
            let (dead, alive) = (board(spec(1), &bus), board(spec(2), &bus));
            let (first, second) = join!(dead.open_all(), alive.open_all());
            assert_eq!(first.unwrap(), [false; 16]);
            assert_eq!(second.unwrap(), [false; 16]);
            let log = &peer.borrow().log;
            let units: Vec<u8> = log.iter().map(|(_, received)| received.unit.0).collect();
            assert_eq!(units[..2], [1, 2]);
            assert_eq!(peer.borrow().requests()[..2], [open_16(), open_16()]);
            let wait = (log[1].0 - log[0].0).as_millis();
            assert!(
                wait < 150,
                "the second board waited {wait} ms for the first"
            );
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn on_a_port_that_is_gone_it_fails_at_once() {
    LocalSet::new()
        .run_until(async {
            let (_peer, bus) = peer_and_bus(&[Behaviour::Unplugged]);
            let board = board(spec(1), &bus);
            let gone = board.open_all().await.unwrap_err();
            assert_eq!(gone.kind, TroubleKind::Disconnected);
            let began = Instant::now();
            let gone = board.open_all().await.unwrap_err();
            assert_eq!(gone.kind, TroubleKind::Disconnected);
            assert_eq!(began.elapsed().as_millis(), 0);
        })
        .await;
}
