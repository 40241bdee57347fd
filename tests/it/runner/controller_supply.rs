//! A room controller's supply: both ends of its band, its loss and its return, and the controllers
//! and benches that fail there. Hours of it in virtual time.

use super::harness::{Case, Ran, in_virtual_time, run_over, run_watched};
use coilcall::app::open_simulated;
use coilcall::domain::bench_map::{BenchMap, RelayAt, SenseMeans};
use coilcall::domain::plan::{CallOrder, make_plan_in};
use coilcall::domain::{Call, Verdict};
use coilcall::event::{
    ChangeoverOutcome, Command, EventKind, FinishReason, RelayReason, RunEvent, Supplied,
    WaitingFor,
};
use coilcall::port::{Clock, RunClock};
use coilcall::sim::ControllerFault;
use coilcall::units::{CoilAddress, DeviceName, End, Milliseconds, Volts};
use std::collections::BTreeSet;
use std::rc::Rc;
use tokio::sync::mpsc;

const BENCH: &str = "qa-supply-and-power-loss";
const TWO_STAGES: &str = "heat-pump-2-stage-electric-o";
const ONE_STAGE: &str = "heat-pump-1-stage-electric-o";

/// The relays of the ready-made bench.
const INTERRUPT: CoilAddress = CoilAddress(8);
const LOW: CoilAddress = CoilAddress(9);
const HIGH: CoilAddress = CoilAddress(10);

/// The run's steps, named, with how each came out.
fn outcomes(ran: &Ran) -> Vec<(String, Verdict)> {
    let made = |number| ran.state.steps.iter().find(|made| made.number == number);
    let steps = ran.plan.steps.iter().map(|step| {
        let verdict = made(step.number).and_then(|made| made.verdict);
        (ran.plan.step_name(step), verdict.unwrap_or_default())
    });
    steps.collect()
}

fn names(ran: &Ran, verdict: Verdict) -> Vec<String> {
    let outcomes = outcomes(ran).into_iter();
    let of = outcomes.filter(|(_, found)| *found == verdict);
    of.map(|(name, _)| name).collect()
}

/// Every reason given in a step for a line that is wrong or not clear.
fn reasons(ran: &Ran, name: &str) -> String {
    let mut planned = ran.plan.steps.iter();
    let planned = planned.find(|step| ran.plan.step_name(step) == name);
    let number = planned.unwrap_or_else(|| panic!("no {name}")).number;
    let lines = ran.events.iter().filter_map(|event| match &event.kind {
        EventKind::LineJudged(line) if line.step == number && line.verdict > Verdict::Pass => {
            Some(format!("{}: {}", line.terminal, line.reason))
        }
        _ => None,
    });
    lines.collect::<Vec<_>>().join("\n")
}

fn note(ran: &Ran, name: &str) -> String {
    let mut planned = ran.plan.steps.iter();
    let planned = planned.find(|step| ran.plan.step_name(step) == name);
    let number = planned.unwrap_or_else(|| panic!("no {name}")).number;
    let made = ran.state.steps.iter().find(|made| made.number == number);
    made.expect("made").note.clone()
}

/// One run of a bench on which something is not as its file says, or of a faulty controller.
fn spoilt(case: Case, as_built: impl FnOnce(&mut BenchMap), fault: Option<ControllerFault>) -> Ran {
    let plan = case.plan();
    in_virtual_time(async move {
        let clock: Rc<dyn Clock> = Rc::new(RunClock::start());
        let mut built = case;
        as_built(&mut built.bench);
        let simulator = built.simulator(&clock);
        fault
            .into_iter()
            .for_each(|fault| simulator.spoil_controller(fault));
        let opened = open_simulated(&built.bench, &simulator).await;
        let (_sender, commands) = mpsc::channel(1);
        run_over(plan, opened, clock, commands, simulator).await
    })
}

fn with_fault(profile: &str, fault: ControllerFault) -> Ran {
    spoilt(Case::new(profile, BENCH), |_| {}, Some(fault))
}

fn closed_by(events: &[RunEvent]) -> impl Iterator<Item = BTreeSet<CoilAddress>> {
    events.iter().filter_map(|event| match &event.kind {
        EventKind::RelaysSet(set) => Some(set.read_back.iter().flatten().copied().collect()),
        _ => None,
    })
}

