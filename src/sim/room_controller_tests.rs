//! The controller's timers, told second by second.

use super::*;
use crate::domain::profile::{Changeover, Kind, ProfileDraft};

fn names(lines: &str) -> BTreeSet<Terminal> {
    let words = lines.split_whitespace();
    words
        .map(|word| Terminal::new(word).expect("a terminal"))
        .collect()
}

/// The two-stage heat pump with O at a controller whose times are easy to add up, in seconds:
/// power-up 10, stage-up 400, minimum off 300, minimum on 200, fan on 5, off 60.
fn controller() -> RoomController {
    let draft = ProfileDraft {
        name: Some("heat pump".to_owned()),
        kind: Some(Kind::HeatPump),
        compressor_stages: Some(2),
        heat_stages: Some(1),
        changeover: Some(Changeover::O),
        fan_in_heat: Some(crate::domain::profile::FanInHeat::Controller),
        ..ProfileDraft::default()
    };
    let profile = Profile::new(draft).expect("a good profile");
    let mut controller = RoomController::new(&profile, 1);
    controller.timers = Timers {
        power_up: 10 * SECOND,
        stage_up: 400 * SECOND,
        minimum_off: 300 * SECOND,
        minimum_on: 200 * SECOND,
        fan_on: 5 * SECOND,
        fan_off: 60 * SECOND,
    };
    controller.holds_valve = false;
    controller
}

/// Asks for a call from a second on, and tells what is on at others.
fn check(controller: &mut RoomController, call: &Call, power: bool, seen: &[(u64, &str)]) {
    for (second, lines) in seen {
        let now = Microseconds(second * SECOND);
        controller.follow(now, call, power);
        assert_eq!(
            controller.outputs(now, Volts(24.0)),
            names(lines),
            "{call} at {second} s"
        );
    }
}

#[test]
fn a_call_waits_out_the_minimum_off_and_steps_up() {
    let mut controller = controller();
    let cooling = Call::Cooling(2);
    check(&mut controller, &Call::Idle, true, &[(0, "")]);
    check(
        &mut controller,
        &cooling,
        true,
        &[
            (1, ""),
            (299, ""),
            (300, "Y1 O"),
            (304, "Y1 O"),
            (305, "Y1 O G"),
            (699, "Y1 O G"),
            (700, "Y1 Y2 O G"),
        ],
    );
    // The second stage ends with the call; the compressor has run 450 s, so it may stop at once.
    check(
        &mut controller,
        &Call::Idle,
        true,
        &[(750, "G"), (809, "G"), (810, "")],
    );
    // Emergency heat needs no compressor, and the compressor waits until 1050.
    check(
        &mut controller,
        &Call::EmergencyHeat,
        true,
        &[(820, "W2"), (825, "W2 G")],
    );
    check(
        &mut controller,
        &Call::Heating(1),
        true,
        &[(830, "G"), (1049, ""), (1050, "Y1"), (1055, "Y1 G")],
    );
}

#[test]
fn a_call_that_ends_early_is_held_for_the_minimum_on() {
    let mut controller = controller();
    let heating = Call::Heating(1);
    check(
        &mut controller,
        &heating,
        true,
        &[(0, ""), (300, "Y1"), (310, "Y1 G")],
    );
    check(
        &mut controller,
        &Call::Idle,
        true,
        &[(320, "Y1 G"), (499, "Y1 G"), (500, "G"), (560, "")],
    );
}

#[test]
fn a_loss_of_power_drops_everything_and_starts_the_timers_again() {
    let mut controller = controller();
    let fan = Call::FanOnly;
    check(&mut controller, &fan, true, &[(0, ""), (9, ""), (10, "G")]);
    check(&mut controller, &fan, false, &[(20, ""), (30, "")]);
    check(
        &mut controller,
        &fan,
        true,
        &[(40, ""), (49, ""), (50, "G")],
    );
    let cooling = Call::Cooling(1);
    check(
        &mut controller,
        &cooling,
        true,
        &[(60, ""), (339, ""), (340, "Y1 O")],
    );
}

/// A controller that keeps its valve where the last mode left it; O is on in cooling.
#[test]
fn the_valve_may_stay_as_the_last_mode_left_it() {
    let mut controller = controller();
    controller.holds_valve = true;
    check(
        &mut controller,
        &Call::Cooling(1),
        true,
        &[(0, ""), (300, "Y1 O")],
    );
    check(
        &mut controller,
        &Call::Idle,
        true,
        &[(600, "O G"), (700, "O")],
    );
    check(&mut controller, &Call::Heating(1), true, &[(900, "Y1")]);
    check(
        &mut controller,
        &Call::Idle,
        true,
        &[(1200, "G"), (1300, "")],
    );
}
