//! The recorded format: one event is one line of the journal.
//!
//! Format sheet. A journal is JSON Lines in UTF-8. Each line is one [`RunEvent`]: `v` (format
//! version), `seq` (from 0, no gaps), `at` (wall time), `elapsed_us` (since the run began, never
//! going back), `prev` (BLAKE3 of the line before it, without its newline; 64 zeros on the first)
//! and `kind` (one key, the event's name, over its fields). Times are integers. The first event is
//! `run-started`, the last `run-finished`; a journal without the latter was cut short. Readers
//! refuse a newer `v` and ignore no key.
//!
//! Place in the data's path: the runner makes the kinds, the journal stamps and chains them,
//! [`RunState`](super::RunState) folds them. No event borrows or holds a handle.

use super::supply_set::SupplySet;
use crate::domain::bench_map::Rail;
use crate::domain::plan::{Plan, Target};
use crate::domain::{Call, Expected, Observed, Question, Verdict};
use crate::units::{
    CoilAddress, DeviceName, End, Microseconds, Ohms, Quantity, Terminal, Trouble, TroubleKind,
};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

/// The version of the recorded format that this program writes and reads.
pub const FORMAT_VERSION: u32 = 1;

/// One event as recorded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RunEvent {
    /// Format version.
    pub v: u32,
    /// Number in the run, from 0.
    pub seq: u64,
    /// Wall time.
    pub at: Timestamp,
    /// Time since the run began.
    pub elapsed_us: Microseconds,
    /// Hash of the line before, in hexadecimal.
    pub prev: String,
    /// What happened.
    pub kind: EventKind,
}

/// What happened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EventKind {
    /// The run began; holds everything that a report needs.
    RunStarted(Box<RunStarted>),
    /// A device answered who it is.
    DeviceIdentified {
        /// The device.
        device: DeviceName,
        /// Its own words.
        identity: String,
        /// When its calibration falls due, where known.
        calibration_due: Option<String>,
    },
    /// A named person armed the run on real loads.
    Armed {
        /// Who, as a salted commitment.
        by: String,
        /// What was confirmed.
        confirmed: Vec<String>,
    },
    /// A step is about to drive.
    StepStarted(StepStarted),
    /// Relays were commanded.
    RelaysSet(RelaysSet),
    /// The run waits.
    Waiting(Waiting),
    /// One value was read.
    Read(Read),
    /// A line changed while it was watched.
    Changed(Changed),
    /// The bench changed what it supplies a room controller with.
    SupplySet(SupplySet),
    /// A person was asked.
    Asked {
        /// The prompt's number.
        prompt: u32,
        /// What it is about.
        about: Question,
        /// The question in words.
        text: String,
        /// The answers that are accepted; empty where any text is.
        choices: Vec<String>,
    },
    /// A person answered.
    Answered {
        /// The prompt's number.
        prompt: u32,
        /// The answer.
        text: String,
        /// By which way it came.
        via: String,
    },
    /// Something went wrong on a link.
    Trouble(TroubleSeen),
    /// A line was judged.
    LineJudged(LineJudged),
    /// A step is over.
    StepFinished(StepFinished),
    /// The changeover was judged from the cooling and heating calls together.
    ChangeoverJudged(ChangeoverJudged),
    /// The run stands still until someone acts.
    Suspended {
        /// Why.
        why: String,
    },
    /// The run goes on.
    Resumed {
        /// Why.
        why: String,
    },
    /// All relays were commanded open and read back.
    MadeSafe(MadeSafe),
    /// A hidden fault was revealed.
    Revealed {
        /// The faults.
        faults: Vec<String>,
    },
    /// The run is over.
    RunFinished(RunFinished),
}

