//! One simulated run under a paused clock, with everything that a test wants to see of it.
//!
//! The bench and the profile are the ready-made files; the journal lies in memory.

use coilcall::app::{OpenedBench, open_simulated};
use coilcall::config::{read_bench, read_profile};
use coilcall::domain::bench_map::{BenchMap, Loads};
use coilcall::domain::circuit::Fault;
use coilcall::domain::plan::{Plan, make_plan};
use coilcall::domain::{Call, Observed, Profile, Verdict};
use coilcall::event::{
    BenchSummary, Command, Commitments, Conditions, ProfileSummary, RunEvent, RunStarted, RunState,
};
use coilcall::port::{Clock, RunClock};
use coilcall::runner::{self, Observer, Policy, RunOutcome, RunSetup};
use coilcall::sim::{LinkFault, Simulator, SimulatorError, SimulatorSetup};
use coilcall::store::MemoryJournal;
use coilcall::units::{CoilAddress, DeviceName, Terminal};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::rc::Rc;
use tokio::sync::mpsc;

/// A file of the ready-made ones.
pub(crate) fn stock(folder: &str, name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("benches-config")
        .join(folder)
        .join(format!("{name}.toml"))
}

pub(crate) fn profile(name: &str) -> Profile {
    read_profile(&stock("profiles", name))
        .unwrap_or_else(|error| panic!("{error}"))
        .profile
}

pub(crate) fn bench(name: &str) -> BenchMap {
    read_bench(&stock("benches", name))
        .unwrap_or_else(|error| panic!("{error}"))
        .map
}

pub(crate) fn terminals(names: &str) -> BTreeSet<Terminal> {
    names
        .split_whitespace()
        .map(|name| Terminal::new(name).expect("a terminal"))
        .collect()
}

/// What one run is to be.
pub(crate) struct Case {
    pub(crate) profile: Profile,
    pub(crate) bench: BenchMap,
    pub(crate) faults: Vec<Fault>,
    pub(crate) link_faults: Vec<LinkFault>,
    pub(crate) seed: u64,
    pub(crate) calls: Option<Vec<Call>>,
}

impl Case {
    pub(crate) fn new(profile_name: &str, bench_name: &str) -> Self {
        Self {
            profile: profile(profile_name),
            bench: bench(bench_name),
            faults: Vec::new(),
            link_faults: Vec::new(),
            seed: 1,
            calls: None,
        }
    }

    pub(crate) fn faults(mut self, faults: &[&str]) -> Self {
        self.faults = faults
            .iter()
            .map(|fault| fault.parse().unwrap_or_else(|error| panic!("{error}")))
            .collect();
        self
    }

    pub(crate) fn link_faults(mut self, faults: &[&str]) -> Self {
        self.link_faults = faults
            .iter()
            .map(|fault| {
                fault
                    .parse()
                    .unwrap_or_else(|error| panic!("{fault}: {error}"))
            })
            .collect();
        self
    }

    pub(crate) fn seed(mut self, seed: u64) -> Self {
        self.seed = seed;
        self
    }

    pub(crate) fn plan(&self) -> Plan {
        make_plan(&self.profile, &self.bench, self.calls.as_deref())
            .unwrap_or_else(|error| panic!("{error}"))
    }

    pub(crate) fn run(self) -> Ran {
        let plan = self.plan();
        in_virtual_time(async move {
            let clock: Rc<dyn Clock> = Rc::new(RunClock::start());
            let simulator = self.simulator(&clock);
            let opened = open_simulated(&self.bench, &simulator).await;
            let (_sender, commands) = mpsc::channel(1);
            run_over(plan, opened, clock, commands, simulator).await
        })
    }

    pub(crate) fn simulator(&self, clock: &Rc<dyn Clock>) -> Simulator {
        self.try_simulator(clock)
            .unwrap_or_else(|error| panic!("{error}"))
    }

    pub(crate) fn try_simulator(&self, clock: &Rc<dyn Clock>) -> Result<Simulator, SimulatorError> {
        let clock = Rc::clone(clock);
        Simulator::new(SimulatorSetup {
            bench: &self.bench,
            profile: &self.profile,
            faults: self.faults.clone(),
            link_faults: self.link_faults.clone(),
            seed: self.seed,
            now: Rc::new(move || clock.elapsed()),
        })
    }
}

