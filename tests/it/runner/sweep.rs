//! A seeded sweep: random profile, wiring and link faults, judged against what is true.
//!
//! For every seed: a unit whose outputs differ from what is expected never passes, a sound unit
//! never fails for a link's trouble, relays end open, and the fold of the journal is the fold
//! that was live. The truth is the simulated wiring's own, which the runner cannot see. A failing
//! seed prints itself; `COILCALL_SEED=n` runs it alone.

use super::harness::{Case, Ran, bench, profile};
use coilcall::domain::Verdict;
use coilcall::domain::plan::Plan;
use coilcall::event::RunEvent;
use coilcall::units::Terminal;
use rand_chacha::ChaCha8Rng;
use rand_core::{RngCore, SeedableRng};

const RUNS: u64 = 2_000;

const PROFILES: [&str; 8] = [
    "heat-pump-1-stage-electric-o",
    "heat-pump-1-stage-electric-b",
    "heat-pump-2-stage-electric-o",
    "heat-pump-2-stage-electric-b",
    "furnace-1-stage-fuel-cooling-1-stage",
    "furnace-2-stage-fuel-cooling-2-stage",
    "dual-fuel-1-stage-o",
    "heat-pump-1-stage-e-joined-to-w2-o",
];
const BENCHES: [&str; 5] = [
    "panel-16",
    "supply-both-ends",
    "two-links",
    "bench-supply",
    "watchdog",
];

struct Draws(ChaCha8Rng);

impl Draws {
    fn below(&mut self, limit: usize) -> usize {
        let limit = u64::try_from(limit).expect("small");
        usize::try_from(self.0.next_u64() % limit).expect("small")
    }

    fn of<'a, T: ?Sized>(&mut self, all: &[&'a T]) -> &'a T {
        all[self.below(all.len())]
    }
}

fn wiring_fault(draws: &mut Draws, lines: &[Terminal]) -> String {
    let line = |draws: &mut Draws| lines[draws.below(lines.len())].to_string();
    let first = line(draws);
    let mut second = line(draws);
    while second == first {
        second = line(draws);
    }
    let kind = draws.of(&[
        "open",
        "short",
        "swap",
        "mislanded",
        "stuck-open",
        "stuck-closed",
        "dead-input",
        "jumper",
        "open-r",
        "open-c",
        "short-rc",
        "short-c",
        "fuse-open",
        "jumper-missing",
        "shift",
    ]);
    match kind {
        "short" | "swap" | "mislanded" | "jumper" => format!("{kind}:{first},{second}"),
        "open-r" => "open:R".to_owned(),
        "open-c" => "open:C".to_owned(),
        "short-rc" => "short:R,C".to_owned(),
        "short-c" => format!("short:{first},C"),
        "fuse-open" | "jumper-missing" => kind.to_owned(),
        "shift" if lines.len() < 3 => format!("swap:{first},{second}"),
        "shift" => {
            let third = lines
                .iter()
                .find(|l| ![&first, &second].contains(&&l.to_string()));
            format!("shift:{first},{second},{}", third.expect("three lines"))
        }
        _ => format!("{kind}:{first}"),
    }
}

fn link_fault(draws: &mut Draws, device: &str) -> String {
    let chance = draws.of(&["0.01", "0.03", "0.2", "1"]);
    let kind = draws.of(&[
        "late",
        "silent",
        "garbage",
        "echo",
        "wrong-address",
        "truncated",
        "unplug",
    ]);
    match kind {
        "late" => format!(
            "late:{device}={}%{chance}",
            draws.of(&["300", "900", "1500"])
        ),
        "unplug" => format!("unplug:{device}@{}", draws.of(&["0.5", "2.5", "6.1"])),
        _ => format!("{kind}:{device}%{chance}"),
    }
}

/// Whether the true outputs of every step of the plan are the expected ones.
fn is_sound(ran: &Ran, plan: &Plan) -> bool {
    plan.steps.iter().all(|step| {
        let truth = ran.simulator.ground_truth(&step.drive);
        step.cells.iter().all(|(line, cell)| {
            let live = truth.get(line).copied().unwrap_or(false);
            (cell.expected == coilcall::domain::Expected::On) == live
        })
    })
}

fn replayed(events: &[RunEvent]) -> String {
    let lines: Vec<String> = events
        .iter()
        .map(|event| serde_json::to_string(event).expect("serialises"))
        .collect();
    let mut state = coilcall::event::RunState::default();
    for line in &lines {
        let event: RunEvent = serde_json::from_str(line).expect("reads back");
        state.apply(&event);
    }
    format!("{state:?}")
}

/// What a run of one seed was, for the tally.
struct Tally {
    sound: bool,
    disturbed: bool,
    verdict: Verdict,
}