#[test]
fn a_sound_controller_passes_at_both_ends_and_over_every_power_loss() {
    for profile in [
        TWO_STAGES,
        "heat-pump-1-stage-electric-b",
        "dual-fuel-2-stage-b",
        "furnace-2-stage-fuel-cooling-2-stage",
        "heat-pump-conventional-2-stage-electric",
        "heat-pump-1-stage-accessories-o",
    ] {
        for seed in 0..3 {
            let ran = Case::new(profile, BENCH).seed(seed).run();
            let not_right: Vec<_> = outcomes(&ran)
                .into_iter()
                .filter(|(_, verdict)| *verdict != Verdict::Pass)
                .collect();
            assert_eq!(not_right, vec![], "{profile}, seed {seed}");
            assert_eq!(ran.verdict(), Verdict::Pass);
            assert!(ran.ends_open());
        }
    }
}

/// Hand-worked from the truth tables: what a controller passes through is not made again.
#[test]
fn the_calls_that_show_all_others_are_made_again() {
    let again = |profile: &str, calls: Option<&str>| {
        let mut case = Case::new(profile, BENCH);
        case.calls = calls.map(|calls| {
            let calls = calls.split(' ');
            calls.map(|call| call.parse().expect("a call")).collect()
        });
        let plan = case.plan();
        let names: Vec<String> = plan.steps.iter().map(|step| plan.step_name(step)).collect();
        let at = |ending: &str| -> String {
            let of = names.iter().filter_map(|name| name.strip_suffix(ending));
            of.collect::<Vec<_>>().join(" ")
        };
        let (low, high) = (at(" at low"), at(" at high"));
        assert_eq!(low, high, "{profile}");
        (low, at(", power loss"))
    };
    let check = |profile: &str, calls: &str| {
        let (at_level, over_loss) = again(profile, None);
        assert_eq!(at_level, format!("idle {calls}"), "{profile}");
        assert_eq!(over_loss, calls, "{profile}");
    };
    check(TWO_STAGES, "cooling-2 auxiliary-heat emergency-heat");
    check(ONE_STAGE, "cooling-1 auxiliary-heat emergency-heat");
    check("heat-pump-1-stage-no-auxiliary-o", "cooling-1 heating-1");
    // The furnace's heat drops the compressor, so that heating by compressor is a pattern of its
    // own.
    check(
        "dual-fuel-1-stage-o",
        "cooling-1 heating-1 auxiliary-heat emergency-heat",
    );
    // The furnace runs its blower itself; the fan's line is shown in cooling.
    check(
        "furnace-2-stage-fuel-cooling-2-stage",
        "cooling-2 heating-2",
    );
    let (at_level, over_loss) = again(TWO_STAGES, Some("fan-only cooling-1"));
    assert_eq!(
        (at_level.as_str(), over_loss.as_str()),
        ("cooling-1", "cooling-1")
    );
}

/// The supply's steps stand behind the calls in either order of them.
#[test]
fn the_fastest_order_keeps_each_level_together() {
    let case = Case::new(TWO_STAGES, BENCH);
    let fastest = make_plan_in(CallOrder::Fastest, &case.profile, &case.bench, None);
    assert_eq!(fastest.expect("a plan"), case.plan());
}

#[test]
fn relays_of_the_supply_move_with_no_call_made_and_one_level_at_a_time() {
    let ran = Case::new(TWO_STAGES, BENCH).run();
    let supply = BTreeSet::from([INTERRUPT, LOW, HIGH]);
    let mut before = BTreeSet::new();
    for closed in closed_by(&ran.events) {
        let levels = [LOW, HIGH].iter().filter(|level| closed.contains(level));
        assert!(levels.count() <= 1, "{closed:?}");
        let is_call = |set: &BTreeSet<CoilAddress>| set.difference(&supply).count() > 0;
        let moved = |relay: &CoilAddress| closed.contains(relay) != before.contains(relay);
        if [LOW, HIGH].iter().any(moved) {
            assert!(
                !is_call(&before) && !is_call(&closed),
                "{before:?} {closed:?}"
            );
        }
        if closed.contains(&INTERRUPT) {
            assert!(is_call(&closed), "the call stands while the power is cut");
            assert!(!closed.contains(&LOW) && !closed.contains(&HIGH));
        }
        before = closed;
    }
    let supplied = ran.events.iter().filter_map(|event| match &event.kind {
        EventKind::SupplySet(set) => Some(match &set.to {
            Supplied::Usual => "usual",
            Supplied::Level { name, .. } => name,
            Supplied::Nothing => "nothing",
        }),
        _ => None,
    });
    let supplied: Vec<&str> = supplied.collect();
    let loss = ["nothing", "usual"];
    let expected = [&["low", "high", "usual"][..], &loss, &loss, &loss].concat();
    assert_eq!(supplied, expected);
}

