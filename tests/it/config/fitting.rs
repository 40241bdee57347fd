//! Whether a bench serves a profile.

use super::{BENCH, PROFILE, assert_one, told, with};
use coilcall::config::{ConfigErrors, fit, parse_bench, parse_profile};
use std::path::Path;

fn compared(profile: &str, bench: &str) -> Result<Vec<String>, ConfigErrors> {
    let profile = parse_profile(Path::new("profile.toml"), profile.to_owned());
    let profile = profile.unwrap_or_else(|errors| panic!("{errors}"));
    let bench = parse_bench(Path::new("bench.toml"), bench.to_owned());
    let bench = bench.unwrap_or_else(|errors| panic!("{errors}"));
    fit(&profile, &bench)
}

/// The bench with one line more.
fn line(bench: &str, terminal: &str, point: u8) -> String {
    format!(
        "{bench}\n[[line]]\nterminal = \"{terminal}\"\n\
         drive = {{ device = \"board\", coil = {point} }}\n\
         sense = {{ device = \"board\", input = {point} }}\n"
    )
}

#[test]
fn a_line_that_the_profile_needs_is_missed() {
    let errors = compared(PROFILE, BENCH).expect_err("O is missing");
    assert_one(
        &errors,
        "22:12",
        &["line O of profile", "terminal = \"O\"", "has Y1, G"],
    );
    assert_eq!(errors.problems()[0].file, "bench.toml");
    assert_eq!(compared(PROFILE, &line(BENCH, "O", 2)), Ok(vec![]));
}

#[test]
fn a_line_that_the_profile_lacks_is_a_note() {
    let bench = line(&line(BENCH, "O", 2), "L", 3);
    let notes = compared(PROFILE, &bench).expect("it fits");
    assert_eq!(notes.len(), 1);
    assert!(
        notes[0].ends_with("never driven and expected off: L"),
        "{notes:?}"
    );
}

#[test]
fn a_called_line_is_driven_unless_it_is_an_input() {
    let bench = line(BENCH, "O", 2).replace("drive = { device = \"board\", coil = 0 }\n", "");
    let errors = compared(PROFILE, &bench).expect_err("Y1 is not driven");
    assert_one(
        &errors,
        "17:12",
        &["line Y1 is called by this profile, but nothing drives it"],
    );
    let profile = format!(
        "{PROFILE}[[accessory]]\nterminal = \"L\"\ndirection = \"input\"\non_in = [\"cooling-1\"]\n"
    );
    let sensed = line(&line(BENCH, "O", 2), "L", 3);
    let notes = compared(&profile, &sensed).expect("it fits");
    assert!(notes[0].contains("line L is an input"), "{notes:?}");
    let sensed = sensed.replace("drive = { device = \"board\", coil = 3 }\n", "");
    assert_eq!(compared(&profile, &sensed), Ok(vec![]));
}

#[test]
fn the_common_is_never_driven() {
    let profile = with(
        PROFILE,
        "changeover = \"o\"",
        "changeover = \"o\"\ncommon_on = \"B\"",
    );
    let bench = line(&line(BENCH, "O", 2), "B", 3);
    let errors = compared(&profile, &bench).expect_err("B carries the common");
    assert_one(&errors, "33:9", &["B carries the common of this equipment"]);
}

#[test]
fn w_is_refused_on_a_heat_pump_only() {
    let furnace = "name = \"Furnace\"\n[equipment]\nkind = \"furnace-and-cooling\"\n\
                   compressor_stages = 1\nheat_stages = 1\nfan_in_heat = \"equipment\"\n";
    assert_eq!(compared(furnace, &line(BENCH, "W", 2)), Ok(vec![]));
    let bench = line(&line(BENCH, "O", 2), "W", 3);
    let errors = compared(PROFILE, &bench).expect_err("W has two meanings");
    assert_one(&errors, "32:12", &["W1 or W2"]);
}

const DUAL: &str = r#"name = "Two supplies"
[equipment]
kind = "furnace-and-cooling"
compressor_stages = 1
heat_stages = 1
fan_in_heat = "equipment"
[supply]
arrangement = "dual"
"#;

