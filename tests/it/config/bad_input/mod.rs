//! A bad value for every key: each is refused at its line and column, under its key, with what was
//! expected; each key misspelt names the right one; and nothing is opened.
//!
//! Which keys there are is taken from the schemas: a key without a row here fails the test.

mod bench;
mod circuit;
mod controller_supply;
mod profile;
mod sections;

use coilcall::config::{ConfigErrors, bench_schema, parse_bench, parse_profile, profile_schema};
use sections::{Sections, path_of};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::net::TcpListener;
use std::path::Path;
use std::process::Command;

/// The header of a table in the sound file (`""` is the top), a key of it, a bad value, and words
/// that the refusal holds. Where the problem lies inside the value, `«` stands before it.
type Row = (&'static str, &'static str, &'static str, &'static str);

/// A kind of file: its sound text, its reader, its schema, and the rows.
struct Kind {
    name: &'static str,
    sound: String,
    errors: fn(&str) -> Option<ConfigErrors>,
    schema: Value,
    rows: Vec<Row>,
}

fn kinds() -> [Kind; 3] {
    let bench = |sound: &str, rows| Kind {
        name: "bench",
        sound: sound.to_owned(),
        errors: |text| parse_bench(Path::new("bench.toml"), text.to_owned()).err(),
        schema: bench_schema(),
        rows,
    };
    let every_table = include_str!("../../../fixtures/schemas/every_table_bench.toml");
    [
        bench(every_table, [bench::ROWS, circuit::ROWS].concat()),
        bench(controller_supply::SOUND, controller_supply::ROWS.to_vec()),
        Kind {
            name: "profile",
            sound: [profile::SOUND, circuit::SOUND].concat(),
            errors: |text| parse_profile(Path::new("profile.toml"), text.to_owned()).err(),
            schema: profile_schema(),
            rows: [profile::ROWS, circuit::ROWS].concat(),
        },
    ]
}

/// The key as the schema has it: names that the user chose stand as `*`, and the place in an array
/// is left out.
fn in_schema(path: &str) -> String {
    let words = path
        .split('.')
        .map(|word| word.split('[').next().expect("a first part"));
    let mut words: Vec<&str> = words.collect();
    let named = match words.as_slice() {
        ["link" | "device", _, ..] => Some(1),
        ["circuit", "coil" | "joint", _, ..] => Some(2),
        _ => None,
    };
    if let Some(named) = named {
        words[named] = "*";
    }
    words.join(".")
}

fn key_of((header, key, ..): &Row) -> String {
    match path_of(header) {
        "" => (*key).to_owned(),
        path => in_schema(&format!("{path}.{key}")),
    }
}

/// Every key that a schema knows, at whatever depth.
fn keys_of(schema: &Value, path: &str, found: &mut BTreeSet<String>) {
    for choice in ["anyOf", "allOf", "oneOf"] {
        for inner in schema[choice].as_array().into_iter().flatten() {
            keys_of(inner, path, found);
        }
    }
    for (key, inner) in schema["properties"].as_object().into_iter().flatten() {
        let path = if path.is_empty() {
            key.clone()
        } else {
            format!("{path}.{key}")
        };
        keys_of(inner, &path, found);
        found.insert(path);
    }
    for inner in schema["patternProperties"]
        .as_object()
        .into_iter()
        .flatten()
    {
        keys_of(inner.1, &format!("{path}.*"), found);
    }
    if schema["items"].is_object() {
        keys_of(&schema["items"], path, found);
    }
}

#[test]
fn the_sound_files_are_sound() {
    for kind in kinds() {
        let errors = (kind.errors)(&kind.sound);
        assert!(errors.is_none(), "{}: {errors:?}", kind.name);
    }
}

#[test]
fn every_key_of_the_schemas_has_a_bad_value_here() {
    let mut tried: BTreeMap<&str, BTreeSet<String>> = BTreeMap::new();
    for kind in kinds() {
        let keys = tried.entry(kind.name).or_default();
        keys.extend(kind.rows.iter().map(key_of));
    }
    for kind in kinds() {
        let mut known = BTreeSet::new();
        keys_of(&kind.schema, "", &mut known);
        let without: Vec<_> = known.difference(&tried[kind.name]).collect();
        let beyond: Vec<_> = tried[kind.name].difference(&known).collect();
        assert!(
            without.is_empty() && beyond.is_empty(),
            "{without:?} {beyond:?}"
        );
    }
}