/// The profile in a few words, so that a report does not need the file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProfileSummary {
    /// Its name.
    pub name: String,
    /// Its kind.
    pub kind: String,
    /// How it is called; `None` for a furnace with cooling.
    pub interface: Option<String>,
    /// `o`, `b` or none.
    pub changeover: Option<String>,
    /// Compressor stages.
    pub compressor_stages: u8,
    /// Heat stages.
    pub heat_stages: u8,
}

/// The bench in a few words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct BenchSummary {
    /// Its name.
    pub name: String,
    /// Relay boards without a watchdog of their own: a killed program leaves their relays as they
    /// are.
    pub boards_without_watchdog: Vec<DeviceName>,
}

/// What a simulated run was told to suffer. Hidden faults stand in the commitments instead.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SimulatedBy {
    /// The seed of every random draw.
    pub seed: u64,
    /// Wiring faults, in the fault grammar.
    pub faults: Vec<String>,
    /// Link faults, in their grammar.
    pub link_faults: Vec<String>,
}

/// Under which conditions the run was made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Conditions {
    /// Present where the bench was simulated.
    pub simulated: Option<SimulatedBy>,
    /// What the run was asked to do beyond its files, such as a choice of calls.
    pub notes: Vec<String>,
}

/// Salted hashes of what the record must be able to forget.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Commitments {
    /// The subject under test.
    pub subject: Option<String>,
    /// The hidden fault and its seed.
    pub hidden: Option<String>,
}

/// The first event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunStarted {
    /// The run's id.
    pub run_id: String,
    /// The program's version.
    pub program_version: String,
    /// Everything that the run is going to do, with expected cells and time windows.
    pub plan: Plan,
    /// The profile in a few words.
    pub profile: ProfileSummary,
    /// The bench in a few words.
    pub bench: BenchSummary,
    /// The profile file, whole.
    pub profile_text: String,
    /// BLAKE3 of it.
    pub profile_hash: String,
    /// The bench file, whole.
    pub bench_text: String,
    /// BLAKE3 of it.
    pub bench_hash: String,
    /// Under which conditions.
    pub conditions: Conditions,
    /// The run that this one repeats after a correction.
    pub retest_of: Option<String>,
    /// Salted hashes.
    pub commitments: Commitments,
}

/// A step is about to drive.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StepStarted {
    /// The step's number in the plan, from 1.
    pub step: u32,
    /// From 1; more where the step was made again after a link's trouble.
    pub attempt: u32,
    /// The lines about to be driven, in order.
    pub intended: Vec<Terminal>,
}

/// Why relays were commanded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RelayReason {
    /// To make a call.
    Call,
    /// To end one.
    Release,
    /// To connect a meter.
    Multiplex,
    /// To connect a load.
    Load,
    /// To provoke a call.
    Stimulus,
    /// To cut the supply to a room controller, and to give it back.
    Interrupt,
    /// To select a level of a room controller's supply.
    Level,
    /// To leave everything open.
    MakeSafe,
}

/// Relays were commanded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RelaysSet {
    /// The relay board.
    pub device: DeviceName,
    /// Why.
    pub reason: RelayReason,
    /// The relays meant to be closed now, all others open.
    pub intended: Vec<CoilAddress>,
    /// The relays that read back closed; `None` where the read-back failed.
    pub read_back: Option<Vec<CoilAddress>>,
    /// When the command was sent.
    pub sent_us: Microseconds,
    /// When the read-back was in; `None` where it failed.
    pub confirmed_us: Option<Microseconds>,
}

/// What the run waits for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WaitingFor {
    /// Contacts and loads settle.
    Settle,
    /// Released lines fall.
    Release,
    /// The compressor's minimum-off time.
    MinimumOff,
    /// The compressor's minimum-on time.
    MinimumOn,
    /// The blower's off-delay, with the fan line held.
    FanHold,
    /// Heat and compressor let each other cool down.
    CoolDown,
    /// The equipment's own defrost.
    Defrost,
    /// A room controller's own timer.
    ControllerTimer,
    /// A room controller is without power, on purpose.
    PowerLoss,
    /// A room controller's own timers after its power came back.
    PowerReturn,
    /// A replugged port.
    Replug,
    /// A person.
    Operator,
}

