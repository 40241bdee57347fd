//! Loads that are said to be lifted: attested, and measured where ohms can be read.

use super::house::{ATTENTIVE, Person, run, run_with};
use crate::runner::harness::{Case, Ran};
use coilcall::domain::Verdict;
use coilcall::domain::bench_map::{Loads, Sense, SenseMeans};
use coilcall::domain::plan::{SensePoint, Target};
use coilcall::event::{EventKind, FinishReason};
use coilcall::port::{Identity, LocalFuture, Meter};
use coilcall::units::{DeviceName, End, MeterValue, Ohms, Quantity, Terminal, Trouble};
use std::cell::RefCell;
use std::rc::Rc;

fn case() -> Case {
    Case::new("heat-pump-1-stage-electric-o", "harness-lifted")
}

#[test]
fn lifted_loads_are_attested_in_each_run() {
    let ran = run(case(), ATTENTIVE);
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    let confirmed = ran.events.iter().find_map(|event| match &event.kind {
        EventKind::Armed { confirmed, .. } => Some(confirmed.clone()),
        _ => None,
    });
    assert_eq!(confirmed.expect("armed"), ["loads-disconnected"]);
}

#[test]
fn loads_that_are_not_lifted_stop_the_run() {
    let ran = run(
        case(),
        Person {
            says_no_to: "confirm",
            ..ATTENTIVE
        },
    );
    assert_eq!(ran.outcome.reason, FinishReason::Stopped);
    assert_eq!(ran.verdict(), Verdict::Inconc);
    assert!(!ran.outcome.relay_was_closed);
}

/// A meter on Y1 that gives these answers: volts, then ohms.
struct Scripted {
    name: DeviceName,
    volts: MeterValue,
    ohms: MeterValue,
    asked: RefCell<Vec<Quantity>>,
}

impl Meter for Scripted {
    fn device(&self) -> &DeviceName {
        &self.name
    }

    fn identify(&self) -> LocalFuture<'_, Result<Identity, Trouble>> {
        Box::pin(async {
            Ok(Identity {
                text: "scripted".to_owned(),
                calibration_due: None,
            })
        })
    }

    fn read(&self, quantity: Quantity) -> LocalFuture<'_, Result<MeterValue, Trouble>> {
        self.asked.borrow_mut().push(quantity);
        let value = match quantity {
            Quantity::Resistance => self.ohms,
            _ => self.volts,
        };
        Box::pin(async move { Ok(value) })
    }
}

/// The run with a meter's ohms on Y1, and what the meter was asked for.
fn measured(volts: MeterValue, ohms: MeterValue) -> (Ran, Vec<Quantity>) {
    let name = DeviceName::new("meter").expect("a name");
    let meter = Rc::new(Scripted {
        name: name.clone(),
        volts,
        ohms,
        asked: RefCell::default(),
    });
    let mut plan = case().plan();
    let template = plan.sense_points[1].clone();
    plan.sense_points.push(SensePoint {
        target: Target::Line(Terminal::known("Y1")),
        quantity: Quantity::Resistance,
        means: SenseMeans::Meter {
            device: name.clone(),
            through: None,
            series_ohms: Ohms(0.0),
            load_ohms: None,
        },
        ..template
    });
    let port = Rc::clone(&meter);
    let ran = run_with(case(), ATTENTIVE, plan, move |ports| {
        ports.meters.insert(name, port as _);
    });
    let asked = meter.asked.borrow().clone();
    (ran, asked)
}

fn no_call_was_made(ran: &Ran) {
    assert_eq!(ran.outcome.reason, FinishReason::Stopped);
    assert_eq!(ran.verdict(), Verdict::Inconc);
    assert!(!ran.outcome.relay_was_closed, "{}", ran.outcome.note);
}

#[test]
fn an_open_circuit_to_c_lets_the_run_go_on() {
    let (ran, asked) = measured(MeterValue::Value(0.02), MeterValue::Overload);
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    assert_eq!(asked, [Quantity::AcVolts, Quantity::Resistance]);
}

#[test]
fn a_coil_to_c_stops_the_run_before_any_relay_closes() {
    let (ran, _) = measured(MeterValue::Value(0.02), MeterValue::Value(29.0));
    no_call_was_made(&ran);
    assert!(
        ran.outcome.note.contains("a load is not lifted"),
        "{}",
        ran.outcome.note
    );
}

#[test]
fn ohms_are_never_read_on_a_live_pair() {
    let (ran, asked) = measured(MeterValue::Value(24.3), MeterValue::Overload);
    no_call_was_made(&ran);
    assert_eq!(asked, [Quantity::AcVolts], "no ohms were asked for");
    assert!(ran.outcome.note.contains("24.3 V"), "{}", ran.outcome.note);
}

#[test]
fn what_the_meter_cannot_say_is_no_open_circuit() {
    for (volts, ohms) in [
        (MeterValue::NotANumber, MeterValue::Overload),
        (MeterValue::Overload, MeterValue::Overload),
        (MeterValue::Value(0.0), MeterValue::NotANumber),
    ] {
        no_call_was_made(&measured(volts, ohms).0);
    }
}

/// Ohms of each line, typed by the person; the truth is another bench.
fn typed_ohms(lifted: bool) -> Ran {
    let mut case = case();
    for line in case.bench.lines.values_mut() {
        line.senses.push(Sense {
            means: SenseMeans::Operator,
            end: End::Equipment,
            quantity: Quantity::Resistance,
        });
    }
    let plan = case.plan();
    let mut truth = case.bench.clone();
    if !lifted {
        truth.loads = Loads::Real;
    }
    super::house::run_against(case, truth, ATTENTIVE, plan)
}

#[test]
fn a_person_may_read_the_ohms_and_a_coil_stops_the_run() {
    let ran = typed_ohms(true);
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    let ran = typed_ohms(false);
    no_call_was_made(&ran);
    assert!(
        ran.outcome.note.contains("has a path to C"),
        "{}",
        ran.outcome.note
    );
    let asked: Vec<String> = ran
        .events
        .iter()
        .filter_map(|event| match &event.kind {
            EventKind::Asked { about, .. } => Some(about.key()),
            _ => None,
        })
        .collect();
    let volts = asked.iter().position(|key| key == "volts:Y1@equipment");
    let ohms = asked.iter().position(|key| key == "ohms:Y1@equipment");
    assert!(volts.expect("asked") < ohms.expect("asked"), "{asked:?}");
}