fn run_seed(seed: u64) -> Result<Tally, String> {
    let mut draws = Draws(ChaCha8Rng::seed_from_u64(seed));
    let bench_name = draws.of(&BENCHES);
    let bench = bench(bench_name);
    let profile = profile(draws.of(&PROFILES));
    let mut case = Case {
        profile,
        bench,
        faults: Vec::new(),
        link_faults: Vec::new(),
        seed,
        calls: None,
    };
    let lines: Vec<Terminal> = case
        .plan()
        .drives
        .iter()
        .map(|drive| drive.terminal.clone())
        .collect();
    let devices: Vec<String> = case.bench.devices.keys().map(ToString::to_string).collect();
    let mut words = vec![format!("{bench_name} / {}", case.profile.name())];
    for _ in 0..draws.below(3) {
        let fault = wiring_fault(&mut draws, &lines);
        words.push(fault.clone());
        case.faults.push(
            fault
                .parse()
                .map_err(|error| format!("seed {seed}: {error}"))?,
        );
    }
    for _ in 0..draws.below(3) {
        let device = devices[draws.below(devices.len())].clone();
        let fault = link_fault(&mut draws, &device);
        words.push(fault.clone());
        case.link_faults.push(
            fault
                .parse()
                .map_err(|error| format!("seed {seed}: {error}"))?,
        );
    }
    let unplugged = words.iter().any(|word| word.starts_with("unplug"));
    let disturbed = !case.link_faults.is_empty();
    let ran = case.run();
    let fail = |what: &str| {
        Err(format!(
            "seed {seed} ({}): {what}; verdict {:?}",
            words.join(" "),
            ran.verdict()
        ))
    };
    let sound = is_sound(&ran, &ran.plan);
    if !sound && ran.verdict() == Verdict::Pass {
        return fail("a unit whose outputs differ passed");
    }
    if sound && ran.verdict() == Verdict::Fail && !blames_the_bench(&words) {
        return fail("a sound unit failed");
    }
    if ran.outcome.made_safe && !ran.ends_open() {
        return fail("said to be open, and is not");
    }
    if !unplugged && !ran.ends_open() {
        return fail("relays end closed");
    }
    if replayed(&ran.events) != format!("{:?}", ran.state) {
        return fail("the replayed fold differs from the live one");
    }
    Ok(Tally {
        sound,
        disturbed,
        verdict: ran.verdict(),
    })
}

/// A dead input leaves every output right, and still is a fault: of the bench, which cannot be told
/// from one of the unit. An open common is one where its far end is sensed.
fn blames_the_bench(words: &[String]) -> bool {
    words
        .iter()
        .any(|word| word.starts_with("dead-input") || word == "open:C")
}

#[test]
fn two_thousand_random_runs_tell_no_lie() {
    let alone = std::env::var("COILCALL_SEED")
        .ok()
        .map(|seed| seed.parse().expect("a seed"));
    let seeds: Vec<u64> = alone.map_or_else(|| (0..RUNS).collect(), |seed| vec![seed]);
    let mut problems = Vec::new();
    let mut tallies = Vec::new();
    for seed in seeds {
        match run_seed(seed) {
            Ok(tally) => tallies.push(tally),
            Err(problem) => problems.push(problem),
        }
    }
    assert!(
        problems.is_empty(),
        "{} seeds:\n{}",
        problems.len(),
        problems.join("\n")
    );
    if alone.is_none() {
        // The sweep is worth something only where it meets every kind of end.
        let count = |wanted: &dyn Fn(&Tally) -> bool| tallies.iter().filter(|t| wanted(t)).count();
        assert!(count(&|t| t.sound && t.verdict == Verdict::Pass) > 300);
        assert!(count(&|t| !t.sound && t.verdict == Verdict::Fail) > 500);
        assert!(count(&|t| t.disturbed && t.verdict == Verdict::Pass) > 100);
        assert!(count(&|t| t.verdict == Verdict::Error) > 50);
        assert!(count(&|t| t.verdict == Verdict::Inconc) > 50);
    }
}

#[test]
fn three_replies_in_a_hundred_disturbed_leave_the_true_verdict() {
    let mut reached = 0;
    let mut wrong = Vec::new();
    let kinds = [
        "late:board=900",
        "silent:board",
        "garbage:board",
        "echo:board",
        "truncated:board",
    ];
    let seeds = 200;
    for seed in 0..seeds {
        let kind = kinds[usize::try_from(seed).expect("small") % kinds.len()];
        let (faults, truth): (&[&str], Verdict) = if seed % 2 == 0 {
            (&[], Verdict::Pass)
        } else {
            (&["swap:Y1,G"], Verdict::Fail)
        };
        let ran = Case::new("heat-pump-1-stage-electric-o", "panel-16")
            .faults(faults)
            .link_faults(&[&format!("{kind}%0.03")])
            .seed(seed)
            .run();
        if ran.verdict() == truth {
            reached += 1;
        } else {
            wrong.push(format!(
                "seed {seed} {kind}: {:?} {}",
                ran.verdict(),
                ran.outcome.note
            ));
        }
    }
    assert!(
        reached * 100 >= seeds * 95,
        "{reached} of {seeds}:\n{}",
        wrong.join("\n")
    );
}