/// The shortest minimum-off time that the simulator draws is 180 s (its documentation).
#[test]
fn the_time_of_the_return_is_told() {
    let ran = Case::new(ONE_STAGE, BENCH).run();
    let note = note(&ran, "cooling-1, power loss");
    assert!(note.starts_with("the power was off for 10.0 s"), "{note}");
    let (_, after) = note.split_once("Y1 ").expect("when Y1 came");
    let seconds: f64 = after.trim_end_matches(" s").parse().expect("seconds");
    assert!((180.0..320.0).contains(&seconds), "{note}");
    let changed = ran.events.iter().find_map(|event| match &event.kind {
        EventKind::Changed(changed) => Some(changed),
        _ => None,
    });
    let changed = changed.expect("the compressor came on again");
    assert_eq!(changed.line.as_str(), "Y1");
    assert!(changed.before_us < changed.after_us);
    let emergency = self::note(&ran, "emergency-heat, power loss");
    assert_eq!(emergency, "the power was off for 10.0 s");
}

#[test]
fn a_compressor_that_restarts_at_once_fails_and_only_there() {
    for seed in 0..10 {
        let case = Case::new(TWO_STAGES, BENCH).seed(seed);
        let ran = spoilt(case, |_| {}, Some(ControllerFault::RestartsAtOnce));
        assert_eq!(ran.verdict(), Verdict::Fail, "seed {seed}");
        let wrong = ["cooling-2, power loss", "auxiliary-heat, power loss"];
        assert_eq!(names(&ran, Verdict::Fail), wrong, "seed {seed}");
        let why = reasons(&ran, "cooling-2, power loss");
        assert!(why.starts_with("Y1: Y1 was live again"), "{why}");
        assert!(
            why.contains("too soon: the compressor has to stay off for 180.0 s"),
            "{why}"
        );
        assert!(ran.ends_open());
    }
}

/// How long a compressor has to stay off is the bench file's to say.
#[test]
fn a_shorter_minimum_off_time_allows_an_earlier_return() {
    let mut case = Case::new(ONE_STAGE, BENCH);
    case.bench.timing.controller_minimum_off = Milliseconds(0);
    let ran = spoilt(case, |_| {}, Some(ControllerFault::RestartsAtOnce));
    assert_eq!(ran.verdict(), Verdict::Pass);
}

#[test]
fn a_controller_that_loses_its_convention_fails_and_is_named() {
    for profile in [ONE_STAGE, "heat-pump-1-stage-electric-b"] {
        let ran = with_fault(profile, ControllerFault::ForgetsConvention);
        assert_eq!(ran.verdict(), Verdict::Fail, "{profile}");
        let wrong = ["cooling-1, power loss", "auxiliary-heat, power loss"];
        assert_eq!(names(&ran, Verdict::Fail), wrong, "{profile}");
        let why = reasons(&ran, "cooling-1, power loss");
        assert!(
            why.contains("the controller lost its setting of the reversing valve (O/B)"),
            "{why}"
        );
        // At the usual supply it was set right.
        let outcome = ran.state.changeover.as_ref().map(|judged| judged.outcome);
        assert_eq!(outcome, Some(ChangeoverOutcome::Follows));
    }
}

#[test]
fn outputs_that_drop_at_the_low_end_fail_there_and_nowhere_else() {
    let ran = with_fault(ONE_STAGE, ControllerFault::OutputsNeed(Volts(22.0)));
    assert_eq!(ran.verdict(), Verdict::Fail);
    let wrong = [
        "cooling-1 at low",
        "auxiliary-heat at low",
        "emergency-heat at low",
    ];
    assert_eq!(names(&ran, Verdict::Fail), wrong);
    let why = reasons(&ran, "cooling-1 at low");
    assert!(why.contains("Y1 stayed dead"), "{why}");
    assert!(names(&ran, Verdict::Pass).contains(&"cooling-1 at high".to_owned()));
}

#[test]
fn a_controller_that_stays_dark_fails_after_its_wait() {
    let ran = with_fault(ONE_STAGE, ControllerFault::StaysDark);
    let wrong = names(&ran, Verdict::Fail);
    assert_eq!(
        wrong.first().map(String::as_str),
        Some("cooling-1, power loss")
    );
    let why = reasons(&ran, "cooling-1, power loss");
    assert!(
        why.contains("after the power came back: the controller stayed at rest or at a smaller"),
        "{why}"
    );
}

