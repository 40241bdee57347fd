//! A meter that speaks SCPI, against a peer that misbehaves in every way that a line of text has:
//! no reading is another question's answer.

use super::line_peer::{Behaviour, Shared, line_peer};
use coilcall::driver::{BusHandle, ScpiMeter};
use coilcall::port::Meter;
use coilcall::units::{
    DeviceName, MeterAccuracy, MeterValue, Quantity, ScpiSpec, Trouble, TroubleKind,
};
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use tokio::task::LocalSet;

fn spec() -> ScpiSpec {
    ScpiSpec {
        ac_volts: Some("MEAS:VOLT:AC?".to_owned()),
        resistance: None,
        ac_volts_range: None,
        resistance_range: None,
        accuracy: MeterAccuracy {
            percent: 0.7,
            counts: 2.0,
            resolution: 0.01,
        },
        input_ohms: 10e6,
    }
}

fn meter(bus: &BusHandle, spec: ScpiSpec) -> ScpiMeter {
    ScpiMeter::new(DeviceName::new("meter").unwrap(), spec, bus.clone())
}

/// An identified meter whose peer then follows the script.
async fn identified(script: &[Behaviour]) -> (Shared, ScpiMeter) {
    let (peer, bus) = line_peer(&[]);
    let meter = meter(&bus, spec());
    meter.identify().await.unwrap();
    peer.borrow_mut().script.extend(script.iter().cloned());
    (peer, meter)
}

async fn volts(meter: &ScpiMeter) -> Result<MeterValue, Trouble> {
    meter.read(Quantity::AcVolts).await
}

#[tokio::test(start_paused = true)]
async fn identity_and_error_queue_come_first() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = line_peer(&[]);
            peer.borrow_mut()
                .errors
                .push_back("-113,\"Undefined header\"".to_owned());
            let meter = meter(&bus, spec());
            assert_eq!(meter.identify().await.unwrap().text, "BENCH,METER,7,1.0");
            let first = ["*CLS", "*IDN?", "*ESE 100", "*ESE?", "SYST:ERR?"];
            assert_eq!(peer.borrow().lines(), first);
            assert_eq!(volts(&meter).await, Ok(MeterValue::Value(1.0)));
            assert_eq!(peer.borrow().lines()[5..], ["MEAS:VOLT:AC?", "SYST:ERR?"]);
        })
        .await;
}

/// Reads from a peer that misbehaves once: what comes of it; then twice more, which must give the
/// answers to these questions.
async fn check(behaviour: Behaviour, expected: Result<MeterValue, TroubleKind>) -> String {
    LocalSet::new()
        .run_until(async {
            let (peer, meter) = identified(std::slice::from_ref(&behaviour)).await;
            let got = volts(&meter).await;
            let told = got
                .as_ref()
                .err()
                .map_or(String::new(), ToString::to_string);
            assert_eq!(
                got.map_err(|trouble| trouble.kind),
                expected,
                "{behaviour:?}: {told}"
            );
            let mut good = 0;
            for _ in 0..8 {
                match volts(&meter).await {
                    Ok(value) => {
                        let asked = f64::from(peer.borrow().readings);
                        assert_eq!(value, MeterValue::Value(asked), "after {behaviour:?}");
                        good += 1;
                    }
                    Err(next) if expected == Err(TroubleKind::Disconnected) => {
                        assert_eq!(next.kind, TroubleKind::Disconnected);
                        return told;
                    }
                    Err(_) => {}
                }
            }
            assert!(good >= 4, "{behaviour:?} is got over: {good} of 8");
            told
        })
        .await
}

