//! What is refused, what is filled in, and under which names lines are found.

use super::*;
use crate::domain::Call;
use crate::units::{Seconds, Terminal};
use std::collections::BTreeSet;

fn lines(names: &[&str]) -> Vec<Terminal> {
    names
        .iter()
        .map(|name| Terminal::new(name).expect("a terminal's name"))
        .collect()
}

fn accessory(terminal: &'static str) -> Accessory {
    Accessory {
        terminal: Terminal::known(terminal),
        direction: Direction::Output,
        active: Active::On,
        on_in: Vec::new(),
        either_in: Vec::new(),
    }
}

fn heat_pump() -> ProfileDraft {
    ProfileDraft {
        name: Some("Heat pump".to_owned()),
        kind: Some(Kind::HeatPump),
        compressor_stages: Some(1),
        heat_stages: Some(1),
        changeover: Some(Changeover::O),
        fan_in_heat: Some(FanInHeat::Controller),
        ..ProfileDraft::default()
    }
}

fn conventional() -> ProfileDraft {
    ProfileDraft {
        interface: Some(Interface::Conventional),
        changeover: None,
        ..heat_pump()
    }
}

fn furnace() -> ProfileDraft {
    ProfileDraft {
        kind: Some(Kind::FurnaceAndCooling),
        changeover: None,
        ..heat_pump()
    }
}

fn dual_fuel() -> ProfileDraft {
    ProfileDraft {
        kind: Some(Kind::DualFuel),
        ..heat_pump()
    }
}

fn boiler() -> ProfileDraft {
    ProfileDraft {
        kind: Some(Kind::HeatPumpAndBoiler),
        auxiliary: Some(Auxiliary::Adds),
        ..heat_pump()
    }
}

fn changed(mut draft: ProfileDraft, change: impl FnOnce(&mut ProfileDraft)) -> ProfileDraft {
    change(&mut draft);
    draft
}

fn accepted(draft: ProfileDraft) -> Profile {
    Profile::new(draft).expect("a sound draft")
}

/// Checks that the draft breaks exactly the rules whose keys are given, the message of the first
/// holding the words.
#[track_caller]
fn refused(keys: &[&str], words: &str, draft: ProfileDraft) {
    let problems = Profile::new(draft).expect_err("a draft that breaks a rule");
    let found: Vec<&str> = problems
        .iter()
        .map(|problem| problem.key.as_str())
        .collect();
    assert_eq!(found, keys, "{problems:#?}");
    assert!(problems[0].message.contains(words), "{problems:#?}");
}

#[test]
fn required_keys_are_all_asked_for_at_once() {
    let stages = ["equipment.compressor_stages", "equipment.heat_stages"];
    let empty = ["name", stages[0], stages[1], "equipment.kind"];
    refused(&empty, "name is required", ProfileDraft::default());
    let kind_only = ProfileDraft {
        kind: Some(Kind::HeatPumpAndBoiler),
        ..ProfileDraft::default()
    };
    let rest = ["equipment.auxiliary", "equipment.changeover"];
    refused(
        &["name", stages[0], stages[1], rest[0], rest[1]],
        "name is required",
        kind_only,
    );
    for (draft, when) in [
        (heat_pump(), "emergency heat runs without a Y line"),
        (furnace(), "the furnace heats without a Y line"),
        (dual_fuel(), "auxiliary heat replaces the compressor"),
        (boiler(), "emergency heat runs without a Y line"),
        (
            changed(conventional(), |d| d.heat_stages = Some(0)),
            "on the conventional interface",
        ),
    ] {
        let draft = changed(draft, |d| d.fan_in_heat = None);
        refused(&["equipment.fan_in_heat"], when, draft);
    }
}

#[test]
fn fan_in_heat_is_optional_where_heat_never_runs_without_y() {
    let no_heat = changed(heat_pump(), |d| {
        d.heat_stages = Some(0);
        d.fan_in_heat = None;
    });
    assert_eq!(accepted(no_heat.clone()).fan_in_heat(), None);
    let given = changed(no_heat, |d| d.fan_in_heat = Some(FanInHeat::Either));
    assert_eq!(accepted(given).fan_in_heat(), Some(FanInHeat::Either));
    accepted(changed(heat_pump(), |d| {
        d.fan_in_heat = None;
        d.emergency = Some(Vec::new());
    }));
}

