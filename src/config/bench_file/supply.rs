//! `[supply]` and `[stimulus.CALL]`: what feeds the bench, and what provokes a room controller.
//!
//! Place in the data's path: makes [`SupplyMap`] and the stimuli. Whether one supply or two are
//! right for the equipment is the profile's.

use super::missing_table;
use super::points::{Points, RelayUse};
use super::senses::{read_sense, usual_end};
use crate::config::nearest::help_for;
use crate::config::table::{Located, TableReader};
use crate::domain::Call;
use crate::domain::bench_map::{Rail, Stimulus, SupplyMap, SupplySense, SupplySource, UnderTest};
use crate::units::End;
use std::collections::BTreeMap;

/// Which end the bench itself stands at.
fn bench_end(under_test: UnderTest) -> End {
    match under_test {
        UnderTest::Wiring | UnderTest::Equipment => End::Controller,
        UnderTest::Controller => usual_end(under_test),
    }
}

pub(super) fn read_supply(
    root: &TableReader<'_>,
    points: &Points<'_>,
    under_test: UnderTest,
) -> Option<SupplyMap> {
    if !root.has("supply") {
        root.findings().add(missing_table(
            "supply",
            "where the transformer sits and what senses it",
        ));
    }
    let table = root.table("supply")?;
    table.require("source", "where the transformer sits: equipment or bench");
    let source = table.word("source", SupplySource::ALL, SupplySource::word);
    let source = source.map(|source| source.value);
    let end = match source {
        Some(SupplySource::Bench) => bench_end(under_test),
        Some(SupplySource::Equipment) | None => End::Equipment,
    };
    let mut senses: Vec<SupplySense> = Vec::new();
    let mut places: Vec<Located<()>> = Vec::new();
    for inner in table.one_or_more("sense") {
        let rail = inner.word("rail", Rail::ALL, Rail::word);
        let rail = rail.map_or(Rail::R, |located| located.value);
        let read = read_sense(&inner, points, &format!("{rail} to C"), end);
        inner.finish();
        if let Some(read) = read {
            senses.push(SupplySense {
                rail,
                sense: read.sense,
            });
            places.push(read.place);
        }
    }
    let c_to_controller = table.boolean("c_to_controller");
    if under_test == UnderTest::Controller {
        table.require(
            "c_to_controller",
            "whether the room controller gets C; without it, it steals power through the lines",
        );
    }
    table.finish();
    check_rails(&senses, &places, root);
    Some(SupplyMap {
        source: source?,
        senses,
        c_to_controller: c_to_controller.map(|located| located.value),
    })
}

/// A bench has one supply, R, or two, Rc and Rh.
fn check_rails(senses: &[SupplySense], places: &[Located<()>], root: &TableReader<'_>) {
    let joined = senses.iter().position(|sense| sense.rail == Rail::R);
    let parted = senses.iter().position(|sense| sense.rail != Rail::R);
    if let (Some(joined), Some(parted)) = (joined, parted) {
        let message = format!(
            "R is the only supply and {} one of two: a bench has one kind",
            senses[parted].rail
        );
        let finding = places[parted]
            .finding(message)
            .other(
                places[joined].span.clone(),
                "sensed as R, stated or by default",
            )
            .help("state rail = \"Rc\" or rail = \"Rh\" in each, or in none");
        root.findings().add(finding);
    }
}

pub(super) fn read_stimuli(
    root: &TableReader<'_>,
    points: &Points<'_>,
    under_test: UnderTest,
    notes: &mut Vec<String>,
) -> BTreeMap<Call, Stimulus> {
    let mut stimuli = BTreeMap::new();
    for (name, table) in root.named_tables("stimulus") {
        let call = stimulus_call(&name, &table);
        let what = RelayUse::Stimulus(call.clone().unwrap_or(Call::Idle));
        let operator = table.boolean("operator");
        let stimulus = match operator {
            Some(operator) if operator.value => {
                if table.has("device") {
                    table.one_of(&["operator", "device"], "a person acts, or a relay");
                }
                Some(Stimulus::Operator)
            }
            _ => points.relay(&table, what).map(Stimulus::Relay),
        };
        table.finish();
        if let (Some(call), Some(stimulus)) = (call, stimulus) {
            stimuli.insert(call, stimulus);
        }
    }
    if under_test == UnderTest::Controller && !root.has("stimulus") {
        root.findings().add(missing_table(
            "stimulus.CALL",
            "how each call of the room controller is provoked",
        ));
    }
    if under_test != UnderTest::Controller && !stimuli.is_empty() {
        notes.push(format!(
            "stimuli are not used with under_test = \"{under_test}\": the bench makes the calls"
        ));
    }
    stimuli
}

fn stimulus_call(name: &Located<String>, table: &TableReader<'_>) -> Option<Call> {
    match name.value.parse() {
        Ok(call) if Call::TABLE.contains(&call) => Some(call),
        Ok(call) => {
            let message = format!("`{call}` is no call that a room controller can be asked for");
            table.findings().add(name.finding(message));
            None
        }
        Err(_) => {
            let known = Call::TABLE.map(|call| call.to_string());
            let known: Vec<&str> = known.iter().map(String::as_str).collect();
            let finding = name.finding(format!("`{}` is not a call", name.value));
            table
                .findings()
                .add(finding.help_where_known(help_for(&name.value, &known)));
            None
        }
    }
}
