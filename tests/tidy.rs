//! The project's own rules as ordinary tests: floors, sizes, banned words.
//!
//! Each rule says its reason in the message of its failure. What is checked is text, so a rule may
//! be wrong about a string or a comment; such a place is reworded, not excepted.
#![allow(missing_docs, reason = "tests explain themselves")]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// Every tracked kind of source file, by path from the project's top.
fn sources(under: &str) -> BTreeMap<String, String> {
    let top = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut found = BTreeMap::new();
    let mut folders = vec![top.join(under)];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).expect("the folder is there") {
            let path: PathBuf = entry.expect("its entries can be read").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                let name = path
                    .strip_prefix(top)
                    .expect("below the top")
                    .display()
                    .to_string();
                found.insert(name, fs::read_to_string(&path).expect("sources are UTF-8"));
            }
        }
    }
    assert!(!found.is_empty(), "no sources under {under}");
    found
}

fn all_sources() -> BTreeMap<String, String> {
    let mut all = sources("src");
    all.extend(sources("tests"));
    all
}

/// The part of a source before its unit tests.
fn without_unit_tests(text: &str) -> &str {
    text.split("#[cfg(test)]\nmod ").next().unwrap_or(text)
}

fn report(problems: &[String]) {
    assert!(problems.is_empty(), "\n{}", problems.join("\n"));
}

/// The floors: what each module may import of the crate.
const FLOORS: [(&str, &[&str]); 15] = [
    ("units", &["units"]),
    ("domain", &["domain", "units"]),
    ("event", &["event", "domain", "units"]),
    ("port", &["port", "event", "domain", "units"]),
    ("wire", &["wire", "units"]),
    ("config", &["config", "domain", "units"]),
    ("driver", &["driver", "port", "wire", "units"]),
    ("sim", &["sim", "wire", "domain", "units"]),
    ("runner", &["runner", "port", "event", "domain", "units"]),
    ("store", &["store", "port", "event", "domain", "units"]),
    ("report", &["report", "event", "domain", "units"]),
    (
        "terminal",
        &["terminal", "report", "store", "event", "domain", "units"],
    ),
    (
        "web",
        &["web", "report", "store", "event", "domain", "units"],
    ),
    ("app", &[]),
    ("cli", &[]),
];

#[test]
fn floors_import_only_what_lies_below() {
    let mut problems = Vec::new();
    for (file, text) in sources("src") {
        let module = file
            .split('/')
            .nth(1)
            .unwrap_or_default()
            .trim_end_matches(".rs");
        if matches!(module, "lib" | "main") {
            continue;
        }
        let Some((_, allowed)) = FLOORS.iter().find(|(name, _)| *name == module) else {
            problems.push(format!("{file}: {module} is on no floor"));
            continue;
        };
        if allowed.is_empty() {
            continue;
        }
        // A floor's own unit tests may look further down, never further up.
        for (number, line) in without_unit_tests(&text).lines().enumerate() {
            for part in line.split("crate::").skip(1) {
                let name: String = part
                    .chars()
                    .take_while(|c| c.is_alphanumeric() || *c == '_')
                    .collect();
                let known = FLOORS.iter().any(|(floor, _)| *floor == name);
                if known && !allowed.contains(&name.as_str()) {
                    let at = number + 1;
                    problems.push(format!("{file}:{at}: {module} must not import {name}"));
                }
            }
        }
    }
    report(&problems);
}