#[test]
fn names_and_stage_counts_out_of_range_are_refused() {
    refused(
        &["name"],
        "blank",
        changed(heat_pump(), |d| d.name = Some("  ".into())),
    );
    let broken = changed(heat_pump(), |d| d.name = Some("two\nlines".into()));
    refused(&["name"], "control character", broken);
    let three = changed(heat_pump(), |d| d.compressor_stages = Some(3));
    refused(&["equipment.compressor_stages"], "may be 0, 1 or 2", three);
    for draft in [heat_pump(), dual_fuel(), boiler()] {
        let none = changed(draft, |d| d.compressor_stages = Some(0));
        refused(&["equipment.compressor_stages"], "1 or 2", none);
    }
    accepted(changed(furnace(), |d| d.compressor_stages = Some(0)));
    let nothing = changed(furnace(), |d| {
        d.compressor_stages = Some(0);
        d.heat_stages = Some(0);
        d.fan_in_heat = None;
        d.fan_line = Some(false);
    });
    refused(&["equipment.heat_stages"], "no call to prove", nothing);
}

#[test]
fn keys_that_mean_nothing_for_the_equipment_are_refused() {
    let on_furnace = changed(furnace(), |d| {
        d.interface = Some(Interface::Changeover);
        d.changeover = Some(Changeover::O);
        d.changeover_at_rest = Some(ChangeoverAtRest::Off);
        d.auxiliary = Some(Auxiliary::Adds);
        d.auxiliary_lines = Some(lines(&["W1"]));
        d.emergency = Some(lines(&["W1"]));
    });
    refused(
        &[
            "equipment.interface",
            "equipment.auxiliary",
            "equipment.changeover",
            "equipment.changeover_at_rest",
            "equipment.auxiliary_lines",
            "equipment.emergency",
        ],
        "heat pumps",
        on_furnace,
    );
    let on_conventional = changed(conventional(), |d| {
        d.changeover = Some(Changeover::B);
        d.changeover_at_rest = Some(ChangeoverAtRest::Off);
        d.auxiliary = Some(Auxiliary::Adds);
        d.heat_stages = Some(2);
    });
    refused(
        &[
            "equipment.auxiliary",
            "equipment.changeover",
            "equipment.changeover_at_rest",
            "equipment.heat_stages",
        ],
        "conventional interface",
        on_conventional,
    );
    for draft in [dual_fuel(), boiler()] {
        let draft = changed(draft, |d| d.interface = Some(Interface::Conventional));
        refused(&["equipment.interface"], "\"heat-pump\" alone", draft);
    }
}

#[test]
fn dual_fuel_replaces_and_a_boiler_says_what_it_does() {
    assert_eq!(accepted(dual_fuel()).auxiliary(), Auxiliary::Replaces);
    accepted(changed(dual_fuel(), |d| {
        d.auxiliary = Some(Auxiliary::Replaces)
    }));
    let adds = changed(dual_fuel(), |d| d.auxiliary = Some(Auxiliary::Adds));
    refused(&["equipment.auxiliary"], "always replaces", adds);
    let silent = changed(boiler(), |d| d.auxiliary = None);
    refused(&["equipment.auxiliary"], "required with a boiler", silent);
}

#[test]
fn the_fan_needs_a_line_and_radiators_need_hot_water() {
    let key = ["equipment.fan_in_heat"];
    let no_line = changed(heat_pump(), |d| d.fan_line = Some(false));
    refused(&key, "needs a G line", no_line);
    for draft in [heat_pump(), furnace(), dual_fuel(), conventional()] {
        let none = changed(draft, |d| d.fan_in_heat = Some(FanInHeat::None));
        refused(&key, "radiators", none);
    }
    accepted(changed(boiler(), |d| d.fan_in_heat = Some(FanInHeat::None)));
    accepted(changed(heat_pump(), |d| {
        d.fan_in_heat = Some(FanInHeat::None);
        d.heat = Some(Heat::Hydronic);
    }));
}

