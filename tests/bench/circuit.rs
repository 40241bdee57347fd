//! How fast the circuit answers, against its goals: one hypothesis over 15 calls in 0.15 ms, 650
//! single faults over all calls in 150 ms, on one core.
//!
//! Run with `cargo bench --bench circuit`. The best of several rounds counts, since other programs
//! only ever slow a round down; a goal that is missed ends with exit code 1.
#![allow(missing_docs, reason = "a program, not an interface")]
#![allow(
    clippy::print_stdout,
    reason = "its output is for a person at a terminal"
)]

use coilcall::domain::circuit::{Circuit, CircuitValues, ClosedContacts, Fault};
use coilcall::domain::profile::{Changeover, FanInHeat, Kind, Profile, ProfileDraft};
use coilcall::units::Terminal;
use std::hint::black_box;
use std::process::ExitCode;
use std::time::{Duration, Instant};

const ROUNDS: usize = 20;
const SINGLES: usize = 650;
const HYPOTHESIS_GOAL: Duration = Duration::from_micros(150);
const SINGLES_GOAL: Duration = Duration::from_millis(150);

fn two_stage_heat_pump() -> Profile {
    let draft = ProfileDraft {
        name: Some("Two-stage heat pump, electric auxiliary".to_owned()),
        kind: Some(Kind::HeatPump),
        compressor_stages: Some(2),
        heat_stages: Some(1),
        changeover: Some(Changeover::O),
        fan_in_heat: Some(FanInHeat::Controller),
        present: Some(vec![Terminal::known("E")]),
        ..ProfileDraft::default()
    };
    Profile::new(draft).expect("a sound profile")
}

/// Eight standard calls and seven lines alone.
fn calls() -> Vec<ClosedContacts> {
    let standard = [
        "",
        "G",
        "Y1 G O",
        "Y1 Y2 G O",
        "Y1 G",
        "Y1 Y2 G",
        "Y1 Y2 G W2",
        "G W2",
    ];
    let alone = ["Y1", "Y2", "G", "O", "W2", "E", "W2 E"];
    let contacts = |lines: &str| {
        let lines = lines.split_whitespace();
        let terminals = lines.map(|line| Terminal::new(line).expect("a terminal"));
        ClosedContacts(terminals.collect())
    };
    standard.into_iter().chain(alone).map(contacts).collect()
}

/// Single faults of every family, the same ones each time.
fn singles(lines: &[Terminal]) -> Vec<Fault> {
    let mut written = Vec::new();
    for one in lines {
        for place in ["controller", "middle", "equipment"] {
            written.push(format!("open:{one}@{place}"));
            for ohms in [1, 10, 100, 1000, 10_000] {
                written.push(format!("resistance:{one}={ohms}@{place}"));
            }
        }
        for word in [
            "stuck-open",
            "stuck-closed",
            "chatter",
            "coil-open",
            "coil-short",
            "leakage",
        ] {
            written.push(format!("{word}:{one}"));
        }
        for other in lines.iter().filter(|other| *other != one) {
            for word in ["swap", "short", "mislanded", "jumper"] {
                written.push(format!("{word}:{one},{other}"));
                written.push(format!("{word}:{one},{other}@controller"));
            }
            written.push(format!("short:{one},{other}=200"));
            for third in lines
                .iter()
                .filter(|third| *third != one && *third != other)
            {
                written.push(format!("shift:{one},{other},{third}"));
                written.push(format!("shift:{one},{other},{third}@controller"));
            }
        }
    }
    written.truncate(SINGLES);
    assert_eq!(written.len(), SINGLES);
    let parse = |fault: &String| fault.parse().expect("written as the grammar has it");
    written.iter().map(parse).collect()
}

fn best(mut round: impl FnMut()) -> Duration {
    let timed = |_| {
        let start = Instant::now();
        round();
        start.elapsed()
    };
    (0..ROUNDS).map(timed).min().expect("there are rounds")
}

fn judge(what: &str, took: Duration, goal: Duration) -> bool {
    let met = took <= goal;
    let word = if met { "within" } else { "MISSED" };
    println!("{what}: {took:?} (goal {goal:?}, {word})");
    met
}

fn main() -> ExitCode {
    let healthy =
        Circuit::new(&two_stage_heat_pump(), None, CircuitValues::default()).expect("sound values");
    let calls = calls();
    let all_calls = |circuit: &Circuit| {
        for call in &calls {
            black_box(circuit.solve(call).expect("solvable"));
        }
    };
    let faults = singles(healthy.lines());
    let (nodes, elements) = (
        healthy.netlist().nodes().len(),
        healthy.netlist().elements().len(),
    );
    println!("{nodes} nodes, {elements} elements, {} calls", calls.len());
    let hypothesis = best(|| {
        let faulty = healthy.with_faults(&faults[..1]).expect("it makes sense");
        all_calls(&faulty);
    });
    let sweep = best(|| {
        for fault in &faults {
            let single = std::slice::from_ref(fault);
            all_calls(&healthy.with_faults(single).expect("it makes sense"));
        }
    });
    let goals = [
        judge("one hypothesis over all calls", hypothesis, HYPOTHESIS_GOAL),
        judge("650 single faults over all calls", sweep, SINGLES_GOAL),
    ];
    if goals.into_iter().all(|met| met) {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