/// The run waits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Waiting {
    /// What for.
    pub why: WaitingFor,
    /// Until when at the latest.
    pub until: Microseconds,
}

/// What one reading came to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReadResult {
    /// The value in the quantity's unit; `None` for presence and where there is none.
    pub value: Option<f64>,
    /// The state that it shows.
    pub state: Observed,
    /// Beyond the range.
    pub overload: bool,
    /// Not a number.
    pub not_a_number: bool,
    /// How many of the samples were live; `None` where the value is no digital input.
    pub live_samples: Option<u8>,
}

/// One reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Read {
    /// Its number in the run, from 0.
    pub id: u64,
    /// What was looked at.
    pub target: Target,
    /// At which end.
    pub end: End,
    /// Which quantity.
    pub quantity: Quantity,
    /// What it came to.
    pub result: ReadResult,
    /// Standard uncertainty, in the quantity's unit; `None` for presence.
    pub u: Option<f64>,
    /// Degrees of freedom of `u`; `None` for presence and where they are unlimited.
    pub dof: Option<f64>,
    /// Number of samples behind it.
    pub n: u8,
    /// By which device.
    pub device: DeviceName,
    /// The range it was read in, where the device says.
    pub range: Option<f64>,
    /// The load across it while it was read.
    pub load_ohms: Option<Ohms>,
    /// Whether the circuit was known to be unpowered (for ohms).
    pub unpowered: bool,
    /// First sample.
    pub from_us: Microseconds,
    /// Last sample.
    pub to_us: Microseconds,
}

/// A watched line changed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Changed {
    /// The line.
    pub line: Terminal,
    /// It was seen in the new state at this moment.
    pub after_us: Microseconds,
    /// It was last seen in the old state at this moment.
    pub before_us: Microseconds,
}

/// What the runner does after a trouble.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NextAction {
    /// Ask again.
    Retry,
    /// Read the relays back before anything else.
    ReadBack,
    /// Give the step up.
    GiveUpStep,
    /// Look for the port again.
    Reopen,
    /// Stop the run.
    Stop,
    /// Send open-all again.
    OpenAllAgain,
}

/// A link's trouble.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TroubleSeen {
    /// The device it happened on.
    pub device: DeviceName,
    /// What happened.
    pub trouble: Trouble,
    /// Which try it was, from 1.
    pub attempt: u32,
    /// What follows.
    pub next: NextAction,
}

/// The rule by which a line was judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    /// The readings against the cell.
    Cell,
    /// The readings after release: everything dead.
    Release,
    /// The supply after this line's relay closed.
    Supply,
    /// What a person saw or heard of the machines, or a line's current.
    Machines,
    /// What a room controller did while it had no power, and when it came back.
    PowerLoss,
    /// A room controller's own timers could still have brought the line, but the call was ended at
    /// another one that was wrong.
    ControllerTimer,
    /// The bench could not tell.
    BenchTrouble,
}

/// A line was judged.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineJudged {
    /// The step's number.
    pub step: u32,
    /// The line.
    pub terminal: Terminal,
    /// What it had to be.
    pub expected: Expected,
    /// What it was.
    pub observed: Observed,
    /// How that came out.
    pub verdict: Verdict,
    /// The readings behind it, by id.
    pub readings: Vec<u64>,
    /// By which rule.
    pub rule: Rule,
    /// In a person's words.
    pub reason: String,
}

/// A step is over.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StepFinished {
    /// The step's number.
    pub step: u32,
    /// How it came out.
    pub verdict: Verdict,
    /// What is to be said of the step as a whole; empty where nothing is.
    pub note: String,
}