#[test]
fn auxiliary_lines_match_the_heat_stages() {
    let named = |stages: u8, names: &[&str]| {
        changed(heat_pump(), |d| {
            d.heat_stages = Some(stages);
            d.auxiliary_lines = Some(lines(names));
        })
    };
    let key = "equipment.auxiliary_lines";
    refused(
        &[key],
        "names 2 line(s) and heat_stages is 1",
        named(1, &["W1", "W2"]),
    );
    refused(
        &[key],
        "names 1 line(s) and heat_stages is 2",
        named(2, &["W2"]),
    );
    let without = changed(heat_pump(), |d| {
        d.heat_stages = Some(0);
        d.auxiliary_lines = Some(lines(&["W2"]));
        d.emergency = Some(lines(&["W2"]));
    });
    refused(
        &[key, "equipment.emergency"],
        "without heat stages",
        without,
    );
    let second = "equipment.auxiliary_lines[1]";
    refused(&[second], "heat stage 1 already", named(2, &["W2", "W2"]));
    let first = "equipment.auxiliary_lines[0]";
    refused(&[first], "carries the supply", named(1, &["Rh"]));
    refused(&[first], "calls the compressor", named(1, &["Y2"]));
    refused(&[first], "the fan's line", named(1, &["G"]));
    refused(&[first], "other convention's letter", named(1, &["B"]));
    refused(&[first], "W may mean W1 or W2", named(1, &["W"]));
    let w1 = changed(conventional(), |d| d.auxiliary_lines = Some(lines(&["W1"])));
    refused(&[first], "calls the heat pump itself", w1);
}

#[test]
fn heat_lines_default_by_kind_and_heat() {
    let check = |draft: ProfileDraft, auxiliary: &[&str]| {
        let profile = accepted(draft);
        assert_eq!(profile.auxiliary_lines(), lines(auxiliary));
        let furnace = profile.kind() == Kind::FurnaceAndCooling;
        let emergency = if furnace { &[] } else { auxiliary };
        assert_eq!(profile.emergency(), lines(emergency));
    };
    check(heat_pump(), &["W2"]);
    check(changed(heat_pump(), |d| d.heat = Some(Heat::Fuel)), &["W1"]);
    check(
        changed(heat_pump(), |d| d.heat_stages = Some(2)),
        &["W1", "W2"],
    );
    check(changed(heat_pump(), |d| d.heat_stages = Some(0)), &[]);
    check(conventional(), &["W2"]);
    check(
        changed(conventional(), |d| d.heat = Some(Heat::Hydronic)),
        &["W2"],
    );
    check(furnace(), &["W1"]);
    check(
        changed(furnace(), |d| d.heat_stages = Some(2)),
        &["W1", "W2"],
    );
    check(dual_fuel(), &["W1"]);
    check(boiler(), &["W1"]);
}

#[test]
fn emergency_lines_are_never_the_compressors_and_named_once() {
    let named = |names: &[&str]| changed(heat_pump(), |d| d.emergency = Some(lines(names)));
    accepted(named(&["E"]));
    accepted(named(&["W2", "E"]));
    refused(
        &["equipment.emergency[1]"],
        "named twice",
        named(&["E", "E"]),
    );
    let first = ["equipment.emergency[0]"];
    refused(&first, "calls the compressor", named(&["Y2"]));
    refused(&first, "calls the compressor", named(&["Y"]));
    refused(&first, "reversing valve's line", named(&["O"]));
    refused(&first, "other convention's letter", named(&["B"]));
    let w1 = changed(conventional(), |d| d.emergency = Some(lines(&["W1"])));
    refused(&first, "calls the heat pump itself", w1);
}

#[test]
fn present_lines_are_used_by_nothing_else() {
    let named = |names: &[&str]| changed(heat_pump(), |d| d.present = Some(lines(names)));
    accepted(named(&["Y2", "E", "W3"]));
    let first = ["equipment.present[0]"];
    refused(&first, "heat stage 1 already", named(&["W2"]));
    refused(&first, "compressor stage 1 already", named(&["Y"]));
    refused(&first, "other convention's letter", named(&["B"]));
    refused(&first, "carries the supply", named(&["Rc"]));
    refused(
        &["equipment.present[1]"],
        "named in present",
        named(&["E", "E"]),
    );
    let emergency = changed(named(&["E"]), |d| d.emergency = Some(lines(&["E"])));
    refused(&first, "an emergency heat line", emergency);
    let no_compressor = |names: &[&str]| {
        changed(furnace(), |d| {
            d.compressor_stages = Some(0);
            d.present = Some(lines(names));
        })
    };
    refused(&first, "Y2 without Y1", no_compressor(&["Y2"]));
    accepted(no_compressor(&["Y2", "Y1"]));
}

