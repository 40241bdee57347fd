//! What known faults look like, call by call, and that the run names them.
//!
//! The patterns are worked by hand from what the fault does to a one-stage heat pump with electric
//! auxiliary heat, reversing valve energised in cooling (common practice, no source). `alone:`
//! calls are written as `Y1>` and so on.

use super::harness::{Case, Ran, terminals};
use coilcall::domain::Verdict;
use coilcall::event::ChangeoverOutcome;

fn p1(faults: &[&str]) -> Ran {
    Case::new("heat-pump-1-stage-electric-o", "panel-16")
        .faults(faults)
        .run()
}

/// One fault: the calls whose pattern is not the healthy one, the verdict, and a suspect that must
/// be among those named.
fn check(fault: &str, patterns: &[(&str, &str)], suspect: &str) -> Ran {
    let ran = p1(&[fault]);
    let healthy = [
        ("idle", ""),
        ("alone:Y1", "Y1"),
        ("alone:G", "G"),
        ("alone:O", "O"),
        ("alone:W2", "W2"),
        ("fan-only", "G"),
        ("cooling-1", "Y1 G O"),
        ("heating-1", "Y1 G"),
        ("auxiliary-heat", "Y1 G W2"),
        ("emergency-heat", "G W2"),
    ];
    for (call, live) in healthy {
        let changed = patterns
            .iter()
            .find(|(name, _)| *name == call)
            .map(|(_, live)| *live);
        let expected = terminals(changed.unwrap_or(live));
        assert_eq!(ran.live_in(call), expected, "{fault} in {call}");
    }
    assert_eq!(ran.verdict(), Verdict::Fail, "{fault}");
    assert!(ran.ends_open() && ran.outcome.made_safe, "{fault}");
    let suspects = ran.suspects();
    assert!(
        suspects.iter().any(|named| named == suspect),
        "{fault}: named {suspects:?}"
    );
    ran
}

#[test]
fn a_sound_unit_passes_and_the_changeover_follows() {
    let ran = p1(&[]);
    assert_eq!(ran.verdict(), Verdict::Pass);
    assert!(ran.ends_open() && ran.outcome.made_safe);
    assert_eq!(ran.suspects(), Vec::<String>::new());
    let changeover = ran.state.changeover.expect("judged");
    assert_eq!(changeover.outcome, ChangeoverOutcome::Follows);
}

#[test]
fn y_and_g_exchanged_show_in_fan_and_emergency_only_among_the_calls() {
    check(
        "swap:Y1,G",
        &[
            ("alone:Y1", "G"),
            ("alone:G", "Y1"),
            ("fan-only", "Y1"),
            ("emergency-heat", "Y1 W2"),
        ],
        "swap:Y1,G",
    );
}

#[test]
fn both_conventions_on_one_valve_line_energise_it_in_heating_too() {
    let ran = check(
        "tied:O,B",
        &[
            ("alone:Y1", "Y1 O"),
            ("heating-1", "Y1 G O"),
            ("auxiliary-heat", "Y1 G O W2"),
        ],
        "tied:O,B",
    );
    assert_eq!(
        ran.state.changeover.expect("judged").outcome,
        ChangeoverOutcome::StuckOn
    );
}

#[test]
fn an_inverted_changeover_mirrors_both_halves() {
    let ran = check(
        "inverted-changeover",
        &[
            ("alone:Y1", "Y1 O"),
            ("cooling-1", "Y1 G"),
            ("heating-1", "Y1 G O"),
            ("auxiliary-heat", "Y1 G O W2"),
        ],
        "inverted-changeover",
    );
    assert_eq!(
        ran.state.changeover.expect("judged").outcome,
        ChangeoverOutcome::Inverted
    );
}

#[test]
fn an_open_conductor_is_missing_wherever_it_is_driven() {
    check(
        "open:G",
        &[
            ("alone:G", ""),
            ("fan-only", ""),
            ("cooling-1", "Y1 O"),
            ("heating-1", "Y1"),
            ("auxiliary-heat", "Y1 W2"),
            ("emergency-heat", "W2"),
        ],
        "open:G",
    );
    let ran = check(
        "open:O",
        &[("alone:O", ""), ("cooling-1", "Y1 G")],
        "open:O",
    );
    assert_eq!(
        ran.state.changeover.expect("judged").outcome,
        ChangeoverOutcome::StuckOff
    );
}

#[test]
fn a_dead_input_and_a_relay_that_never_closes_look_like_an_open_conductor() {
    for fault in ["dead-input:W2", "stuck-open:W2"] {
        let ran = check(
            fault,
            &[
                ("alone:W2", ""),
                ("auxiliary-heat", "Y1 G"),
                ("emergency-heat", "G"),
            ],
            fault,
        );
        // Unit and bench are both suspects: these readings cannot tell them apart.
        let suspects = ran.suspects();
        for other in ["open:W2", "stuck-open:W2", "dead-input:W2"] {
            assert!(
                suspects.iter().any(|named| named == other),
                "{other}: {suspects:?}"
            );
        }
    }
}

