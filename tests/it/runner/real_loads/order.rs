//! The order of calls, of relays within a call, and of their release.

use super::house::{
    ATTENTIVE, PERSON_ALONE, assert_no_harm, commanded, harness, relay_of, run, seconds, spans,
};
use crate::runner::harness::{Case, Ran};
use coilcall::domain::{Machine, Verdict};

const INPUTS: &str = "harness-inputs";

fn sound(profile: &str) -> Ran {
    let ran = run(Case::new(profile, INPUTS), ATTENTIVE);
    assert_eq!(
        ran.verdict(),
        Verdict::Pass,
        "{profile}: {}",
        ran.outcome.note
    );
    assert_no_harm(&ran, profile);
    ran
}

#[test]
fn sound_houses_pass_unharmed() {
    for profile in [
        "heat-pump-1-stage-electric-o",
        "heat-pump-1-stage-electric-b",
        "heat-pump-2-stage-two-auxiliary-o",
        "heat-pump-1-stage-no-fan-line-o",
        "heat-pump-conventional-2-stage-electric",
        "heat-pump-1-stage-auxiliary-replaces-o",
        "heat-pump-1-stage-accessories-o",
        "dual-fuel-1-stage-o",
        "furnace-1-stage-fuel-cooling-1-stage",
        "furnace-2-stage-electric-no-cooling",
    ] {
        sound(profile);
    }
}

#[test]
fn the_plainest_harness_passes_on_a_persons_word() {
    let ran = run(
        harness("heat-pump-2-stage-electric-o", PERSON_ALONE),
        ATTENTIVE,
    );
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    assert_no_harm(&ran, "person");
}

#[test]
fn fan_and_valve_close_first_and_open_last_with_the_master_around_all() {
    let ran = sound("heat-pump-1-stage-electric-o");
    let cooling = ran.state.steps.iter().find(|made| {
        let step = ran.plan.step(made.number).expect("planned");
        step.call.to_string() == "cooling-1"
    });
    let cooling = cooling.expect("made");
    let from = seconds(cooling.started_us);
    let to = seconds(cooling.finished_us.expect("finished"));
    let in_cooling = |line: &'static str| {
        let all = commanded(&ran, &relay_of(&ran, line));
        let of_step: Vec<f64> = all
            .into_iter()
            .filter(|(_, at)| (from..=to).contains(at))
            .map(|(_, at)| at)
            .collect();
        assert_eq!(of_step.len(), 2, "{line} closes and opens once");
        (of_step[0], of_step[1])
    };
    let (y_on, y_off) = in_cooling("Y1");
    let (g_on, g_off) = in_cooling("G");
    let (o_on, o_off) = in_cooling("O");
    let equipment = ran.plan.equipment.as_ref().expect("real loads");
    let master = commanded(&ran, equipment.master.as_ref().expect("a master"));
    let master: Vec<f64> = master
        .into_iter()
        .filter(|(_, at)| (from..=to).contains(at))
        .map(|(_, at)| at)
        .collect();
    assert!(o_on < y_on && g_on < y_on, "O and G before Y");
    assert!(master[0] < o_on && master[0] < g_on, "the master first");
    assert!(
        y_off < g_off && g_off < o_off && o_off < master[1],
        "Y, G, O, master"
    );
    assert!(y_off - y_on >= 180.0, "minimum-on");
    assert!(g_off - y_off >= 90.0, "the blower runs on");
    assert!(
        o_off - y_off >= 300.0,
        "O holds until the minimum-off time ends"
    );
}

#[test]
fn staging_up_keeps_the_first_stage_and_releases_once() {
    let ran = sound("heat-pump-2-stage-two-auxiliary-o");
    // Cooling 1 and 2 are one run of the compressor, heating 1 and 2 and auxiliary heat another.
    assert_eq!(spans(&ran, &Machine::Compressor).len(), 2);
    let closings = commanded(&ran, &relay_of(&ran, "Y1"));
    assert_eq!(closings.iter().filter(|(closed, _)| *closed).count(), 2);
}

#[test]
fn calls_come_in_the_order_that_keeps_air_with_heat() {
    let calls = |profile: &str| -> Vec<String> {
        let plan = Case::new(profile, INPUTS).plan();
        plan.steps
            .iter()
            .map(|step| step.call.to_string())
            .collect()
    };
    assert_eq!(
        calls("heat-pump-1-stage-electric-o"),
        [
            "idle",
            "fan-only",
            "alone:O",
            "emergency-heat",
            "cooling-1",
            "heating-1",
            "auxiliary-heat"
        ]
    );
    // Without a fan line Y comes before W.
    let without_fan = calls("heat-pump-1-stage-no-fan-line-o");
    let place = |call: &str| without_fan.iter().position(|made| made == call);
    assert!(
        place("cooling-1") < place("emergency-heat"),
        "{without_fan:?}"
    );
    assert_eq!(place("fan-only"), None);
    assert_eq!(place("alone:O"), None, "no air could be had for it");
}

#[test]
fn within_a_call_y_comes_before_w_and_heat_always_has_air() {
    let ran = sound("heat-pump-1-stage-no-fan-line-o");
    let (_, without_air) = ran.simulator.harm();
    assert!(seconds(without_air) <= 15.5);
    for step in &ran.plan.steps {
        let place = |name: &str| step.drive.iter().position(|line| line.as_str() == name);
        if let (Some(y), Some(w)) = (place("Y1"), place("W2")) {
            assert!(y < w, "{}", step.call);
        }
    }
}