#[test]
fn a_common_is_no_line() {
    let on =
        |name: &'static str| changed(heat_pump(), |d| d.common_on = Some(Terminal::known(name)));
    assert_eq!(accepted(on("B")).common_on(), &Terminal::known("B"));
    accepted(on("X"));
    let key = ["equipment.common_on"];
    refused(&key, "reversing valve's line", on("O"));
    refused(&key, "heat stage 1", on("W2"));
    refused(&key, "hot side", on("Rh"));
    let convention_b = changed(on("B"), |d| d.changeover = Some(Changeover::B));
    refused(&key, "reversing valve's line", convention_b);
    let accessory_b = changed(furnace(), |d| {
        d.common_on = Some(Terminal::known("X"));
        d.accessories = vec![accessory("X")];
    });
    refused(&key, "accessory 1", accessory_b);
}

#[test]
fn tied_members_are_lines_of_the_profile() {
    let tied = |groups: &[&[&str]]| {
        changed(heat_pump(), |d| {
            d.present = Some(lines(&["E", "W1"]));
            d.tied = Some(groups.iter().map(|group| lines(group)).collect());
        })
    };
    refused(
        &["equipment.tied[0][1]"],
        "not a line",
        tied(&[&["W2", "W3"]]),
    );
    refused(
        &["equipment.tied[0][1]"],
        "named twice",
        tied(&[&["W2", "W2"]]),
    );
    refused(
        &["equipment.tied[0]"],
        "two lines or more",
        tied(&[&["W2"]]),
    );
    let merged = accepted(tied(&[&["W2", "E"], &["E", "W1"]]));
    let all: BTreeSet<Terminal> = lines(&["W1", "W2", "E"]).into_iter().collect();
    assert_eq!(merged.tied(), [all]);
    let dual = changed(tied(&[&["W2", "G"]]), |d| {
        d.arrangement = Some(Arrangement::Dual);
    });
    refused(&["equipment.tied[0]"], "joins the two supplies", dual);
}

#[test]
fn a_tie_that_would_mislead_a_machine_is_refused() {
    let tied =
        |draft: ProfileDraft, group: &[&str]| changed(draft, |d| d.tied = Some(vec![lines(group)]));
    let key = "equipment.tied[0]";
    let cases = [
        (heat_pump(), ["Y1", "G"], "Y1 to G energises Y1 in fan-only"),
        (
            heat_pump(),
            ["Y1", "W2"],
            "in emergency-heat: the compressor must stay off",
        ),
        (heat_pump(), ["O", "W2"], "cool instead of heat"),
        (heat_pump(), ["G", "W2"], "heat must stay off in cooling"),
        (furnace(), ["Y1", "W1"], "the compressor must stay off"),
        (dual_fuel(), ["G", "W1"], "heat must stay off in cooling"),
        (conventional(), ["G", "W1"], "heat must stay off in cooling"),
    ];
    let spare_y2 = changed(heat_pump(), |d| d.present = Some(lines(&["Y2"])));
    let cases = cases.into_iter().chain([(
        spare_y2,
        ["Y2", "W2"],
        "Y2 to W2 energises Y2 in emergency-heat",
    )]);
    for (draft, group, words) in cases {
        let problems = Profile::new(tied(draft, &group)).expect_err("a tie that misleads");
        assert!(problems.iter().all(|p| p.key == key), "{problems:#?}");
        assert!(
            problems.iter().any(|p| p.message.contains(words)),
            "{group:?}: {problems:#?}"
        );
    }
    accepted(tied(
        changed(heat_pump(), |d| d.compressor_stages = Some(2)),
        &["Y1", "Y2"],
    ));
    accepted(tied(
        changed(heat_pump(), |d| d.heat_stages = Some(2)),
        &["W1", "W2"],
    ));
}

#[test]
fn accessories_have_lines_and_calls_of_their_own() {
    let with = |terminal: &'static str| {
        changed(heat_pump(), |d| {
            d.accessories = vec![accessory("HUM"), accessory(terminal)]
        })
    };
    accepted(with("DH"));
    let key = ["accessory[1].terminal"];
    refused(&key, "line of accessory 1 already", with("HUM"));
    refused(&key, "heat stage 1 already", with("W2"));
    refused(&key, "other convention's letter", with("B"));
    refused(&key, "compressor stage's line", with("Y2"));
    refused(&key, "carries the supply", with("C"));
    let calls = changed(heat_pump(), |d| {
        let mut humidifier = accessory("HUM");
        humidifier.on_in = vec![Call::Heating(1), Call::Alone(Terminal::known("G"))];
        humidifier.either_in = vec![Call::Heating(1), Call::Idle, Call::Idle];
        d.accessories = vec![humidifier];
    });
    refused(
        &[
            "accessory[0].on_in[1]",
            "accessory[0].either_in[2]",
            "accessory[0].either_in[0]",
        ],
        "alone",
        calls,
    );
}

