//! Stops open everything at once, whatever timer runs.

use super::house::{
    ATTENTIVE, PERSON_ALONE, Person, assert_no_harm, commanded, relay_of, run, seconds, spans,
};
use crate::runner::harness::{Case, Ran, stock};
use coilcall::config::parse_bench;
use coilcall::domain::circuit::Protection;
use coilcall::domain::{Machine, Verdict};
use coilcall::event::{EventKind, FinishReason, RelayReason};
use coilcall::sim::Simulator;
use coilcall::units::{LinkName, UnitAddress};
use coilcall::wire::{Request, request_frame};
use std::path::Path;
use tokio::io::{AsyncReadExt, AsyncWriteExt};

fn case() -> Case {
    Case::new("heat-pump-1-stage-electric-o", "harness-inputs")
}

/// When every relay had read back open at the end.
fn made_safe_at(ran: &Ran) -> f64 {
    let mut safe = ran
        .events
        .iter()
        .rev()
        .filter_map(|event| match &event.kind {
            EventKind::RelaysSet(set) if set.reason == RelayReason::MakeSafe => {
                set.confirmed_us.map(seconds)
            }
            _ => None,
        });
    safe.next().expect("made safe")
}

#[test]
fn a_cancel_overrides_minimum_on_and_fan_hold() {
    // 100 s after the question that comes seconds after the compressor's start.
    let person = Person {
        cancels: Some(("machines:cooling-1", 40)),
        ..ATTENTIVE
    };
    let ran = run(case(), person);
    assert_eq!(ran.outcome.reason, FinishReason::Cancelled);
    let y = commanded(&ran, &relay_of(&ran, "Y1"));
    let (on, off) = (y[0].1, y[1].1);
    assert!(
        off - on < 60.0,
        "minimum-on did not hold it: {} s",
        off - on
    );
    let fan = commanded(&ran, &relay_of(&ran, "G")).last().expect("G").1;
    assert!((fan - off).abs() < 0.001, "everything opens together");
    assert_no_harm(&ran, "cancel");
}

#[test]
fn a_silent_person_is_a_release() {
    let ran = run(
        case(),
        Person {
            silent_on: "machines:cooling-1",
            ..ATTENTIVE
        },
    );
    assert_eq!(ran.outcome.reason, FinishReason::Stopped);
    assert_eq!(ran.verdict(), Verdict::Inconc);
    let longest = spans(&ran, &Machine::Compressor)[0];
    assert!(longest < 62.0, "{longest}");
    assert_no_harm(&ran, "silent");
}

#[test]
fn a_person_who_feels_no_air_stops_the_heat_that_would_follow() {
    let ran = run(
        case(),
        Person {
            says_no_to: "air:emergency",
            ..ATTENTIVE
        },
    );
    assert_eq!(ran.outcome.reason, FinishReason::Stopped);
    assert_eq!(spans(&ran, &Machine::Heat), Vec::<f64>::new());
}

#[test]
fn a_lost_link_is_a_stop_and_the_watchdog_ends_what_runs() {
    // The compressor runs by then; the relay board opens by itself 30 s after the last request.
    let started = {
        let ran = run(case(), ATTENTIVE);
        commanded(&ran, &relay_of(&ran, "Y1"))[0].1
    };
    let fault: &'static str =
        Box::leak(format!("unplug:board@{}", started + 60.0).into_boxed_str());
    let ran = run(case().link_faults(&[fault]), ATTENTIVE);
    assert!(!ran.outcome.made_safe && ran.outcome.relay_was_closed);
    assert_eq!(ran.verdict(), Verdict::Error);
    let longest = spans(&ran, &Machine::Compressor)[0];
    assert!(longest > 60.0 && longest <= 60.0 + 31.0, "{longest}");
}

#[test]
fn a_line_that_pulls_the_supply_down_opens_everything_at_once() {
    let ran = run(case().faults(&["short:W2,C"]), ATTENTIVE);
    assert_eq!(ran.outcome.reason, FinishReason::Stopped);
    assert!(
        ran.outcome.note.contains("supply went dead as W2"),
        "{}",
        ran.outcome.note
    );
    let w = commanded(&ran, &relay_of(&ran, "W2"));
    assert!(w[1].1 - w[0].1 < 2.0, "{w:?}");
    assert_no_harm(&ran, "short");
}

#[test]
fn a_dead_supply_is_waited_for_a_while_and_nothing_closes() {
    let ran = run(case().faults(&["fuse-open"]), ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Inconc, "{}", ran.outcome.note);
    assert!(!ran.outcome.relay_was_closed);
}

