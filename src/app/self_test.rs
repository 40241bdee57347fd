//! `self-test`: the bench by itself, real or simulated, and what follows from what it showed.
//!
//! Place in the data's path: opens the ports as a run does and drives the runner's self-test; its
//! events stay in memory. What a finding means for the exit code is decided here; how it is told
//! stands in `show_self_test`.

use super::error::{AppError, Exit};
use super::files::{Loaded, load};
use super::open_bench::{OpenedBench, open_real, open_simulated};
use super::run_bench::Simulation;
use crate::config::read_bench;
use crate::domain::BenchMap;
use crate::domain::bench_map::SenseMeans;
use crate::domain::plan::{Serves, exercises, self_test_plan, timed_quantities};
use crate::domain::reply_times::{LinkTimeouts, ReplyTimes, proposed_timeouts};
use crate::event::{Command, FinishReason};
use crate::port::{Clock, RunClock};
use crate::runner::{
    self, InputAt, Observer, Policy, RelayOutcome, RunOutcome, SelfTestFindings, SelfTestSetup,
    SupplySeen,
};
use crate::sim::{Simulator, SimulatorSetup};
use crate::store::MemoryJournal;
use crate::units::{End, LinkName, Milliseconds, Terminal};
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::rc::Rc;
use tokio::sync::mpsc;

/// How often each device is read for its reply times.
const READS: usize = 40;

/// What is asked of a self-test.
#[derive(Debug, Clone)]
pub struct SelfTestRequest {
    /// The bench file.
    pub bench: PathBuf,
    /// Present where the bench is simulated, with the equipment's profile.
    pub simulation: Option<(PathBuf, Simulation)>,
}

/// A digital input of a line, after the test.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputTested {
    /// The line.
    pub line: Terminal,
    /// The input.
    pub input: InputAt,
    /// The end at which it looks.
    pub end: End,
    /// Whether it was live while the line's own relay was closed; `None` where that was not shown.
    pub answered: Option<bool>,
    /// Whether it was live with every relay open.
    pub live_at_rest: bool,
    /// Lines whose relays it answered although they are not its own.
    pub also_answered: Vec<Terminal>,
}

/// A link with what it has and what is proposed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LinkTested {
    /// The link.
    pub link: LinkName,
    /// What the bench file has.
    pub in_force: LinkTimeouts,
    /// What its devices' replies ask for; `None` where none was timed.
    pub proposed: Option<LinkTimeouts>,
    /// The shortest watchdog on it that the proposal would outlast.
    pub outlasts_watchdog: Option<Milliseconds>,
}

/// A self-test that is over.
#[derive(Debug)]
pub struct SelfTested {
    /// The bench.
    pub bench: BenchMap,
    /// Whether it was simulated.
    pub simulated: bool,
    /// What was found.
    pub found: SelfTestFindings,
    /// How it ended.
    pub outcome: RunOutcome,
}

/// Makes a self-test. Call inside a `LocalSet` on a current-thread runtime, with the clock paused
/// where the bench is simulated.
///
/// # Errors
/// Everything that is wrong before anything is opened.
pub async fn self_test(
    request: &SelfTestRequest,
    observer: Observer,
    commands: mpsc::Receiver<Command>,
) -> Result<SelfTested, AppError> {
    let clock: Rc<dyn Clock> = Rc::new(RunClock::start());
    let (bench, opened) = match &request.simulation {
        None => {
            let bench = read_bench(&request.bench)?.map;
            let opened = open_real(&bench).await;
            (bench, opened)
        }
        Some((profile, simulation)) => {
            let Loaded { profile, bench, .. } = load(profile, &request.bench)?;
            let now = Rc::clone(&clock);
            let simulator = Simulator::new(SimulatorSetup {
                bench: &bench.map,
                profile: &profile.profile,
                faults: simulation.faults.clone(),
                link_faults: simulation.link_faults.clone(),
                seed: simulation.seed,
                now: Rc::new(move || now.elapsed()),
            })?;
            let opened = open_simulated(&bench.map, &simulator).await;
            (bench.map, opened)
        }
    };
    let OpenedBench { ports, unopened } = opened;
    let setup = SelfTestSetup {
        plan: self_test_plan(&bench),
        exercises: exercises(&bench),
        master: bench.master.clone(),
        quantities: timed_quantities(&bench),
        reads: READS,
        ports,
        unopened,
        journal: Rc::new(MemoryJournal::new()),
        clock,
        observer,
        policy: Policy::default(),
    };
    let (found, outcome) = runner::self_test(setup, commands).await;
    Ok(SelfTested {
        bench,
        simulated: request.simulation.is_some(),
        found,
        outcome,
    })
}

