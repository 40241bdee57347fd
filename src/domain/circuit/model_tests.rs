//! The circuit made ready for many states against the plain way: every node of every fault.

use super::super::solver::tests::by_lu;
use super::*;
use crate::domain::ProfileDraft;
use crate::domain::circuit::{FaultKind, SolidStateValues};
use crate::domain::profile::{Arrangement, Auxiliary, Changeover, FanInHeat, Kind};

/// How far the faster way may be from the plain one.
const AGREES_VOLTS: f64 = 1e-4;

fn heat_pump(kind: Kind, arrangement: Arrangement) -> Profile {
    let boiler = kind == Kind::HeatPumpAndBoiler;
    Profile::new(ProfileDraft {
        name: Some("heat pump".to_owned()),
        kind: Some(kind),
        compressor_stages: Some(2),
        heat_stages: Some(1),
        changeover: Some(Changeover::O),
        fan_in_heat: Some(FanInHeat::Controller),
        auxiliary: boiler.then_some(Auxiliary::Adds),
        arrangement: Some(arrangement),
        ..ProfileDraft::default()
    })
    .expect("a sound profile")
}

/// Every kind of fault for every line, and for every line with its neighbour.
fn faults(lines: &[Terminal]) -> Vec<String> {
    let mut written = Vec::new();
    for kind in FaultKind::ALL {
        let (word, form) = (kind.word(), kind.form());
        if !form.contains("LINE") {
            written.push(match kind {
                FaultKind::Supply => "supply:19".to_owned(),
                FaultKind::UndersizedTransformer => "undersized-transformer:10".to_owned(),
                FaultKind::ThinWire => "thin-wire:24,900".to_owned(),
                _ => word.to_owned(),
            });
        } else if form.contains("LINE,LINE") {
            let pairs = lines.windows(2);
            written.extend(pairs.map(|pair| format!("{word}:{},{}", pair[0], pair[1])));
        } else {
            let ohms = if form.contains("OHMS") { "=70" } else { "" };
            written.extend(lines.iter().map(|line| format!("{word}:{line}{ohms}")));
        }
    }
    written
}

/// The solved state as a netlist of its own, with nothing left to change.
fn frozen(solution: &Solution) -> Netlist {
    let mut netlist = Netlist::clone(&solution.netlist);
    for (index, kind) in solution.kinds.iter().enumerate() {
        let element = ElementId(index);
        netlist.replace(element, *kind).expect("solved before");
    }
    netlist
}

fn check(healthy: &Circuit) -> usize {
    let mut lines = healthy.lines().to_vec();
    lines.extend(["R", "C"].map(Terminal::known));
    let mut compared = 0;
    for written in faults(&lines) {
        let fault: Fault = written.parse().expect("written as the grammar has it");
        let Ok(faulty) = healthy.with_faults(&[fault]) else {
            continue;
        };
        for call in ["", "G", "Y1 Y2 G O", "Y1 G W1 W2", "Y1"] {
            let called = call.split(' ').filter(|name| !name.is_empty());
            let called = called.map(|name| Terminal::new(name).expect("a terminal"));
            let solution = faulty.solve(&ClosedContacts(called.collect()));
            let solution = solution.unwrap_or_else(|error| panic!("{written} in {call}: {error}"));
            let netlist = frozen(&solution);
            let plain = netlist.solve(solution.hertz()).expect("solved before");
            let by_lu = by_lu(&netlist);
            for (index, (node, ours)) in solution.nodes().enumerate() {
                let apart = (ours - plain[index]).norm();
                assert!(
                    apart < 1e-9,
                    "{written} in {call}: {node} {apart:e} V apart"
                );
                let apart = (ours - by_lu[index]).norm();
                assert!(
                    apart < AGREES_VOLTS,
                    "{written} in {call}: {node} {apart:e} V from LU"
                );
            }
            compared += 1;
        }
    }
    compared
}

/// The faster way eliminates once what no state changes; the plain way solves each state as a
/// whole, by the same elimination in another order and by LU with partial pivoting.
#[test]
fn the_faster_way_agrees_with_the_plain_one_for_every_fault() {
    let single = heat_pump(Kind::HeatPump, Arrangement::Single);
    let dual = heat_pump(Kind::HeatPumpAndBoiler, Arrangement::Dual);
    let solid_state = CircuitValues {
        solid_state: Some(SolidStateValues::default()),
        ..CircuitValues::default()
    };
    for (profile, values) in [
        (&single, CircuitValues::default()),
        (&dual, CircuitValues::default()),
        (&single, solid_state),
    ] {
        let healthy = Circuit::new(profile, None, values).expect("sound values");
        assert!(check(&healthy) > 400);
    }
}
