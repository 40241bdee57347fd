//! Room controllers under test: their timers, both conventions, their faults, their calls made by
//! relay or by hand; and wiring that a person drives and looks at. Hours of it in virtual time.

use super::harness::{Case, Ran, in_virtual_time, run_watched, terminals};
use coilcall::app::open_simulated;
use coilcall::domain::Verdict;
use coilcall::domain::bench_map::{BenchMap, Load};
use coilcall::event::{ChangeoverOutcome, Command, EventKind, RunEvent, WaitingFor};
use coilcall::port::{Clock, RunClock};
use coilcall::units::{Ohms, Terminal};
use std::collections::BTreeSet;
use std::rc::Rc;
use tokio::sync::mpsc;

const BENCH: &str = "qa-room-controller";

fn outcome(ran: &Ran) -> ChangeoverOutcome {
    let judged = ran.events.iter().find_map(|event| match &event.kind {
        EventKind::ChangeoverJudged(judged) => Some(judged.outcome),
        _ => None,
    });
    judged.expect("judged")
}

/// The verdict of each call, by name.
fn verdict_of(ran: &Ran, call: &str) -> Verdict {
    let planned = ran.plan.steps.iter().find(|s| s.call.to_string() == call);
    let number = planned.expect("planned").number;
    let made = ran.state.steps.iter().find(|s| s.number == number);
    made.and_then(|step| step.verdict).expect("made")
}

/// Every reason given in a call for a line that is wrong.
fn reasons(ran: &Ran, call: &str) -> String {
    let planned = ran.plan.steps.iter().find(|s| s.call.to_string() == call);
    let number = planned.expect("planned").number;
    let lines = ran.events.iter().filter_map(|event| match &event.kind {
        EventKind::LineJudged(line) if line.step == number && line.verdict > Verdict::Pass => {
            Some(format!("{}: {}", line.terminal, line.reason))
        }
        _ => None,
    });
    lines.collect::<Vec<_>>().join("\n")
}

fn last_second(events: &[RunEvent]) -> u64 {
    events.last().expect("events").elapsed_us.0 / 1_000_000
}

#[test]
fn a_sound_controller_passes_with_every_draw_of_its_timers() {
    for seed in 0..20 {
        let ran = Case::new("heat-pump-2-stage-electric-o", BENCH)
            .seed(seed)
            .run();
        assert_eq!(ran.verdict(), Verdict::Pass, "seed {seed}");
        assert!(ran.ends_open());
        assert_eq!(
            ran.outcome.still_live,
            Vec::<Terminal>::new(),
            "seed {seed}"
        );
        assert_eq!(outcome(&ran), ChangeoverOutcome::Follows);
        // Five compressor calls, each after three minutes off at the least (the shortest drawn).
        let least = 5 * 180;
        assert!(last_second(&ran.events) > least, "seed {seed}");
        assert_eq!(ran.live_in("cooling-2"), terminals("Y1 Y2 G O"));
        assert!(ran.live_in("heating-1").is_superset(&terminals("Y1 G")));
    }
}

/// What each convention asks of O and of B (common practice, no source), against controllers that
/// are set either way.
#[test]
fn both_settings_of_the_convention_show_against_both_profiles() {
    let check = |profile: &str, faults: &[&str], verdict, expected| {
        let ran = Case::new(profile, BENCH).faults(faults).run();
        assert_eq!(ran.verdict(), verdict, "{profile} {faults:?}");
        assert_eq!(outcome(&ran), expected, "{profile} {faults:?}");
        ran
    };
    use ChangeoverOutcome::{Follows, Inverted};
    let o = "heat-pump-1-stage-electric-o";
    let b = "heat-pump-1-stage-electric-b";
    check(o, &[], Verdict::Pass, Follows);
    check(b, &[], Verdict::Pass, Follows);
    for (profile, line) in [(o, "O"), (b, "B")] {
        let ran = check(
            profile,
            &["inverted-changeover@controller"],
            Verdict::Fail,
            Inverted,
        );
        assert_eq!(verdict_of(&ran, "fan-only"), Verdict::Pass);
        assert!(reasons(&ran, "cooling-1").starts_with(&format!("{line}:")));
        // A wrong pattern is judged as soon as it stands: the wait for it is not used up.
        assert!(last_second(&ran.events) < 3600);
    }
}

