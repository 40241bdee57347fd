//! `run`: the job, from two files to a closed journal and the report read back from it.

use super::answering::{Answers, Keyboard, answering};
use super::error::{AppError, Exit};
use super::files::{Loaded, load};
use super::open_bench::{OpenedBench, open_real, open_simulated};
use super::show::{RunFound, read_run};
use crate::config::{AnswersFile, BenchFile, ProfileFile, read_answers};
use crate::domain::bench_map::Loads;
use crate::domain::circuit::Fault;
use crate::domain::plan::{CallOrder, Plan, make_plan_in};
use crate::domain::{Call, Profile, Question, TruthTable, Verdict};
use crate::event::{
    BenchSummary, Command, Commitments, Conditions, FinishReason, ProfileSummary, RunStarted,
    SimulatedBy,
};
use crate::port::{Clock, RunClock};
use crate::runner::{self, Observer, Policy, RunOutcome, RunSetup};
use crate::sim::{LinkFault, Simulator, SimulatorSetup};
use crate::store::{FileJournal, Sealed, SubjectRecord};
use std::path::PathBuf;
use std::rc::Rc;
use tokio::sync::mpsc;

/// What the simulator is told.
#[derive(Debug, Clone, Default)]
pub struct Simulation {
    /// Wiring faults.
    pub faults: Vec<Fault>,
    /// Link faults.
    pub link_faults: Vec<LinkFault>,
    /// Seed of every draw.
    pub seed: u64,
}

/// What is asked of a run.
#[derive(Debug, Clone)]
pub struct RunRequest {
    /// The bench file.
    pub bench: PathBuf,
    /// The profile file.
    pub profile: PathBuf,
    /// Present where the bench is simulated.
    pub simulation: Option<Simulation>,
    /// The calls to make; `None` for all.
    pub calls: Option<Vec<Call>>,
    /// In which order.
    pub order: CallOrder,
    /// Where the journal goes.
    pub out: PathBuf,
    /// Answers to what the run asks; without it the simulated person answers, or the keyboard.
    pub answers: Option<PathBuf>,
    /// What or who is under test.
    pub subject: Option<String>,
    /// Who arms a run on real or lifted loads.
    pub armed_by: Option<String>,
}

/// Whether the bench's loads are real or lifted, so that a named person has to arm the run.
///
/// # Errors
/// Everything that is wrong with the files.
pub fn needs_arming(request: &RunRequest) -> Result<bool, AppError> {
    let loaded = load(&request.profile, &request.bench)?;
    Ok(loaded.bench.map.loads != Loads::Dummy)
}

/// Who arms a simulated run where nobody is named.
const SIMULATED_PERSON: &str = "simulated person";

/// Who arms this run; `None` where nobody has to.
fn armed_by(request: &RunRequest, plan: &Plan) -> Result<Option<String>, AppError> {
    let needed = plan
        .equipment
        .as_ref()
        .is_some_and(|equipment| !equipment.checklist.is_empty());
    match (&request.armed_by, &request.simulation) {
        _ if !needed => Ok(None),
        (Some(name), _) if name.trim().is_empty() => Err(AppError::Usage(
            "--armed-by names nobody: the name of the person at the bench is needed".to_owned(),
        )),
        (Some(name), _) => Ok(Some(name.clone())),
        (None, Some(_)) => Ok(Some(SIMULATED_PERSON.to_owned())),
        (None, None) => Err(AppError::Usage(format!(
            "loads = \"{}\": a named person at the bench has to arm this run: --armed-by NAME",
            plan.loads
        ))),
    }
}

