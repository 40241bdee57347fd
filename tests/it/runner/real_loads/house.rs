//! One run in the simulated house, with the person beside it.

use crate::runner::harness::{Case, Ran, in_virtual_time, run_heard};
use coilcall::app::open_simulated;
use coilcall::domain::bench_map::{BenchMap, RelayAt, Sense, SenseMeans};
use coilcall::domain::{Machine, Plan, Question};
use coilcall::event::{Command, EventKind, RelayReason, RunEvent, RunStarted, SimulatedBy};
use coilcall::port::{Clock, RunClock};
use coilcall::runner::Ports;
use coilcall::sim::{Defrost, MachineRun, Simulator};
use coilcall::units::{End, Microseconds, Quantity, Terminal};
use std::rc::Rc;
use std::time::Duration;
use tokio::sync::mpsc;

/// The harness with inputs, or the same without them: a person alone looks at each line.
pub(super) fn harness(profile: &str, bench: &str) -> Case {
    let mut case = Case::new(profile, "harness-inputs");
    if bench == PERSON_ALONE {
        for line in case.bench.lines.values_mut() {
            line.senses = vec![Sense {
                means: SenseMeans::Operator,
                end: End::Equipment,
                quantity: Quantity::Observation,
            }];
        }
    }
    case
}

/// The bench on which nothing but a person looks at the lines.
pub(super) const PERSON_ALONE: &str = "person alone";

/// Something that befalls the bench.
pub(super) type Happening = fn(&Simulator);