#[tokio::test(start_paused = true)]
async fn each_misbehaviour_of_a_reading() {
    let good = Ok(MeterValue::Value(1.0));
    for (behaviour, expected) in [
        (Behaviour::Good, good),
        (Behaviour::Late(700), good),
        (Behaviour::Late(1000), Err(TroubleKind::Timeout)),
        // Far later than any quarantine.
        (Behaviour::Late(9000), Err(TroubleKind::Timeout)),
        (Behaviour::Silent, Err(TroubleKind::Timeout)),
        (Behaviour::HalfLine, Err(TroubleKind::Timeout)),
        (Behaviour::InHalves(300), good),
        (Behaviour::InHalves(2000), Err(TroubleKind::Timeout)),
        (Behaviour::Doubled, Err(TroubleKind::Mismatched)),
        // The second copy stands where the error queue's entry belongs.
        (Behaviour::DoubledAfter(20), Err(TroubleKind::Mismatched)),
        (Behaviour::StaleFirst, Err(TroubleKind::Mismatched)),
        (Behaviour::StaleAlone, Err(TroubleKind::Mismatched)),
        (Behaviour::EchoAlone, Err(TroubleKind::Echoed)),
        (Behaviour::EchoThenReply, good),
        (
            Behaviour::NoiseBefore(vec![0xFF]),
            Err(TroubleKind::Corrupt),
        ),
        (Behaviour::NoiseBefore(vec![0]), Err(TroubleKind::Corrupt)),
        (Behaviour::Flood(1000), Err(TroubleKind::Mismatched)),
        (Behaviour::Endless, Err(TroubleKind::Corrupt)),
        (Behaviour::Says("9.9E37"), Ok(MeterValue::Overload)),
        (Behaviour::Says("-9.9E37"), Ok(MeterValue::Overload)),
        (Behaviour::Says("9.91E37"), Ok(MeterValue::NotANumber)),
        (Behaviour::Says("24 OHM"), Err(TroubleKind::Refused)),
        (Behaviour::Says("1.0;2.0"), Err(TroubleKind::Mismatched)),
        (Behaviour::Says("#15HELLO"), Err(TroubleKind::Mismatched)),
        (Behaviour::Says("LOW BATTERY"), Err(TroubleKind::Mismatched)),
        (
            Behaviour::Complains("-113,\"Undefined header\""),
            Err(TroubleKind::Refused),
        ),
        (
            Behaviour::AnswersAndComplains("-222,\"Data out of range\""),
            Err(TroubleKind::Refused),
        ),
        (Behaviour::Unplugged, Err(TroubleKind::Disconnected)),
    ] {
        check(behaviour, expected).await;
    }
}

#[tokio::test(start_paused = true)]
async fn a_refusal_tells_what_the_meter_said() {
    let told = check(Behaviour::Says("24 OHM"), Err(TroubleKind::Refused)).await;
    assert_eq!(
        told,
        "read the AC volts of meter on link bench: the device refused the request \
         (an answer in V expected, it said '24 OHM')"
    );
    let complaint = Behaviour::Complains("-113,\"Undefined header\"");
    let told = check(complaint, Err(TroubleKind::Refused)).await;
    assert!(
        told.contains("the meter reports -113 Undefined header"),
        "{told}"
    );
}

