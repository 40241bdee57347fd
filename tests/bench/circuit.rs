//! How fast the circuit answers: one fault over all calls, and all single faults over all calls.
//!
//! A state of the circuit made ready is compared with the whole netlist solved from nothing, which
//! is what it would take without that.

use crate::Outcome;
use crate::row::{Row, median, microseconds, milliseconds, spread};
use coilcall::domain::circuit::{Circuit, CircuitValues, ClosedContacts, Fault};
use coilcall::domain::profile::{Changeover, FanInHeat, Kind, Profile, ProfileDraft};
use coilcall::units::Terminal;
use std::hint::black_box;
use std::time::{Duration, Instant};

const ROUNDS: usize = 20;
const SINGLES: usize = 650;
/// Solving from nothing is timed over so many.
const WHOLE_SOLUTIONS: u32 = 200;
const HYPOTHESIS_GOAL_US: f64 = 150.0;
const SINGLES_GOAL_MS: f64 = 150.0;

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

fn rounds(mut round: impl FnMut() -> Outcome<()>) -> Outcome<Vec<Duration>> {
    let timed = |_| {
        let start = Instant::now();
        round()?;
        Ok(start.elapsed())
    };
    (0..ROUNDS).map(timed).collect()
}

fn row(what: String, times: &[f64], decimals: usize, goal: f64) -> Row {
    Row {
        what,
        result: spread(times, decimals),
        goal: Some((format!("≤ {goal:.0}"), median(times) <= goal)),
    }
}

pub(crate) fn measure() -> Outcome<Vec<Row>> {
    let healthy = Circuit::new(&two_stage_heat_pump(), None, CircuitValues::default())?;
    let calls = calls();
    let all_calls = |circuit: &Circuit| {
        for call in &calls {
            black_box(circuit.solve(call)?);
        }
        Ok(())
    };
    let faults = singles(healthy.lines());
    let hypothesis = rounds(|| all_calls(&healthy.with_faults(&faults[..1])?))?;
    let sweep = rounds(|| {
        faults
            .iter()
            .try_for_each(|fault| all_calls(&healthy.with_faults(std::slice::from_ref(fault))?))
    })?;
    let whole = rounds(|| {
        for _ in 0..WHOLE_SOLUTIONS {
            black_box(healthy.netlist().solve(60.0)?);
        }
        Ok(())
    })?;
    let (count, nodes) = (calls.len(), healthy.netlist().nodes().len());
    let hypothesis: Vec<f64> = hypothesis.into_iter().map(microseconds).collect();
    let sweep: Vec<f64> = sweep.into_iter().map(milliseconds).collect();
    let each = whole.into_iter().map(|round| round / WHOLE_SOLUTIONS);
    let whole: Vec<f64> = each.map(microseconds).collect();
    let per_call = median(&hypothesis) / count as f64;
    let ratio = median(&whole) / per_call;
    Ok(vec![
        row(
            format!("circuit of {nodes} nodes, one fault over {count} calls, µs"),
            &hypothesis,
            1,
            HYPOTHESIS_GOAL_US,
        ),
        row(
            format!("circuit, {SINGLES} single faults over {count} calls, one core, ms"),
            &sweep,
            1,
            SINGLES_GOAL_MS,
        ),
        Row {
            what: "circuit, its netlist solved once from nothing, µs".to_owned(),
            result: format!("{}; ratio to one call above {ratio:.1}", spread(&whole, 1)),
            goal: None,
        },
    ])
}
