//! Files of both kinds, good and bad: what is read, what is refused, and where it is said.

mod bad_input;
mod bench_rules;
mod bench_values;
mod controller_supply;
mod files;
mod fitting;
mod mutations;
mod profile_problems;
mod redirected;
pub(crate) mod schema;
mod stock;

use coilcall::config::{ConfigErrors, parse_bench, parse_profile};
use std::path::Path;

/// A bench that is sound: the tests break one thing in it at a time.
const BENCH: &str = r#"name = "Panel"
under_test = "wiring"
loads = "dummy"

[link.board]
serial = { path = "/dev/ttyUSB0", baud = 9600 }

[device.board]
link = "board"
modbus-rtu = { unit = 1, coils = 8, discrete_inputs = 8 }

[supply]
source = "equipment"
sense = { device = "board", input = 7 }

[[line]]
terminal = "Y1"
drive = { device = "board", coil = 0 }
sense = { device = "board", input = 0 }

[[line]]
terminal = "G"
drive = { device = "board", coil = 1 }
sense = { device = "board", input = 1 }
"#;

/// A profile that is sound.
const PROFILE: &str = r#"name = "One stage, no auxiliary heat"

[equipment]
kind = "heat-pump"
compressor_stages = 1
heat_stages = 0
changeover = "o"
"#;

fn bench_errors(text: &str) -> ConfigErrors {
    parse_bench(Path::new("bench.toml"), text.to_owned())
        .expect_err("the bench has a problem in it")
}

fn profile_errors(text: &str) -> ConfigErrors {
    parse_profile(Path::new("profile.toml"), text.to_owned())
        .expect_err("the profile has a problem in it")
}

/// One text replaced by another; it must be there, once.
fn with(text: &str, old: &str, new: &str) -> String {
    assert_eq!(text.matches(old).count(), 1, "{old:?} is there once");
    text.replacen(old, new, 1)
}

/// The problems as `line:column message / help`, one a line.
fn told(errors: &ConfigErrors) -> String {
    let lines = errors.problems().iter().map(|problem| {
        let number = |n: Option<usize>| n.map_or("-".to_owned(), |n| n.to_string());
        let place = format!("{}:{}", number(problem.line), number(problem.column));
        let help = problem.help.as_deref().unwrap_or("-");
        format!("{place} {} / {help}\n", problem.message)
    });
    lines.collect()
}

/// Exactly one problem, at this place, with these words in its message or its help.
fn assert_one(errors: &ConfigErrors, place: &str, words: &[&str]) {
    let told = told(errors);
    assert_eq!(errors.problems().len(), 1, "{told}");
    assert!(told.starts_with(&format!("{place} ")), "{told}");
    for part in words {
        assert!(told.contains(part), "{part:?} in {told}");
    }
}

/// The sound bench with one text replaced has exactly this problem.
fn check_bench(old: &str, new: &str, place: &str, words: &[&str]) {
    assert_one(&bench_errors(&with(BENCH, old, new)), place, words);
}

/// The sound profile with one text replaced has exactly this problem.
fn check_profile(old: &str, new: &str, place: &str, words: &[&str]) {
    assert_one(&profile_errors(&with(PROFILE, old, new)), place, words);
}
