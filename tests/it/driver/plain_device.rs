//! Devices of plain lines: a relay board that is read back, a meter that is asked, a meter that
//! streams; each against a peer that misbehaves.

use super::line_peer::{Behaviour, Shared, line_peer, timing};
use super::peer::{LATE_REPLY_MS, link_name, pass};
use coilcall::driver::{AsciiDevice, BusHandle, LinkTiming};
use coilcall::port::{Meter, RelayBoard};
use coilcall::units::{
    AsciiSpec, CoilAddress, DeviceName, LineEnd, MeterAccuracy, MeterValue, Quantity, TroubleKind,
};
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use tokio::io::{AsyncWriteExt, DuplexStream, duplex};
use tokio::join;
use tokio::task::LocalSet;
use tokio::time::Instant;

fn text(line: &str) -> Option<String> {
    Some(line.to_owned())
}

fn board_spec() -> AsciiSpec {
    AsciiSpec {
        ask: None,
        reading: None,
        overload: None,
        line_end: LineEnd::Lf,
        close: text("on {relay}"),
        open: text("off {relay}"),
        done: None,
        state: text("state {relay}"),
        state_closed: text("{relay} on"),
        state_open: text("{relay} off"),
        relays: 4,
        accuracy: None,
        input_ohms: None,
    }
}

fn meter_spec(ask: Option<String>) -> AsciiSpec {
    AsciiSpec {
        ask,
        reading: text("{value}"),
        overload: text("OL"),
        relays: 0,
        accuracy: Some(MeterAccuracy {
            percent: 1.0,
            counts: 2.0,
            resolution: 0.1,
        }),
        input_ohms: Some(10e6),
        ..board_spec()
    }
}

fn device(spec: AsciiSpec, bus: &BusHandle) -> AsciiDevice {
    AsciiDevice::new(DeviceName::new("plain").unwrap(), spec, bus.clone())
}

fn confirming() -> AsciiSpec {
    AsciiSpec {
        done: text("ok {relay}"),
        ..board_spec()
    }
}

fn board(confirms: bool, script: &[Behaviour]) -> (Shared, AsciiDevice) {
    let (peer, bus) = line_peer(script);
    peer.borrow_mut().confirms = confirms;
    let spec = if confirms { confirming() } else { board_spec() };
    (peer, device(spec, &bus))
}

#[tokio::test(start_paused = true)]
async fn relays_are_named_from_one_and_read_back_one_by_one() {
    for confirms in [false, true] {
        LocalSet::new()
            .run_until(async {
                let (peer, board) = board(confirms, &[]);
                board.set(CoilAddress(2), true).await.unwrap();
                let states = board.read_back().await.unwrap();
                assert_eq!(states, [false, false, true, false]);
                let expected = [
                    "on 3", "state 1", "state 2", "state 3", "state 4", "state 1",
                ];
                assert_eq!(peer.borrow().lines(), expected);
                let none = board.set(CoilAddress(4), true).await.unwrap_err();
                assert_eq!(none.kind, TroubleKind::Refused);
            })
            .await;
    }
}

#[tokio::test(start_paused = true)]
async fn opening_all_overtakes_and_opens_each() {
    for confirms in [false, true] {
        LocalSet::new()
            .run_until(async {
                let (peer, board) = board(confirms, &[]);
                peer.borrow_mut().relays = vec![true; 4];
                peer.borrow_mut().script.push_back(Behaviour::Silent);
                let (in_flight, queued, opened) =
                    join!(board.read_back(), board.set(CoilAddress(0), true), async {
                        pass(50).await;
                        board.open_all().await
                    });
                assert_eq!(in_flight.unwrap_err().kind, TroubleKind::Superseded);
                assert_eq!(queued.unwrap_err().kind, TroubleKind::Superseded);
                assert_eq!(opened.unwrap(), [false; 4]);
                let peer = peer.borrow();
                assert_eq!(peer.lines()[1..5], ["off 1", "off 2", "off 3", "off 4"]);
                assert_eq!(peer.lines()[5], "state 1");
                let sent = |index: usize| peer.log[index].0.as_millis();
                // At once; the read-back waits out the quarantine.
                assert!(sent(4) < 500, "the last relay after {} ms", sent(4));
                assert!(sent(5) >= u128::from(LATE_REPLY_MS), "{}", sent(5));
            })
            .await;
    }
}