#[tokio::test(start_paused = true)]
async fn a_late_answer_that_looks_like_this_one_is_thrown_away() {
    LocalSet::new()
        .run_until(async {
            let (peer, meter) = identified(&[]).await;
            volts(&meter).await.unwrap();
            // An answer that nobody asked for, of a form like any reading, together with ours.
            peer.borrow_mut()
                .script
                .extend([Behaviour::Good, Behaviour::StaleFirst]);
            let trouble = volts(&meter).await.unwrap_err();
            assert_eq!(trouble.kind, TroubleKind::Mismatched);
            assert!(
                trouble
                    .to_string()
                    .starts_with("read the error queue of meter")
            );
            assert_eq!(volts(&meter).await, Ok(MeterValue::Value(3.0)));
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn a_full_error_queue_is_emptied_and_an_endless_one_refused() {
    LocalSet::new()
        .run_until(async {
            let (peer, meter) = identified(&[]).await;
            for _ in 0..19 {
                peer.borrow_mut()
                    .errors
                    .push_back("-113,\"Undefined header\"".to_owned());
            }
            peer.borrow_mut()
                .errors
                .push_back("-350,\"Queue overflow\"".to_owned());
            let trouble = volts(&meter).await.unwrap_err();
            assert_eq!(trouble.kind, TroubleKind::Refused);
            assert!(
                trouble.detail.ends_with("Undefined header and 17 more"),
                "{trouble}"
            );
            assert!(peer.borrow().errors.is_empty());
            assert_eq!(volts(&meter).await, Ok(MeterValue::Value(2.0)));

            peer.borrow_mut().endless_errors = true;
            let before = peer.borrow().log.len();
            let trouble = volts(&meter).await.unwrap_err();
            assert_eq!(trouble.kind, TroubleKind::Refused);
            assert!(
                trouble
                    .detail
                    .starts_with("still not empty after 32 entries"),
                "{trouble}"
            );
            assert_eq!(peer.borrow().log.len() - before, 33);
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn another_instrument_in_its_place_is_noticed_after_a_trouble() {
    LocalSet::new()
        .run_until(async {
            let (peer, meter) = identified(&[Behaviour::Silent]).await;
            volts(&meter).await.unwrap_err();
            peer.borrow_mut().identity = "BENCH,METER,8,1.0".to_owned();
            let trouble = volts(&meter).await.unwrap_err();
            assert_eq!(trouble.kind, TroubleKind::Mismatched);
            assert_eq!(
                trouble.detail,
                "'BENCH,METER,7,1.0' expected, got 'BENCH,METER,8,1.0'"
            );
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn a_meter_without_an_event_mask_is_known_by_its_identity() {
    LocalSet::new()
        .run_until(async {
            let (peer, bus) = line_peer(&[]);
            peer.borrow_mut().maskless = true;
            let meter = meter(&bus, spec());
            assert_eq!(meter.identify().await.unwrap().text, "BENCH,METER,7,1.0");
            peer.borrow_mut().script.push_back(Behaviour::Late(2000));
            assert_eq!(volts(&meter).await.unwrap_err().kind, TroubleKind::Timeout);
            let before = peer.borrow().log.len();
            assert_eq!(volts(&meter).await, Ok(MeterValue::Value(2.0)));
            let expected = ["*CLS", "*IDN?", "SYST:ERR?", "MEAS:VOLT:AC?", "SYST:ERR?"];
            assert_eq!(peer.borrow().lines()[before..], expected);
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn a_reading_beyond_its_stated_range_or_without_a_question_is_refused() {
    LocalSet::new()
        .run_until(async {
            let (_peer, bus) = line_peer(&[]);
            let narrow = ScpiSpec {
                ac_volts_range: Some(1.5),
                ..spec()
            };
            let meter = meter(&bus, narrow);
            assert_eq!(volts(&meter).await, Ok(MeterValue::Value(1.0)));
            let trouble = volts(&meter).await.unwrap_err();
            assert_eq!(trouble.kind, TroubleKind::Refused);
            assert_eq!(trouble.detail, "1.5 at most in its range, it said '2.0'");
            let trouble = meter.read(Quantity::Resistance).await.unwrap_err();
            assert_eq!(trouble.kind, TroubleKind::Refused);
        })
        .await;
}

fn any_behaviour() -> impl Strategy<Value = Behaviour> {
    prop_oneof![
        4 => Just(Behaviour::Good),
        1 => Just(Behaviour::Silent),
        2 => (0..9000_u64).prop_map(Behaviour::Late),
        1 => Just(Behaviour::Doubled),
        1 => (0..9000_u64).prop_map(Behaviour::DoubledAfter),
        1 => Just(Behaviour::StaleFirst),
        1 => Just(Behaviour::StaleAlone),
        1 => Just(Behaviour::HalfLine),
        1 => (0..3000_u64).prop_map(Behaviour::InHalves),
        1 => Just(Behaviour::EchoAlone),
        1 => Just(Behaviour::EchoThenReply),
        1 => vec(0x80..=0xFF_u8, 1..9).prop_map(Behaviour::NoiseBefore),
        1 => Just(Behaviour::Says("24 OHM")),
        1 => Just(Behaviour::Flood(40)),
        1 => Just(Behaviour::Complains("-113,\"Undefined header\"")),
        1 => Just(Behaviour::AnswersAndComplains("-222,\"Data out of range\"")),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig {
        rng_seed: RngSeed::Fixed(7),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn whatever_the_peer_does_no_reading_is_another_questions(
        script in vec(any_behaviour(), 1..16),
    ) {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .start_paused(true)
            .build()
            .unwrap();
        LocalSet::new().block_on(&runtime, async {
            let (peer, bus) = line_peer(&script);
            let meter = meter(&bus, spec());
            let mut good = 0;
            for _ in 0..60 {
                if let Ok(value) = volts(&meter).await {
                    let asked = f64::from(peer.borrow().readings);
                    assert_eq!(value, MeterValue::Value(asked));
                    good += 1;
                    if peer.borrow().script.is_empty() && good >= 2 {
                        return;
                    }
                }
            }
            panic!("the script is got over: {script:?}");
        });
    }
}
