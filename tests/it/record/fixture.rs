//! Hand-made runs: a small heat pump panel, call by call, with chosen cells wrong.

use coilcall::domain::bench_map::{BenchTiming, Loads, Rail, RelayAt, SenseMeans, UnderTest};
use coilcall::domain::measurement::Bands;
use coilcall::domain::plan::{
    CallLeftOut, MadeBy, Plan, PlannedChangeover, PlannedDrive, PlannedStep, SensePoint, Target,
};
use coilcall::domain::profile::Changeover;
use coilcall::domain::{Call, Cell, Expected, Observed, Verdict};
use coilcall::event::{
    BenchSummary, ChangeoverJudged, ChangeoverOutcome, Commitments, Conditions, DeviceSafe,
    EventKind, FinishReason, LineJudged, MadeSafe, NextAction, ProfileSummary, Read, ReadResult,
    RelayReason, RelaysSet, Rule, RunEvent, RunFinished, RunStarted, RunState, ShownBy,
    SimulatedBy, StepFinished, StepStarted, TroubleSeen,
};
use coilcall::port::{Clock, RunJournal};
use coilcall::report::{DiagnosisView, Format, RunView, write_report};
use coilcall::store::MemoryJournal;
use coilcall::units::{
    CoilAddress, DeviceName, End, InputAddress, Microseconds, Milliseconds, Quantity, Terminal,
    Trouble, TroubleKind,
};
use jiff::Timestamp;
use std::cell::Cell as Counter;
use std::collections::BTreeMap;

pub(super) const RUN_ID: &str = "01990000-0000-7000-8000-000000000001";

/// A clock that moves on by a tenth of a second at each look.
#[derive(Default)]
pub(super) struct TestClock {
    looks: Counter<u64>,
}

impl TestClock {
    fn last_look(&self) -> Microseconds {
        Microseconds(self.looks.get() * 100_000)
    }
}

impl Clock for TestClock {
    fn wall(&self) -> Timestamp {
        let micros = i64::try_from(self.looks.get() * 100_000).expect("a short run");
        let start: Timestamp = "2026-03-02T08:00:00Z".parse().expect("a time");
        Timestamp::from_microsecond(start.as_microsecond() + micros).expect("in range")
    }

    fn elapsed(&self) -> Microseconds {
        self.looks.set(self.looks.get() + 1);
        Microseconds(self.looks.get() * 100_000)
    }

    fn new_run_id(&self) -> String {
        RUN_ID.to_owned()
    }

    fn salt(&self) -> [u8; 16] {
        [3; 16]
    }
}

pub(super) fn board() -> DeviceName {
    DeviceName::new("board").expect("a name")
}

pub(super) fn terminal(name: &'static str) -> Terminal {
    Terminal::known(name)
}

/// Call by call, what is driven and must be live: a one-stage heat pump with O and auxiliary heat.
pub(super) const CALLS: [(&str, &[&str]); 5] = [
    ("idle", &[]),
    ("fan-only", &["G"]),
    ("cooling-1", &["O", "G", "Y1"]),
    ("heating-1", &["G", "Y1"]),
    ("emergency-heat", &["G", "W2"]),
];

pub(super) const LINES: [&str; 4] = ["Y1", "G", "O", "W2"];

fn address(line: &str) -> u16 {
    let index = LINES.iter().position(|known| *known == line);
    u16::try_from(index.expect("a line of the panel")).expect("few lines")
}

pub(super) fn plan() -> Plan {
    Plan {
        equipment: None,
        power: None,
        tied: Vec::new(),
        bands: Bands::default(),
        rest: None,
        unreliable: BTreeMap::new(),
        source_end: End::Equipment,
        under_test: UnderTest::Wiring,
        loads: Loads::Dummy,
        lines: LINES.map(terminal).to_vec(),
        drives: LINES.map(drive).to_vec(),
        sense_points: LINES.map(sense_point).to_vec(),
        steps: CALLS
            .iter()
            .zip(1..)
            .map(|((call, driven), number)| planned_step(number, call, driven))
            .collect(),
        changeover: Some(PlannedChangeover {
            convention: Changeover::O,
            terminal: terminal("O"),
        }),
        left_out: vec![
            CallLeftOut {
                call: Call::AuxiliaryHeat(1),
                why: "it was not asked for".to_owned(),
                applicable: true,
            },
            CallLeftOut {
                call: Call::Cooling(2),
                why: "the profile has one compressor stage".to_owned(),
                applicable: false,
            },
        ],
        not_proven: vec!["C is not proven: nothing reads R to C at the controller".to_owned()],
        timing: BenchTiming::default(),
    }
}

