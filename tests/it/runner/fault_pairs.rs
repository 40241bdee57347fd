//! Every kind of fault alone and beside every other kind, through whole simulated runs.
//!
//! What is true of a unit is the simulated circuit's own word, which the runner cannot see; the
//! sweep beside this draws its faults at random and may miss a pair for years.

use super::harness::{Case, Ran, bench, profile};
use super::sweep::{Draws, Truth, blames_the_bench, fault_of, truth_of};
use coilcall::config::parse_bench;
use coilcall::domain::bench_map::BenchMap;
use coilcall::domain::circuit::{Fault, FaultKind, SolidStateValues};
use coilcall::domain::plan::PlannedStep;
use coilcall::domain::profile::Arrangement;
use coilcall::domain::{Expected, Verdict};
use coilcall::port::{Clock, RunClock};
use coilcall::sim::physics::Point;
use coilcall::units::{End, Terminal, Volts};
use std::path::Path;
use std::rc::Rc;

/// How often lines and numbers are drawn anew until a fault makes sense.
const DRAWS_FOR_ONE: u64 = 40;

/// What is wired, and what looks at it.
struct Plant {
    profile: &'static str,
    bench: BenchMap,
    /// Whether a meter reads every line, under a load: then what is too little for a coil is shown.
    reads_volts: bool,
}

impl Plant {
    fn stock(profile: &'static str, bench_name: &str) -> Self {
        Self {
            profile,
            bench: bench(bench_name),
            reads_volts: false,
        }
    }
}

#[derive(Default)]
struct Tally {
    ran: usize,
    sound: usize,
    wrong: usize,
    refused: Vec<String>,
    problems: Vec<String>,
}

/// A fault of the kind that makes sense for the case, with what was drawn from the seed.
fn fault_for(case: &Case, kind: FaultKind, seed: u64) -> Option<Fault> {
    let plan = case.plan();
    let drives = plan.drives.iter();
    let lines: Vec<Terminal> = drives.map(|drive| drive.terminal.clone()).collect();
    (0..DRAWS_FOR_ONE).find_map(|turn| {
        let mut draws = Draws::of_seed(seed * DRAWS_FOR_ONE + turn);
        let written = fault_of(kind, &mut draws, &lines);
        let written = match case.profile.arrangement() {
            Arrangement::Single => written,
            Arrangement::Dual => on_the_cooling_rail(&written),
        };
        let fault: Fault = written.parse().unwrap_or_else(|error| panic!("{error}"));
        fault.resolve(&case.profile, &lines).ok().map(|_| fault)
    })
}

/// Two supplies have no R: the cooling side's Rc stands for it.
fn on_the_cooling_rail(written: &str) -> String {
    let Some((word, arguments)) = written.split_once(':') else {
        return written.to_owned();
    };
    let names = arguments.split(',').map(|name| match name.split_once('=') {
        Some(("R", ohms)) => format!("Rc={ohms}"),
        None if name == "R" => "Rc".to_owned(),
        _ => name.to_owned(),
    });
    let names: Vec<String> = names.collect();
    format!("{word}:{}", names.join(","))
}

fn case_of(plant: &Plant, faults: &[Fault], seed: u64) -> Case {
    Case {
        profile: profile(plant.profile),
        bench: plant.bench.clone(),
        faults: faults.to_vec(),
        link_faults: Vec::new(),
        seed,
        calls: None,
    }
}

fn run_one(plant: &Plant, faults: &[Fault], seed: u64, tally: &mut Tally) {
    let words: Vec<String> = faults.iter().map(ToString::to_string).collect();
    let what = format!(
        "{} on {}, seed {seed}: {}",
        plant.profile,
        plant.bench.name,
        words.join(" ")
    );
    let case = case_of(plant, faults, seed);
    let clock: Rc<dyn Clock> = Rc::new(RunClock::start());
    if let Err(refused) = case.try_simulator(&clock) {
        let said = refused.to_string();
        let named = words.iter().any(|word| said.contains(word.as_str()));
        assert!(named, "{what}: {said}");
        tally.refused.push(format!("{what}: {said}"));
        return;
    }
    let on_bench = case.bench.clone();
    let ran = case.run();
    let truth = truth_of(&ran, &words, &on_bench);
    let verdict = ran.verdict();
    tally.ran += 1;
    tally.sound += usize::from(truth == Truth::Sound);
    tally.wrong += usize::from(truth == Truth::Wrong);
    let lies = match truth {
        Truth::Neither if plant.reads_volts => {
            verdict == Verdict::Pass && starves_a_line(&ran, &words)
        }
        Truth::Wrong => verdict == Verdict::Pass,
        Truth::Sound => verdict == Verdict::Fail && !blames_the_bench(&words),
        Truth::Neither => false,
    };
    if lies {
        tally
            .problems
            .push(format!("{what}: {truth:?} and {verdict:?}"));
    }
    if !ran.ends_open() || !ran.outcome.made_safe {
        tally.problems.push(format!("{what}: not left open"));
    }
}

