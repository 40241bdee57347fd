//! A called line proven by its own current: by a clamp in the hand, a meter, a meter behind relays.

use super::house::{ATTENTIVE, Person, assert_no_harm, run};
use crate::runner::harness::{Case, Ran, stock};
use coilcall::config::parse_bench;
use coilcall::domain::{Observed, Verdict};
use coilcall::event::{EventKind, LineJudged};
use coilcall::units::{Quantity, Terminal};
use std::path::Path;

const HEAT_PUMP: &str = "heat-pump-1-stage-electric-o";
const CLAMP: &str = "harness-clamp";

/// They see the fan, and of no other machine whether it runs: nothing but the current is left.
fn sees_only_the_fan(key: &str, _before: usize) -> Option<&'static str> {
    let called = key.starts_with("machines:") && key != "machines:idle";
    called.then_some("fan")
}

const SHORT_SIGHTED: Person = Person {
    says: sees_only_the_fan,
    ..ATTENTIVE
};

fn judged<'r>(ran: &'r Ran, call: &str, line: &'static str) -> &'r LineJudged {
    let planned = ran.plan.steps.iter().find(|s| s.call.to_string() == call);
    let number = planned.expect("planned").number;
    let made = ran.state.steps.iter().find(|step| step.number == number);
    &made.expect("made").lines[&Terminal::known(line)].judged
}

#[test]
fn a_called_line_passes_on_its_current() {
    let ran = run(Case::new(HEAT_PUMP, CLAMP), SHORT_SIGHTED);
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    let y1 = judged(&ran, "cooling-1", "Y1");
    assert_eq!(
        (y1.verdict, y1.observed),
        (Verdict::Pass, Observed::On),
        "{}",
        y1.reason
    );
    assert!(y1.reason.contains("it carries 0."), "{}", y1.reason);
    // Hand-worked: 64 ohm from 24 to 27 V takes 0.375 to 0.42 A; the cable takes a little off.
    let amps = ran.events.iter().find_map(|event| match &event.kind {
        EventKind::Read(read)
            if read.quantity == Quantity::AcAmps && y1.readings.contains(&read.id) =>
        {
            Some((read.result.value.expect("a number"), read.u.expect("u")))
        }
        _ => None,
    });
    let (amps, u) = amps.expect("the reading stands behind the verdict");
    assert!((0.33..0.43).contains(&amps), "{amps} A");
    // Assumed for a clamp in the hand: 3 % and two counts of 0.01 A, over the root of three.
    assert!(
        (u - (0.03 * amps + 0.02) / 3_f64.sqrt()).abs() < 1e-12,
        "{u}"
    );
    assert_no_harm(&ran, "clamp");
}

#[test]
fn a_line_without_its_current_and_without_a_witness_is_inconclusive() {
    for fault in ["coil-open:Y1", "open:Y1"] {
        let ran = run(Case::new(HEAT_PUMP, CLAMP).faults(&[fault]), SHORT_SIGHTED);
        assert_eq!(
            ran.verdict(),
            Verdict::Inconc,
            "{fault}: {}",
            ran.outcome.note
        );
        let y1 = judged(&ran, "cooling-1", "Y1");
        assert_eq!(y1.verdict, Verdict::Inconc, "{}", y1.reason);
        assert!(y1.reason.contains("carries 0.00"), "{}", y1.reason);
        let valve = judged(&ran, "cooling-1", "O");
        assert_eq!(valve.verdict, Verdict::Pass, "{}", valve.reason);
    }
}

