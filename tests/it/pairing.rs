//! Which ready-made bench serves which ready-made profile, decided from the files' own text and the
//! tables worked by hand, without the program's readers: what the program refuses is compared with
//! this, and never the other way round.

use crate::truth_table::{HandTable, hand_table};
use coilcall::domain::Call;
use std::path::{Path, PathBuf};
use toml::{Table, Value};

/// A ready-made file as TOML has it.
pub(crate) struct Stock {
    pub(crate) name: String,
    pub(crate) document: Table,
}

/// The ready-made files of one folder, by name.
pub(crate) fn stock_paths(folder: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("benches-config")
        .join(folder);
    let entries = std::fs::read_dir(&folder).expect("the folder is there");
    let mut paths: Vec<PathBuf> = entries
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "toml"))
        .collect();
    paths.sort();
    paths
}

pub(crate) fn stock(folder: &str) -> Vec<Stock> {
    let read = |path: PathBuf| Stock {
        name: path.file_stem().unwrap().to_str().unwrap().to_owned(),
        document: std::fs::read_to_string(&path).unwrap().parse().unwrap(),
    };
    stock_paths(folder).into_iter().map(read).collect()
}

fn text<'v>(value: &'v Value, key: &str) -> Option<&'v str> {
    value.get(key).and_then(Value::as_str)
}

/// One table or an array of them.
fn tables(value: Option<&Value>) -> Vec<&Value> {
    match value {
        Some(Value::Array(items)) => items.iter().collect(),
        Some(one) => vec![one],
        None => Vec::new(),
    }
}

/// The supply of a line where there are two: Rc for Y G O B, Rh for W and E (common
/// practice, no source).
fn rail(line: &str) -> &'static str {
    if line.starts_with('W') || line == "E" {
        "Rh"
    } else {
        "Rc"
    }
}

/// Whether a call that a bench can make drives the line.
fn is_called(hand: &HandTable, column: usize) -> bool {
    let driven = hand.rows.iter().filter(|row| {
        !matches!(row.call, Call::Alone(_) | Call::Defrost) && row.marks.len() > column
    });
    driven.into_iter().any(|row| row.marks[column] == "1")
}

/// Why the bench cannot prove this equipment, in words that a refusal must hold; empty where it
/// can.
pub(crate) fn why_not(bench: &Stock, profile: &Stock) -> Vec<String> {
    let hand = hand_table(&profile.name);
    let lines = tables(bench.document.get("line"));
    let of = |name: &str| {
        lines
            .iter()
            .find(|line| text(line, "terminal") == Some(name))
    };
    let common = text(&profile.document["equipment"], "common_on").unwrap_or("C");
    let drives = lines.iter().any(|line| line.get("drive").is_some());
    let mut reasons = Vec::new();
    if of(common).is_some_and(|line| line.get("drive").is_some()) {
        reasons.push(format!("{common} carries the common of this equipment"));
    }
    for (column, name) in hand.lines.iter().enumerate() {
        let name = name.as_str();
        let Some(line) = of(name) else {
            reasons.push(format!("line {name} of profile"));
            continue;
        };
        if drives && line.get("drive").is_none() && is_called(&hand, column) {
            reasons.push(format!("line {name} is called by this profile"));
        }
    }
    let supply = profile.document.get("supply");
    if supply.and_then(|supply| text(supply, "arrangement")) == Some("dual") {
        reasons.extend(not_parted(bench, &hand));
    }
    reasons
}

/// With two supplies every drive, sense and load states its own, both rails are sensed, and no
/// master relay joins them.
fn not_parted(bench: &Stock, hand: &HandTable) -> Vec<String> {
    let mut reasons = Vec::new();
    let sensed = tables(bench.document["supply"].get("sense"));
    if sensed
        .iter()
        .any(|sense| matches!(text(sense, "rail"), None | Some("R")))
    {
        reasons.push("two supplies, but the bench senses R".to_owned());
    }
    if bench.document.contains_key("master") {
        reasons.push("two supplies, and one master relay feeds all others".to_owned());
    }
    for line in tables(bench.document.get("line")) {
        let name = text(line, "terminal").expect("a terminal");
        if !hand.lines.iter().any(|known| known.as_str() == name) {
            continue;
        }
        let mut states = vec![("common", line.get("drive")), ("supply", line.get("load"))];
        states.extend(
            tables(line.get("sense"))
                .into_iter()
                .map(|s| ("supply", Some(s))),
        );
        for (key, part) in states {
            let Some(part) = part else { continue };
            if text(part, key) != Some(rail(name)) {
                reasons.push(format!("line {name} must state {key} = \"{}\"", rail(name)));
            }
        }
    }
    reasons
}

/// The three whose work this is: a training centre's panel, the bench of quality assurance, the
/// portable harness with its meter and jumpers.
pub(crate) fn user(bench: &Stock) -> &'static str {
    let document = &bench.document;
    let by_hand = |line: &Value| line.get("drive").is_none();
    match document["under_test"].as_str().expect("text") {
        "controller" => "quality assurance",
        "wiring" if !tables(document.get("line")).into_iter().all(by_hand) => "training",
        _ => "technician",
    }
}