pub(crate) fn in_virtual_time<T>(work: impl Future<Output = T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .start_paused(true)
        .build()
        .expect("a runtime");
    tokio::task::LocalSet::new().block_on(&runtime, work)
}

pub(crate) async fn run_over(
    plan: Plan,
    opened: OpenedBench,
    clock: Rc<dyn Clock>,
    commands: mpsc::Receiver<Command>,
    simulator: Simulator,
) -> Ran {
    run_watched(plan, opened, clock, commands, (simulator, Box::new(|_| {}))).await
}

/// The same with someone who sees every event.
pub(crate) async fn run_watched(
    plan: Plan,
    opened: OpenedBench,
    clock: Rc<dyn Clock>,
    commands: mpsc::Receiver<Command>,
    (simulator, observer): (Simulator, Observer),
) -> Ran {
    let as_it_is = |_: &mut RunStarted| {};
    run_heard(
        (plan, as_it_is),
        opened,
        (clock, commands),
        simulator,
        observer,
    )
    .await
}

/// The same with the first event as the caller stamps it.
pub(crate) async fn run_heard(
    (plan, stamp): (Plan, impl FnOnce(&mut RunStarted)),
    opened: OpenedBench,
    (clock, commands): (Rc<dyn Clock>, mpsc::Receiver<Command>),
    simulator: Simulator,
    observer: Observer,
) -> Ran {
    let journal = Rc::new(MemoryJournal::new());
    let mut first = started(plan.clone());
    stamp(&mut first);
    let policy = match plan.loads {
        Loads::Real => Policy::on_real_loads(),
        Loads::Dummy | Loads::Disconnected => Policy::default(),
    };
    let setup = RunSetup {
        started: first,
        ports: opened.ports,
        unopened: opened.unopened,
        journal: Rc::clone(&journal) as _,
        clock: Rc::clone(&clock),
        observer,
        policy,
    };
    let outcome = runner::run(setup, commands).await;
    let events = journal.events().to_vec();
    let mut state = RunState::default();
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
}

pub(crate) fn started(plan: Plan) -> RunStarted {
    RunStarted {
        run_id: "test".to_owned(),
        program_version: "0".to_owned(),
        plan,
        profile: ProfileSummary {
            name: "profile".to_owned(),
            kind: "heat-pump".to_owned(),
            interface: None,
            changeover: None,
            compressor_stages: 1,
            heat_stages: 1,
        },
        bench: BenchSummary {
            name: "bench".to_owned(),
            boards_without_watchdog: vec![],
        },
        profile_text: String::new(),
        profile_hash: String::new(),
        bench_text: String::new(),
        bench_hash: String::new(),
        conditions: Conditions {
            simulated: None,
            notes: vec![],
        },
        retest_of: None,
        commitments: Commitments::default(),
    }
}

/// A run as it came out.
pub(crate) struct Ran {
    pub(crate) outcome: RunOutcome,
    pub(crate) events: Vec<RunEvent>,
    pub(crate) state: RunState,
    pub(crate) plan: Plan,
    /// Coils that the peer holds closed at the end.
    pub(crate) closed: BTreeMap<DeviceName, BTreeSet<CoilAddress>>,
    pub(crate) simulator: Simulator,
}

impl Ran {
    pub(crate) fn verdict(&self) -> Verdict {
        self.outcome.verdict
    }

    /// Whether the peer holds every coil open.
    pub(crate) fn ends_open(&self) -> bool {
        self.closed.values().all(BTreeSet::is_empty)
    }

    /// Lines seen live in a call.
    pub(crate) fn live_in(&self, call: &str) -> BTreeSet<Terminal> {
        let call: Call = call.parse().expect("a call");
        let planned = self
            .plan
            .steps
            .iter()
            .find(|step| step.call == call)
            .expect("planned");
        let made = self
            .state
            .steps
            .iter()
            .find(|s| s.number == planned.number)
            .expect("made");
        made.lines
            .iter()
            .filter(|(_, line)| line.judged.observed == Observed::On)
            .map(|(terminal, _)| terminal.clone())
            .collect()
    }

    /// The suspects of the run's diagnosis, in the fault grammar.
    pub(crate) fn suspects(&self) -> Vec<String> {
        let evidence = self.state.evidence().expect("the run has started");
        coilcall::domain::diagnosis::diagnose(&evidence)
            .groups
            .iter()
            .flat_map(|group| group.suspects.iter().map(ToString::to_string))
            .collect()
    }
}