/// The valve is wrong as soon as the first stage runs; the strips come behind it, and a run that
/// ends the call at the valve has not seen whether they would.
#[test]
fn a_line_that_was_still_to_come_is_not_blamed_for_a_valve_that_is_wrong() {
    for profile in [
        "heat-pump-1-stage-electric-o",
        "heat-pump-2-stage-electric-b",
    ] {
        let case = Case::new(profile, BENCH);
        let ran = case.faults(&["inverted-changeover@controller"]).run();
        assert_eq!(ran.verdict(), Verdict::Fail);
        let valve = profile.rsplit('-').next().expect("a letter").to_uppercase();
        let lines = |call: &str| {
            let step = ran.state.steps.iter().find(|step| {
                let planned = ran
                    .state
                    .started
                    .as_ref()
                    .and_then(|(_, s)| s.plan.step(step.number));
                planned.is_some_and(|planned| planned.call.to_string() == call)
            });
            step.expect("made").lines.clone()
        };
        let auxiliary = lines("auxiliary-heat");
        let of = |line: &str| {
            let mut judged = auxiliary.values().map(|line| &line.judged);
            judged
                .find(|judged| judged.terminal.as_str() == line)
                .expect("judged")
        };
        assert_eq!(of(&valve).verdict, Verdict::Fail);
        assert_eq!(of("W2").verdict, Verdict::Inconc);
        let reason = &of("W2").reason;
        let told = format!("ended at {valve}, before the room controller's timers");
        assert!(reason.contains(&told), "{reason}");
        assert_eq!(ran.suspects(), ["inverted-changeover"]);
    }
}

#[test]
fn a_stage_that_never_comes_fails_with_its_reason_after_the_wait() {
    let ran = Case::new("heat-pump-2-stage-electric-o", BENCH)
        .faults(&["stuck-open:Y2"])
        .run();
    assert_eq!(ran.verdict(), Verdict::Fail);
    assert_eq!(verdict_of(&ran, "cooling-1"), Verdict::Pass);
    for call in ["cooling-2", "heating-2"] {
        assert_eq!(verdict_of(&ran, call), Verdict::Fail);
        let why = reasons(&ran, call);
        assert!(why.contains("Y2 stayed dead"), "{why}");
        assert!(
            why.contains("stayed at rest or at a smaller stage for 3600 s"),
            "{why}"
        );
    }
    assert!(last_second(&ran.events) > 2 * 3600);
}

#[test]
fn faults_between_controller_and_bench_fail_and_are_named() {
    for (fault, named) in [
        ("open:Y1", "open:Y1"),
        ("swap:Y1,G", "swap:Y1,G"),
        ("swap:O,W2", "swap:O,W2"),
        ("shift:Y1,G,O", "shift:Y1,G,O"),
        ("stuck-open:W2", "stuck-open:W2"),
        ("stuck-closed:W2", "stuck-closed:W2"),
        ("jumper:Y1,W2", "short:Y1,W2"),
        ("short:G,W2", "short:G,W2"),
        ("dead-input:G", "dead-input:G"),
        ("tied:O,B", "tied:O,B"),
        ("fan-tied", "fan-tied"),
        ("open:R", "open:R"),
        ("open:C", "open:C"),
    ] {
        let ran = Case::new("heat-pump-1-stage-electric-o", BENCH)
            .faults(&[fault])
            .run();
        assert_eq!(ran.verdict(), Verdict::Fail, "{fault}");
        assert!(ran.ends_open(), "{fault}");
        let suspects = ran.suspects();
        assert!(suspects.iter().any(|s| s == named), "{fault}: {suspects:?}");
    }
}

/// Each call is looked at beside a line that is live all the time: the others are waited for as
/// ever, and none of them is blamed (worked by hand from the one-stage heat pump's table).
#[test]
fn one_line_that_is_always_live_spoils_no_other() {
    let ran = Case::new("heat-pump-1-stage-electric-o", BENCH)
        .faults(&["stuck-closed:W2"])
        .run();
    for (call, live) in [
        ("idle", "W2"),
        ("fan-only", "G W2"),
        ("cooling-1", "Y1 G O W2"),
        ("heating-1", "Y1 G W2"),
        ("auxiliary-heat", "Y1 G W2"),
        ("emergency-heat", "G W2"),
    ] {
        assert_eq!(ran.live_in(call), terminals(live), "{call}");
        let expected = match call {
            "auxiliary-heat" | "emergency-heat" => "W2: W2 is still live after the call",
            _ => "W2:",
        };
        let why = reasons(&ran, call);
        assert!(why.starts_with(expected), "{call}: {why}");
    }
}

/// Dead lines at a live bench are one thing; a controller without R or C never starts.
#[test]
fn a_controller_without_its_supply_fails_and_a_dead_bench_is_inconclusive() {
    for fault in ["open:R", "open:C"] {
        let ran = Case::new("heat-pump-1-stage-electric-o", BENCH)
            .faults(&[fault])
            .run();
        assert_eq!(ran.verdict(), Verdict::Fail, "{fault}");
        assert_eq!(ran.live_in("cooling-1"), BTreeSet::new(), "{fault}");
    }
    let ran = Case::new("heat-pump-1-stage-electric-o", BENCH)
        .faults(&["fuse-open"])
        .run();
    assert_eq!(ran.verdict(), Verdict::Inconc);
}

