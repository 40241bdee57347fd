//! Each way in which a reply can go wrong: no wrong result, the right trouble, and a bus that
//! works again afterwards.

use super::peer::{Behaviour, LATE_REPLY_MS, board, count_as_inputs, peer_and_bus, spec};
use coilcall::port::{Inputs, RelayBoard};
use coilcall::units::{CoilAddress, Trouble, TroubleKind};
use coilcall::wire::ExceptionCode;
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use tokio::task::LocalSet;

const RELAY: CoilAddress = CoilAddress(3);

/// Reads inputs from a peer that misbehaves once, and checks what comes of it; then reads twice
/// more, which must give the answers to these questions and no other's.
async fn check_read(behaviour: Behaviour, expected: Result<(), TroubleKind>) {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(std::slice::from_ref(&behaviour));
            let board = board(spec(1), &bus);
            let got = board.read_inputs().await;
            match (&got, expected) {
                (Ok(inputs), Ok(())) => assert_eq!(inputs, &count_as_inputs(1), "{behaviour:?}"),
                (Err(trouble), Err(kind)) => {
                    assert_eq!(trouble.kind, kind, "{behaviour:?}: {trouble:?}");
                    assert_eq!(trouble.tried, "read inputs 1-16 of unit 1 on link bench");
                    assert_eq!(trouble.request, "01 02 00 00 00 10 79 C6");
                }
                _ => panic!("{behaviour:?} gave {got:?}, expected {expected:?}"),
            }
            for question in 2..=3 {
                let next = board.read_inputs().await;
                if expected == Err(TroubleKind::Disconnected) {
                    assert_eq!(next.unwrap_err().kind, TroubleKind::Disconnected);
                } else {
                    assert_eq!(
                        next.unwrap(),
                        count_as_inputs(question),
                        "after {behaviour:?}"
                    );
                }
            }
            let untrusted = expected.is_err_and(|kind| {
                !matches!(
                    kind,
                    TroubleKind::Refused | TroubleKind::Busy | TroubleKind::Disconnected
                )
            });
            if untrusted || behaviour == Behaviour::Doubled {
                let log = &peer.borrow().log;
                let gap = log[1].0 - log[0].0;
                assert!(
                    gap.as_millis() >= u128::from(LATE_REPLY_MS),
                    "{behaviour:?}: {gap:?}"
                );
            }
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn reads() {
    let busy = Behaviour::Refuse(ExceptionCode::Busy);
    let refused = Behaviour::Refuse(ExceptionCode::IllegalDataAddress);
    for (behaviour, expected) in [
        (Behaviour::Good, Ok(())),
        (Behaviour::Late(700), Ok(())),
        (Behaviour::Late(1000), Err(TroubleKind::Timeout)),
        (Behaviour::Late(2300), Err(TroubleKind::Timeout)),
        (Behaviour::Silent, Err(TroubleKind::Timeout)),
        (Behaviour::HalfFrame, Err(TroubleKind::Timeout)),
        (Behaviour::Doubled, Ok(())),
        (Behaviour::DoubledAfter(3), Ok(())),
        (Behaviour::EchoAlone, Err(TroubleKind::Echoed)),
        (Behaviour::EchoThenReply, Ok(())),
        (Behaviour::OtherUnit, Err(TroubleKind::Mismatched)),
        (Behaviour::FewInputs, Err(TroubleKind::Mismatched)),
        (Behaviour::GarbageBefore(vec![0x00]), Ok(())),
        (
            Behaviour::GarbageBefore(vec![0x01, 0x02, 0x02, 0xFF]),
            Ok(()),
        ),
        (Behaviour::GarbageBefore(vec![0xFF; 40]), Ok(())),
        (Behaviour::ByteByByte(20), Ok(())),
        (Behaviour::DamagedByte(4), Err(TroubleKind::Corrupt)),
        (refused, Err(TroubleKind::Refused)),
        (busy, Err(TroubleKind::Busy)),
        (Behaviour::Unplugged, Err(TroubleKind::Disconnected)),
    ] {
        check_read(behaviour, expected).await;
    }
}

/// Closes a relay on a peer that misbehaves once. Returns what the write gave and whether the
/// read-back after it shows the relay closed.
async fn close_and_read_back(behaviour: Behaviour) -> (Result<(), Trouble>, bool) {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = peer_and_bus(&[behaviour]);
            let board = board(spec(1), &bus);
            let written = board.set(RELAY, true).await;
            let read_back = board.read_back().await.unwrap();
            let truth = peer.borrow().coils[usize::from(RELAY.0)];
            assert_eq!(read_back[usize::from(RELAY.0)], truth);
            // The write's late or doubled reply must not have been taken for another's either.
            assert_eq!(board.set(RELAY, false).await, Ok(()));
            assert!(!board.read_back().await.unwrap()[usize::from(RELAY.0)]);
            (written, truth)
        })
        .await
}

