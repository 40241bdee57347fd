//! `expected` and `check`: the ready-made files, and a file with much wrong in it.

use super::contract::{array, assert_expected};
use super::{BENCH, PROFILE, coilcall, coilcall_in, stock_files};

#[test]
fn every_ready_made_profile_has_its_table() {
    for profile in stock_files("profiles") {
        let ran = coilcall(&["expected", "--json", "--profile", &profile]);
        assert_eq!((ran.code, ran.stderr.as_str()), (Some(0), ""), "{profile}");
        let document = ran.json();
        assert_expected(&document);
        let text = coilcall(&["expected", "--profile", &profile]);
        assert_eq!(text.code, Some(0), "{profile}");
        let name = document["profile"]["name"].as_str().expect("a name");
        let flat = text.text().split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(name), "{name} in {flat}");
    }
}

/// Worked by hand from the definition of a one-stage heat pump with O and electric auxiliary heat.
#[test]
fn the_table_of_a_heat_pump_is_the_one_worked_by_hand() {
    let document = coilcall(&["expected", "--json", "--profile", PROFILE]).json();
    let rows = [
        ("idle", "off off either off"),
        ("fan-only", "off on either off"),
        ("cooling-1", "on on on off"),
        ("cooling-2", ""),
        ("heating-1", "on on off off"),
        ("heating-2", ""),
        ("auxiliary-heat", "on on off on"),
        ("auxiliary-heat-2", ""),
        ("emergency-heat", "off on either on"),
    ];
    for (row, (call, expected)) in array(&document["rows"]).iter().zip(rows) {
        assert_eq!(row["call"], call);
        assert_eq!(row["applicable"], !expected.is_empty());
        let cell = |line: &str| row["lines"][line]["expected"].as_str().unwrap_or_default();
        let seen = ["Y1", "G", "O", "W2"].map(cell).join(" ");
        assert_eq!(seen.trim(), expected, "{call}");
    }
}

#[test]
fn every_ready_made_file_checks_out() {
    let mut arguments = vec!["check".to_owned()];
    arguments.extend(stock_files("profiles"));
    arguments.extend(stock_files("benches"));
    let ran = coilcall(&arguments);
    assert_eq!(
        (ran.code, ran.stderr.as_str()),
        (Some(0), ""),
        "{}",
        ran.text()
    );
    for file in &arguments[1..] {
        assert!(ran.text().contains(&format!("{file}: a good ")), "{file}");
    }
    arguments.push("--json".to_owned());
    let document = coilcall(&arguments).json();
    assert_eq!(document["format"], "coilcall.check");
    let files = array(&document["files"]);
    assert_eq!(files.len(), arguments.len() - 2);
    for file in files {
        let folder = file["path"].as_str().expect("a path").split('/').next();
        let kind = if folder == Some("benches") {
            "bench"
        } else {
            "profile"
        };
        assert_eq!(file["kind"], kind, "{file}");
        assert_eq!(file["problems"], serde_json::json!([]));
        assert!(!array(&file["effective"]).is_empty());
    }
}

#[test]
fn a_pair_that_does_not_fit_says_which_line() {
    let fits = coilcall(&["check", "--profile", PROFILE, "--bench", BENCH]);
    assert_eq!(fits.code, Some(0), "{}", fits.text());
    assert!(fits.text().contains("The profile fits the bench."));
    let without = [
        "check",
        "--bench",
        "benches/panel-without-b.toml",
        "--profile",
    ];
    let mut arguments = without.to_vec();
    arguments.push("profiles/heat-pump-1-stage-electric-b.toml");
    let ran = coilcall(&arguments);
    assert_eq!(ran.code, Some(2), "{}", ran.text());
    assert!(ran.text().contains("The profile does not fit the bench."));
    assert!(ran.text().contains("line B"), "{}", ran.text());
}

/// Seven things are wrong, and each is said with its place.
#[test]
fn every_problem_is_said_at_once_with_line_and_column() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("bench.toml");
    let text = "\
name = \"Panel\"
under_test = \"wirings\"
loads = \"dummy\"
colour = \"green\"

[link.board]
serial = { path = \"/dev/ttyUSB0\", baud = \"fast\" }

[device.board]
link = \"bord\"
modbus-rtu = { unit = 900, coils = 8, discrete_inputs = 8 }

[supply]
source = \"equipment\"
sense = { device = \"board\", input = 7 }

[[line]]
terminal = \"Y1\"
drive = { device = \"board\", coil = 0 }
sense = { device = \"board\", input = 99 }

[[line]]
terminal = \"R\"
drive = { device = \"board\", coil = 0 }
sense = { device = \"board\", input = 1 }
";
    std::fs::write(&file, text).expect("a file");
    let ran = coilcall_in(folder.path(), &["check", "bench.toml", "--json"]);
    assert_eq!(ran.code, Some(2));
    let document = ran.json();
    let problems = array(&document["files"][0]["problems"]);
    let places: Vec<u64> = problems
        .iter()
        .map(|problem| problem["line"].as_u64().expect("a line"))
        .collect();
    for line in [2, 4, 7, 11] {
        assert!(places.contains(&line), "line {line} among {places:?}");
    }
    assert!(problems.iter().all(|problem| problem["column"].is_u64()));
    let run = ["run", "--bench", "bench.toml", "--profile", "none.toml"];
    coilcall_in(folder.path(), &run).refused(&[
        "bench.toml:2:14",
        "did you mean `wiring`?",
        "bench.toml:4:1",
        "unknown key `colour`",
        "bench.toml:7:",
        "bench.toml:11:",
        "none.toml",
        "nothing was opened",
    ]);
}

#[test]
fn a_file_that_is_no_text_or_no_toml_is_said() {
    let folder = tempfile::tempdir().expect("a folder");
    let write = |name: &str, bytes: &[u8]| {
        std::fs::write(folder.path().join(name), bytes).expect("a file");
    };
    write("picture.toml", b"\x89PNG\r\n\x1a\n\x00\xff\xfe");
    write("torn.toml", b"name = \"Panel\n");
    write("empty.toml", b"");
    for (name, words) in [
        ("picture.toml", "UTF-8"),
        ("torn.toml", "torn.toml:1:"),
        ("empty.toml", "is required"),
        (".", "."),
    ] {
        let ran = coilcall_in(folder.path(), &["expected", "--profile", name]);
        ran.refused(&[name, words]);
    }
}