#[test]
fn without_c_a_line_without_a_coil_is_inconclusive_and_the_others_are_judged() {
    let without_coil = |bench: &mut BenchMap| {
        let line = bench.lines.get_mut(&Terminal::known("W2")).expect("W2");
        // Beside the input's 12 kohm it leaves 6 kohm, to which 2.4 kohm of the controller bring
        // about 18 V: live while nothing is called.
        line.load = Some(Load {
            sealed_ohms: Some(Ohms(12e3)),
            power_factor: Some(1.0),
            unsealed_ohms: Some(Ohms(12e3)),
            dc_ohms: Some(Ohms(12e3)),
        });
    };
    let mut case = Case::new(
        "heat-pump-1-stage-electric-o",
        "qa-room-controller-without-c",
    );
    without_coil(&mut case.bench);
    let ran = case.run();
    assert_eq!(ran.verdict(), Verdict::Inconc);
    let why = reasons(&ran, "cooling-1");
    assert!(
        why.starts_with("W2:") && why.contains("steals its power"),
        "{why}"
    );
    assert_eq!(why.lines().count(), 1, "{why}");
    let mut wrong = Case::new(
        "heat-pump-1-stage-electric-o",
        "qa-room-controller-without-c",
    )
    .faults(&["swap:Y1,G"]);
    without_coil(&mut wrong.bench);
    assert_eq!(wrong.run().verdict(), Verdict::Fail);
}

/// What a link spoils is read again; the call itself is made once.
#[test]
fn a_spoilt_reading_is_read_again_and_the_call_is_not_made_again() {
    for seed in 0..10 {
        let ran = Case::new("heat-pump-1-stage-electric-o", BENCH)
            .link_faults(&["garbage:board%0.02"])
            .seed(seed)
            .run();
        assert_eq!(ran.verdict(), Verdict::Pass, "seed {seed}");
        let again = ran
            .events
            .iter()
            .any(|event| matches!(&event.kind, EventKind::StepStarted(step) if step.attempt > 1));
        assert!(!again, "seed {seed}");
    }
}

/// A question's words, and the true answer.
struct Asked<'a> {
    text: &'a str,
    truth: String,
}