/// The person at the bench.
#[derive(Clone)]
pub(super) struct Person {
    /// Whether they arm the run.
    pub(super) arms: bool,
    /// The way by which their answers come.
    pub(super) via: &'static str,
    /// Whether the run is stamped as simulated.
    pub(super) stamped: bool,
    /// Questions, by the beginning of their key, that they never answer.
    pub(super) silent_on: &'static str,
    /// Questions, by the beginning of their key, that they answer with no.
    pub(super) says_no_to: &'static str,
    /// A command of theirs: once a question with this beginning was asked, after so many seconds.
    pub(super) cancels: Option<(&'static str, u64)>,
    pub(super) defrost: Option<Defrost>,
    /// Something that happens once a question with this beginning was asked, after so many
    /// seconds; the question itself is answered as ever.
    pub(super) then: Option<(&'static str, u64, Happening)>,
    /// What they say instead of what is true: by the question's key and how often it was asked
    /// before.
    pub(super) says: fn(&str, usize) -> Option<&'static str>,
}

/// They arm the run, look and answer truthfully, at the keyboard.
pub(super) const ATTENTIVE: Person = Person {
    arms: true,
    via: "keyboard",
    stamped: false,
    silent_on: "-",
    says_no_to: "-",
    cancels: None,
    defrost: None,
    then: None,
    says: |_, _| None,
};

pub(super) fn run(case: Case, person: Person) -> Ran {
    let plan = case.plan();
    run_with(case, person, plan, |_| {})
}

/// The same by a plan of the test's own, with ports that it adds to.
pub(super) fn run_with(
    case: Case,
    person: Person,
    plan: Plan,
    add: impl FnOnce(&mut Ports),
) -> Ran {
    run_as((case, None), person, plan, (add, None))
}

/// The same, cancelled at a moment.
pub(super) fn run_cancelled(case: Case, person: Person, at: f64) -> Ran {
    let plan = case.plan();
    let at = Duration::from_secs_f64(at);
    run_as((case, None), person, plan, (|_: &mut Ports| {}, Some(at)))
}

/// The same against another bench than the one that the program knows.
pub(super) fn run_against(case: Case, truth: BenchMap, person: Person, plan: Plan) -> Ran {
    run_as(
        (case, Some(truth)),
        person,
        plan,
        (|_: &mut Ports| {}, None),
    )
}

fn run_as(
    (case, truth): (Case, Option<BenchMap>),
    person: Person,
    plan: Plan,
    (add, cancelled_at): (impl FnOnce(&mut Ports), Option<Duration>),
) -> Ran {
    in_virtual_time(async move {
        let clock: Rc<dyn Clock> = Rc::new(RunClock::start());
        let bench = case.bench.clone();
        let true_bench = truth.unwrap_or_else(|| bench.clone());
        let case = Case {
            bench: true_bench,
            ..case
        };
        let simulator = case.simulator(&clock);
        run_on(
            (bench, simulator),
            (person, plan),
            clock,
            (add, cancelled_at),
        )
        .await
    })
}

async fn run_on(
    (bench, simulator): (BenchMap, Simulator),
    (person, plan): (Person, Plan),
    clock: Rc<dyn Clock>,
    (add, cancelled_at): (impl FnOnce(&mut Ports), Option<Duration>),
) -> Ran {
    if let Some(defrost) = person.defrost {
        simulator.set_defrost(defrost);
    }
    let mut opened = open_simulated(&bench, &simulator).await;
    add(&mut opened.ports);
    let (sender, commands) = mpsc::channel(8);
    if person.arms {
        let by = "commitment".to_owned();
        sender.send(Command::Arm { by }).await.expect("room for it");
    }
    if let Some(at) = cancelled_at {
        let sender = sender.clone();
        tokio::task::spawn_local(async move {
            let never = std::future::pending::<()>();
            assert!(tokio::time::timeout(at, never).await.is_err());
            sender.send(Command::Cancel).await.expect("the run goes on");
        });
    }
    let stamped = person.stamped;
    let stamp = move |started: &mut RunStarted| {
        started.conditions.simulated = stamped.then(|| SimulatedBy {
            seed: 1,
            faults: vec![],
            link_faults: vec![],
        });
    };
    let observer = beside(person, simulator.clone(), sender);
    run_heard(
        (plan, stamp),
        opened,
        (clock, commands),
        simulator,
        observer,
    )
    .await
}

fn beside(
    person: Person,
    simulator: Simulator,
    sender: mpsc::Sender<Command>,
) -> Box<dyn FnMut(&RunEvent)> {
    let mut asked_before = std::collections::BTreeMap::<String, usize>::new();
    let mut happened = false;
    Box::new(move |event| {
        let EventKind::Asked { prompt, about, .. } = &event.kind else {
            return;
        };
        let (prompt, question) = (*prompt, about.clone());
        let count = asked_before.entry(question.key()).or_default();
        let before = *count;
        *count += 1;
        if let Some((asked, seconds, happens)) = person.then
            && question.key().starts_with(asked)
            && !happened
        {
            happened = true;
            let simulator = simulator.clone();
            tokio::task::spawn_local(async move {
                pass(seconds).await;
                happens(&simulator);
            });
        }
        let (person, simulator, sender) = (person.clone(), simulator.clone(), sender.clone());
        tokio::task::spawn_local(async move {
            let key = question.key();
            if let Some((asked, seconds)) = person.cancels
                && key.starts_with(asked)
            {
                pass(seconds).await;
                sender.send(Command::Cancel).await.expect("the run goes on");
                return;
            }
            if key.starts_with(person.silent_on) {
                return;
            }
            let text = match (person.says)(&key, before) {
                _ if key.starts_with(person.says_no_to) => "no".to_owned(),
                Some(said) => said.to_owned(),
                None => look(&simulator, &question).await,
            };
            let via = person.via.to_owned();
            let answer = Command::Answer { prompt, text, via };
            // After the run's end nobody listens.
            drop(sender.send(answer).await);
        });
    })
}

/// Virtual time goes by.
async fn pass(seconds: u64) {
    let never = std::future::pending::<()>();
    let elapsed = tokio::time::timeout(Duration::from_secs(seconds), never).await;
    assert!(elapsed.is_err());
}

async fn look(simulator: &Simulator, question: &Question) -> String {
    let Question::Air { within_s, .. } = question else {
        pass(5).await;
        return simulator.answer(question);
    };
    for _second in 2..*within_s {
        pass(1).await;
        if simulator.answer(question) == "yes" {
            return "yes".to_owned();
        }
    }
    "no".to_owned()
}

/// How long each run of a machine took, in seconds.
pub(super) fn spans(ran: &Ran, machine: &Machine) -> Vec<f64> {
    let end = ran.events.last().expect("events").elapsed_us;
    let of_machine = |run: &&MachineRun| run.machine == *machine;
    let runs = ran.simulator.machine_runs();
    runs.iter()
        .filter(of_machine)
        .map(|run| seconds(run.to.unwrap_or(end)) - seconds(run.from))
        .collect()
}

pub(super) fn seconds(moment: Microseconds) -> f64 {
    Duration::from_micros(moment.0).as_secs_f64()
}

/// Nothing came to harm: no compressor start inside the minimum-off time, no heat without air for
/// longer than the 15 s that the rule allows (and the relays' own time), nothing left running.
pub(super) fn assert_no_harm(ran: &Ran, what: &str) {
    let (short_cycles, without_air) = ran.simulator.harm();
    assert_eq!(short_cycles, 0, "{what}: the compressor was short-cycled");
    // A fuel furnace's own blower may take its declared 60 s, and 15 s more.
    let allowed = if what.contains("fuel") { 75.5 } else { 15.5 };
    assert!(
        seconds(without_air) <= allowed,
        "{what}: heat without air for {} s",
        seconds(without_air)
    );
    let runs = ran.simulator.machine_runs();
    let on: Vec<&MachineRun> = runs.iter().filter(|run| run.to.is_none()).collect();
    assert!(on.is_empty(), "{what}: left running: {on:?}");
    assert!(ran.ends_open(), "{what}: relays left closed");
}

/// Moments at which a relay was commanded to close or open, in order.
pub(super) fn commanded(ran: &Ran, relay: &RelayAt) -> Vec<(bool, f64)> {
    let mut moments = Vec::new();
    let mut closed = false;
    for event in &ran.events {
        let EventKind::RelaysSet(set) = &event.kind else {
            continue;
        };
        if set.device != relay.device || set.reason == RelayReason::Multiplex {
            continue;
        }
        let now_closed = set.intended.contains(&relay.coil);
        if now_closed != closed {
            closed = now_closed;
            moments.push((closed, seconds(set.sent_us)));
        }
    }
    moments
}

/// The relay of a line.
pub(super) fn relay_of(ran: &Ran, line: &'static str) -> RelayAt {
    let drive = ran.plan.drive(&Terminal::known(line));
    drive.expect("the bench drives it").relay.clone()
}

/// A run by a plan of the test's own, without any person.
pub(super) fn run_plan(case: Case, plan: Plan) -> Ran {
    in_virtual_time(async move {
        let clock: Rc<dyn Clock> = Rc::new(RunClock::start());
        let simulator = case.simulator(&clock);
        let opened = open_simulated(&case.bench, &simulator).await;
        let (_sender, commands) = mpsc::channel(1);
        crate::runner::harness::run_over(plan, opened, clock, commands, simulator).await
    })
}