/// How the changeover came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChangeoverOutcome {
    /// As the convention says.
    Follows,
    /// As the other convention says.
    Inverted,
    /// On in cooling and in heating.
    StuckOn,
    /// Off in cooling and in heating.
    StuckOff,
    /// The calls made do not show it.
    NotShown,
}

/// By what the changeover was shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ShownBy {
    /// The conductor answers at the right terminal.
    Signal,
    /// Air temperature showed what the equipment made of it.
    Effect,
}

/// The changeover was judged.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChangeoverJudged {
    /// `o` or `b`.
    pub convention: String,
    /// The line that carries it.
    pub terminal: Terminal,
    /// How it came out.
    pub outcome: ChangeoverOutcome,
    /// By what; `None` where it was not shown.
    pub shown: Option<ShownBy>,
    /// What was read in which call.
    pub evidence: String,
}

/// One relay board after making safe.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviceSafe {
    /// The relay board.
    pub device: DeviceName,
    /// Whether every relay read back open.
    pub confirmed_open: bool,
    /// Relays that still read back closed.
    pub still_closed: Vec<CoilAddress>,
    /// Whether this run closed one of its relays, or found one closed.
    pub was_closed: bool,
    /// Why it could not be confirmed; empty where it was.
    pub trouble: String,
    /// The kind of that trouble; `None` where it was confirmed.
    pub trouble_kind: Option<TroubleKind>,
}

/// All relays were commanded open.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct MadeSafe {
    /// Board by board.
    pub devices: Vec<DeviceSafe>,
    /// Lines that were still live with every relay open, inputs excepted.
    pub still_live: Vec<Terminal>,
    /// Supplies seen while making safe; for the record.
    pub supplies_live: Vec<Rail>,
}

/// Why the run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FinishReason {
    /// Every step was made or given up.
    Complete,
    /// Someone cancelled it.
    Cancelled,
    /// It stopped for the sake of people and machines, or was never armed.
    Stopped,
    /// A device could not be reached.
    BenchError,
    /// The journal was lost.
    JournalLost,
    /// The program itself failed.
    Panicked,
}

/// The run is over.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RunFinished {
    /// How it came out.
    pub verdict: Verdict,
    /// Why it ended.
    pub reason: FinishReason,
    /// What is to be said of the run as a whole; empty where nothing is.
    pub note: String,
    /// What the run did not prove, in a person's words.
    pub not_proven: Vec<String>,
}

/// Used where a call has to be named in an event's text.
impl EventKind {
    /// The event's name as recorded.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Self::RunStarted(_) => "run-started",
            Self::DeviceIdentified { .. } => "device-identified",
            Self::Armed { .. } => "armed",
            Self::StepStarted(_) => "step-started",
            Self::RelaysSet(_) => "relays-set",
            Self::Waiting(_) => "waiting",
            Self::Read(_) => "read",
            Self::Changed(_) => "changed",
            Self::SupplySet(_) => "supply-set",
            Self::Asked { .. } => "asked",
            Self::Answered { .. } => "answered",
            Self::Trouble(_) => "trouble",
            Self::LineJudged(_) => "line-judged",
            Self::StepFinished(_) => "step-finished",
            Self::ChangeoverJudged(_) => "changeover-judged",
            Self::Suspended { .. } => "suspended",
            Self::Resumed { .. } => "resumed",
            Self::MadeSafe(_) => "made-safe",
            Self::Revealed { .. } => "revealed",
            Self::RunFinished(_) => "run-finished",
        }
    }

    /// The call of a step, for readers that have the plan.
    #[must_use]
    pub fn call_of<'plan>(&self, plan: &'plan Plan) -> Option<&'plan Call> {
        let number = match self {
            Self::StepStarted(started) => started.step,
            Self::LineJudged(judged) => judged.step,
            Self::StepFinished(finished) => finished.step,
            _ => return None,
        };
        plan.steps
            .iter()
            .find(|step| step.number == number)
            .map(|step| &step.call)
    }
}
