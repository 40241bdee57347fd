//! One problem of a profile file at a time, and many at once.

use super::{PROFILE, assert_one, check_profile, profile_errors, told, with};
use coilcall::config::{effective_profile, parse_profile};
use coilcall::units::Terminal;
use std::path::Path;

#[test]
fn a_value_that_cannot_be_taken_is_told_once() {
    check_profile(
        "\"heat-pump\"",
        "\"heatpump\"",
        "4:8",
        &[
            "`heatpump` is not one of heat-pump, furnace-and-cooling, dual-fuel",
            "did you mean `heat-pump`?",
        ],
    );
    check_profile(
        "compressor_stages = 1",
        "compressor_stages = 3",
        "5:21",
        &["from 0 to 2, found 3"],
    );
    check_profile(
        "changeover = \"o\"",
        "changeover = \"O\"",
        "7:14",
        &["did you mean `o`?"],
    );
    check_profile(
        "changeover = \"o\"",
        "changeover = 0",
        "7:14",
        &["expected one of o, b, found 0"],
    );
    check_profile(
        "changeover = \"o\"",
        "interface = \"conventionall\"",
        "7:13",
        &["did you mean `conventional`?"],
    );
}

#[test]
fn keys_that_no_profile_has_name_the_nearest() {
    check_profile(
        "heat_stages = 0",
        "heat_stages = 0\nfan_lin = true",
        "7:1",
        &["unknown key `fan_lin`", "did you mean `fan_line`?"],
    );
    let text = format!("{PROFILE}[suply]\narrangement = \"dual\"\n");
    assert_one(
        &profile_errors(&text),
        "8:2",
        &["unknown key `suply`", "`supply`"],
    );
}

#[test]
fn a_broken_rule_is_told_at_its_key_or_at_the_table_that_lacks_it() {
    // The rules are the profile's own; here only the place matters.
    check_profile(
        "changeover = \"o\"\n",
        "",
        "3:1",
        &["changeover is required"],
    );
    check_profile(
        "name = \"One stage, no auxiliary heat\"\n",
        "",
        "1:1",
        &["name is required"],
    );
    check_profile(
        "heat_stages = 0",
        "heat_stages = 0\npresent = [\"W1\", \"W\"]",
        "7:18",
        &["W may mean W1 or W2"],
    );
}

#[test]
fn accessories_keep_their_numbers_past_one_that_cannot_be_taken() {
    let text = format!(
        "{PROFILE}[[accessory]]\nterminal = \"7\"\n[[accessory]]\nterminal = \"HUM\"\n\
         on_in = [\"heating\", \"alone:Y1\"]\n[[accessory]]\nterminal = \"C\"\n"
    );
    let told = told(&profile_errors(&text));
    assert!(told.contains("9:12 '7' is not a terminal name"), "{told}");
    assert!(told.contains("12:10 `heating` is not a call"), "{told}");
    assert!(
        told.contains("12:21 an `alone:` call is one line by itself"),
        "{told}"
    );
    assert!(
        told.lines().any(|line| line.starts_with("14:12 ")),
        "{told}"
    );
}

#[test]
fn aliases_are_resolved_where_terminals_are_named() {
    let text = r#"name = "Furnace"
[equipment]
kind = "furnace-and-cooling"
compressor_stages = 1
heat_stages = 1
fan_in_heat = "equipment"
auxiliary_lines = ["W"]
"#;
    let told = match parse_profile(Path::new("p.toml"), text.to_owned()) {
        Ok(file) => panic!("auxiliary lines mean nothing on a furnace: {file:?}"),
        Err(errors) => told(&errors),
    };
    assert!(told.contains("7:"), "{told}");
    let text = with(
        text,
        "auxiliary_lines = [\"W\"]",
        "tied = [[\"W\", \"E\"]]\npresent = [\"E\"]",
    );
    let file = parse_profile(Path::new("p.toml"), text).expect("the profile is sound");
    assert!(file.profile.tied()[0].contains(&Terminal::known("W1")));
}

#[test]
fn many_problems_are_told_at_once() {
    let text = r#"nam = "x"
[equipment]
kind = "dual-fuel"
compressor_stages = "one"
heat_stages = 1
changeover = "x"
heat = "steam"
auxiliary = "adds"
[timing]
minimum_off_s = -4
[[accessory]]
direction = "sideways"
"#;
    let told = told(&profile_errors(text));
    for place in [
        "1:1 ", "4:21 ", "6:14 ", "7:8 ", "8:13 ", "10:17 ", "11:1 ", "12:13 ",
    ] {
        assert!(
            told.lines().any(|line| line.starts_with(place)),
            "{place} in {told}"
        );
    }
}

#[test]
fn effective_values_tell_the_defaults_apart() {
    let file = parse_profile(Path::new("p.toml"), PROFILE.to_owned()).expect("sound");
    let lines = effective_profile(&file);
    assert!(
        lines.contains(&"equipment.changeover = \"o\"".to_owned()),
        "{lines:#?}"
    );
    let default = "timing.minimum_off_s = 300  (default)".to_owned();
    assert!(lines.contains(&default), "{lines:#?}");
}

#[test]
fn every_key_stands_together() {
    let text = r#"name = "Two-stage heat pump, electric auxiliary"
[equipment]
kind = "heat-pump"
interface = "changeover"
compressor_stages = 2
heat_stages = 1
changeover = "o"
changeover_at_rest = "either"
heat = "electric"
fan_in_heat = "controller"
fan_line = true
auxiliary = "adds"
auxiliary_lines = ["W2"]
emergency = ["W2"]
present = ["E"]
tied = [["W2", "E"]]
common_on = "C"
[supply]
arrangement = "single"
[timing]
minimum_off_s = 300
heat_fan_delay_s = 0
fan_off_delay_s = 90
[[accessory]]
terminal = "HUM"
direction = "output"
active = "on"
on_in = ["heating-1", "heating-2"]
either_in = ["emergency-heat"]
"#;
    let file = parse_profile(Path::new("p.toml"), text.to_owned());
    let file = file.unwrap_or_else(|errors| panic!("{errors}"));
    let defaults: Vec<String> = effective_profile(&file)
        .into_iter()
        .filter(|line| line.contains("(default)") && !line.starts_with("accessory"))
        .collect();
    assert_eq!(defaults, Vec::<String>::new());
}