#[test]
fn two_supplies_are_declared_by_every_line() {
    let bench = line(BENCH, "W1", 2);
    let told_of = told(&compared(DUAL, &bench).expect_err("nothing is declared"));
    for place in [
        "12:1 ", "18:9 ", "19:9 ", "23:9 ", "24:9 ", "28:9 ", "29:9 ",
    ] {
        assert!(
            told_of.lines().any(|line| line.starts_with(place)),
            "{place} in {told_of}"
        );
    }
    assert!(told_of.contains("must state common = \"Rh\""), "{told_of}");
    assert!(told_of.contains("must state supply = \"Rc\""), "{told_of}");
    let mut declared = with(&bench, "input = 7 }", "input = 7, rail = \"Rc\" }");
    for (point, rail) in [(0, "Rc"), (1, "Rc"), (2, "Rh")] {
        let coil = format!("coil = {point}");
        declared = with(&declared, &coil, &format!("{coil}, common = \"{rail}\""));
        let input = format!("input = {point}");
        declared = with(&declared, &input, &format!("{input}, supply = \"{rail}\""));
    }
    assert_eq!(
        compared(DUAL, &declared),
        Ok(vec!["Rh is not sensed on this bench".to_owned()])
    );
    let crossed = with(
        &declared,
        "coil = 2, common = \"Rh\"",
        "coil = 2, common = \"Rc\"",
    );
    let errors = compared(DUAL, &crossed).expect_err("W1 on the cooling side's supply");
    assert_one(&errors, "28:9", &["line W1 belongs to Rh, not to Rc"]);
}

/// A person who makes the calls has to be told on which supply a line goes.
#[test]
fn jumpers_between_two_supplies_need_both_named() {
    let by_hand = "name = \"By hand\"\nunder_test = \"wiring\"\nloads = \"dummy\"\n\
                   [supply]\nsource = \"equipment\"\n";
    let mut bench = by_hand.to_owned();
    for (line, rail) in [("Y1", "Rc"), ("G", "Rc"), ("W1", "Rh")] {
        bench.push_str(&format!(
            "[[line]]\nterminal = \"{line}\"\n\
             sense = {{ operator = true, supply = \"{rail}\" }}\n"
        ));
    }
    let errors = compared(DUAL, &bench).expect_err("which supply is R?");
    assert_one(
        &errors,
        "4:1",
        &["does not say which of them a person puts", "rail = \"Rh\""],
    );
    let sensed = bench.replace(
        "source = \"equipment\"\n",
        "source = \"equipment\"\nsense = [{ operator = true, rail = \"Rc\" }, \
         { operator = true, rail = \"Rh\" }]\n",
    );
    assert_eq!(compared(DUAL, &sensed), Ok(vec![]));
}

#[test]
fn what_a_room_controller_cannot_show_is_noted() {
    let bench = line(BENCH, "O", 2)
        .replace("\"wiring\"", "\"controller\"")
        .replace(
            "[supply]\nsource = \"equipment\"",
            "[supply]\nsource = \"bench\"\nc_to_controller = false",
        );
    let mut bench: String = bench
        .lines()
        .filter(|line| !line.starts_with("drive"))
        .map(|line| format!("{line}\n"))
        .collect();
    bench = with(
        &bench,
        "terminal = \"Y1\"\n",
        "terminal = \"Y1\"\nload = { sealed_ohms = 64 }\n",
    );
    for call in ["fan-only", "heating-1"] {
        bench.push_str(&format!("[stimulus.{call}]\noperator = true\n"));
    }
    let notes = compared(PROFILE, &bench).expect("it fits");
    assert_eq!(notes.len(), 3, "{notes:?}");
    assert_eq!(notes[0], "call cooling-1 has no stimulus on this bench");
    assert!(
        notes[1].starts_with("line G has no coil-like load"),
        "{notes:?}"
    );
    assert!(
        notes[2].starts_with("line O has no coil-like load"),
        "{notes:?}"
    );
}

#[test]
fn no_master_relay_feeds_two_supplies() {
    let stock = |folder: &str, name: &str| {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches-config");
        let path = root.join(folder).join(format!("{name}.toml"));
        std::fs::read_to_string(path).expect("text")
    };
    let profile = stock("profiles", "heat-pump-and-boiler-radiators-adds-o");
    let bench = stock("benches", "harness-dual");
    assert_eq!(compared(&profile, &bench).map(|_notes| ()), Ok(()));
    let master = "loads = \"real\"\nmaster = { device = \"board\", coil = 15 }";
    let fed = bench.replace("loads = \"real\"", master);
    let errors = compared(&profile, &fed).expect_err("joined");
    let problem = &errors.problems()[0];
    assert_eq!(errors.problems().len(), 1);
    assert!(
        problem
            .message
            .contains("one master relay feeds all others"),
        "{errors}"
    );
}
