//! A profile file to a profile.
//!
//! Place in the data's path: reads each key on its own into a draft; [`Profile::new`] alone knows
//! the rules between keys, and its problems are given their places here. docs/profile-file.md
//! lists every key.

use super::locate::locate;
use super::nearest::help_for;
use super::problem::ConfigErrors;
use super::source::{Finding, Findings, Source, read_text};
use super::table::{Located, TableReader};
use crate::domain::profile::{
    Accessory, Active, Arrangement, Auxiliary, Changeover, ChangeoverAtRest, Direction, FanInHeat,
    Heat, Interface, Kind,
};
use crate::domain::{Call, Profile, ProfileDraft};
use crate::units::{Seconds, Terminal};
use std::path::{Path, PathBuf};

/// The longest minimum-off time that a file may ask for: a day.
const LONGEST_MINIMUM_OFF_S: u64 = 86_400;

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
    if let Err(problems) = &profile {
        for problem in problems {
            let key = key_in_file(&problem.key, &accessory_indices);
            // A value that could not be taken is missing from the draft; it was said already.
            if !findings.has(&key) {
                let span = locate(&document, &key);
                let finding = Finding::new(span, key, problem.message.as_str());
                findings.add(finding.help_where_known(problem.help.clone()));
            }
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
        let minimum_off = timing.integer("minimum_off_s", 0..=LONGEST_MINIMUM_OFF_S);
        draft.minimum_off_s = value(minimum_off).map(Seconds);
        timing.finish();
    }
    let mut indices = Vec::new();
    for (index, table) in root.tables("accessory").into_iter().enumerate() {
        if let Some(accessory) = read_accessory(table, draft.kind) {
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
    draft.compressor_stages = value(table.small("compressor_stages", 0..=2));
    draft.heat_stages = value(table.small("heat_stages", 0..=2));
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
    let kind = draft.kind;
    let resolve = |name: &str| resolve(name, kind);
    draft.auxiliary_lines = value(table.terminals("auxiliary_lines", &resolve));
    draft.emergency = value(table.terminals("emergency", &resolve));
    draft.present = value(table.terminals("present", &resolve));
    draft.tied = value(table.terminal_groups("tied", &resolve));
    draft.common_on = value(table.terminal("common_on", &resolve));
    table.finish();
}

fn read_accessory(table: TableReader<'_>, kind: Option<Kind>) -> Option<Accessory> {
    table.require("terminal", "the accessory's terminal, such as \"HUM\"");
    let terminal = table.terminal("terminal", &|name| resolve(name, kind));
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

/// The terminal that a name means in a profile of this kind.
fn resolve(name: &str, kind: Option<Kind>) -> Result<Terminal, String> {
    match name {
        "Y" => Ok(Terminal::known("Y1")),
        "W" => match kind {
            Some(Kind::FurnaceAndCooling) | None => Ok(Terminal::known("W1")),
            Some(kind) => Err(w_is_ambiguous(kind)),
        },
        _ => Terminal::new(name).map_err(|error| error.to_string()),
    }
}

/// Why `W` is refused on a heat pump.
pub(super) fn w_is_ambiguous(kind: Kind) -> String {
    format!("on a {kind} `W` may mean W1 or W2 (auxiliary heat): write the one that is meant")
}

fn value<T>(located: Option<Located<T>>) -> Option<T> {
    located.map(|located| located.value)
}