#[test]
fn a_level_that_the_bench_does_not_make_is_inconclusive_and_the_bench_is_named() {
    let wrong_tap = |bench: &mut BenchMap| bench.supply.levels[0].volts = Volts(24.0);
    let ran = spoilt(Case::new(ONE_STAGE, BENCH), wrong_tap, None);
    assert_eq!(ran.verdict(), Verdict::Inconc);
    let unclear = [
        "idle at low",
        "cooling-1 at low",
        "auxiliary-heat at low",
        "emergency-heat at low",
    ];
    assert_eq!(names(&ran, Verdict::Inconc), unclear);
    let why = note(&ran, "cooling-1 at low");
    assert!(
        why.contains("with the level low selected, which is 20 V by the bench file"),
        "{why}"
    );
    assert!(
        why.contains("the bench's own supply, not the controller"),
        "{why}"
    );
}

/// Where the input behind the relay sees R live, the bench did not cut it; where nothing looks
/// there, the unit or the bench may be at fault, and both are named.
#[test]
fn a_relay_that_does_not_cut_is_told_from_a_controller_where_the_bench_looks() {
    let never_cuts = |bench: &mut BenchMap| bench.supply.interrupt = None;
    let mut case = Case::new(ONE_STAGE, BENCH);
    case.calls = Some(vec![Call::Cooling(1), Call::EmergencyHeat]);
    let ran = spoilt(case, never_cuts, None);
    assert_eq!(ran.verdict(), Verdict::Inconc);
    let unclear = ["cooling-1, power loss", "emergency-heat, power loss"];
    assert_eq!(names(&ran, Verdict::Inconc), unclear);
    let why = reasons(&ran, "emergency-heat, power loss");
    assert!(
        why.contains("the bench did not cut the power, so nothing is shown"),
        "{why}"
    );

    let mut blind = Case::new(ONE_STAGE, BENCH);
    blind.calls = Some(vec![Call::EmergencyHeat]);
    let senses = &mut blind.bench.supply.senses;
    senses.retain(|supply| supply.sense.end == End::Equipment);
    let ran = spoilt(blind, never_cuts, None);
    assert_eq!(ran.verdict(), Verdict::Fail);
    let why = reasons(&ran, "emergency-heat, power loss");
    assert!(
        why.contains("another source feeds it, or the bench's relay 9 of board did not cut"),
        "{why}"
    );
}

#[test]
fn a_line_that_another_source_feeds_shows_while_the_power_is_cut() {
    let mut case = Case::new(ONE_STAGE, BENCH).faults(&["short:R,W2@equipment"]);
    case.calls = Some(vec![Call::EmergencyHeat]);
    let ran = case.run();
    let why = reasons(&ran, "emergency-heat, power loss");
    assert!(
        why.contains("W2 was live while the controller had no power: another source feeds it"),
        "{why}"
    );
}

/// A wrong pattern is judged as it stands, and nothing is cut.
#[test]
fn the_power_is_not_cut_where_the_call_does_not_stand() {
    let ran = Case::new(ONE_STAGE, BENCH).faults(&["swap:Y1,G"]).run();
    assert_eq!(ran.verdict(), Verdict::Fail);
    let why = reasons(&ran, "emergency-heat, power loss");
    assert!(why.contains("the power was not cut"), "{why}");
    let cut = ran.events.iter().filter(
        |event| matches!(&event.kind, EventKind::SupplySet(set) if set.to == Supplied::Nothing),
    );
    assert_eq!(
        cut.count(),
        2,
        "cooling and auxiliary heat hide the exchange"
    );
}

#[test]
fn link_trouble_never_fails_a_sound_controller() {
    for seed in 0..10 {
        let ran = Case::new(ONE_STAGE, BENCH)
            .link_faults(&["garbage:board%0.02", "late:meter=900%0.02"])
            .seed(seed)
            .run();
        assert!(
            ran.verdict() <= Verdict::Inconc,
            "seed {seed}: {:?}",
            outcomes(&ran)
        );
        assert!(ran.ends_open(), "seed {seed}");
    }
}

fn cut_at(event: &RunEvent) -> bool {
    matches!(&event.kind, EventKind::SupplySet(set) if set.to == Supplied::Nothing)
}