#[tokio::test(start_paused = true)]
async fn a_dead_board_holds_no_relay_up_for_its_whole_time_out() {
    LocalSet::new()
        .run_until(async {
            let (peer, board) = board(true, &vec![Behaviour::Silent; 8]);
            let began = Instant::now();
            let (opened, ()) = join!(board.open_all(), async {
                pass(1500).await;
                assert_eq!(
                    peer.borrow().lines()[..4],
                    ["off 1", "off 2", "off 3", "off 4"]
                );
            });
            assert_eq!(opened.unwrap_err().kind, TroubleKind::Timeout);
            assert!(began.elapsed().as_millis() < 6000);
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn states_that_cannot_be_right_are_no_states() {
    for (behaviour, kind) in [
        (Behaviour::Says("3 on"), TroubleKind::Mismatched),
        (Behaviour::Says("?"), TroubleKind::Mismatched),
        (Behaviour::Says("1 on;2 on"), TroubleKind::Mismatched),
        (Behaviour::HalfLine, TroubleKind::Timeout),
        (Behaviour::EchoAlone, TroubleKind::Echoed),
        (Behaviour::Doubled, TroubleKind::Mismatched),
        (Behaviour::NoiseBefore(vec![0xC0]), TroubleKind::Corrupt),
        (Behaviour::Endless, TroubleKind::Corrupt),
        (Behaviour::Flood(30), TroubleKind::Mismatched),
        (Behaviour::Late(1000), TroubleKind::Timeout),
        (Behaviour::Unplugged, TroubleKind::Disconnected),
    ] {
        LocalSet::new()
            .run_until(async {
                let (peer, board) = board(false, std::slice::from_ref(&behaviour));
                peer.borrow_mut().relays[1] = true;
                let trouble = board.read_back().await.unwrap_err();
                assert_eq!(trouble.kind, kind, "{behaviour:?}: {trouble}");
                if kind != TroubleKind::Disconnected {
                    let states = board.read_back().await.unwrap();
                    assert_eq!(states, [false, true, false, false], "{behaviour:?}");
                }
            })
            .await;
    }
}

#[tokio::test(start_paused = true)]
async fn a_meter_that_is_asked() {
    for (behaviour, expected) in [
        (Behaviour::Good, Ok(MeterValue::Value(1.0))),
        (Behaviour::Late(700), Ok(MeterValue::Value(1.0))),
        (Behaviour::EchoThenReply, Ok(MeterValue::Value(1.0))),
        (Behaviour::Says("OL"), Ok(MeterValue::Overload)),
        (Behaviour::Late(2300), Err(TroubleKind::Timeout)),
        (Behaviour::HalfLine, Err(TroubleKind::Timeout)),
        (Behaviour::Doubled, Err(TroubleKind::Mismatched)),
        (Behaviour::Says("24 mV"), Err(TroubleKind::Refused)),
        (Behaviour::Says("HOLD"), Err(TroubleKind::Mismatched)),
        (
            Behaviour::NoiseBefore(vec![0x90]),
            Err(TroubleKind::Corrupt),
        ),
    ] {
        LocalSet::new()
            .run_until(async {
                let (peer, bus) = line_peer(std::slice::from_ref(&behaviour));
                let meter = device(meter_spec(text("READ")), &bus);
                let got = meter.read(Quantity::AcVolts).await;
                assert_eq!(got.map_err(|t| t.kind), expected, "{behaviour:?}");
                for _ in 0..2 {
                    let next = meter.read(Quantity::AcVolts).await.unwrap();
                    let asked = f64::from(peer.borrow().readings);
                    assert_eq!(next, MeterValue::Value(asked), "{behaviour:?}");
                }
            })
            .await;
    }
}

/// The near end of a meter that streams, and the far end that a test writes to.
fn streaming() -> (DuplexStream, AsciiDevice) {
    let (near, far) = duplex(4096);
    let timing = LinkTiming {
        unasked_is_suspect: false,
        ..timing()
    };
    let bus = BusHandle::over(link_name(), timing, near);
    (far, device(meter_spec(None), &bus))
}

#[tokio::test(start_paused = true)]
async fn of_a_stream_only_a_line_that_began_after_the_question_counts() {
    LocalSet::new()
        .run_until(async {
            let (mut far, meter) = streaming();
            // Long before anybody asks: a whole line, and the beginning of another.
            far.write_all(b"11.0\r\n2").await.unwrap();
            pass(100).await;
            let (value, ()) = join!(meter.read(Quantity::AcVolts), async {
                for piece in [&b"2.0\r\n"[..], b"33.", b"0\r", b"\n44.0\r\n"] {
                    pass(50).await;
                    far.write_all(piece).await.unwrap();
                }
            });
            assert_eq!(value, Ok(MeterValue::Value(33.0)));
            // What had come by then is nobody's answer either.
            let (value, ()) = join!(meter.read(Quantity::AcVolts), async {
                pass(50).await;
                far.write_all(b"5.0\n66.0\n").await.unwrap();
            });
            assert_eq!(value, Ok(MeterValue::Value(66.0)));
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn a_stream_too_slow_for_the_reply_timeout_says_what_it_needs() {
    LocalSet::new()
        .run_until(async {
            let (mut far, meter) = streaming();
            let (value, ()) = join!(meter.read(Quantity::AcVolts), async {
                pass(300).await;
                far.write_all(b".0\r\n24.").await.unwrap();
            });
            let told = value.unwrap_err().to_string();
            assert!(
                told.contains("two whole lines must come within reply_timeout_ms"),
                "{told}"
            );
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn a_stream_that_is_silent_broken_or_endless_gives_no_reading() {
    for (bytes, kind) in [
        (&b""[..], TroubleKind::Timeout),
        (b"24.0", TroubleKind::Timeout),
        (b"24.0\r\n24.", TroubleKind::Timeout),
        (b"\r\n\xFF4.0\r\n", TroubleKind::Corrupt),
        (b"\nHOLD\n", TroubleKind::Mismatched),
        (b"\n24 mV\n", TroubleKind::Refused),
        (&[b'7'; 2000], TroubleKind::Corrupt),
    ] {
        LocalSet::new()
            .run_until(async {
                let (mut far, meter) = streaming();
                let (value, ()) = join!(meter.read(Quantity::AcVolts), async {
                    pass(50).await;
                    far.write_all(bytes).await.unwrap();
                });
                assert_eq!(value.unwrap_err().kind, kind, "{bytes:?}");
            })
            .await;
    }
}

/// Misbehaviour of a relay board within what a plain line can promise: a late answer comes inside
/// the quarantine, and nothing is said again long after.
fn any_behaviour() -> impl Strategy<Value = Behaviour> {
    prop_oneof![
        4 => Just(Behaviour::Good),
        1 => Just(Behaviour::Silent),
        2 => (0..2300_u64).prop_map(Behaviour::Late),
        1 => Just(Behaviour::Doubled),
        1 => Just(Behaviour::StaleFirst),
        1 => Just(Behaviour::HalfLine),
        1 => Just(Behaviour::EchoAlone),
        1 => vec(0x80..=0xFF_u8, 1..9).prop_map(Behaviour::NoiseBefore),
        1 => Just(Behaviour::Flood(10)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig {
        rng_seed: RngSeed::Fixed(7),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn whatever_the_board_says_a_state_that_is_told_is_true(
        script in vec(any_behaviour(), 1..12),
        actions in vec((0..4_u16, any::<bool>()), 12),
        confirms in any::<bool>(),
    ) {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .start_paused(true)
            .build()
            .unwrap();
        LocalSet::new().block_on(&runtime, async {
            let (peer, board) = board(confirms, &script);
            for (relay, closed) in actions {
                if board.set(CoilAddress(relay), closed).await.is_ok() {
                    // Without a confirmation nothing is known but that the line has left.
                    prop_assert!(!confirms || peer.borrow().relays[usize::from(relay)] == closed);
                }
                if let Ok(states) = board.read_back().await {
                    prop_assert_eq!(&states, &peer.borrow().relays);
                }
            }
            peer.borrow_mut().script.clear();
            drop(board.open_all().await);
            prop_assert_eq!(board.open_all().await.unwrap(), [false; 4]);
            Ok(())
        })?;
    }
}