/// Whether a line that should be on has less than 17 V: surely below the 18 V that count as on,
/// whatever the meter's 0.7 % and its load make of it.
fn starves_a_line(ran: &Ran, words: &[String]) -> bool {
    let comes_and_goes = words.iter().any(|word| word.starts_with("intermittent"));
    let starved = |step: &PlannedStep| {
        let seen = ran.simulator.truth(&step.drive);
        let on = step.cells.iter();
        let mut on = on.filter(|(_, cell)| cell.expected == Expected::On);
        on.any(|(line, _)| {
            let point = Point {
                terminal: line.clone(),
                end: End::Equipment,
            };
            seen.volts(&point) < Volts(17.0)
        })
    };
    !comes_and_goes && ran.plan.steps.iter().any(starved)
}

/// All kinds alone, and each beside each, itself included.
fn run_all(plant: &Plant, tally: &mut Tally) {
    let bare = case_of(plant, &[], 1);
    let mut seed = 0;
    for (index, one) in FaultKind::ALL.iter().enumerate() {
        seed += 1;
        let Some(first) = fault_for(&bare, *one, seed) else {
            continue;
        };
        run_one(plant, std::slice::from_ref(&first), seed, tally);
        for other in &FaultKind::ALL[index..] {
            seed += 1;
            if let Some(second) = fault_for(&bare, *other, seed) {
                run_one(plant, &[first.clone(), second], seed, tally);
            }
        }
    }
}

fn check(plant: &Plant) {
    let mut tally = Tally::default();
    run_all(plant, &mut tally);
    let problems = tally.problems;
    assert!(
        problems.is_empty(),
        "{} of {}:\n{}",
        problems.len(),
        tally.ran,
        problems.join("\n")
    );
    let refused = tally.refused;
    // Two faults may exclude each other, such as two of one coil; most do not.
    assert!(refused.len() * 5 < tally.ran, "{}", refused.join("\n"));
    assert!(tally.ran > 250, "only {} ran", tally.ran);
    assert!(
        tally.wrong > 100 && tally.sound > 5,
        "{} {}",
        tally.wrong,
        tally.sound
    );
}

#[test]
fn all_pairs_of_kinds_on_a_heat_pump() {
    check(&Plant::stock(
        "heat-pump-2-stage-electric-o",
        "supply-both-ends",
    ));
}

#[test]
fn all_pairs_of_kinds_on_a_furnace_with_cooling() {
    check(&Plant::stock(
        "furnace-2-stage-fuel-cooling-2-stage",
        "panel-16",
    ));
}

#[test]
fn all_pairs_of_kinds_on_two_supplies() {
    check(&Plant::stock(
        "heat-pump-and-boiler-radiators-adds-o",
        "dual-supply",
    ));
}

/// A panel whose one meter reads every line in volts across 3 kohm, through a multiplexer.
fn metered_panel() -> BenchMap {
    let mut text = METERED_PANEL.to_owned();
    for (index, line) in ["Y1", "G", "O", "W2"].into_iter().enumerate() {
        text.push_str(&format!(
            "[[line]]\nterminal = \"{line}\"\ndrive = {{ device = \"board\", coil = {index} }}\n\
             sense = {{ device = \"meter\", through = {{ device = \"board\", coil = {} }}, \
             load_ohms = 3e3 }}\n",
            index + 8
        ));
    }
    let parsed = parse_bench(Path::new("metered.toml"), text);
    parsed
        .unwrap_or_else(|errors| panic!("{}", errors.render(false)))
        .map
}

const METERED_PANEL: &str = r#"
name = "Panel with a meter"
under_test = "wiring"
loads = "dummy"
[link.board]
serial = { path = "/dev/ttyUSB0", baud = 19200, parity = "even" }
[device.board]
link = "board"
modbus-rtu = { unit = 1, coils = 16, discrete_inputs = 2 }
[link.meter]
serial = { path = "/dev/ttyUSB1", baud = 9600, parity = "none" }
[device.meter]
link = "meter"
[device.meter.scpi]
ac_volts = "MEAS:VOLT:AC?"
accuracy = { percent = 0.7, counts = 2, resolution_v = 0.01 }
input_ohms = 10e6
[supply]
source = "equipment"
sense = { device = "board", input = 0 }
"#;

#[test]
fn all_pairs_of_kinds_on_a_panel_that_reads_volts() {
    check(&Plant {
        profile: "heat-pump-1-stage-electric-o",
        bench: metered_panel(),
        reads_volts: true,
    });
}

/// Their leakage is next to nothing across a coil, and every coil takes more than their least load.
#[test]
fn a_sound_panel_of_solid_state_outputs_passes_and_a_faulty_one_fails() {
    let mut bench = bench("panel-16");
    bench.circuit.solid_state = Some(SolidStateValues::default());
    let plant = Plant {
        profile: "heat-pump-1-stage-electric-o",
        bench,
        reads_volts: false,
    };
    for seed in 1..6 {
        assert_eq!(case_of(&plant, &[], seed).run().verdict(), Verdict::Pass);
        let swap: Fault = "swap:Y1,G".parse().expect("a fault");
        let ran = case_of(&plant, &[swap], seed).run();
        assert_eq!(ran.verdict(), Verdict::Fail);
    }
}
