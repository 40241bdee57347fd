//! However a run ends, every relay is open, and the record says how it ended.

use super::harness::{Case, Ran, in_virtual_time, run_over, started};
use coilcall::app::open_simulated;
use coilcall::domain::Verdict;
use coilcall::event::{Command, EventKind, FinishReason, RelayReason, RunEvent, WaitingFor};
use coilcall::port::{Clock, JournalLost, LocalFuture, RelayBoard, RunClock, RunJournal};
use coilcall::runner::{self, Policy, RunSetup};
use coilcall::store::MemoryJournal;
use coilcall::units::{CoilAddress, DeviceName};
use std::cell::Cell;
use std::collections::BTreeSet;
use std::rc::Rc;
use tokio::sync::mpsc;

fn case() -> Case {
    Case::new("heat-pump-1-stage-electric-o", "panel-16")
}

/// A run whose observer sends commands as events come.
fn run_with_commands(choose: impl Fn(&RunEvent) -> Option<Command> + 'static) -> Ran {
    let case = case();
    let plan = case.plan();
    in_virtual_time(async move {
        let clock: Rc<dyn Clock> = Rc::new(RunClock::start());
        let simulator = case.simulator(&clock);
        let opened = open_simulated(&case.bench, &simulator).await;
        let (sender, commands) = mpsc::channel(8);
        let journal = Rc::new(MemoryJournal::new());
        let setup = RunSetup {
            started: started(plan.clone()),
            ports: opened.ports,
            unopened: opened.unopened,
            journal: Rc::clone(&journal) as _,
            clock,
            observer: Box::new(move |event| {
                if let Some(command) = choose(event) {
                    sender.try_send(command).expect("there is room");
                }
            }),
            policy: Policy::default(),
        };
        let outcome = runner::run(setup, commands).await;
        let events = journal.events().to_vec();
        let mut state = coilcall::event::RunState::default();
        events.iter().for_each(|event| state.apply(event));
        let closed = simulator.closed_relays();
        Ran {
            outcome,
            events,
            state,
            plan,
            closed,
            simulator,
        }
    })
}

fn step_started(event: &RunEvent, step: u32) -> bool {
    matches!(&event.kind, EventKind::StepStarted(started) if started.step == step)
}

fn settling(event: &RunEvent) -> bool {
    matches!(&event.kind, EventKind::Waiting(waiting) if waiting.why == WaitingFor::Settle)
}

#[test]
fn a_cancel_opens_everything_with_read_back() {
    let ran =
        run_with_commands(|event| (settling(event) && event.seq > 200).then_some(Command::Cancel));
    assert_eq!(ran.outcome.reason, FinishReason::Cancelled);
    assert_eq!(ran.verdict(), Verdict::Inconc);
    assert!(ran.outcome.made_safe && ran.outcome.relay_was_closed && ran.ends_open());
    let last = ran.events.last().expect("events");
    assert!(matches!(&last.kind, EventKind::RunFinished(_)), "{last:?}");
}

#[test]
fn a_second_cancel_does_not_keep_relays_closed() {
    let ran = run_with_commands(|event| {
        (settling(event) && event.seq > 100).then_some(Command::CancelAtOnce)
    });
    assert_eq!(ran.outcome.reason, FinishReason::Cancelled);
    assert!(ran.ends_open());
}

#[test]
fn a_panic_opens_everything_and_says_so() {
    let ran = run_with_commands(|event| {
        assert!(!step_started(event, 7), "a failure put in by the test");
        None
    });
    assert_eq!(ran.outcome.reason, FinishReason::Panicked);
    assert_eq!(ran.verdict(), Verdict::Error);
    assert!(
        ran.outcome.note.contains("a failure put in by the test"),
        "{}",
        ran.outcome.note
    );
    assert!(ran.outcome.made_safe && ran.ends_open());
}

/// A journal whose disk is full after some events.
struct FullJournal {
    inner: MemoryJournal,
    left: Cell<u32>,
}

impl RunJournal for FullJournal {
    fn append(&self, clock: &dyn Clock, kind: EventKind) -> Result<RunEvent, JournalLost> {
        let left = self.left.get();
        if left == 0 {
            let source = std::io::Error::from(std::io::ErrorKind::StorageFull);
            return Err(JournalLost {
                file: "test.jsonl".to_owned(),
                source,
            });
        }
        self.left.set(left - 1);
        self.inner.append(clock, kind)
    }

    fn sync(&self) -> LocalFuture<'_, Result<(), JournalLost>> {
        self.inner.sync()
    }
}