/// Makes a run and reads it back. Call inside a `LocalSet` on a current-thread runtime, with the
/// clock paused where the bench is simulated.
///
/// A journal that cannot be read back comes beside the outcome, which it must not hide.
///
/// # Errors
/// Everything that is wrong before anything is opened.
pub async fn run_bench(
    request: &RunRequest,
    observer: Observer,
    (sender, commands): (mpsc::Sender<Command>, mpsc::Receiver<Command>),
    keyboard: Keyboard,
) -> Result<(Exit, RunOutcome, Option<Result<RunFound, AppError>>), AppError> {
    let Loaded {
        profile,
        bench,
        mut notes,
    } = load(&request.profile, &request.bench)?;
    let plan = plan_of(request, &profile, &bench)?;
    let armed_by = armed_by(request, &plan)?;
    let is_real = plan.loads == Loads::Real;
    if let Some(simulation) = &request.simulation {
        check_faults(simulation, &profile.profile)?;
    }
    let needs_people = armed_by.is_some() && request.simulation.is_none();
    let file = answers_file(request, (&plan, needs_people), &mut notes)?;
    let clock: Rc<dyn Clock> = Rc::new(RunClock::start());
    let simulator = match &request.simulation {
        None => None,
        Some(simulation) => Some(simulator_of(simulation, &profile, &bench, &clock)?),
    };
    let run_id = clock.new_run_id();
    let journal = begin_journal(request, &run_id)?;
    let (subject, arming) = begin_subject(
        request,
        armed_by.as_deref(),
        (clock.as_ref(), &run_id),
        &journal,
    )?;
    if let Some(by) = arming {
        let sent = sender.send(Command::Arm { by }).await;
        sent.expect("the receiver is at hand");
    }
    let opened = match &simulator {
        None => open_real(&bench.map).await,
        Some(simulator) => open_simulated(&bench.map, simulator).await,
    };
    let OpenedBench { ports, unopened } = opened;
    let path = journal.path().to_owned();
    let journal = Rc::new(journal);
    let answers = match (file, simulator) {
        (Some(file), None) if needs_people => Answers::FileAndKeyboard(file, keyboard),
        (Some(file), simulator) => Answers::File(file, simulator),
        (None, Some(simulator)) => Answers::Simulated(simulator),
        (None, None) if needs_people => Answers::Arming(keyboard),
        (None, None) => Answers::Keyboard(keyboard),
    };
    let observer = answering(observer, answers, sender);
    let setup = RunSetup {
        started: started(request, &run_id, (&profile, &bench), plan, (notes, subject)),
        ports,
        unopened,
        journal: Rc::clone(&journal) as _,
        clock,
        observer,
        policy: if is_real {
            Policy::on_real_loads()
        } else {
            Policy::default()
        },
    };
    let outcome = runner::run(setup, commands).await;
    let exit = exit_of(&outcome, is_real);
    if outcome.journal_lost.is_some() {
        return Ok((exit, outcome, None));
    }
    let found = read_run(&request.out, &path.display().to_string());
    Ok((exit, outcome, Some(found)))
}

fn plan_of(
    request: &RunRequest,
    profile: &ProfileFile,
    bench: &BenchFile,
) -> Result<Plan, AppError> {
    let calls = request
        .calls
        .as_ref()
        .map(|calls| resolved_calls(calls, profile))
        .transpose()?;
    let (profile, bench) = (&profile.profile, &bench.map);
    Ok(make_plan_in(
        request.order,
        profile,
        bench,
        calls.as_deref(),
    )?)
}

fn simulator_of(
    simulation: &Simulation,
    profile: &ProfileFile,
    bench: &BenchFile,
    clock: &Rc<dyn Clock>,
) -> Result<Simulator, AppError> {
    let now = Rc::clone(clock);
    Ok(Simulator::new(SimulatorSetup {
        bench: &bench.map,
        profile: &profile.profile,
        faults: simulation.faults.clone(),
        link_faults: simulation.link_faults.clone(),
        seed: simulation.seed,
        now: Rc::new(move || now.elapsed()),
    })?)
}

/// The answers file, where one is given; what it leaves unanswered is noted. On real or lifted
/// loads it may not answer what only a person at the bench can know.
fn answers_file(
    request: &RunRequest,
    (plan, needs_people): (&Plan, bool),
    notes: &mut Vec<String>,
) -> Result<Option<AnswersFile>, AppError> {
    let Some(path) = &request.answers else {
        return Ok(None);
    };
    let questions = plan.questions();
    let (of_people, of_anyone): (Vec<Question>, Vec<Question>) = questions
        .into_iter()
        .partition(|question| needs_people && question.needs_a_person_there());
    let file = read_answers(path, &of_anyone, &of_people)?;
    if needs_people {
        // What the file leaves open is asked at the keyboard.
        return Ok(Some(file));
    }
    let questions = of_anyone;
    notes.extend(note_on_unanswered(&file.unanswered(&questions)));
    Ok(Some(file))
}

fn note_on_unanswered(keys: &[String]) -> Option<String> {
    (!keys.is_empty()).then(|| {
        format!(
            "the answers file has no answer for {}: such a call ends inconclusive",
            keys.join(", ")
        )
    })
}

fn resolved_calls(calls: &[Call], profile: &ProfileFile) -> Result<Vec<Call>, AppError> {
    calls
        .iter()
        .map(|call| match call {
            Call::Alone(line) => profile
                .profile
                .resolve_terminal(line.as_str())
                .map(Call::Alone)
                .map_err(|why| AppError::Usage(format!("call {call}: {why}"))),
            other => Ok(other.clone()),
        })
        .collect()
}