#[tokio::test(start_paused = true)]
async fn relay_writes() {
    let refused = Behaviour::Refuse(ExceptionCode::IllegalDataAddress);
    for (behaviour, expected, closed) in [
        (Behaviour::Good, None, true),
        (Behaviour::Late(700), None, true),
        (Behaviour::Late(1000), Some(TroubleKind::Timeout), true),
        (Behaviour::Silent, Some(TroubleKind::Timeout), false),
        (Behaviour::HalfFrame, Some(TroubleKind::Timeout), true),
        (Behaviour::Doubled, None, true),
        (Behaviour::DoubledAfter(3), None, true),
        // One copy is a legal reply; only the read-back shows that nobody did it.
        (Behaviour::EchoAlone, None, false),
        (Behaviour::EchoThenReply, None, true),
        (Behaviour::OtherCoil, Some(TroubleKind::Mismatched), true),
        (Behaviour::OtherUnit, Some(TroubleKind::Mismatched), true),
        (Behaviour::GarbageBefore(vec![1, 5, 0]), None, true),
        (Behaviour::ByteByByte(20), None, true),
        (Behaviour::DamagedByte(3), Some(TroubleKind::Corrupt), true),
        (refused, Some(TroubleKind::Refused), false),
    ] {
        let (written, truth) = close_and_read_back(behaviour.clone()).await;
        let kind = written.err().map(|trouble| trouble.kind);
        assert_eq!(kind, expected, "{behaviour:?}");
        assert_eq!(truth, closed, "{behaviour:?}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_line_known_to_echo_does_not_confirm_a_write_by_itself() {
    LocalSet::new()
        .run_until(async {
            let script = [Behaviour::EchoThenReply, Behaviour::EchoAlone];
            let (peer, bus) = peer_and_bus(&script);
            let board = board(spec(1), &bus);
            board.read_inputs().await.unwrap();
            let trouble = board.set(RELAY, true).await.unwrap_err();
            assert_eq!(trouble.kind, TroubleKind::Echoed);
            assert!(!peer.borrow().coils[usize::from(RELAY.0)]);
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn the_evidence_holds_both_sides() {
    LocalSet::new()
        .run_until(async {
            let (_peer, bus) = peer_and_bus(&[Behaviour::OtherCoil]);
            let trouble = board(spec(1), &bus).set(RELAY, true).await.unwrap_err();
            assert_eq!(
                trouble.to_string(),
                "close relay 4 of unit 1 on link bench: a reply to another question \
                 (address 3 with FF00 expected back, got address 4 with FF00)"
            );
            // Check sums computed with another program.
            assert_eq!(trouble.request, "01 05 00 03 FF 00 7C 3A");
            assert_eq!(trouble.reply, "01 05 00 04 FF 00 CD FB");
        })
        .await;
}

/// Every misbehaviour that the bus promises to survive. A reply that comes later than the
/// quarantine lasts is not among them: no reply on a serial line says which question it answers.
fn any_behaviour() -> impl Strategy<Value = Behaviour> {
    prop_oneof![
        3 => Just(Behaviour::Good),
        1 => Just(Behaviour::Silent),
        2 => (0..2300_u64).prop_map(Behaviour::Late),
        1 => Just(Behaviour::Doubled),
        1 => (0..3_u64).prop_map(Behaviour::DoubledAfter),
        1 => Just(Behaviour::EchoAlone),
        1 => Just(Behaviour::EchoThenReply),
        1 => Just(Behaviour::OtherUnit),
        1 => vec(any::<u8>(), 1..20).prop_map(Behaviour::GarbageBefore),
        1 => vec(any::<u8>(), 1..20).prop_map(Behaviour::NoiseBehind),
        1 => Just(Behaviour::Refuse(ExceptionCode::Busy)),
        1 => Just(Behaviour::HalfFrame),
        1 => (1..150_u64).prop_map(Behaviour::ByteByByte),
        1 => (0..7_usize).prop_map(Behaviour::DamagedByte),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig {
        // A 16-bit check sum is met by chance once in 65536 tries: fixed, so that no run differs.
        rng_seed: RngSeed::Fixed(7),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn whatever_the_peer_does_no_result_is_wrong(
        script in vec(any_behaviour(), 1..12),
        actions in vec((0..3_u8, 0..16_u16, any::<bool>()), 16),
    ) {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .start_paused(true)
            .build()
            .unwrap();
        LocalSet::new().block_on(&runtime, async {
            let (peer, bus) = peer_and_bus(&script);
            let board = board(spec(1), &bus);
            for (action, relay, closed) in actions {
                match action {
                    0 => if let Ok(inputs) = board.read_inputs().await {
                        assert_eq!(inputs, count_as_inputs(peer.borrow().log.len()));
                    },
                    1 => if let Ok(relays) = board.read_back().await {
                        assert_eq!(relays, peer.borrow().coils[..16]);
                    },
                    _ => drop(board.set(CoilAddress(relay), closed).await),
                }
            }
            // The script is over: what the peer says now must come through.
            peer.borrow_mut().script.clear();
            let opened = board.open_all().await.unwrap();
            assert_eq!(opened, peer.borrow().coils[..16]);
            assert_eq!(board.open_all().await.unwrap(), [false; 16]);
        });
    }
}