fn drive(line: &'static str) -> PlannedDrive {
    PlannedDrive {
        terminal: terminal(line),
        relay: RelayAt {
            device: board(),
            coil: CoilAddress(address(line)),
        },
        common: Rail::R,
    }
}

fn sense_point(line: &'static str) -> SensePoint {
    SensePoint {
        meter: None,
        loaded: true,
        target: Target::Line(terminal(line)),
        end: End::Equipment,
        quantity: Quantity::Presence,
        means: SenseMeans::Input {
            device: board(),
            input: InputAddress(address(line)),
        },
    }
}

fn planned_step(number: u32, call: &str, driven: &[&'static str]) -> PlannedStep {
    let cell = |line: &'static str| {
        let (expected, reason) = if driven.contains(&line) {
            (Expected::On, format!("{call} runs {line}"))
        } else {
            (Expected::Off, format!("{call} leaves {line} alone"))
        };
        (terminal(line), Cell { expected, reason })
    };
    PlannedStep {
        made_by: MadeBy::Relays,
        on_the_way: Vec::new(),
        number,
        call: call.parse().expect("a call"),
        drive: driven.iter().map(|line| terminal(line)).collect(),
        cells: LINES.into_iter().map(cell).collect(),
        settle_ms: Milliseconds(150),
        release_ms: Milliseconds(150),
    }
}

/// A run under construction.
pub(super) struct Run {
    pub(super) journal: MemoryJournal,
    clock: TestClock,
    next_reading: u64,
}

impl Run {
    /// A run that has begun, changed as told.
    pub(super) fn begin(change: impl FnOnce(&mut RunStarted)) -> Self {
        let mut started = RunStarted {
            run_id: RUN_ID.to_owned(),
            program_version: "0.1.0".to_owned(),
            plan: plan(),
            profile: ProfileSummary {
                name: "One-stage heat pump".to_owned(),
                kind: "heat-pump".to_owned(),
                interface: Some("changeover".to_owned()),
                changeover: Some("o".to_owned()),
                compressor_stages: 1,
                heat_stages: 1,
            },
            bench: BenchSummary {
                name: "Panel 1".to_owned(),
                boards_without_watchdog: vec![board()],
            },
            profile_text: "name = \"One-stage heat pump\"\n".to_owned(),
            profile_hash: "a".repeat(64),
            bench_text: "name = \"Panel 1\"\n".to_owned(),
            bench_hash: "b".repeat(64),
            conditions: Conditions {
                simulated: None,
                notes: Vec::new(),
            },
            retest_of: None,
            commitments: Commitments::default(),
        };
        change(&mut started);
        let run = Self {
            journal: MemoryJournal::new(),
            clock: TestClock::default(),
            next_reading: 0,
        };
        run.add(EventKind::RunStarted(Box::new(started)));
        run
    }

    pub(super) fn add(&self, kind: EventKind) {
        self.journal
            .append(&self.clock, kind)
            .expect("memory does not fail");
    }

    fn read(&mut self, target: Target, state: Observed) -> u64 {
        let id = self.next_reading;
        self.next_reading += 1;
        self.add(EventKind::Read(Read {
            id,
            target,
            end: End::Equipment,
            quantity: Quantity::Presence,
            result: ReadResult {
                value: None,
                state,
                overload: false,
                not_a_number: false,
                live_samples: Some(if state == Observed::On { 4 } else { 0 }),
            },
            u: None,
            dof: None,
            n: 4,
            device: board(),
            range: None,
            load_ohms: None,
            unpowered: false,
            from_us: self.clock.last_look(),
            to_us: self.clock.last_look(),
        }));
        id
    }

    /// Commands the relays of these lines closed and all others open.
    pub(super) fn relays(&self, reason: RelayReason, closed: &[&str], is_read_back: bool) {
        let closed: Vec<CoilAddress> = closed.iter().map(|l| CoilAddress(address(l))).collect();
        let now = self.clock.last_look();
        self.add(EventKind::RelaysSet(RelaysSet {
            device: board(),
            reason,
            read_back: is_read_back.then(|| closed.clone()),
            intended: closed,
            sent_us: now,
            confirmed_us: is_read_back.then_some(now),
        }));
    }

    /// Begins the numbered step and reads the supply.
    pub(super) fn begin_step(&mut self, number: u32, supply: Observed) {
        let (_, driven) = CALLS[number as usize - 1];
        self.add(EventKind::StepStarted(StepStarted {
            step: number,
            attempt: 1,
            intended: driven.iter().map(|line| terminal(line)).collect(),
        }));
        self.read(Target::Supply(Rail::R), supply);
    }

