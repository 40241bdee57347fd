//! The truth table against tables worked by hand, one for every stock profile.
//!
//! The oracle is `tests/fixtures/truth_tables/`: each file was written from the trade's rules and
//! never from the program's output (common practice, no source). Each names the stock profile whose
//! table it is.

use coilcall::domain::profile::{
    Accessory, Active, Arrangement, Auxiliary, Changeover, ChangeoverAtRest, Direction, FanInHeat,
    Heat, Interface, Kind,
};
use coilcall::domain::{Call, Expected, Profile, ProfileDraft, Row, TruthTable};
use coilcall::units::{Seconds, Terminal};
use serde::Deserialize;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StockProfile {
    name: String,
    equipment: Equipment,
    supply: Option<Supply>,
    timing: Option<Timing>,
    #[serde(default)]
    accessory: Vec<StockAccessory>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Equipment {
    kind: Kind,
    interface: Option<Interface>,
    compressor_stages: u8,
    heat_stages: u8,
    changeover: Option<Changeover>,
    changeover_at_rest: Option<ChangeoverAtRest>,
    heat: Option<Heat>,
    fan_in_heat: Option<FanInHeat>,
    fan_line: Option<bool>,
    auxiliary: Option<Auxiliary>,
    auxiliary_lines: Option<Vec<Terminal>>,
    emergency: Option<Vec<Terminal>>,
    present: Option<Vec<Terminal>>,
    tied: Option<Vec<Vec<Terminal>>>,
    common_on: Option<Terminal>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Supply {
    arrangement: Option<Arrangement>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Timing {
    minimum_off_s: Option<Seconds>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StockAccessory {
    terminal: Terminal,
    direction: Option<Direction>,
    active: Option<Active>,
    #[serde(default)]
    on_in: Vec<Call>,
    #[serde(default)]
    either_in: Vec<Call>,
}

impl From<StockProfile> for ProfileDraft {
    fn from(file: StockProfile) -> Self {
        let equipment = file.equipment;
        let accessories = file.accessory.into_iter().map(|accessory| Accessory {
            terminal: accessory.terminal,
            direction: accessory.direction.unwrap_or(Direction::Output),
            active: accessory.active.unwrap_or(Active::On),
            on_in: accessory.on_in,
            either_in: accessory.either_in,
        });
        Self {
            name: Some(file.name),
            kind: Some(equipment.kind),
            interface: equipment.interface,
            compressor_stages: Some(equipment.compressor_stages),
            heat_stages: Some(equipment.heat_stages),
            changeover: equipment.changeover,
            changeover_at_rest: equipment.changeover_at_rest,
            heat: equipment.heat,
            fan_in_heat: equipment.fan_in_heat,
            fan_line: equipment.fan_line,
            auxiliary: equipment.auxiliary,
            auxiliary_lines: equipment.auxiliary_lines,
            emergency: equipment.emergency,
            present: equipment.present,
            tied: equipment.tied,
            common_on: equipment.common_on,
            arrangement: file.supply.and_then(|supply| supply.arrangement),
            minimum_off_s: file.timing.and_then(|timing| timing.minimum_off_s),
            accessories: accessories.collect(),
            ..ProfileDraft::default()
        }
    }
}

fn stock_profile(name: &str) -> Profile {
    let path = repository("benches-config/profiles").join(name);
    let text = std::fs::read_to_string(&path).expect("a fixture names a stock profile");
    let file: StockProfile =
        toml::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    Profile::new(file.into()).unwrap_or_else(|problems| panic!("{}: {problems:#?}", path.display()))
}

fn repository(folder: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(folder)
}

fn names_in(folder: &str) -> BTreeSet<String> {
    let stem = |path: PathBuf| {
        let stem = path.file_stem().expect("a directory entry has a name");
        stem.to_string_lossy().into_owned()
    };
    std::fs::read_dir(repository(folder))
        .expect("the folder is part of the repository")
        .map(|entry| stem(entry.expect("a readable directory").path()))
        .collect()
}

/// One row as worked by hand: the call and one mark for each line, or a lone `-`.
pub(crate) struct HandRow {
    pub(crate) call: Call,
    pub(crate) marks: Vec<String>,
}

pub(crate) struct HandTable {
    profile: String,
    pub(crate) lines: Vec<Terminal>,
    pub(crate) rows: Vec<HandRow>,
}

pub(crate) fn hand_table(name: &str) -> HandTable {
    let path = repository("tests/fixtures/truth_tables").join(format!("{name}.txt"));
    let text = std::fs::read_to_string(&path).expect("a fixture that was listed");
    let profile = text
        .lines()
        .find_map(|line| line.strip_prefix("# profile: "))
        .expect("every fixture names its profile");
    let mut table = text.lines().filter(|line| !line.starts_with('#'));
    let words =
        |line: &str| -> Vec<String> { line.split_whitespace().map(str::to_owned).collect() };
    let head = words(table.next().expect("every fixture has a head"));
    assert_eq!(head[0], "call", "{name}");
    let rows = table.map(words).map(|cells| HandRow {
        call: cells[0].parse().expect("a call's name"),
        marks: cells[1..].to_vec(),
    });
    HandTable {
        profile: profile.to_owned(),
        lines: head[1..]
            .iter()
            .map(|line| Terminal::new(line).expect("a terminal's name"))
            .collect(),
        rows: rows.collect(),
    }
}

fn mark(row: &Row, line: &Terminal) -> &'static str {
    let driven = row.demanded.contains(line);
    match row.cells[line].expected {
        Expected::On if driven => "1",
        Expected::On => "+",
        Expected::Off if driven => "off, yet driven",
        Expected::Off => "0",
        Expected::Either if driven => "either, yet driven",
        Expected::Either => "x",
    }
}

fn made_row(table: &TruthTable, call: &Call) -> Row {
    match call {
        Call::Alone(line) => table.alone_row(line),
        Call::Defrost => table.defrost_row().clone(),
        call => table.row(call).expect("a call of the table").clone(),
    }
}

#[test]
fn every_stock_profile_has_the_table_worked_by_hand() {
    for name in names_in("tests/fixtures/truth_tables") {
        let by_hand = hand_table(&name);
        let table = TruthTable::of(&stock_profile(&by_hand.profile));
        assert_eq!(table.lines(), by_hand.lines, "{name}: lines");
        for hand in &by_hand.rows {
            let made = made_row(&table, &hand.call);
            let marks: Vec<&str> = if made.applicable {
                assert_eq!(
                    made.cells.len(),
                    by_hand.lines.len(),
                    "{name} {}",
                    hand.call
                );
                by_hand.lines.iter().map(|line| mark(&made, line)).collect()
            } else {
                assert!(made.cells.is_empty() && !made.why_not.is_empty());
                vec!["-"]
            };
            assert_eq!(marks, hand.marks, "{name}: {}", hand.call);
        }
        let calls: Vec<&Call> = by_hand.rows.iter().map(|row| &row.call).collect();
        for call in &Call::TABLE {
            assert!(calls.contains(&call), "{name}: no row for {call}");
        }
    }
}

#[test]
fn every_stock_profile_has_a_table_worked_by_hand_and_the_reverse() {
    let profiles = names_in("benches-config/profiles");
    assert_eq!(profiles, names_in("tests/fixtures/truth_tables"));
    assert!(profiles.len() >= 16, "{} stock profiles", profiles.len());
}

#[test]
fn stock_profiles_open_with_the_schema_line_and_the_caution() {
    for name in names_in("benches-config/profiles") {
        let path = repository("benches-config/profiles").join(format!("{name}.toml"));
        let text = std::fs::read_to_string(path).expect("a profile that was listed");
        assert!(
            text.starts_with("#:schema ../profile.schema.json\n# "),
            "{name}"
        );
        let comment: String = text.lines().filter(|line| line.starts_with('#')).collect();
        assert!(comment.contains("never from a wire's"), "{name}");
    }
}