#[test]
fn a_line_live_with_every_relay_open_is_not_confirmed_safe() {
    let ran = run(case().faults(&["jumper:R,Y1"]), ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Fail);
    let live: Vec<&str> = ran
        .outcome
        .still_live
        .iter()
        .map(|line| line.as_str())
        .collect();
    assert_eq!(live, ["Y1"]);
    assert!(
        !ran.outcome.relay_was_closed,
        "nothing was called on top of it"
    );
}

#[test]
fn a_welded_relay_is_found_before_anything_else_is_called() {
    let ran = run(case().faults(&["stuck-closed:Y1"]), ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Fail, "{}", ran.outcome.note);
    let longest = spans(&ran, &Machine::Compressor);
    assert!(longest.iter().all(|span| *span < 2.0), "{longest:?}");
    assert_no_harm(&ran, "welded");
    assert!(made_safe_at(&ran) > 0.0);
}

/// The same harness with its master on a board of its own, which comes last by name.
fn master_apart() -> Case {
    let text = std::fs::read_to_string(stock("benches", "harness-inputs")).expect("text");
    let text = text
        .replace(
            "master = { device = \"board\", coil = 15 }",
            "master = { device = \"zone\", coil = 0 }",
        )
        .replace(
            "[supply]",
            "[device.zone]\nlink = \"board\"\nmodbus-rtu = { unit = 2, coils = 8 }\n\n[supply]",
        );
    let mut case = case();
    case.bench = parse_bench(Path::new("apart.toml"), text)
        .unwrap_or_else(|errors| panic!("{errors}"))
        .map;
    case
}

#[test]
fn the_master_opens_first() {
    let person = Person {
        cancels: Some(("machines:cooling-1", 20)),
        ..ATTENTIVE
    };
    let ran = run(master_apart(), person);
    assert_eq!(ran.outcome.reason, FinishReason::Cancelled);
    let safe: Vec<&str> = ran
        .events
        .iter()
        .filter_map(|event| match &event.kind {
            EventKind::RelaysSet(set) if set.reason == RelayReason::MakeSafe => {
                Some(set.device.as_str())
            }
            _ => None,
        })
        .collect();
    let last: Vec<&&str> = safe.iter().rev().take(2).rev().collect();
    assert_eq!(
        last,
        [&"zone", &"board"],
        "on one link the first sent is the first answered"
    );
    assert_no_harm(&ran, "master");
}

#[test]
fn a_noisy_link_does_not_keep_the_relays_closed() {
    // Every third answer is lost: the run ends early, and opening is repeated until it reads back.
    for seed in 1..=12 {
        let noisy = case().link_faults(&["silent:board%0.35"]).seed(seed);
        let ran = run(noisy, ATTENTIVE);
        assert!(ran.outcome.made_safe, "{seed}: {}", ran.outcome.note);
        assert_no_harm(&ran, "noisy link");
    }
}

#[test]
fn a_supply_lost_during_a_call_opens_everything() {
    // A minute into the compressor's minimum-on time, and while the person looks round.
    for (asked, seconds_later) in [("machines:cooling-1", 60), ("machines:cooling-1", 2)] {
        let person = Person {
            then: Some((asked, seconds_later, |simulator| simulator.open_fuse())),
            ..ATTENTIVE
        };
        let mut case = case();
        // A fuse stays open; an electronic limiter comes back once the load is gone.
        case.bench.circuit.supply.protection = Protection::Fuse {
            opens_above_amps: 5.0,
            ohms: 0.05,
        };
        let ran = run(case, person);
        assert_eq!(ran.outcome.reason, FinishReason::Stopped);
        assert_eq!(ran.verdict(), Verdict::Inconc, "{}", ran.outcome.note);
        assert!(ran.outcome.note.contains("supply"), "{}", ran.outcome.note);
        let y = commanded(&ran, &relay_of(&ran, "Y1"));
        let lost = y[0].1 + 5.0;
        assert!(y[1].1 - lost < seconds_later as f64 + 10.0, "{y:?}");
        let master = ran
            .plan
            .equipment
            .as_ref()
            .and_then(|real| real.master.clone());
        let opened = commanded(&ran, &master.expect("a master"));
        let last = opened.last().expect("it was closed");
        assert!(!last.0 && (last.1 - y[1].1).abs() < 0.001, "all at once");
        assert_no_harm(&ran, "lost supply");
    }
}

/// Something else on the line opens every relay: a board that reset itself, or whose own watchdog
/// ran out, looks the same, and answers as if nothing had been.
fn relays_open_by_themselves(simulator: &Simulator) {
    let link = LinkName::new("board").expect("a name");
    let mut stream = simulator.connect(&link).expect("plugged in");
    tokio::task::spawn_local(async move {
        let open_all = Request::WriteCoils {
            start: 0,
            states: vec![false; 16],
        };
        let frame = request_frame(UnitAddress(1), &open_all);
        stream.write_all(&frame).await.expect("it hears");
        let mut reply = [0; 8];
        stream.read_exact(&mut reply).await.expect("it answers");
    });
}