#[test]
fn the_pure_floor_does_nothing_but_compute() {
    let banned = [
        "tokio",
        "std::fs",
        "std::net",
        "std::time::",
        "rand",
        "jiff",
        "println!",
        "async fn",
    ];
    let mut problems = Vec::new();
    for (file, text) in sources("src/domain") {
        for (number, line) in without_unit_tests(&text).lines().enumerate() {
            let code = line.split("//").next().unwrap_or_default();
            for word in banned {
                let found = code.match_indices(word).any(|(at, _)| {
                    !code[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_')
                });
                if found {
                    problems.push(format!("{file}:{}: {word} in the pure floor", number + 1));
                }
            }
        }
    }
    report(&problems);
}

#[test]
fn files_and_lines_stay_small() {
    let mut problems = Vec::new();
    for (file, text) in all_sources() {
        let lines = text.lines().count();
        if lines > 600 {
            problems.push(format!(
                "{file}: {lines} lines; 600 at most, so that it can be read"
            ));
        }
        for (number, line) in text.lines().enumerate() {
            if line.chars().count() > 100 {
                problems.push(format!("{file}:{}: longer than 100 characters", number + 1));
            }
        }
        if !text.starts_with("//!") {
            problems.push(format!(
                "{file}: no opening lines that say its purpose and its place"
            ));
        }
        if file.ends_with("/mod.rs") && file.starts_with("src/") {
            let code = without_unit_tests(&text);
            let defines = code.lines().any(|line| {
                let line = line
                    .trim_start_matches("pub(crate) ")
                    .trim_start_matches("pub ");
                line.starts_with("fn ") || line.starts_with("async fn ") || line.starts_with("impl")
            });
            if defines && !file.starts_with("src/port/") {
                problems.push(format!("{file}: a mod.rs holds docs and re-exports only"));
            }
        }
    }
    report(&problems);
}

/// A word, where it is banned, and why.
struct Banned {
    word: &'static str,
    under: &'static str,
    except: &'static [&'static str],
    why: &'static str,
}

#[test]
fn banned_words_stay_out() {
    // Put together here, so that this file does not hold them itself.
    let sleeps = ["thread::sleep", "time::sleep"].map(|word| word.to_owned());
    let rules = [
        Banned {
            word: "Instant::now",
            under: "src/",
            except: &["src/port/clock.rs"],
            why: "only the clock reads the clock",
        },
        Banned {
            word: "SystemTime::now",
            under: "src/",
            except: &[],
            why: "only the clock reads the clock",
        },
        Banned {
            word: "Timestamp::now",
            under: "src/",
            except: &["src/port/clock.rs"],
            why: "only the clock reads the clock",
        },
        Banned {
            word: "println!",
            under: "src/",
            except: &[],
            why: "it panics on a closed pipe; write through cli's output",
        },
        Banned {
            word: "HashMap",
            under: "src/",
            except: &[],
            why: "its order must never reach an output",
        },
        Banned {
            word: "HashSet",
            under: "src/",
            except: &[],
            why: "its order must never reach an output",
        },
        Banned {
            word: "#[ignore",
            under: "tests/",
            except: &[],
            why: "a test that does not run shows nothing",
        },
    ];
    let mut problems = Vec::new();
    for (file, text) in all_sources() {
        if file == "tests/tidy.rs" {
            continue;
        }
        for (number, line) in text.lines().enumerate() {
            let code = line.split("//").next().unwrap_or_default();
            for rule in &rules {
                let applies = file.starts_with(rule.under) && !rule.except.contains(&file.as_str());
                if applies && code.contains(rule.word) {
                    let (word, why) = (rule.word, rule.why);
                    problems.push(format!("{file}:{}: {word}: {why}", number + 1));
                }
            }
            if file.starts_with("tests/") && sleeps.iter().any(|word| code.contains(word)) {
                let at = number + 1;
                problems.push(format!("{file}:{at}: a sleep in place of a condition"));
            }
        }
    }
    report(&problems);
}

#[test]
fn every_select_is_biased() {
    let mut problems = Vec::new();
    for (file, text) in all_sources() {
        if file == "tests/tidy.rs" {
            continue;
        }
        let lines: Vec<&str> = text.lines().collect();
        for (number, line) in lines.iter().enumerate() {
            let code = line.split("//").next().unwrap_or_default();
            if code.contains("select! {") {
                let next = lines
                    .get(number + 1)
                    .map(|line| line.trim())
                    .unwrap_or_default();
                if next != "biased;" {
                    let at = number + 1;
                    problems.push(format!("{file}:{at}: an unbiased select makes runs differ"));
                }
            }
        }
    }
    report(&problems);
}
