//! Every ready-made bench with every ready-made profile: those that fit run unattended and pass,
//! the others are refused for what does not fit, before anything is opened. Which fit is decided
//! by `pairing`, not by the program.

use super::contract::assert_run;
use super::{coilcall, journals};
use crate::pairing::{Stock, stock, why_not};
use crate::truth_table::hand_table;
use coilcall::domain::Call;
use std::collections::BTreeSet;
use std::fmt::Write;
use std::path::Path;

/// Runs one pair on the simulated bench; whether it fits.
fn check(bench: &Stock, profile: &Stock, out: &str) -> bool {
    let files = (
        format!("benches/{}.toml", bench.name),
        format!("profiles/{}.toml", profile.name),
    );
    let pair = ["--bench", &files.0, "--profile", &files.1];
    let ran = coilcall(&[&["run", "--simulate", "--json", "--out", out], &pair[..]].concat());
    let reasons = why_not(bench, profile);
    if !reasons.is_empty() {
        let words: Vec<&str> = reasons.iter().map(String::as_str).collect();
        ran.refused(&[&words[..], &["nothing was opened", &files.0]].concat());
        return false;
    }
    assert_eq!(ran.code, Some(0), "{pair:?}: {}", ran.stderr);
    let told = ran.json();
    assert_run(&told);
    assert_eq!(told["verdict"], "pass");
    assert_eq!(told["made_safe"], true);
    assert_eq!(told["diagnosis"]["conclusion"], "healthy", "{pair:?}");
    // Each call of the table that applies was made, by name.
    let steps = told["steps"].as_array().expect("steps");
    let made: BTreeSet<&str> = steps
        .iter()
        .filter_map(|step| step["call"].as_str())
        .collect();
    for row in hand_table(&profile.name).rows {
        let in_table = !matches!(row.call, Call::Alone(_) | Call::Defrost) && row.marks.len() > 1;
        let name = row.call.to_string();
        assert!(
            !in_table || made.contains(name.as_str()),
            "{pair:?}: {name} was not made"
        );
    }
    true
}

#[test]
fn every_pair_that_fits_passes_on_the_simulated_bench() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().to_str().expect("UTF-8");
    let (benches, profiles) = (stock("benches"), stock("profiles"));
    let halves = benches.split_at(benches.len() / 2);
    let run = |benches: &[Stock]| {
        let pairs = benches
            .iter()
            .flat_map(|b| profiles.iter().map(move |p| (b, p)));
        pairs
            .filter(|(bench, profile)| check(bench, profile, out))
            .count()
    };
    let passed = std::thread::scope(|scope| {
        let other = scope.spawn(|| run(halves.1));
        run(halves.0) + other.join().expect("no pair failed")
    });
    assert!(passed >= 400, "{passed} pairs");
    let kept = journals(folder.path()).len();
    assert_eq!(kept, passed, "no journal where nothing was run");
}

/// What a technician with jumpers and a lamp answers at sound wiring: done, and the lines that the
/// table worked by hand has on.
fn answers(profile: &Stock) -> String {
    let hand = hand_table(&profile.name);
    let mut text = "[answers]\n\"observe:idle\" = \"none\"\n".to_owned();
    let dual = profile.document.get("supply").is_some();
    let rails = if dual { "Rc Rh" } else { "R" };
    writeln!(text, "\"observe:supply\" = \"{rails}\"").expect("a text grows");
    for row in &hand.rows {
        let call = &row.call;
        if matches!(call, Call::Idle | Call::Alone(_) | Call::Defrost) || row.marks.len() < 2 {
            continue;
        }
        let marked = hand.lines.iter().zip(&row.marks);
        let on = marked.filter(|(_, mark)| matches!(mark.as_str(), "1" | "+"));
        let on: Vec<&str> = on.map(|(line, _)| line.as_str()).collect();
        writeln!(
            text,
            "\"make:{call}\" = \"done\"\n\"end:{call}\" = \"done\"\n\
             \"observe:{call}\" = \"{}\"",
            on.join(" ")
        )
        .expect("a text grows");
    }
    text
}

fn run_by_hand(profile: &Stock, answers: &str, folder: &Path) -> super::Ran {
    let file = folder.join("answers.toml");
    std::fs::write(&file, answers).expect("written");
    let dual = profile.document.get("supply").is_some();
    let bench = if dual { "two-supplies" } else { "and-lamp" };
    let bench = format!("benches/jumpers-{bench}.toml");
    let profile_file = format!("profiles/{}.toml", profile.name);
    let hand = hand_table(&profile.name);
    let calls = hand.rows.iter().filter(|row| row.marks.len() > 1);
    let calls =
        calls.filter(|row| !matches!(row.call, Call::Idle | Call::Alone(_) | Call::Defrost));
    let calls: Vec<String> = calls.map(|row| row.call.to_string()).collect();
    coilcall(&[
        "run",
        "--json",
        "--bench",
        &bench,
        "--profile",
        &profile_file,
        "--answers",
        file.to_str().expect("UTF-8"),
        "--out",
        folder.join("runs").to_str().expect("UTF-8"),
        "--calls",
        &calls.join(","),
    ])
}

/// No simulator and no device: what the file answers decides, from the table worked by hand.
#[test]
fn a_technicians_answers_prove_every_profile_and_a_wrong_one_fails() {
    for profile in stock("profiles") {
        // An accessory that is live at rest has no one answer to `observe:idle`.
        if profile.document.contains_key("accessory") {
            continue;
        }
        let folder = tempfile::tempdir().expect("a folder");
        let right = answers(&profile);
        let ran = run_by_hand(&profile, &right, folder.path());
        assert_eq!(ran.code, Some(0), "{}: {}", profile.name, ran.stderr);
        assert_eq!(ran.json()["verdict"], "pass");
        let wrong = right.replacen("\"observe:idle\" = \"none\"", "\"observe:idle\" = \"L\"", 1);
        let ran = run_by_hand(&profile, &wrong, folder.path());
        assert_eq!(ran.code, Some(1), "{}: {}", profile.name, ran.stderr);
    }
}