#[test]
fn relays_that_open_by_themselves_are_a_stop_and_are_not_driven_again() {
    let person = Person {
        then: Some(("machines:cooling-1", 60, relays_open_by_themselves)),
        ..ATTENTIVE
    };
    let ran = run(case(), person);
    assert_eq!(ran.outcome.reason, FinishReason::Stopped);
    assert_eq!(ran.verdict(), Verdict::Inconc, "{}", ran.outcome.note);
    assert!(
        ran.outcome.note.contains("meant closed"),
        "{}",
        ran.outcome.note
    );
    assert_eq!(spans(&ran, &Machine::Compressor).len(), 1);
    let closings = commanded(&ran, &relay_of(&ran, "Y1"));
    assert_eq!(closings.iter().filter(|(closed, _)| *closed).count(), 1);
    assert!(ran.outcome.made_safe);
    assert_no_harm(&ran, "watchdog");
}

#[test]
fn a_board_that_does_not_take_its_watchdog_closes_nothing() {
    // The bench file says that there is one; the board has no such register.
    let without = {
        let text = std::fs::read_to_string(stock("benches", "harness-inputs")).expect("text");
        let at = text.find(", watchdog").expect("it has one");
        let end = at + text[at..].find(" }").expect("closed") + 2;
        parse_bench(
            Path::new("none.toml"),
            format!("{}{}", &text[..at], &text[end..]),
        )
        .unwrap_or_else(|errors| panic!("{errors}"))
        .map
    };
    let with = case();
    let plan = with.plan();
    let ran = super::house::run_against(with, without, ATTENTIVE, plan);
    assert_eq!(
        ran.outcome.reason,
        FinishReason::BenchError,
        "{}",
        ran.outcome.note
    );
    assert!(!ran.outcome.relay_was_closed);
    assert_eq!(ran.simulator.machine_runs(), []);
}

#[test]
fn a_contactor_that_runs_on_after_its_release_is_the_loudest_thing() {
    // The relay opened and the line is dead; the machine is heard to run.
    fn heard(key: &str, before: usize) -> Option<&'static str> {
        (key == "machines:idle" && before == 2).then_some("compressor")
    }
    let ran = run(
        case(),
        Person {
            says: heard,
            ..ATTENTIVE
        },
    );
    assert_eq!(ran.outcome.reason, FinishReason::Stopped);
    assert_eq!(ran.verdict(), Verdict::Fail, "{}", ran.outcome.note);
    let live: Vec<&str> = ran.outcome.still_live.iter().map(|l| l.as_str()).collect();
    assert_eq!(live, ["Y1"]);
    let last = ran.state.steps.last().expect("a step");
    let call = &ran.plan.step(last.number).expect("planned").call;
    assert_eq!(
        call.to_string(),
        "cooling-1",
        "nothing was called on top of it"
    );
}

#[test]
fn a_machine_that_runs_uncalled_on_a_persons_word_is_not_confirmed_safe() {
    let alone = super::house::harness("heat-pump-1-stage-electric-o", PERSON_ALONE);
    let ran = run(alone.faults(&["jumper:R,Y1"]), ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Fail, "{}", ran.outcome.note);
    let live: Vec<&str> = ran.outcome.still_live.iter().map(|l| l.as_str()).collect();
    assert_eq!(live, ["Y1"]);
    assert!(!ran.outcome.relay_was_closed);
}

#[test]
fn a_cancel_in_any_phase_leaves_every_relay_open() {
    // Sound, the run takes some 20 minutes: cancelled at 75 moments of it.
    let sound = run(case(), ATTENTIVE);
    let end = seconds(sound.events.last().expect("events").elapsed_us);
    let mut while_closed = 0;
    for moment in 0..75_u32 {
        let at = end * f64::from(moment) / 75.0;
        let ran = super::house::run_cancelled(case(), ATTENTIVE, at);
        assert_eq!(ran.outcome.reason, FinishReason::Cancelled, "at {at} s");
        assert!(ran.outcome.made_safe, "at {at} s");
        while_closed += u32::from(ran.outcome.relay_was_closed);
        let finished = seconds(ran.events.last().expect("events").elapsed_us);
        assert!(finished - at < 3.0, "at {at} s it took until {finished} s");
        assert_no_harm(&ran, &format!("cancelled at {at} s"));
    }
    assert!(while_closed > 30, "{while_closed}");
}
