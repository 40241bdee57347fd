//! `circuit`, `expected --volts` and the supply budget of `check`, as a shell gets them.

use super::outside_solver::{node_numbers, solve_outside};
use serde_json::Value;
use std::path::PathBuf;
use std::process::{Command, Output};

pub(super) fn stock(path: &str) -> String {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("benches-config");
    folder.join(path).display().to_string()
}

pub(super) fn coilcall(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_coilcall"))
        .args(arguments)
        .output()
        .expect("the program starts")
}

fn text(arguments: &[&str]) -> String {
    let output = coilcall(arguments);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {errors}");
    assert_eq!(errors, "", "{arguments:?}");
    String::from_utf8(output.stdout).expect("text")
}

fn refused(arguments: &[&str], part: &str) {
    let output = coilcall(arguments);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{arguments:?}: {errors}");
    assert!(output.stdout.is_empty(), "{arguments:?}");
    assert!(errors.contains(part), "{arguments:?}: {errors}");
}

/// `circuit` on the two-stage heat pump, further words behind.
fn asked(words: &str) -> Vec<String> {
    let profile = stock("profiles/heat-pump-2-stage-electric-o.toml");
    let mut arguments = vec!["circuit".to_owned(), "--profile".to_owned(), profile];
    arguments.extend(words.split_whitespace().map(|word| {
        if word.ends_with(".toml") {
            stock(word)
        } else {
            word.to_owned()
        }
    }));
    arguments
}

fn circuit(words: &str) -> String {
    let arguments = asked(words);
    text(&arguments.iter().map(String::as_str).collect::<Vec<_>>())
}

fn keys(value: &Value) -> Vec<&str> {
    let object = value.as_object().expect("an object");
    object.keys().map(String::as_str).collect()
}

#[test]
fn the_json_has_the_keys_of_the_contract_and_no_others() {
    for bench in ["", "--bench benches/panel-16.toml"] {
        let words = format!("--call cooling-2 --json {bench}");
        let document: Value = serde_json::from_str(&circuit(&words)).expect("JSON");
        assert_eq!(
            keys(&document),
            [
                "branches",
                "format",
                "frequency_hz",
                "loads",
                "nodes",
                "supply",
                "version"
            ]
        );
        assert_eq!(document["format"], "coilcall.circuit");
        assert_eq!(document["version"], 1);
        assert_eq!(document["frequency_hz"], 60.0);
        for (list, expected) in [
            ("nodes", vec!["degrees", "node", "volts"]),
            ("branches", vec!["amps", "degrees", "element"]),
            ("loads", vec!["pulled_in", "terminal", "volts"]),
        ] {
            let list = document[list].as_array().expect("a list");
            assert!(!list.is_empty());
            for item in list {
                assert_eq!(keys(item), expected);
            }
        }
        assert_eq!(keys(&document["supply"]), ["fuse", "volt_amperes", "volts"]);
        assert_eq!(document["supply"]["fuse"], "closed");
        let loads = document["loads"].as_array().expect("loads");
        let pulled_in: Vec<&str> = loads
            .iter()
            .filter(|load| load["pulled_in"] == true)
            .map(|load| load["terminal"].as_str().expect("a name"))
            .collect();
        assert_eq!(pulled_in, ["Y1", "Y2", "G", "O"], "{bench}");
        let volts_of = |name: &str| {
            let nodes = document["nodes"].as_array().expect("nodes");
            let node = nodes.iter().find(|node| node["node"] == name);
            node.expect(name)["volts"].as_f64().expect("a number")
        };
        assert_eq!(volts_of("C@equipment"), 0.0);
        assert!((20.0..27.0).contains(&volts_of("Y1@equipment")));
    }
}

/// Outside source: ngspice solves the printed netlist as it stands.
#[test]
fn the_printed_netlist_solved_outside_is_the_printed_json() {
    let folder = tempfile::tempdir().expect("a folder");
    let cases = [
        "--call cooling-2",
        "--call auxiliary-heat --bench benches/panel-16.toml",
        "--call heating-1 --fault open:C --fault resistance:Y1=30",
        "--call alone:W2 --fault floating:O --bench benches/bench-supply.toml",
        "--call cooling-1 --fault short:Y1,C",
        "--call heating-2 --fault thin-wire:24,400 --fault undersized-transformer:20",
    ];
    for (index, words) in cases.into_iter().enumerate() {
        let netlist = circuit(&format!("{words} --spice"));
        let path = folder.path().join(format!("{index}.cir"));
        std::fs::write(&path, &netlist).expect("written");
        let outside = solve_outside(&path);
        let numbers = node_numbers(&netlist);
        let json = circuit(&format!("{words} --json"));
        let document: Value = serde_json::from_str(&json).expect("JSON");
        let nodes = document["nodes"].as_array().expect("nodes");
        assert_eq!(nodes.len(), numbers.len(), "{words}");
        for node in nodes {
            let name = node["node"].as_str().expect("a name");
            let volts = node["volts"].as_f64().expect("a number");
            let degrees = node["degrees"].as_f64().expect("a number");
            let (re, im) = outside[&numbers[name]];
            let (sine, cosine) = degrees.to_radians().sin_cos();
            let apart = (volts * cosine - re).hypot(volts * sine - im);
            let allowed = (1e-6 * re.hypot(im)).max(1e-6);
            assert!(
                apart <= allowed,
                "{words}: {name} {volts} V, outside {re} + j{im}"
            );
        }
    }
}

