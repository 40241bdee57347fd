//! What a run cannot prove on this bench, in a person's words.

use super::shape::CallLeftOut;
use crate::domain::bench_map::{Loads, SenseMeans, SupplySource, UnderTest};
use crate::domain::{BenchMap, Profile};
use crate::units::{End, Quantity, Terminal};

/// What this bench and this choice of calls leave unproven.
pub(super) fn not_proven(
    bench: &BenchMap,
    (profile, wired): (&Profile, &[Terminal]),
    left_out: &[CallLeftOut],
) -> Vec<String> {
    let mut list = Vec::new();
    let senses = || bench.lines.values().flat_map(|line| line.senses.iter());
    if senses().any(|sense| matches!(sense.means, SenseMeans::Input { .. })) {
        list.push("voltage not proven: a digital input shows presence only".to_owned());
    }
    if bench.under_test == UnderTest::Equipment {
        list.push(
            "the room controller and its cable: the harness stands in their place".to_owned(),
        );
    }
    let air_is_felt = bench.loads == Loads::Real;
    if air_is_felt {
        list.push(
            "which machines ran, and what the air did: as the person at the bench said, not \
             measured"
                .to_owned(),
        );
    }
    if senses().all(|sense| sense.quantity == Quantity::Presence)
        && profile.changeover().is_some()
        && !air_is_felt
    {
        list.push(
            "what the equipment makes of the reversing valve (O/B) signal: that takes an air \
             temperature"
                .to_owned(),
        );
    }
    match (bench.under_test, bench.supply.source) {
        (UnderTest::Controller, _) => list.extend(of_a_controller(bench)),
        (_, SupplySource::Bench) => {
            list.push("R and C not proven: the bench feeds the relays itself".to_owned());
        }
        (_, SupplySource::Equipment) => {
            let at_controller = bench
                .supply
                .senses
                .iter()
                .any(|supply| supply.sense.end == End::Controller);
            if !at_controller {
                list.push(
                    "C not proven: the supply is not sensed at the controller end".to_owned(),
                );
            }
        }
    }
    if bench.supply.senses.is_empty() {
        list.push("the supply is not sensed: a dead supply looks like dead wiring".to_owned());
    }
    let unvisited = bench.unvisited_lines(wired);
    if !unvisited.is_empty() {
        let names: Vec<&str> = unvisited.iter().map(Terminal::as_str).collect();
        list.push(format!(
            "lines that the profile lacks, to which nobody moves the meter's leads: {}",
            names.join(" ")
        ));
    }
    let calls: Vec<String> = left_out
        .iter()
        .filter(|left| left.applicable)
        .map(|left| left.call.to_string())
        .collect();
    if !calls.is_empty() {
        list.push(format!("calls not made: {}", calls.join(", ")));
    }
    list
}

/// What a controller's outputs cannot show of its own supply.
fn of_a_controller(bench: &BenchMap) -> Vec<String> {
    let mut list =
        vec!["what the controller makes of the room's temperature: only its outputs".to_owned()];
    if bench.supply.c_to_controller == Some(false) {
        list.push("C not proven: this controller gets none".to_owned());
    }
    let supply = &bench.supply;
    if supply.interrupt.is_none() {
        list.push(
            "what the controller does when its power is lost and comes back: this bench cannot cut \
             it"
            .to_owned(),
        );
    }
    let means = supply.senses.iter().map(|supply| &supply.sense.means);
    let is_measured = means
        .into_iter()
        .any(|means| matches!(means, SenseMeans::Meter { .. }));
    if supply.levels.is_empty() {
        list.push(
            "the ends of the controller's supply band: this bench has one level of supply"
                .to_owned(),
        );
    } else if !is_measured {
        list.push("the volts of the supply levels: no meter reads the supply".to_owned());
    }
    list
}