#[test]
fn touching_conductors_rise_together() {
    check(
        "short:Y1,W2",
        &[
            ("alone:Y1", "Y1 W2"),
            ("alone:W2", "Y1 W2"),
            ("cooling-1", "Y1 G O W2"),
            ("heating-1", "Y1 G W2"),
            ("emergency-heat", "Y1 G W2"),
        ],
        "short:Y1,W2",
    );
}

#[test]
fn an_outdoor_unit_that_feeds_the_auxiliary_line_does_so_in_heating_alone() {
    check(
        "backfeed:W2",
        &[("alone:Y1", "Y1 W2"), ("heating-1", "Y1 G W2")],
        "backfeed:W2",
    );
}

#[test]
fn w_landed_on_o_cools_with_the_strips_off() {
    check(
        "mislanded:W2,O",
        &[
            ("alone:W2", "O"),
            ("auxiliary-heat", "Y1 G O"),
            ("emergency-heat", "G O"),
        ],
        "mislanded:W2,O",
    );
}

#[test]
fn conductors_landed_one_along_are_named_in_their_order() {
    check(
        "shift:Y1,G,O",
        &[
            ("alone:Y1", "G"),
            ("alone:G", "O"),
            ("alone:O", "Y1"),
            ("fan-only", "O"),
            ("heating-1", "G O"),
            ("auxiliary-heat", "G O W2"),
            ("emergency-heat", "O W2"),
        ],
        "shift:Y1,G,O",
    );
}

#[test]
fn a_fan_tied_to_the_compressor_is_dead_alone_and_alive_with_it() {
    check(
        "fan-tied",
        &[
            ("alone:Y1", "Y1 G"),
            ("alone:G", ""),
            ("fan-only", ""),
            ("emergency-heat", "W2"),
        ],
        "fan-tied",
    );
}

#[test]
fn a_welded_relay_is_live_without_a_call() {
    check(
        "stuck-closed:W2",
        &[
            ("idle", "W2"),
            ("alone:Y1", "Y1 W2"),
            ("alone:G", "G W2"),
            ("alone:O", "O W2"),
            ("fan-only", "G W2"),
            ("cooling-1", "Y1 G O W2"),
            ("heating-1", "Y1 G W2"),
        ],
        "stuck-closed:W2",
    );
}

#[test]
fn a_missing_jumper_kills_one_side() {
    check(
        "jumper-missing",
        &[
            ("alone:W2", ""),
            ("auxiliary-heat", "Y1 G"),
            ("emergency-heat", "G"),
        ],
        "jumper-missing",
    );
}

#[test]
fn an_open_supply_conductor_is_one_fault_and_not_four() {
    let ran = p1(&["open:R"]);
    assert_eq!(ran.verdict(), Verdict::Fail);
    assert_eq!(ran.suspects(), ["open:R"]);
    let changeover = ran.state.changeover.expect("judged").outcome;
    assert_eq!(changeover, ChangeoverOutcome::NotShown);
}

#[test]
fn a_dead_source_proves_nothing() {
    for fault in ["fuse-open", "short:R,C"] {
        let ran = p1(&[fault]);
        assert_eq!(ran.verdict(), Verdict::Inconc, "{fault}");
        assert!(ran.ends_open() && ran.outcome.made_safe, "{fault}");
        assert_eq!(ran.suspects(), Vec::<String>::new(), "{fault}");
    }
}

#[test]
fn a_call_wire_shorted_to_common_fails_alone_and_is_not_driven_again() {
    let ran = p1(&["short:Y1,C"]);
    assert_eq!(ran.verdict(), Verdict::Fail);
    assert_eq!(ran.suspects(), ["short:Y1,C"]);
    let of = |call: &str| {
        let call = call.parse().expect("a call");
        let number = ran
            .plan
            .steps
            .iter()
            .find(|s| s.call == call)
            .expect("planned")
            .number;
        let made = ran
            .state
            .steps
            .iter()
            .find(|s| s.number == number)
            .expect("made");
        (made.verdict.expect("finished"), made.note.clone())
    };
    assert_eq!(of("alone:Y1").0, Verdict::Fail);
    assert_eq!(of("alone:G").0, Verdict::Pass);
    let (verdict, note) = of("cooling-1");
    assert_eq!(verdict, Verdict::Inconc);
    assert!(note.contains("Y1 is not driven again"), "{note}");
    // The compressor's relay closed once in the whole run.
    let closings = ran
        .state
        .relays
        .iter()
        .filter(|set| set.intended.contains(&coilcall::units::CoilAddress(0)))
        .count();
    assert_eq!(closings, 1);
}

#[test]
fn an_open_common_shows_only_where_the_far_end_is_sensed() {
    let far = Case::new("heat-pump-1-stage-electric-o", "supply-both-ends");
    let ran = far.faults(&["open:C"]).run();
    assert_eq!(ran.verdict(), Verdict::Fail);
    assert_eq!(ran.suspects(), ["open:C"]);

    let near = p1(&["open:C"]);
    assert_eq!(near.verdict(), Verdict::Pass);
    assert!(
        near.plan
            .not_proven
            .iter()
            .any(|text| text.starts_with("C not proven"))
    );
}
