//! A profile file to a profile.
//!
//! Place in the data's path: reads each key on its own into a draft; [`Profile::new`] alone knows
//! the rules between keys, and its problems are given their places here. docs/profile-file.md
//! lists every key.

use super::bench_file::circuit::{Wired, read_circuit};
use super::limits;
use super::locate::locate;
use super::nearest::help_for;
use super::problem::ConfigErrors;
use super::source::{Finding, Findings, Source, read_text};
use super::table::{Located, TableReader};
use crate::domain::circuit::CircuitValues;
use crate::domain::profile::{
    Accessory, Active, Arrangement, Auxiliary, Changeover, ChangeoverAtRest, Direction, FanInHeat,
    Heat, Interface, Kind,
};
use crate::domain::{Call, Profile, ProfileDraft, TruthTable};
use crate::units::{Seconds, Terminal};
use std::path::{Path, PathBuf};
use toml::de::DeTable;

/// A profile with the text that it came from.
#[derive(Debug, Clone, PartialEq)]
pub struct ProfileFile {
    /// The profile.
    pub profile: Profile,
    /// The file's text, for the journal.
    pub text: String,
    /// The file's path as given.
    pub path: PathBuf,
}

/// Reads a profile file.
///
/// # Errors
/// Everything that is wrong with it, each with its place.
pub fn read_profile(path: &Path) -> Result<ProfileFile, ConfigErrors> {
    parse_profile(path, read_text(path)?)
}

/// Takes a profile file's text that is at hand; the path only names it.
///
/// # Errors
/// Everything that is wrong with it, each with its place.
pub fn parse_profile(path: &Path, text: String) -> Result<ProfileFile, ConfigErrors> {
    let file = path.display().to_string();
    let source = Source {
        file: &file,
        text: &text,
    };
    let document = source.document()?;
    let findings = Findings::default();
    let (draft, accessory_indices) = read_draft(TableReader::root(&document, &findings));
    let profile = Profile::new(draft);
    check_circuit(&document, &findings, profile.as_ref().ok());
    if let Err(problems) = &profile {
        let told_by_rules: Vec<Finding> = problems
            .iter()
            .map(|problem| (key_in_file(&problem.key, &accessory_indices), problem))
            .filter(|(key, _)| !follows_from_one_said(&findings, key))
            .map(|(key, problem)| {
                let span = locate(&document, &key);
                Finding::new(span, key, problem.message.as_str())
                    .help_where_known(problem.help.clone())
            })
            .collect();
        for finding in told_by_rules {
            findings.add(finding);
        }
    }
    match profile {
        Ok(profile) if !findings.any() => Ok(ProfileFile {
            profile,
            text,
            path: path.to_owned(),
        }),
        _ => Err(source.errors(findings.into_vec())),
    }
}

/// `[circuit]` by itself: read with the defaults, for its mistakes; the values that hold are
/// [`circuit_values`](super::circuit_values)'s to say.
fn check_circuit(document: &DeTable<'_>, findings: &Findings, profile: Option<&Profile>) {
    let resolve = |name: &str| match profile {
        Some(profile) => profile.resolve_terminal(name),
        None => as_written(name),
    };
    let lines = |profile: &Profile| TruthTable::of(profile).lines().to_vec();
    let wired = Wired {
        resolve: &resolve,
        lines: profile.map(lines),
    };
    let root = TableReader::root(document, findings);
    read_circuit(&root, CircuitValues::default(), &wired);
}

/// Which keys a rule may wrongly complain of where another key's value could not be taken.
const LED_ASTRAY: [(&str, &[&str]); 8] = [
    (
        "equipment.interface",
        &[
            "equipment.changeover",
            "equipment.changeover_at_rest",
            "equipment.heat_stages",
            "equipment.fan_in_heat",
            "equipment.auxiliary",
            "equipment.auxiliary_lines",
            "equipment.emergency",
            "equipment.present",
            "equipment.tied",
            "accessory",
        ],
    ),
    ("equipment.changeover", &["equipment.tied"]),
    (
        "equipment.heat",
        &[
            "equipment.fan_in_heat",
            "equipment.auxiliary_lines",
            "equipment.emergency",
            "equipment.tied",
        ],
    ),
    (
        "equipment.fan_line",
        &["equipment.fan_in_heat", "equipment.tied"],
    ),
    ("equipment.auxiliary", &["equipment.fan_in_heat"]),
    (
        "equipment.auxiliary_lines",
        &["equipment.emergency", "equipment.present", "equipment.tied"],
    ),
    (
        "equipment.emergency",
        &["equipment.present", "equipment.tied"],
    ),
    ("equipment.present", &["equipment.tied"]),
];

/// Whether a rule's problem with a key only follows from a problem that was said already: a value
/// that could not be taken is missing from the draft.
fn follows_from_one_said(findings: &Findings, key: &str) -> bool {
    let concerns = |part: &str| key.strip_prefix(part).is_some_and(starts_no_longer_word);
    // Where the whole table could not be read, none of its keys is missing.
    let table = key.split('.').next().unwrap_or(key);
    findings.has(key)
        || findings.has_exactly(table)
        || LED_ASTRAY
            .iter()
            .any(|(cause, led)| findings.has(cause) && led.iter().any(|part| concerns(part)))
}