/// One run with a person who does what is asked, and says what the test lets them say.
fn with_a_person(case: Case, say: impl Fn(Asked<'_>) -> Option<String> + 'static) -> Ran {
    let plan = case.plan();
    in_virtual_time(async move {
        let clock: Rc<dyn Clock> = Rc::new(RunClock::start());
        let simulator = case.simulator(&clock);
        let opened = open_simulated(&case.bench, &simulator).await;
        let (sender, commands) = mpsc::channel(8);
        let person = simulator.clone();
        let observer = Box::new(move |event: &RunEvent| {
            let (prompt, about, text) = match &event.kind {
                EventKind::Asked {
                    prompt,
                    about,
                    text,
                    ..
                } => (*prompt, about, text),
                _ => return,
            };
            let truth = person.answer(about);
            if let Some(text) = say(Asked { text, truth }) {
                let via = "simulated".to_owned();
                sender
                    .try_send(Command::Answer { prompt, text, via })
                    .expect("the run takes each answer before it asks again");
            }
        });
        run_watched(plan, opened, clock, commands, (simulator, observer)).await
    })
}

fn asked(ran: &Ran) -> Vec<&str> {
    let texts = ran.events.iter().filter_map(|event| match &event.kind {
        EventKind::Asked { text, .. } => Some(text.as_str()),
        _ => None,
    });
    texts.collect()
}

#[test]
fn a_controller_whose_calls_are_made_by_hand_is_judged_the_same() {
    for (faults, verdict) in [(&[][..], Verdict::Pass), (&["swap:Y1,G"], Verdict::Fail)] {
        let case = Case::new(
            "heat-pump-1-stage-electric-o",
            "qa-room-controller-by-prompt",
        );
        let ran = with_a_person(case.faults(faults), |asked| Some(asked.truth));
        assert_eq!(ran.verdict(), verdict, "{faults:?}");
        let asked = asked(&ran);
        assert!(asked.contains(&"Make the call cooling-1 at the room controller. Done?"));
        assert!(asked.contains(&"End the call cooling-1: take it off again. Done?"));
    }
}

#[test]
fn a_cable_is_proven_with_jumpers_and_a_lamp_or_a_meter() {
    for bench in ["jumpers-and-lamp", "jumpers-and-meter"] {
        for (fault, verdict) in [
            (None, Verdict::Pass),
            (Some("swap:Y1,G"), Verdict::Fail),
            (Some("open:O"), Verdict::Fail),
            (Some("short:Y1,W2"), Verdict::Fail),
            (Some("fuse-open"), Verdict::Inconc),
        ] {
            let faults: Vec<&str> = fault.into_iter().collect();
            let case = Case::new("heat-pump-1-stage-electric-o", bench).faults(&faults);
            let ran = with_a_person(case, |asked| Some(asked.truth));
            assert_eq!(ran.verdict(), verdict, "{bench} {fault:?}");
        }
    }
}

/// The bench has 13 lines and the equipment 4. By hand a technician looks at those 4 in each call,
/// and once it is ended at what it had made live.
#[test]
fn leads_are_moved_by_hand_to_no_line_that_the_equipment_lacks_nor_twice_to_a_dead_one() {
    let case = Case::new("heat-pump-1-stage-electric-o", "jumpers-and-meter");
    let ran = with_a_person(case, |asked| Some(asked.truth));
    assert_eq!(ran.verdict(), Verdict::Pass);
    let looks = |line: &str| {
        let question = format!("Put the meter's leads on {line} at the equipment end. Done?");
        asked(&ran).iter().filter(|text| **text == question).count()
    };
    // 10 calls; Y1 is live in its own, cooling-1, heating-1 and auxiliary-heat, G in its own and
    // all of the table but idle, O in its own and cooling-1, W2 in its own and two of heat.
    assert_eq!(
        [looks("Y1"), looks("G"), looks("O"), looks("W2")],
        [14, 16, 12, 13]
    );
    for line in ["Y2", "B", "W1", "W3", "E", "HUM", "DH", "L", "X"] {
        assert_eq!(looks(line), 0, "{line}");
    }
    let plan = &ran.state.started.as_ref().expect("begun").1.plan;
    let said = plan
        .not_proven
        .iter()
        .any(|text| text.ends_with("nobody moves the meter's leads: Y2 B W1 W3 E DH HUM L X"));
    assert!(said, "{:?}", plan.not_proven);
}

#[test]
fn an_answer_that_is_none_is_asked_for_again_with_what_would_be_one() {
    let first = std::cell::Cell::new(true);
    let case = Case::new("heat-pump-1-stage-electric-o", "jumpers-and-lamp");
    let ran = with_a_person(case, move |asked| {
        let is_observation = asked.text.contains("which of");
        if is_observation && first.replace(false) {
            return Some("Y9".to_owned());
        }
        Some(asked.truth)
    });
    assert_eq!(ran.verdict(), Verdict::Pass);
    let again = asked(&ran)
        .into_iter()
        .filter(|text| text.starts_with("'Y9' is no answer here; expected some of"));
    assert_eq!(again.count(), 1);
}

#[test]
fn someone_who_falls_silent_or_cannot_ends_the_call_and_nothing_is_guessed() {
    let ends: [(&str, Option<&str>); 2] = [
        ("nobody answered: For the call cooling-1", None),
        ("could not be done: For the call cooling-1", Some("cannot")),
    ];
    for (why, said) in ends {
        let case = Case::new("heat-pump-1-stage-electric-o", "jumpers-and-lamp");
        let ran = with_a_person(case, move |asked| {
            if asked.text.starts_with("For the call cooling-1") {
                return said.map(str::to_owned);
            }
            Some(asked.truth)
        });
        assert_eq!(ran.verdict(), Verdict::Inconc);
        assert_eq!(verdict_of(&ran, "cooling-1"), Verdict::Inconc);
        let reasons = reasons(&ran, "cooling-1");
        assert!(reasons.contains(why), "{reasons}");
        assert_eq!(verdict_of(&ran, "heating-1"), Verdict::Pass);
    }
}

/// A look at every line costs little beside the time waited, and a person is not asked every other
/// second.
#[test]
fn a_long_wait_is_looked_at_ever_less_often() {
    let ran = Case::new("heat-pump-2-stage-electric-o", BENCH)
        .faults(&["stuck-open:Y1"])
        .run();
    let waits = ran.events.iter().filter(|event| {
        matches!(&event.kind, EventKind::Waiting(waiting)
            if waiting.why == WaitingFor::ControllerTimer)
    });
    assert_eq!(waits.count(), 2 * ran.plan.steps.len());
    let hours = last_second(&ran.events) / 3600;
    assert!(hours >= 2, "{hours}");
    let readings = ran
        .events
        .iter()
        .filter(|event| matches!(event.kind, EventKind::Read(_)));
    let most = 13 * 300 * ran.plan.steps.len();
    assert!(readings.count() < most);
}