fn at_level(event: &RunEvent) -> bool {
    matches!(&event.kind, EventKind::SupplySet(set) if matches!(set.to, Supplied::Level { .. }))
}

/// Cancelled while the power is cut, or while a level is selected: every relay opens.
#[test]
fn a_cancel_gives_the_usual_supply_back() {
    for (moment, relay) in [
        (cut_at as fn(&RunEvent) -> bool, INTERRUPT),
        (at_level, LOW),
    ] {
        let case = Case::new(ONE_STAGE, BENCH);
        let plan = case.plan();
        let ran = in_virtual_time(async move {
            let clock: Rc<dyn Clock> = Rc::new(RunClock::start());
            let simulator = case.simulator(&clock);
            let opened = open_simulated(&case.bench, &simulator).await;
            let (sender, commands) = mpsc::channel(8);
            let observer = Box::new(move |event: &RunEvent| {
                if moment(event) {
                    sender.try_send(Command::Cancel).expect("one cancel");
                }
            });
            run_watched(plan, opened, clock, commands, (simulator, observer)).await
        });
        assert_eq!(ran.outcome.reason, FinishReason::Cancelled);
        assert!(closed_by(&ran.events).any(|closed| closed.contains(&relay)));
        assert!(ran.ends_open(), "{relay:?}");
        assert!(ran.outcome.made_safe);
    }
}

/// The link that goes away while the power is cut: nobody can say that the relay opened, and that
/// is the loudest thing said.
#[test]
fn a_link_lost_while_the_power_is_cut_ends_not_confirmed_safe() {
    let first = Case::new(ONE_STAGE, BENCH).run();
    let cut = first.events.iter().find(|event| cut_at(event));
    let seconds = cut.expect("cut").elapsed_us.0 / 1_000_000 + 3;
    let fault = format!("unplug:board@{seconds}");
    let ran = Case::new(ONE_STAGE, BENCH).link_faults(&[&fault]).run();
    assert_eq!(ran.verdict(), Verdict::Error);
    assert!(
        !ran.outcome.made_safe,
        "nobody can say that the relay opened"
    );
    assert!(ran.outcome.relay_was_closed);
}

/// Relays by which the supply is acted on are recorded as such, and the waits have their names.
#[test]
fn what_is_done_to_the_supply_is_recorded() {
    let mut case = Case::new(ONE_STAGE, BENCH);
    case.calls = Some(vec![Call::FanOnly]);
    let ran = case.run();
    let reasons: Vec<RelayReason> = ran
        .events
        .iter()
        .filter_map(|event| match &event.kind {
            EventKind::RelaysSet(set) => Some(set.reason),
            _ => None,
        })
        .filter(|reason| matches!(reason, RelayReason::Interrupt | RelayReason::Level))
        .collect();
    use RelayReason::{Interrupt, Level};
    // Low on; low off, high on; high off; cut, and back.
    assert_eq!(reasons, [Level, Level, Level, Level, Interrupt, Interrupt]);
    for why in [WaitingFor::PowerLoss, WaitingFor::PowerReturn] {
        let waits = ran.events.iter().filter(
            |event| matches!(&event.kind, EventKind::Waiting(waiting) if waiting.why == why),
        );
        assert_eq!(waits.count(), 1, "{why:?}");
    }
}

#[test]
fn a_bench_without_the_means_says_what_it_does_not_prove() {
    let without = Case::new(ONE_STAGE, "qa-room-controller").plan();
    let said = without.not_proven.join("\n");
    assert!(said.contains("this bench cannot cut it"), "{said}");
    assert!(
        said.contains("the ends of the controller's supply band"),
        "{said}"
    );
    assert!(without.power.is_none());

    let mut unmeasured = Case::new(ONE_STAGE, BENCH);
    let senses = &mut unmeasured.bench.supply.senses;
    senses.retain(|supply| !matches!(supply.sense.means, SenseMeans::Meter { .. }));
    let said = unmeasured.plan().not_proven.join("\n");
    assert!(
        said.contains("the volts of the supply levels: no meter reads the supply"),
        "{said}"
    );

    let with = Case::new(ONE_STAGE, BENCH).plan();
    let relays: BTreeSet<RelayAt> = with.relays().cloned().collect();
    for coil in [INTERRUPT, LOW, HIGH] {
        let device = DeviceName::new("board").expect("a name");
        assert!(relays.contains(&RelayAt { device, coil }));
    }
}