#[test]
fn a_lost_journal_stops_the_run_and_relays_open_without_it() {
    for events in [0, 1, 3, 40, 90, 140] {
        let case = case();
        let plan = case.plan();
        let (outcome, closed, recorded) = in_virtual_time(async move {
            let clock: Rc<dyn Clock> = Rc::new(RunClock::start());
            let simulator = case.simulator(&clock);
            let opened = open_simulated(&case.bench, &simulator).await;
            let (_sender, commands) = mpsc::channel(1);
            let journal = Rc::new(FullJournal {
                inner: MemoryJournal::new(),
                left: Cell::new(events),
            });
            let setup = RunSetup {
                started: started(plan),
                ports: opened.ports,
                unopened: opened.unopened,
                journal: Rc::clone(&journal) as _,
                clock,
                observer: Box::new(|_| {}),
                policy: Policy::default(),
            };
            let outcome = runner::run(setup, commands).await;
            let recorded = journal.inner.events().len();
            (outcome, simulator.closed_relays(), recorded)
        });
        assert_eq!(outcome.reason, FinishReason::JournalLost, "after {events}");
        assert_eq!(outcome.verdict, Verdict::Error, "after {events}");
        assert!(outcome.journal_lost.is_some(), "after {events}");
        assert!(outcome.made_safe, "after {events}");
        assert!(closed.values().all(BTreeSet::is_empty), "after {events}");
        assert_eq!(recorded, usize::try_from(events).expect("small"));
    }
}

#[test]
fn what_an_earlier_program_left_closed_is_found_and_opened_first() {
    let case = case();
    let plan = case.plan();
    let ran = in_virtual_time(async move {
        let clock: Rc<dyn Clock> = Rc::new(RunClock::start());
        let simulator = case.simulator(&clock);
        let before = open_simulated(&case.bench, &simulator).await;
        let board: &Rc<dyn RelayBoard> = before.ports.boards.values().next().expect("a board");
        board.set(CoilAddress(11), true).await.expect("closed");
        drop(before);
        let opened = open_simulated(&case.bench, &simulator).await;
        let (_sender, commands) = mpsc::channel(1);
        run_over(plan, opened, clock, commands, simulator).await
    });
    assert_eq!(ran.verdict(), Verdict::Pass);
    assert!(ran.outcome.relay_was_closed);
    assert!(
        ran.outcome
            .note
            .contains("relay 12 found closed at the start"),
        "{}",
        ran.outcome.note
    );
    let first_set = ran.state.relays.first().expect("set");
    assert_eq!(first_set.reason, RelayReason::MakeSafe);
    assert_eq!(first_set.read_back, Some(Vec::new()));
}

#[test]
fn a_port_unplugged_for_good_is_not_confirmed_safe() {
    let ran = case().link_faults(&["unplug:board@3.2"]).run();
    assert_eq!(ran.outcome.reason, FinishReason::BenchError);
    assert_eq!(ran.verdict(), Verdict::Error);
    assert!(!ran.outcome.made_safe && ran.outcome.relay_was_closed);
    let safe = ran.state.made_safe.expect("recorded");
    assert!(!safe.devices[0].confirmed_open);
    let looked = ran
        .events
        .iter()
        .any(|event| matches!(&event.kind, EventKind::Waiting(w) if w.why == WaitingFor::Replug));
    assert!(looked, "the port was looked for");
}

#[test]
fn a_board_that_never_answers_has_energised_nothing() {
    let ran = case().link_faults(&["silent:board"]).run();
    assert_eq!(ran.outcome.reason, FinishReason::BenchError);
    assert!(!ran.outcome.made_safe && !ran.outcome.relay_was_closed);
    let closing = ran
        .state
        .relays
        .iter()
        .find(|set| set.reason == RelayReason::Call);
    assert_eq!(closing, None);
}

#[test]
fn a_watchdog_is_armed_and_opens_relays_once_the_link_is_gone() {
    let ran = Case::new("heat-pump-1-stage-electric-o", "watchdog").run();
    assert_eq!(ran.verdict(), Verdict::Pass);

    let device = Case::new("heat-pump-1-stage-electric-o", "watchdog");
    let name: DeviceName = device
        .bench
        .devices
        .keys()
        .next()
        .expect("a device")
        .clone();
    let fault = format!("unplug:{name}@3.2");
    let ran = device.link_faults(&[&fault]).run();
    assert!(!ran.outcome.made_safe, "nothing could be read back");
    assert!(
        ran.ends_open(),
        "the board's own watchdog has opened its relays"
    );
}

#[test]
fn events_are_numbered_in_order_and_relays_close_one_by_one() {
    let ran = case().run();
    for (number, event) in (0..).zip(&ran.events) {
        assert_eq!(event.seq, number);
    }
    let mut before = 0;
    for set in ran
        .state
        .relays
        .iter()
        .filter(|set| set.reason == RelayReason::Call)
    {
        let now = set.intended.len();
        assert!(now <= before + 1, "{} relays after {before}", now);
        assert_eq!(set.read_back.as_ref(), Some(&set.intended));
        before = now;
    }
}

#[test]
fn a_watchdog_is_fed_through_waits_longer_than_its_time() {
    let mut case = Case::new("heat-pump-1-stage-electric-o", "watchdog");
    let watchdog = case
        .bench
        .devices
        .values()
        .find_map(|device| device.modbus()?.watchdog.as_ref())
        .expect("the bench has one");
    case.bench.timing.settle = coilcall::units::Milliseconds(watchdog.timeout_ms.0 * 5);
    let ran = case.run();
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    assert!(
        ran.state.troubles.is_empty(),
        "{:?}",
        ran.state.troubles.first()
    );
}