#[test]
fn a_shorted_coil_takes_more_than_its_load() {
    // 64 ohm are on the data plate; 20 ohm are there.
    let mut case = Case::new(HEAT_PUMP, CLAMP);
    let plan = case.plan();
    let y1 = case
        .bench
        .lines
        .get_mut(&Terminal::known("Y1"))
        .expect("Y1");
    let load = y1.load.as_mut().expect("a load");
    load.sealed_ohms = Some(coilcall::units::Ohms(20.0));
    load.unsealed_ohms = Some(coilcall::units::Ohms(15.0));
    let ran = super::house::run_with(case, SHORT_SIGHTED, plan, |_| {});
    let y1 = judged(&ran, "cooling-1", "Y1");
    assert_eq!(y1.verdict, Verdict::Inconc, "{}", y1.reason);
    assert!(y1.reason.contains("it carries 1."), "{}", y1.reason);
    assert!(y1.reason.contains("0.23 to 0.56 A"), "{}", y1.reason);
}

/// The same harness with another instrument for the current of each line.
fn with_ammeter(sense: &str, device: &str) -> Case {
    let text = std::fs::read_to_string(stock("benches", CLAMP)).expect("text");
    let mut text = text.replace("[supply]", &format!("{device}\n[supply]"));
    for coil in 0_u16.. {
        let by_hand = "{ operator = true, quantity = \"ac-amps\" }";
        if !text.contains(by_hand) {
            break;
        }
        let sense = sense.replace("{coil}", &coil.to_string());
        text = text.replacen(by_hand, &sense, 1);
    }
    let mut case = Case::new(HEAT_PUMP, CLAMP);
    case.bench = parse_bench(Path::new("amps.toml"), text)
        .unwrap_or_else(|errors| panic!("{errors}"))
        .map;
    case
}

const AMMETER: &str = "[link.meter]\nserial = { path = \"/dev/ttyUSB1\", baud = 9600 }\n\
    [device.meter]\nlink = \"meter\"\n\
    ascii = { ask = \"AMPS\", reading = \"{value} A\", accuracy = { percent = 1, counts = 2, \
    resolution_v = 0.001 } }\n";

#[test]
fn a_clamp_that_a_person_moves_is_read_by_the_bench() {
    let sense = "{ device = \"meter\", by_hand = true, quantity = \"ac-amps\" }";
    let ran = run(with_ammeter(sense, AMMETER), SHORT_SIGHTED);
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    let asked: Vec<String> = ran
        .events
        .iter()
        .filter_map(|event| match &event.kind {
            EventKind::Asked { about, .. } => Some(about.key()),
            _ => None,
        })
        .filter(|key| key.starts_with("probe:"))
        .collect();
    assert_eq!(asked[0], "probe:G@controller");
    assert!(asked.contains(&"probe:Y1@controller".to_owned()));
    assert!(
        !asked.contains(&"probe:Y2@controller".to_owned()),
        "never called"
    );
}

#[test]
fn an_ammeter_behind_relays_has_one_relay_closed_at_a_time() {
    let sense = "{ device = \"meter\", through = { device = \"mux\", coil = {coil} }, \
                 quantity = \"ac-amps\" }";
    let mux = format!(
        "{AMMETER}[device.mux]\nlink = \"board\"\nmodbus-rtu = {{ unit = 2, coils = 16 }}\n"
    );
    let ran = run(with_ammeter(sense, &mux), SHORT_SIGHTED);
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    super::meters::assert_one_channel_at_a_time(&ran, "mux");
    assert_no_harm(&ran, "multiplexed ammeter");
}

#[test]
fn a_number_beyond_reason_is_asked_for_again() {
    fn slips(key: &str, before: usize) -> Option<&'static str> {
        match (key, before) {
            ("amps:Y1@controller", 0) => Some("375"),
            ("amps:Y1@controller", 1) => Some("0,375 A"),
            _ => sees_only_the_fan(key, before),
        }
    }
    let ran = run(
        Case::new(HEAT_PUMP, CLAMP),
        Person {
            says: slips,
            ..ATTENTIVE
        },
    );
    assert_eq!(ran.verdict(), Verdict::Pass, "{}", ran.outcome.note);
    let again = ran.events.iter().filter(|event| {
        matches!(&event.kind, EventKind::Asked { text, .. } if text.contains("from 0 to 20"))
    });
    assert_eq!(again.count(), 2);
}