/// The sound file with a row's bad value in it, and where the problem lies.
fn spoilt(sound: &str, (header, key, value, _): &Row) -> (String, usize, usize) {
    let shown = format!("{key} = {value}");
    let column = match shown.find('«') {
        Some(byte) => shown[..byte].chars().count() + 1,
        None => key.chars().count() + 4,
    };
    let (text, line) = Sections::of(sound).with(header, key, &shown.replace('«', ""));
    (text, line, column)
}

/// What is wrong with what the reader says of a row.
fn mistold(kind: &Kind, row: &Row) -> Option<String> {
    let (text, line, column) = spoilt(&kind.sound, row);
    let Some(errors) = (kind.errors)(&text) else {
        return Some("it is taken".to_owned());
    };
    let place = (Some(line), Some(column));
    let mut problems = errors.problems().iter();
    let there = problems.find(|problem| (problem.line, problem.column) == place);
    let Some(problem) = there else {
        return Some(format!("nothing at {line}:{column} in {errors}"));
    };
    let key = problem.key.as_deref().map(in_schema);
    if key != Some(key_of(row)) {
        return Some(format!("under the key {key:?}"));
    }
    let help = problem.help.as_deref().unwrap_or_default();
    let said = format!("{} / {help}", problem.message);
    if !said.contains(row.3) {
        return Some(said);
    }
    // One mistake, one problem.
    (errors.problems().len() > 1).then(|| errors.to_string())
}

#[test]
fn each_bad_value_is_told_at_its_place_under_its_key() {
    let mut wrong = Vec::new();
    for kind in kinds() {
        for row in &kind.rows {
            wrong.extend(mistold(&kind, row).map(|why| format!("{row:?}: {why}")));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

#[test]
fn each_key_misspelt_names_the_right_one() {
    let mut wrong = Vec::new();
    for kind in kinds() {
        for row in &kind.rows {
            let (header, key, ..) = row;
            let misspelt = format!("{key}x");
            // A name in place of a key has a table under it.
            let value = if *header == "[stimulus]" {
                "{ operator = true }"
            } else {
                "3"
            };
            let line = format!("{misspelt} = {value}");
            let (text, number) = Sections::of(&kind.sound).beside(header, &line);
            let errors = (kind.errors)(&text).unwrap_or_else(|| panic!("{row:?} is taken"));
            let expected = match *header {
                "[stimulus]" => format!("`{misspelt}` is not a call"),
                _ => format!("unknown key `{misspelt}`"),
            };
            let nearest = format!("did you mean `{key}`?");
            let told = errors.problems().iter().any(|problem| {
                (problem.line, problem.column) == (Some(number), Some(1))
                    && problem.message == expected
                    && problem.help.as_deref() == Some(nearest.as_str())
            });
            if !told || errors.problems().len() > 1 {
                wrong.push(format!("{row:?}: {errors}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

/// One row of each table through the built program, with a peer that would notice a connection.
#[test]
fn a_bad_value_ends_with_exit_2_and_nothing_is_opened() {
    let peer = TcpListener::bind("127.0.0.1:0").expect("a port");
    peer.set_nonblocking(true).expect("it is ours");
    let address = peer.local_addr().expect("bound").to_string();
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| folder.path().join(format!("{name}.toml"));
    let mut tables = BTreeSet::new();
    for kind in kinds() {
        for row in kind
            .rows
            .iter()
            .filter(|row| tables.insert((kind.sound.clone(), row.0)))
        {
            for sound in kinds() {
                std::fs::write(path(sound.name), here(&sound.sound, &address)).expect("written");
            }
            let (text, line, column) = spoilt(&kind.sound, row);
            std::fs::write(path(kind.name), here(&text, &address)).expect("written");
            let output = Command::new(env!("CARGO_BIN_EXE_coilcall"))
                .args(["run", "--bench", "bench.toml", "--profile", "profile.toml"])
                .current_dir(folder.path())
                .output()
                .expect("the program starts");
            let told = String::from_utf8(output.stderr).expect("UTF-8");
            assert_eq!(output.status.code(), Some(2), "{row:?}: {told}");
            let place = format!("{}.toml:{line}:{column}", kind.name);
            assert!(told.contains(&place), "{place} in {told}");
            assert!(told.contains("nothing was opened"), "{told}");
            assert!(output.stdout.is_empty());
        }
    }
    assert!(tables.len() > 50, "{}", tables.len());
    let none = peer.accept().expect_err("nobody connected");
    assert_eq!(none.kind(), std::io::ErrorKind::WouldBlock);
    assert!(!folder.path().join("runs").exists(), "no journal was begun");
}

fn here(text: &str, address: &str) -> String {
    text.replace("192.0.2.7:502", address)
        .replace("192.0.2.7:4001", address)
}