#[test]
fn o_and_b_are_both_wired_only_where_nothing_uses_them() {
    let spare = changed(furnace(), |d| d.present = Some(lines(&["O", "B"])));
    accepted(spare.clone());
    let tied = changed(spare, |d| d.tied = Some(vec![lines(&["O", "B"])]));
    refused(&["equipment.present"], "ever energise both", tied);
    let damper = changed(furnace(), |d| {
        d.accessories = vec![accessory("O")];
        d.present = Some(lines(&["B"]));
    });
    refused(&["equipment.present"], "ever energise both", damper);
}

#[test]
fn aliases_are_one_line_with_their_full_names() {
    let profile = accepted(furnace());
    let named = |name| profile.resolve_terminal(name).expect("a terminal's name");
    assert_eq!(named("Y"), Terminal::known("Y1"));
    assert_eq!(named("W"), Terminal::known("W1"));
    assert_eq!(named("HUM"), Terminal::known("HUM"));
    assert_eq!(named("w1"), Terminal::known("w1"), "case-sensitive");
    assert!(profile.resolve_terminal("1W").is_err());
    let refusal = accepted(heat_pump())
        .resolve_terminal("W")
        .expect_err("two meanings");
    assert!(
        refusal.contains("W1") && refusal.contains("W2"),
        "{refusal}"
    );
    let spare = changed(furnace(), |d| {
        d.compressor_stages = Some(0);
        d.present = Some(lines(&["Y"]));
    });
    assert_eq!(accepted(spare).present(), lines(&["Y1"]));
}

#[test]
fn effective_keys_say_what_was_given_and_are_toml() {
    let profile = accepted(changed(dual_fuel(), |d| {
        d.name = Some("Say \"dual\" \\ twice".to_owned());
        d.minimum_off_s = Some(Seconds(240));
        d.accessories = vec![accessory("HUM")];
    }));
    let keys = profile.effective_keys();
    let of = |key: &str| {
        let found = keys
            .iter()
            .find(|k| k.key == key)
            .expect("a key that holds");
        (found.value.as_str(), found.origin)
    };
    assert_eq!(of("equipment.auxiliary"), ("\"replaces\"", Origin::Default));
    assert_eq!(
        of("equipment.auxiliary_lines"),
        ("[\"W1\"]", Origin::Default)
    );
    assert_eq!(of("equipment.changeover"), ("\"o\"", Origin::Given));
    assert_eq!(of("timing.minimum_off_s"), ("240", Origin::Given));
    assert_eq!(of("accessory[0].active"), ("\"on\"", Origin::Default));
    for EffectiveKey { key, value, .. } in &keys {
        let document = format!("value = {value}");
        let read: toml::Table = toml::from_str(&document).expect("TOML text");
        if key == "name" {
            assert_eq!(read["value"].as_str(), Some(profile.name()));
        }
    }
    let of_furnace = accepted(furnace()).effective_keys();
    let meaningless = ["interface", "changeover", "auxiliary", "emergency"];
    for key in of_furnace {
        assert!(
            !meaningless.iter().any(|word| key.key.contains(word)),
            "{key:?}"
        );
    }
}

#[test]
fn each_line_has_one_role() {
    let profile = accepted(changed(heat_pump(), |d| {
        d.compressor_stages = Some(2);
        d.emergency = Some(lines(&["W2", "E"]));
        d.present = Some(lines(&["W1"]));
        d.accessories = vec![accessory("HUM")];
    }));
    let roles: Vec<(String, LineRole)> = profile
        .lines()
        .into_iter()
        .map(|(line, role)| (line.to_string(), role))
        .collect();
    let expected = [
        ("Y1", LineRole::Compressor(1)),
        ("Y2", LineRole::Compressor(2)),
        ("G", LineRole::Fan),
        ("O", LineRole::ReversingValve),
        ("W1", LineRole::Unused),
        ("W2", LineRole::Heat(1)),
        ("E", LineRole::EmergencyOnly),
        ("HUM", LineRole::Accessory(0)),
    ];
    assert_eq!(roles, expected.map(|(line, role)| (line.to_owned(), role)));
}
