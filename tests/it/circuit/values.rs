//! Electrical values: the defaults, then the profile file's word, then the bench file's.

use super::commands::{coilcall, stock};
use coilcall::config::{BenchFile, circuit_values, parse_bench, parse_profile, read_bench};
use coilcall::domain::circuit::{CircuitValues, HeatingSupply, Protection};
use coilcall::units::{Place, Terminal};
use serde_json::Value;
use std::path::Path;

const PROFILE: &str = "name = \"Heat pump\"\n[equipment]\nkind = \"heat-pump\"\n\
    compressor_stages = 1\nheat_stages = 1\nchangeover = \"o\"\nfan_in_heat = \"controller\"\n";

fn values(profile: &str, bench: Option<&str>) -> Result<CircuitValues, String> {
    let text = format!("{PROFILE}{profile}");
    let profile = parse_profile(Path::new("p.toml"), text).map_err(|e| e.render(false))?;
    let bench = bench.map(|more| {
        let stock = std::fs::read_to_string(stock("benches/panel-16.toml")).expect("read");
        parse_bench(Path::new("b.toml"), format!("{stock}\n{more}"))
    });
    let bench = bench.transpose().map_err(|errors| errors.render(false))?;
    circuit_values(&profile, bench.as_ref()).map_err(|errors| errors.render(false))
}

#[test]
fn the_bench_goes_before_the_profile_and_the_profile_before_the_default() {
    let profile = "[circuit]\noutdoor_board_ohms = 96\n[circuit.supply]\nrated_va = 75\n\
                   fuse_opens_above_a = 5\n[circuit.cable]\nlength_ft = 180\nawg = 20\n\
                   [circuit.coil.Y]\nsealed_ohms = 80\npick_up_v = 17\n\
                   [circuit.joint.C]\noutdoor_ohms = 3\n";
    let alone = values(profile, None).expect("sound");
    let expected = |values: &CircuitValues| {
        assert_eq!(values.outdoor_board_ohms, Some(96.0));
        assert_eq!(values.supply.rated_volt_amperes, 75.0);
        assert_eq!(values.cable.gauge_awg, 20.0);
        let coil = values.coils[&Terminal::known("Y1")];
        assert_eq!((coil.sealed_ohms, coil.pick_up.0), (80.0, 17.0));
        let joint = (Terminal::known("C"), Place::Outdoor);
        assert_eq!(values.joints[&joint], 3.0);
    };
    expected(&alone);
    assert_eq!(alone.cable.feet, 180.0);
    let bench = "[circuit.cable]\nlength_ft = 30\n[circuit.coil.Y1]\ndc_ohms = 9\n";
    let together = values(profile, Some(bench)).expect("sound");
    expected(&together);
    assert_eq!(together.cable.feet, 30.0);
    let coil = together.coils[&Terminal::known("Y1")];
    assert_eq!(
        coil.dc_ohms, 9.0,
        "one key of a coil leaves the profile's others"
    );
    // The profile's fuse is the equipment's own and goes before the bench's default limiter.
    assert!(together.supply.protection.latches());
    let silent = values("", Some("")).expect("sound");
    assert_eq!(silent, CircuitValues::for_bench());
    assert_eq!(values("", None).expect("sound"), CircuitValues::default());
}

/// A dummy load of the bench is what hangs there, whatever coil the equipment has.
#[test]
fn the_load_of_a_benchs_line_goes_before_the_profiles_coil() {
    let text = format!("{PROFILE}[circuit.coil.Y1]\nsealed_ohms = 80\n");
    let profile = parse_profile(Path::new("p.toml"), text).expect("sound");
    let mut bench = read_bench(Path::new(&stock("benches/panel-16.toml"))).expect("sound");
    let coils = |bench: &BenchFile| circuit_values(&profile, Some(bench)).expect("sound").coils;
    assert!(coils(&bench).contains_key(&Terminal::known("Y1")));
    let load = coilcall::domain::bench_map::Load {
        sealed_ohms: Some(coilcall::units::Ohms(64.0)),
        power_factor: None,
        unsealed_ohms: None,
        dc_ohms: None,
    };
    let line = bench.map.lines.get_mut(&Terminal::known("Y1"));
    line.expect("the panel has Y1").load = Some(load);
    assert!(!coils(&bench).contains_key(&Terminal::known("Y1")));
}

#[test]
fn a_transformer_is_known_by_its_rating_and_its_volts_at_full_load() {
    // Hand-worked load line: 27.5 V open and 24.0 V at 40 VA make about 2.1 ohm; an 80 VA unit of
    // the same regulation has half.
    let of = |va: f64| {
        let supply =
            format!("[circuit.supply]\nrated_va = {va}\nopen_circuit_v = 27.5\nfull_load_v = 24\n");
        values(&supply, None)
            .expect("sound")
            .supply
            .source_impedance()
            .re
    };
    assert!((of(40.0) - 2.1).abs() < 0.02, "{}", of(40.0));
    assert!((of(80.0) - 1.05).abs() < 0.01, "{}", of(80.0));
}