#[test]
fn the_text_is_for_a_person_at_the_strip() {
    let healthy = circuit("--call cooling-1");
    for expected in [
        "Contacts called closed: Y1 G O",
        "fuse or limiter closed",
        "out, under 0.1 V: Y2 W2",
        "controller   equipment     outdoor",
        "cable: near     far end",
    ] {
        assert!(
            healthy.contains(expected),
            "{expected:?} is not in\n{healthy}"
        );
    }
    let starved = circuit("--call cooling-1 --fault undersized-transformer:5");
    assert!(starved.contains("OUT, called"), "{starved}");
    let blown = circuit("--call cooling-1 --fault short:Y1,C");
    assert!(blown.contains("fuse or limiter OPEN"), "{blown}");
    for line in healthy.lines() {
        assert!(line.chars().count() <= 100, "{line}");
    }
}

#[test]
fn what_makes_no_sense_is_refused_with_what_would() {
    for (words, part) in [
        (
            "--call idle --fault open:Y3",
            "there is no line Y3 here; lines: Y1 Y2 G O W2",
        ),
        ("--call idle --fault jumper-left-in", "jumper-missing fits"),
        ("--call idle --fault resistance:Y1=-4", "-4"),
        (
            "--call idle --fault thin-wire:77,100",
            "77 is outside physics; expected 0 to 40 AWG",
        ),
        (
            "--call idle --fault undersized-transformer:0",
            "outside physics",
        ),
        (
            "--call idle --fault chatter:Y1@middle",
            "it sits @equipment or @outdoor, not @middle",
        ),
        ("--call auxiliary-heat-2", "auxiliary-heat-2 does not apply"),
        (
            "--call alone:Z",
            "there is no line Z here; lines: Y1 Y2 G O W2",
        ),
        ("--call defrost", "observed and never made"),
        ("--call coolin-1", "did you mean cooling-1?"),
        ("--call idle --fault opn:Y1", "did you mean open?"),
        (
            "--call idle --fault open:Y1@outdor",
            "did you mean outdoor?",
        ),
        ("--call idle --fault open:Y1 --seed 3", "--seed"),
        ("--call idle --json --spice", "cannot be used with"),
    ] {
        let arguments = asked(words);
        let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
        refused(&arguments, part);
    }
}

#[test]
fn expected_volts_gives_each_line_its_band() {
    let profile = stock("profiles/heat-pump-1-stage-electric-o.toml");
    let shown = text(&["expected", "--profile", &profile, "--volts"]);
    assert!(
        shown.contains("Volts against C at the equipment"),
        "{shown}"
    );
    let bench = stock("benches/panel-16.toml");
    let json = text(&[
        "expected",
        "--profile",
        &profile,
        "--volts",
        "--bench",
        &bench,
        "--json",
    ]);
    let document: Value = serde_json::from_str(&json).expect("JSON");
    let rows = document["rows"].as_array().expect("rows");
    let cooling = rows
        .iter()
        .find(|row| row["call"] == "cooling-1")
        .expect("a row");
    assert_eq!(keys(cooling), ["applicable", "call", "lines", "volts"]);
    for (line, live) in [("Y1", true), ("G", true), ("O", true), ("W2", false)] {
        let band = &cooling["volts"][line];
        assert_eq!(keys(band), ["high", "low", "nominal"]);
        let [low, nominal, high] =
            ["low", "nominal", "high"].map(|key| band[key].as_f64().expect("a number"));
        assert!(low <= nominal && nominal <= high, "{band}");
        // A healthy line pulls its load in throughout its band, or leaves it out.
        assert!(
            if live { low >= 18.0 } else { high <= 5.0 },
            "{line}: {band}"
        );
    }
}

#[test]
fn check_says_what_the_supply_has_to_give_and_where_it_cannot() {
    let profile = stock("profiles/heat-pump-2-stage-electric-o.toml");
    let bench = stock("benches/panel-16.toml");
    let shown = text(&["check", "--profile", &profile, "--bench", &bench]);
    for expected in [
        "supply budget:",
        "cooling-2: pulls in with a run of up to",
        " of 40 VA drawn, 46 VA with the largest load pulling in",
        "local code holds",
        "with a run of up to",
        " A while all pull in; its ",
        "limiter opens above 3.70 A",
        "100 A divided by the open-circuit volts",
    ] {
        assert!(shown.contains(expected), "{expected:?} is not in\n{shown}");
    }
    assert!(!shown.contains("warning:"), "{shown}");
    let folder = tempfile::tempdir().expect("a folder");
    let weak = folder.path().join("weak.toml");
    let stock_text = std::fs::read_to_string(&bench).expect("read");
    let values = "\n[circuit.supply]\nrated_va = 150\nfuse_opens_above_a = 12\n\
                  [circuit.cable]\nawg = 24\nlength_ft = 2000\n";
    std::fs::write(&weak, stock_text + values).expect("written");
    let weak = weak.display().to_string();
    let shown = text(&["check", "--profile", &profile, "--bench", &weak]);
    for expected in [
        "warning: cooling-2: cannot pull in Y1",
        "it would with a run of",
        "150 VA rated is above 100 VA (NEC chapter 9",
        "circuit.cable.length_ft = 2000\n",
        "circuit.supply.fuse_opens_above_a = 12\n",
    ] {
        assert!(shown.contains(expected), "{expected:?} is not in\n{shown}");
    }
}

/// `docs/faults.md` is generated: `COILCALL_BLESS=1` writes it anew.
#[test]
fn the_page_of_faults_is_what_the_program_generates() {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("docs/faults.md");
    let page = coilcall::report::faults_page().expect("every example is solved");
    if std::env::var_os("COILCALL_BLESS").is_some() {
        std::fs::write(&path, &page).expect("written");
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == page,
        "docs/faults.md is stale: run this test with COILCALL_BLESS=1"
    );
}