/// Refuses a fault on a line that the profile does not have, naming those it has.
fn check_faults(simulation: &Simulation, profile: &Profile) -> Result<(), AppError> {
    let table = TruthTable::of(profile);
    for fault in &simulation.faults {
        fault.resolve(profile, table.lines())?;
    }
    Ok(())
}

fn begin_journal(request: &RunRequest, run_id: &str) -> Result<FileJournal, AppError> {
    let folder = || request.out.display().to_string();
    if request.out.is_file() {
        return Err(AppError::JournalFolder {
            folder: folder(),
            source: std::io::Error::other("this is a file, and --out names a folder"),
        });
    }
    std::fs::create_dir_all(&request.out).map_err(|source| AppError::JournalFolder {
        folder: folder(),
        source,
    })?;
    FileJournal::create(&request.out, run_id).map_err(|lost| AppError::JournalFolder {
        folder: folder(),
        source: lost.source,
    })
}

/// Keeps the subject and the name of whoever arms the run beside the journal, and returns the
/// commitments that go into it.
fn begin_subject(
    request: &RunRequest,
    armed_by: Option<&str>,
    (clock, run_id): (&dyn Clock, &str),
    journal: &FileJournal,
) -> Result<(Option<String>, Option<String>), AppError> {
    if request.subject.is_none() && armed_by.is_none() {
        return Ok((None, None));
    }
    let seal = |value: &str| Sealed::new(&clock.salt(), value);
    let mut record = SubjectRecord::new(run_id);
    record.subject = request.subject.as_deref().map(seal);
    record.armed_by = armed_by.map(seal);
    record.write(journal.path())?;
    let committed = |sealed: &Option<Sealed>| sealed.as_ref().and_then(Sealed::commitment);
    Ok((committed(&record.subject), committed(&record.armed_by)))
}

fn started(
    request: &RunRequest,
    run_id: &str,
    (profile, bench): (&ProfileFile, &BenchFile),
    plan: Plan,
    (notes, subject): (Vec<String>, Option<String>),
) -> RunStarted {
    let equipment = &profile.profile;
    let without_watchdog = plan
        .drives
        .iter()
        .map(|drive| drive.relay.device.clone())
        .filter(|device| {
            bench.map.devices[device]
                .modbus()
                .is_none_or(|spec| spec.watchdog.is_none())
        })
        .collect::<std::collections::BTreeSet<_>>();
    RunStarted {
        run_id: run_id.to_owned(),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        plan,
        profile: ProfileSummary {
            name: equipment.name().to_owned(),
            kind: equipment.kind().word().to_owned(),
            interface: equipment
                .interface()
                .map(|interface| interface.word().to_owned()),
            changeover: equipment
                .changeover()
                .map(|changeover| changeover.word().to_owned()),
            compressor_stages: equipment.compressor_stages(),
            heat_stages: equipment.heat_stages(),
        },
        bench: BenchSummary {
            name: bench.map.name.clone(),
            boards_without_watchdog: without_watchdog.into_iter().collect(),
        },
        profile_hash: blake3::hash(profile.text.as_bytes()).to_hex().to_string(),
        profile_text: profile.text.clone(),
        bench_hash: blake3::hash(bench.text.as_bytes()).to_hex().to_string(),
        bench_text: bench.text.clone(),
        conditions: Conditions {
            simulated: request.simulation.as_ref().map(|simulation| SimulatedBy {
                seed: simulation.seed,
                faults: simulation.faults.iter().map(ToString::to_string).collect(),
                link_faults: simulation
                    .link_faults
                    .iter()
                    .map(ToString::to_string)
                    .collect(),
            }),
            notes,
        },
        retest_of: None,
        commitments: Commitments {
            subject,
            hidden: None,
        },
    }
}

/// On real loads a line that stayed live with every relay open is as unsafe as a relay that did
/// not open.
fn exit_of(outcome: &RunOutcome, is_real: bool) -> Exit {
    let relay_may_be_closed = !outcome.made_safe && outcome.relay_was_closed;
    if relay_may_be_closed || (is_real && !outcome.still_live.is_empty()) {
        return Exit::NotConfirmedSafe;
    }
    if outcome.reason == FinishReason::Cancelled {
        return Exit::Interrupted;
    }
    match outcome.verdict {
        Verdict::Pass => Exit::Pass,
        Verdict::Fail => Exit::Fail,
        Verdict::None | Verdict::Inconc => Exit::Inconclusive,
        Verdict::Error => Exit::BenchError,
    }
}