#[test]
fn what_no_such_part_can_have_is_told_at_its_key() {
    for (stated, words) in [
        ("[circuit.coil.Y2]\nsealed_ohms = 60", "there is no Y2 here"),
        ("[circuit.coil.W]\nsealed_ohms = 60", "may mean W1 or W2"),
        (
            "[circuit.joint.R2]\nequipment_ohms = 1",
            "there is no R2 here",
        ),
        (
            "[circuit.coil.Y1]\nsealed_ohm = 60",
            "did you mean `sealed_ohms`",
        ),
        (
            "[circuit.cable]\nlength_ft = 0",
            "expected a number above 0",
        ),
        (
            "[circuit.cable]\nlength_ft = inf",
            "expected a number above 0",
        ),
        (
            "[circuit.supply]\nfull_load_v = 27",
            "gives less than that at its rated current",
        ),
        (
            "[circuit.supply]\nfull_load_v = 24\nsource_ohms_at_40_va = 2",
            "exclude each other",
        ),
        (
            "[circuit.supply]\nfuse_opens_above_a = 3\nlimiter_opens_above_a = 3",
            "exclude each other",
        ),
        ("[circuits]\nmeter_ohms = 3", "unknown key `circuits`"),
    ] {
        let told = values(stated, None).expect_err(stated);
        assert!(told.contains(words), "{stated}: {told}");
        assert!(told.contains("p.toml:"), "{stated}: {told}");
        let on_bench = values("", Some(stated));
        // A panel has all lines, and W is W1 there.
        let panel_has_it = stated.contains("coil.Y2") || stated.contains("coil.W]");
        assert_eq!(on_bench.is_ok(), panel_has_it, "{stated}: {on_bench:?}");
    }
}

#[test]
fn values_that_are_impossible_only_together_are_told_too() {
    let profile = "[circuit.coil.Y1]\npick_up_v = 11\ndrop_out_v = 6\n";
    let bench = "[circuit.coil.Y1]\ndrop_out_v = 11.5\n";
    let told = values(profile, Some(bench)).expect_err("drops out above its pick-up");
    assert!(
        told.contains("b.toml:") && told.contains("drops out below that"),
        "{told}"
    );
}

#[test]
fn a_dry_contact_and_a_cabinet_can_be_said_and_unsaid() {
    let profile = "[circuit.heating_supply]\ndry_contact = true\n\
                   [circuit.outdoor_cable]\nfitted = false\n";
    let alone = values(profile, None).expect("sound");
    assert_eq!(alone.heating_supply, HeatingSupply::DryContact);
    assert_eq!(alone.outdoor_cable, None);
    let bench = "[circuit.heating_supply]\nrated_va = 20\n[circuit.outdoor_cable]\nlength_ft = 9\n";
    let together = values(profile, Some(bench)).expect("sound");
    let HeatingSupply::Transformer { supply, .. } = together.heating_supply else {
        panic!("the bench has a transformer: {:?}", together.heating_supply);
    };
    assert_eq!(supply.rated_volt_amperes, 20.0);
    assert_eq!(together.outdoor_cable.expect("fitted").feet, 9.0);
}

/// The commands take the profile's values, alone and beside a bench.
#[test]
fn the_commands_ask_the_profile() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("weak.toml");
    let weak = "[circuit.supply]\nrated_va = 4\nfuse_opens_above_a = 1\n";
    std::fs::write(&path, format!("{PROFILE}{weak}")).expect("written");
    let path = path.display().to_string();
    let bench = stock("benches/panel-16.toml");
    let volts = |more: &[&str]| {
        let asked = [
            "circuit",
            "--profile",
            &path,
            "--call",
            "fan-only",
            "--json",
        ];
        let shown = coilcall(&[&asked, more].concat());
        let document: Value = serde_json::from_slice(&shown.stdout).expect("JSON");
        document["supply"]["volts"].as_f64().expect("a number")
    };
    // Hand-worked: 4 VA make the source ten times 1.73 + j0.4 ohm; 0.17 A and the boards' 0.25 A
    // leave about 20 V of 26.9.
    assert!((17.0..22.0).contains(&volts(&[])), "{}", volts(&[]));
    assert!((17.0..22.0).contains(&volts(&["--bench", &bench])));
    let check = coilcall(&["check", "--profile", &path, "--bench", &bench]);
    let shown = String::from_utf8(check.stdout).expect("text");
    for expected in [
        "circuit.supply.rated_va = 4\n",
        "circuit.supply.fuse_opens_above_a = 1\n",
        "drawn from R, rated 4 VA",
    ] {
        assert!(shown.contains(expected), "{expected:?} is not in\n{shown}");
    }
    assert_eq!(check.status.code(), Some(0));
}

#[test]
fn a_limiter_is_the_benchs_and_a_fuse_the_installations_where_nothing_is_said() {
    assert!(CircuitValues::default().supply.protection.latches());
    let bench = CircuitValues::for_bench().supply.protection;
    assert!(matches!(bench, Protection::Limiter { .. }));
}