    /// Judges a line; the verdict is given, not computed.
    pub(super) fn judge(
        &mut self,
        step: u32,
        (line, observed): (&'static str, Observed),
        verdict: Verdict,
        rule: Rule,
    ) {
        let (_, driven) = CALLS[step as usize - 1];
        let on = driven.contains(&line) && rule != Rule::Release;
        let readings = match observed {
            Observed::NotMeasured => Vec::new(),
            state => vec![self.read(Target::Line(terminal(line)), state)],
        };
        self.add(EventKind::LineJudged(LineJudged {
            step,
            terminal: terminal(line),
            expected: if on { Expected::On } else { Expected::Off },
            observed,
            verdict,
            readings,
            rule,
            reason: match rule {
                Rule::BenchTrouble => "the inputs could not be read".to_owned(),
                _ => format!("{line} was read {observed}"),
            },
        }));
    }

    /// A whole step: lines in `live` are seen live, all others dead.
    pub(super) fn step(&mut self, number: u32, live: &[&str]) -> Verdict {
        self.step_on(number, live, Observed::On)
    }

    /// The same, on a supply as given.
    pub(super) fn step_on(&mut self, number: u32, live: &[&str], supply: Observed) -> Verdict {
        let (_, driven) = CALLS[number as usize - 1];
        self.begin_step(number, supply);
        let mut worst = Verdict::Pass;
        for line in LINES {
            let right = driven.contains(&line) == live.contains(&line);
            let verdict = if right { Verdict::Pass } else { Verdict::Fail };
            let seen = if live.contains(&line) {
                Observed::On
            } else {
                Observed::Off
            };
            self.judge(number, (line, seen), verdict, Rule::Cell);
            worst = worst.join(verdict);
        }
        self.end_step(number, worst, "");
        worst
    }

    pub(super) fn end_step(&self, step: u32, verdict: Verdict, note: &str) {
        self.add(EventKind::StepFinished(StepFinished {
            step,
            verdict,
            note: note.to_owned(),
        }));
    }

    pub(super) fn trouble(&self, next: NextAction) {
        self.add(EventKind::Trouble(TroubleSeen {
            device: board(),
            trouble: Trouble {
                kind: TroubleKind::Timeout,
                tried: "read inputs 1-16 of unit 1 on link board".to_owned(),
                detail: "0 of 7 bytes in 800 ms".to_owned(),
                request: "010200000010 79c6".to_owned(),
                reply: String::new(),
            },
            attempt: 1,
            next,
        }));
    }

    pub(super) fn changeover(&self, outcome: ChangeoverOutcome) {
        self.add(EventKind::ChangeoverJudged(ChangeoverJudged {
            convention: "o".to_owned(),
            terminal: terminal("O"),
            outcome,
            shown: (outcome != ChangeoverOutcome::NotShown).then_some(ShownBy::Signal),
            evidence: match outcome {
                ChangeoverOutcome::Follows => "O on in cooling-1, off in heating-1",
                ChangeoverOutcome::StuckOff => "O off in cooling-1, off in heating-1",
                ChangeoverOutcome::NotShown => "O was not read in cooling-1",
                other => panic!("no fixture comes to {other:?}"),
            }
            .to_owned(),
        }));
    }

    pub(super) fn make_safe(&self, still_closed: &[u16], still_live: &[&'static str]) {
        self.add(EventKind::MadeSafe(MadeSafe {
            devices: vec![DeviceSafe {
                trouble_kind: None,
                device: board(),
                confirmed_open: still_closed.is_empty(),
                still_closed: still_closed.iter().map(|at| CoilAddress(*at)).collect(),
                was_closed: true,
                trouble: String::new(),
            }],
            still_live: still_live.iter().map(|line| terminal(line)).collect(),
            supplies_live: Vec::new(),
        }));
    }

    pub(super) fn finish(&self, verdict: Verdict, reason: FinishReason, note: &str) {
        self.add(EventKind::RunFinished(RunFinished {
            verdict,
            reason,
            note: note.to_owned(),
            not_proven: plan().not_proven,
        }));
    }

    pub(super) fn events(&self) -> Vec<RunEvent> {
        self.journal.events().to_vec()
    }

    pub(super) fn state(&self) -> RunState {
        fold(&self.events())
    }

    pub(super) fn view(&self) -> RunView {
        self.view_with(DiagnosisView::undetermined())
    }

    pub(super) fn view_with(&self, diagnosis: DiagnosisView) -> RunView {
        view(&self.state(), &self.journal.head_hash(), diagnosis)
    }

    pub(super) fn text(&self) -> String {
        render(&self.view(), Format::Text)
    }
}

pub(super) fn fold(events: &[RunEvent]) -> RunState {
    let mut state = RunState::default();
    for event in events {
        state.apply(event);
    }
    state
}

pub(super) fn view(state: &RunState, head_hash: &str, diagnosis: DiagnosisView) -> RunView {
    RunView::new(
        state,
        None,
        &format!("{RUN_ID}.jsonl"),
        head_hash,
        diagnosis,
    )
    .expect("the run has begun")
}

pub(super) fn render(view: &RunView, format: Format) -> String {
    let mut bytes = Vec::new();
    write_report(view, format, &mut bytes).expect("memory does not fail");
    String::from_utf8(bytes).expect("reports are UTF-8")
}

/// Everything right.
pub(super) fn all_pass() -> Run {
    let mut run = Run::begin(|_| {});
    for (number, (_, driven)) in (1..).zip(CALLS) {
        run.step(number, driven);
    }
    run.changeover(ChangeoverOutcome::Follows);
    run.make_safe(&[], &[]);
    run.finish(Verdict::Pass, FinishReason::Complete, "");
    run
}

/// Y1 and G exchanged: the fan call starts the compressor, emergency heat too, all else is masked
/// (the panel of DOMAIN H, row 1).
pub(super) fn swapped() -> Run {
    let mut run = Run::begin(|started| {
        started.conditions.simulated = Some(SimulatedBy {
            seed: 7,
            faults: vec!["swap:Y1,G".to_owned()],
            link_faults: Vec::new(),
        });
    });
    run.step(1, &[]);
    run.step(2, &["Y1"]);
    run.step(3, &["O", "G", "Y1"]);
    run.step(4, &["G", "Y1"]);
    run.step(5, &["Y1", "W2"]);
    run.changeover(ChangeoverOutcome::Follows);
    run.make_safe(&[], &[]);
    run.finish(Verdict::Fail, FinishReason::Complete, "");
    run
}

/// No line ever answers, though the supply is there.
pub(super) fn everything_dead() -> Run {
    everything_dead_with(|_| {}, Observed::On)
}

/// No line ever answers; the supply is as given.
pub(super) fn everything_dead_with(change: impl FnOnce(&mut RunStarted), supply: Observed) -> Run {
    let mut run = Run::begin(change);
    for number in 1..=5 {
        run.step_on(number, &[], supply);
    }
    run.changeover(ChangeoverOutcome::StuckOff);
    run.make_safe(&[], &[]);
    run.finish(Verdict::Fail, FinishReason::Complete, "");
    run
}

/// The third call's inputs could not be read.
pub(super) fn link_trouble() -> Run {
    let mut run = Run::begin(|_| {});
    run.step(1, &[]);
    run.step(2, &["G"]);
    run.begin_step(3, Observed::On);
    run.trouble(NextAction::Retry);
    run.trouble(NextAction::GiveUpStep);
    for line in LINES {
        run.judge(
            3,
            (line, Observed::NotMeasured),
            Verdict::Inconc,
            Rule::BenchTrouble,
        );
    }
    run.end_step(3, Verdict::Inconc, "the inputs of board did not answer");
    run.step(4, &["G", "Y1"]);
    run.step(5, &["G", "W2"]);
    run.changeover(ChangeoverOutcome::NotShown);
    run.make_safe(&[], &[]);
    run.finish(Verdict::Inconc, FinishReason::Complete, "");
    run
}

/// The relay board never answered: nothing was driven.
pub(super) fn error_before_any_step() -> Run {
    let run = Run::begin(|_| {});
    run.trouble(NextAction::Stop);
    run.add(EventKind::MadeSafe(MadeSafe {
        devices: vec![DeviceSafe {
            trouble_kind: None,
            device: board(),
            confirmed_open: false,
            still_closed: Vec::new(),
            was_closed: false,
            trouble: "no complete reply in time".to_owned(),
        }],
        still_live: Vec::new(),
        supplies_live: Vec::new(),
    }));
    run.finish(
        Verdict::Error,
        FinishReason::BenchError,
        "board did not answer on link board",
    );
    run
}

/// The record ends in the middle of the third call.
pub(super) fn cut_short() -> Run {
    let mut run = Run::begin(|_| {});
    run.step(1, &[]);
    run.step(2, &["G"]);
    run.begin_step(3, Observed::On);
    run.judge(3, ("Y1", Observed::On), Verdict::Pass, Rule::Cell);
    run
}