fn starts_no_longer_word(rest: &str) -> bool {
    rest.is_empty() || rest.starts_with(['.', '['])
}

/// The key's path in the file: an accessory that could not be taken is not in the draft, so the
/// draft's numbers of those after it are lower than the file's.
fn key_in_file(key: &str, accessory_indices: &[usize]) -> String {
    let in_file = || {
        let (index, rest) = key.strip_prefix("accessory[")?.split_once(']')?;
        let index = accessory_indices.get(index.parse::<usize>().ok()?)?;
        Some(format!("accessory[{index}]{rest}"))
    };
    in_file().unwrap_or_else(|| key.to_owned())
}

/// The draft, and for each of its accessories its number in the file.
fn read_draft(root: TableReader<'_>) -> (ProfileDraft, Vec<usize>) {
    let mut draft = ProfileDraft {
        name: root.string("name").map(|name| name.value),
        ..ProfileDraft::default()
    };
    if let Some(equipment) = root.table("equipment") {
        read_equipment(equipment, &mut draft);
    }
    if let Some(supply) = root.table("supply") {
        let arrangement = supply.word("arrangement", Arrangement::ALL, Arrangement::word);
        draft.arrangement = value(arrangement);
        supply.finish();
    }
    if let Some(timing) = root.table("timing") {
        let minimum_off = timing.integer("minimum_off_s", limits::MINIMUM_OFF_S);
        draft.minimum_off_s = value(minimum_off).map(Seconds);
        let delay = |key| value(timing.integer(key, limits::DELAY_S)).map(Seconds);
        draft.heat_fan_delay_s = delay("heat_fan_delay_s");
        draft.fan_off_delay_s = delay("fan_off_delay_s");
        draft.cool_down_s = delay("cool_down_s");
        timing.finish();
    }
    root.leave(&["circuit"]);
    let mut indices = Vec::new();
    for (index, table) in root.tables("accessory").into_iter().enumerate() {
        if let Some(accessory) = read_accessory(table) {
            draft.accessories.push(accessory);
            indices.push(index);
        }
    }
    root.finish();
    (draft, indices)
}

fn read_equipment(table: TableReader<'_>, draft: &mut ProfileDraft) {
    draft.kind = value(table.word("kind", Kind::ALL, Kind::word));
    draft.interface = value(table.word("interface", Interface::ALL, Interface::word));
    draft.compressor_stages = value(table.small("compressor_stages", limits::STAGES));
    draft.heat_stages = value(table.small("heat_stages", limits::STAGES));
    draft.changeover = value(table.word("changeover", Changeover::ALL, Changeover::word));
    draft.changeover_at_rest = value(table.word(
        "changeover_at_rest",
        ChangeoverAtRest::ALL,
        ChangeoverAtRest::word,
    ));
    draft.heat = value(table.word("heat", Heat::ALL, Heat::word));
    draft.fan_in_heat = value(table.word("fan_in_heat", FanInHeat::ALL, FanInHeat::word));
    draft.fan_line = value(table.boolean("fan_line"));
    draft.auxiliary = value(table.word("auxiliary", Auxiliary::ALL, Auxiliary::word));
    draft.auxiliary_lines = value(table.terminals("auxiliary_lines", &as_written));
    draft.emergency = value(table.terminals("emergency", &as_written));
    draft.present = value(table.terminals("present", &as_written));
    draft.tied = value(table.terminal_groups("tied", &as_written));
    draft.common_on = value(table.terminal("common_on", &as_written));
    table.finish();
}

fn read_accessory(table: TableReader<'_>) -> Option<Accessory> {
    table.require("terminal", "the accessory's terminal, such as \"HUM\"");
    let terminal = table.terminal("terminal", &as_written);
    let direction = table.word("direction", Direction::ALL, Direction::word);
    let active = table.word("active", Active::ALL, Active::word);
    let on_in = read_calls(&table, "on_in");
    let either_in = read_calls(&table, "either_in");
    table.finish();
    Some(Accessory {
        terminal: terminal?.value,
        direction: value(direction).unwrap_or(Direction::Output),
        active: value(active).unwrap_or(Active::On),
        on_in,
        either_in,
    })
}

fn read_calls(table: &TableReader<'_>, key: &'static str) -> Vec<Call> {
    let names = table.strings(key).unwrap_or_default();
    let mut calls = Vec::new();
    for name in names {
        match name.value.parse::<Call>() {
            Ok(Call::Alone(_)) => {
                table.findings().add(name.finding(
                    "an `alone:` call is one line by itself; an accessory cannot act in it",
                ))
            }
            Ok(call) => calls.push(call),
            Err(_) => {
                let mut known = Call::TABLE.map(|call| call.to_string()).to_vec();
                known.push(Call::Defrost.to_string());
                let known: Vec<&str> = known.iter().map(String::as_str).collect();
                let finding = name.finding(format!("`{}` is not a call", name.value));
                table
                    .findings()
                    .add(finding.help_where_known(help_for(&name.value, &known)));
            }
        }
    }
    calls
}

/// A terminal by its name as written: the profile itself resolves the aliases Y and W.
fn as_written(name: &str) -> Result<Terminal, String> {
    Terminal::new(name).map_err(|error| error.to_string())
}

fn value<T>(located: Option<Located<T>>) -> Option<T> {
    located.map(|located| located.value)
}
