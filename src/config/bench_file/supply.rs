//! `[supply]` and `[stimulus.CALL]`: what feeds the bench, and what provokes a room controller.
//!
//! Place in the data's path: makes [`SupplyMap`] and the stimuli. Whether one supply or two are
//! right for the equipment is the profile's.

use super::missing_table;
use super::points::{Points, RelayUse};
use super::senses::{read_sense, usual_end};
use crate::config::limits;
use crate::config::nearest::help_for;
use crate::config::source::{Finding, Findings};
use crate::config::table::{Located, Reals, TableReader};
use crate::domain::Call;
use crate::domain::bench_map::{
    Rail, Stimulus, SupplyLevel, SupplyMap, SupplySense, SupplySource, UnderTest,
};
use crate::units::{End, Volts};
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
    let interrupt = table.table("interrupt").and_then(|inner| {
        let relay = points.relay(&inner, RelayUse::Interrupt);
        inner.finish();
        relay
    });
    let levels = read_levels(&table, points);
    check_acts_on_controller(&table, under_test, source);
    table.finish();
    check_rails(&senses, &places, root);
    Some(SupplyMap {
        source: source?,
        senses,
        c_to_controller: c_to_controller.map(|located| located.value),
        interrupt,
        levels,
    })
}

/// `levels`: each with its relay and its volts; named by the volts where it has no name.
fn read_levels(supply: &TableReader<'_>, points: &Points<'_>) -> Vec<SupplyLevel> {
    let mut levels: Vec<SupplyLevel> = Vec::new();
    let mut places: Vec<Located<()>> = Vec::new();
    for inner in supply.tables("levels") {
        inner.require("volts", "what R to C then is with no output on");
        let volts = inner.number("volts", Reals::Positive);
        let volts = volts.and_then(|volts| within_band(volts, supply.findings()));
        let name = inner.string("name").map_or_else(
            || volts.as_ref().map(|volts| format!("{} V", volts.value)),
            |name| short_name(name, supply.findings()),
        );
        let what = name.clone().unwrap_or_else(|| inner.place().key);
        let relay = points.relay(&inner, RelayUse::Level(what));
        let place = inner.place();
        inner.finish();
        let (Some(name), Some(volts), Some(relay)) = (name, volts, relay) else {
            continue;
        };
        let volts = Volts(volts.value);
        let same = |level: &SupplyLevel| level.name == name || level.volts == volts;
        if let Some(first) = levels.iter().position(same) {
            let message = format!(
                "supply level {name} of {volts} is given twice: {} of {}",
                levels[first].name, levels[first].volts
            );
            let finding = place.finding(message);
            supply.findings().add(
                finding
                    .other(places[first].span.clone(), "first given here")
                    .help("each level has a name and volts of its own"),
            );
            continue;
        }
        levels.push(SupplyLevel { name, relay, volts });
        places.push(place);
    }
    levels
}

fn within_band(volts: Located<f64>, findings: &Findings) -> Option<Located<f64>> {
    let band = limits::LEVEL_VOLTS;
    if band.contains(&volts.value) {
        return Some(volts);
    }
    let message = format!(
        "expected volts from {} to {}, found {}",
        band.start(),
        band.end(),
        volts.value
    );
    findings.add(
        volts
            .finding(message)
            .help("a room controller for 24 V is made for no other supply"),
    );
    None
}

fn short_name(name: Located<String>, findings: &Findings) -> Option<String> {
    let most = *limits::LEVEL_NAME.end();
    if name.value.chars().count() as u64 <= most {
        return Some(name.value);
    }
    let message = format!("expected a name of at most {most} characters");
    findings.add(name.finding(message));
    None
}

/// Only the bench's own supply can be cut or changed, and only a room controller is tested so.
fn check_acts_on_controller(
    table: &TableReader<'_>,
    under_test: UnderTest,
    source: Option<SupplySource>,
) {
    for key in ["interrupt", "levels"] {
        if !table.has(key) {
            continue;
        }
        let refuse = |message: String, help: &str| {
            let finding = Finding::new(table.key_span(key), table.path_of(key), message);
            table.findings().add(finding.help(help));
        };
        if under_test != UnderTest::Controller {
            let message = format!(
                "`{key}` acts on the supply of a room controller under test, and here it is the \
                 {under_test}"
            );
            refuse(message, "remove it, or state under_test = \"controller\"");
        } else if source == Some(SupplySource::Equipment) {
            let message = format!("`{key}` acts on the bench's own supply");
            refuse(message, "state source = \"bench\" in [supply]");
        }
    }
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