impl SelfTested {
    /// The exit code: as a run's, where inconclusive stands for what may be the unit's fault or
    /// the bench's.
    #[must_use]
    pub fn exit(&self) -> Exit {
        let Self { found, outcome, .. } = self;
        if !outcome.made_safe && outcome.relay_was_closed {
            return Exit::NotConfirmedSafe;
        }
        match outcome.reason {
            FinishReason::Cancelled => return Exit::Interrupted,
            FinishReason::Complete => {}
            FinishReason::BenchError | FinishReason::JournalLost | FinishReason::Panicked => {
                return Exit::BenchError;
            }
        }
        let relays = || found.relays.iter().map(|relay| &relay.outcome);
        if !outcome.made_safe || relays().any(|outcome| matches!(outcome, RelayOutcome::Failed(_)))
        {
            return Exit::BenchError;
        }
        let collapsed = relays().any(|o| matches!(o, RelayOutcome::Collapsed { .. }));
        let doubtful = |input: &InputTested| input.live_at_rest || input.answered == Some(false);
        if collapsed || found.supply == SupplySeen::Dead || self.inputs().iter().any(doubtful) {
            return Exit::Inconclusive;
        }
        Exit::Pass
    }

    /// Every digital input that looks at a line.
    #[must_use]
    pub fn inputs(&self) -> Vec<InputTested> {
        let lines = self.bench.lines.values();
        let points = lines.flat_map(|line| line.senses.iter().map(move |sense| (line, sense)));
        points
            .filter_map(|(line, sense)| {
                let SenseMeans::Input { device, input } = &sense.means else {
                    return None;
                };
                let at = (device.clone(), *input);
                Some(InputTested {
                    line: line.terminal.clone(),
                    end: sense.end,
                    answered: self.answered(&line.terminal, &at),
                    live_at_rest: self.found.live_at_rest.contains(&at),
                    also_answered: self.also_answered(&line.terminal, &at),
                    input: at,
                })
            })
            .collect()
    }

    /// The relays that were closed while the lines' inputs were read, with the line of each.
    fn looked_at(&self) -> impl Iterator<Item = (&Terminal, &BTreeSet<InputAt>)> {
        self.found.relays.iter().filter_map(|relay| {
            let Serves::Line(line) = &relay.exercise.serves else {
                return None;
            };
            Some((line, relay.live.as_ref()?))
        })
    }

    /// A dead input shows nothing where the supply is dead, nor where nothing senses the supply
    /// and no input at all has answered.
    fn answered(&self, line: &Terminal, input: &InputAt) -> Option<bool> {
        let anything_live = self.looked_at().any(|(_, live)| !live.is_empty());
        let fed = match self.found.supply {
            SupplySeen::Live => true,
            SupplySeen::Dead => false,
            SupplySeen::NotSensed => anything_live,
        };
        let (_, live) = self.looked_at().find(|(driven, _)| *driven == line)?;
        (fed || live.contains(input)).then(|| live.contains(input))
    }

    fn also_answered(&self, line: &Terminal, input: &InputAt) -> Vec<Terminal> {
        if self.found.live_at_rest.contains(input) {
            return Vec::new();
        }
        self.looked_at()
            .filter(|(driven, live)| *driven != line && live.contains(input))
            .map(|(driven, _)| driven.clone())
            .collect()
    }

    /// Every link with the timeouts that its devices' replies ask for.
    #[must_use]
    pub fn links(&self) -> Vec<LinkTested> {
        let links = self.bench.links.values();
        links
            .map(|link| {
                let on_it: Vec<_> = self
                    .bench
                    .devices
                    .values()
                    .filter(|device| device.link == link.name)
                    .collect();
                let tested = || on_it.iter().filter_map(|d| self.found.devices.get(&d.name));
                let times: Vec<ReplyTimes> = tested()
                    .filter_map(|device| ReplyTimes::of(&device.replies.times))
                    .collect();
                let unanswered = tested().any(|device| device.replies.troubles > 0);
                let in_force = link.reply_timeout_ms;
                let proposed = proposed_timeouts(&times, unanswered.then_some(in_force));
                let watchdogs = on_it.iter().filter_map(|d| d.modbus()?.watchdog.as_ref());
                let shortest = watchdogs.map(|watchdog| watchdog.timeout_ms).min();
                LinkTested {
                    link: link.name.clone(),
                    in_force: LinkTimeouts {
                        reply_timeout: in_force,
                        late_reply: link.late_reply_ms,
                    },
                    proposed,
                    outlasts_watchdog: shortest.filter(|watchdog| {
                        proposed.is_some_and(|proposed| proposed.reply_timeout >= *watchdog)
                    }),
                }
            })
            .collect()
    }
}
