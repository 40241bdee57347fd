//! The bench by itself: who answers, how fast, and whether each relay closes and opens.
//!
//! Place in the data's path: takes opened ports and the bench's own plan, and uses the same relays,
//! requests and safety as a run: everything is opened first and last and read back, whatever ends
//! it. Relays go one at a time, so O and B are never closed together. It judges no wiring: that a
//! line's input stays dead is reported with everything that may be the reason.

use super::dispatcher::follow;
use super::ending::Ending;
use super::knowledge::Knowledge;
use super::measure::ReadOrder;
use super::operator::Answers;
use super::recorder::Recorder;
use super::requests::Halt;
use super::sequencer::{Sequencer, Stop};
use super::setup::{Observer, Policy, Ports, RunOutcome};
use super::supply::{SupplyPoints, read_supply};
use super::timed::{Replies, Timed};
use crate::domain::Observed;
use crate::domain::bench_map::{Loads, RelayAt, SenseMeans};
use crate::domain::plan::{Exercise, Plan, SensePoint, Serves, Target};
use crate::event::{Command, EventKind, RelayReason};
use crate::port::{Clock, Identity, RunJournal};
use crate::units::{DeviceName, InputAddress, Quantity, Terminal, Trouble};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;
use tokio::sync::mpsc;

/// Everything that a self-test needs.
pub struct SelfTestSetup {
    /// The bench's points and waits; its steps are not made.
    pub plan: Plan,
    /// The relays to close and open.
    pub exercises: Vec<Exercise>,
    /// The relay that feeds all others; closed with a line's own, so that the line can answer.
    pub master: Option<RelayAt>,
    /// What each meter is asked for.
    pub quantities: BTreeMap<DeviceName, Quantity>,
    /// How often each device is read for its reply times.
    pub reads: usize,
    /// The opened devices.
    pub ports: Ports,
    /// Devices that could not be opened, with why.
    pub unopened: Vec<(DeviceName, Trouble)>,
    /// Where events go first; one in memory will do.
    pub journal: Rc<dyn RunJournal>,
    /// Time.
    pub clock: Rc<dyn Clock>,
    /// Where events go next.
    pub observer: Observer,
    /// How often things are tried.
    pub policy: Policy,
}

/// What a device answered.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct DeviceTested {
    /// Who it says it is; `None` where it did not answer.
    pub identity: Option<Identity>,
    /// Why it did not answer; empty where it did.
    pub trouble: String,
    /// How fast it answered.
    pub replies: Replies,
}

/// How a relay came out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RelayOutcome {
    /// It read back closed, then open.
    Good,
    /// It did not, with why.
    Failed(String),
    /// The supply went dead as it closed; everything was opened at once.
    Collapsed {
        /// Whether the supply came back.
        recovered: bool,
    },
    /// It was left open, with why.
    NotExercised(String),
}

/// A digital input.
pub type InputAt = (DeviceName, InputAddress);

/// One relay.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RelayTested {
    /// Which, and what for.
    pub exercise: Exercise,
    /// How it came out.
    pub outcome: RelayOutcome,
    /// Inputs of lines that were live while it was closed; `None` where they were not read.
    pub live: Option<BTreeSet<InputAt>>,
}

/// The supply with every relay open.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum SupplySeen {
    /// It was not looked at, or nothing senses it.
    #[default]
    NotSensed,
    /// Live.
    Live,
    /// Dead.
    Dead,
}

/// Everything that was found; grows while the test goes on.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SelfTestFindings {
    /// Device by device.
    pub devices: BTreeMap<DeviceName, DeviceTested>,
    /// The supply at rest.
    pub supply: SupplySeen,
    /// Inputs of lines that were live with every relay open.
    pub live_at_rest: BTreeSet<InputAt>,
    /// Relay by relay, in the order of the test.
    pub relays: Vec<RelayTested>,
}

/// Makes a self-test and leaves every relay open. Needs a current-thread runtime with a local set
/// around it; send [`Command::Cancel`] to stop it, as with a run.
pub async fn self_test(
    setup: SelfTestSetup,
    mut commands: mpsc::Receiver<Command>,
) -> (SelfTestFindings, RunOutcome) {
    let recorder = Recorder::new(setup.journal, setup.clock, setup.observer);
    let knowledge = RefCell::new(Knowledge::default());
    let answers = Answers::default();
    let sequencer = Sequencer {
        plan: &setup.plan,
        ports: &setup.ports,
        policy: &setup.policy,
        recorder: &recorder,
        knowledge: &knowledge,
        answers: &answers,
        simulated: false,
    };
    let tester = Tester {
        sequencer: &sequencer,
        master: setup.master.as_ref(),
        quantities: &setup.quantities,
        reads: setup.reads,
        found: RefCell::default(),
    };
    for (device, trouble) in &setup.unopened {
        tester.note_device(device, |tested| tested.trouble = trouble.to_string());
    }
    let test = tester.make(&setup.exercises, setup.unopened.is_empty());
    let end = follow(test, &mut commands, &answers).await;
    let ending = Ending {
        sequencer: &sequencer,
        end,
    };
    let made_safe = ending.make_safe(&setup.unopened, &mut commands).await;
    let outcome = ending.finish(made_safe).await;
    tester.leave_out_the_rest(&setup.exercises, "the test ended before it");
    (tester.found.into_inner(), outcome)
}

struct Tester<'a> {
    sequencer: &'a Sequencer<'a>,
    master: Option<&'a RelayAt>,
    quantities: &'a BTreeMap<DeviceName, Quantity>,
    reads: usize,
    found: RefCell<SelfTestFindings>,
}

/// What closing one relay showed.
struct Closed {
    outcome: RelayOutcome,
    live: Option<BTreeSet<InputAt>>,
}

impl Tester<'_> {
    async fn make(&self, exercises: &[Exercise], all_opened: bool) -> Result<(), Stop> {
        // A board that cannot be opened keeps the others' relays open, not the others silent.
        let opened = self.sequencer.open_first().await;
        if let Err(Stop::Unrecorded) = opened {
            return opened;
        }
        let all_answered = self.identify().await?;
        self.time_replies().await?;
        if opened.is_err() || !(all_opened && all_answered) {
            self.leave_out_the_rest(exercises, "a device did not answer");
            return Err(Stop::Bench);
        }
        if self.sequencer.plan.loads == Loads::Real {
            self.leave_out_the_rest(exercises, "no relay is closed on real loads");
            return Ok(());
        }
        if let Err(halt) = self.prepare().await {
            self.leave_out_the_rest(exercises, "the bench could not be read at rest");
            self.sequencer.recover(halt).await?;
            return Err(Stop::Bench);
        }
        for exercise in exercises {
            self.exercise(exercise).await?;
            if self.supply_stayed_away() {
                self.leave_out_the_rest(exercises, "the supply did not come back");
            }
            if self.found.borrow().relays.len() == exercises.len() {
                break;
            }
        }
        Ok(())
    }

    fn note_device(&self, device: &DeviceName, note: impl FnOnce(&mut DeviceTested)) {
        let mut found = self.found.borrow_mut();
        note(found.devices.entry(device.clone()).or_default());
    }

    /// Relays that the test has not come to.
    fn leave_out_the_rest(&self, exercises: &[Exercise], why: &str) {
        let mut found = self.found.borrow_mut();
        let done = found.relays.len();
        let rest = exercises.iter().skip(done).map(|exercise| RelayTested {
            exercise: exercise.clone(),
            outcome: RelayOutcome::NotExercised(why.to_owned()),
            live: None,
        });
        found.relays.extend(rest);
    }

    fn supply_stayed_away(&self) -> bool {
        let away = RelayOutcome::Collapsed { recovered: false };
        let found = self.found.borrow();
        found.relays.last().is_some_and(|last| last.outcome == away)
    }

    /// Asks every device who it is, and says whether all answered.
    async fn identify(&self) -> Result<bool, Stop> {
        let ports = self.sequencer.ports;
        let requests = self.sequencer.relays().requests();
        let mut all = true;
        for (device, board) in &ports.boards {
            let answer = requests.make(device, || board.identify()).await;
            all &= self.note_identity(device, answer)?;
        }
        for (device, inputs) in &ports.inputs {
            if ports.boards.contains_key(device) {
                continue;
            }
            let answer = requests.make(device, || inputs.read_inputs()).await;
            let answer = answer.map(|inputs| Identity {
                text: format!("answers with {} digital inputs", inputs.len()),
                calibration_due: None,
            });
            all &= self.note_identity(device, answer)?;
        }
        for (device, meter) in &ports.meters {
            let answer = requests.make(device, || meter.identify()).await;
            all &= self.note_identity(device, answer)?;
        }
        Ok(all)
    }

    fn note_identity(
        &self,
        device: &DeviceName,
        answer: Result<Identity, Halt>,
    ) -> Result<bool, Stop> {
        match answer {
            Ok(identity) => {
                self.sequencer.record(EventKind::DeviceIdentified {
                    device: device.clone(),
                    identity: identity.text.clone(),
                    calibration_due: identity.calibration_due.clone(),
                })?;
                self.note_device(device, |tested| tested.identity = Some(identity));
                Ok(true)
            }
            Err(Halt::Unrecorded) => Err(Stop::Unrecorded),
            Err(halt) => {
                self.note_device(device, |tested| tested.trouble = words_of(&halt));
                Ok(false)
            }
        }
    }

    /// Reads each device that answered, again and again.
    async fn time_replies(&self) -> Result<(), Stop> {
        let timed = Timed {
            recorder: self.sequencer.recorder,
            requests: self.sequencer.relays().requests(),
            reads: self.reads,
        };
        let ports = self.sequencer.ports;
        let answered: Vec<DeviceName> = {
            let found = self.found.borrow();
            let who = found.devices.iter().filter(|(_, d)| d.identity.is_some());
            who.map(|(device, _)| device.clone()).collect()
        };
        for device in &answered {
            let mut replies = Replies::default();
            if let Some(board) = ports.boards.get(device) {
                timed
                    .read(device, || board.read_back(), &mut replies)
                    .await?;
            }
            if let Some(inputs) = ports.inputs.get(device) {
                timed
                    .read(device, || inputs.read_inputs(), &mut replies)
                    .await?;
            }
            match (ports.meters.get(device), self.quantities.get(device)) {
                (Some(meter), Some(quantity)) => {
                    timed
                        .read(device, || meter.read(*quantity), &mut replies)
                        .await?;
                }
                (Some(meter), None) => {
                    timed
                        .read(device, || meter.identify(), &mut replies)
                        .await?;
                }
                (None, _) => {}
            }
            self.note_device(device, |tested| tested.replies = replies);
        }
        Ok(())
    }

    /// Sets the watchdogs, then looks at the supply and the lines with every relay open.
    async fn prepare(&self) -> Result<(), Halt> {
        let requests = self.sequencer.relays().requests();
        for (device, board) in &self.sequencer.ports.boards {
            if board.watchdog().is_some() {
                requests.make(device, || board.arm_watchdog()).await?;
            }
        }
        let measure = self.sequencer.measure();
        let supply = read_supply(&measure, self.sequencer.plan, SupplyPoints::Source).await?;
        let live = self.live_inputs(None).await?;
        let mut found = self.found.borrow_mut();
        found.live_at_rest = live;
        found.supply = match (supply.live.is_empty(), supply.dead.is_empty()) {
            (_, false) => SupplySeen::Dead,
            (false, true) => SupplySeen::Live,
            (true, true) => SupplySeen::NotSensed,
        };
        Ok(())
    }

    async fn exercise(&self, exercise: &Exercise) -> Result<(), Stop> {
        let (closed, halt) = match self.close_and_open(exercise).await {
            Ok(closed) => (closed, None),
            Err(halt) => {
                let outcome = RelayOutcome::Failed(words_of(&halt));
                let live = None;
                (Closed { outcome, live }, Some(halt))
            }
        };
        self.found.borrow_mut().relays.push(RelayTested {
            exercise: exercise.clone(),
            outcome: closed.outcome,
            live: closed.live,
        });
        if let Some(halt) = halt {
            self.sequencer.recover(halt).await?;
        }
        Ok(())
    }

    /// Closes the relay, looks at supply and inputs, opens it; each write is read back.
    async fn close_and_open(&self, exercise: &Exercise) -> Result<Closed, Halt> {
        let relays = self.sequencer.relays();
        let timing = &self.sequencer.plan.timing;
        let line = match &exercise.serves {
            Serves::Line(line) => Some(line),
            Serves::Master
            | Serves::MeterOn(..)
            | Serves::Stimulus(_)
            | Serves::Interrupt
            | Serves::Level(_) => None,
        };
        let feeding = self.master.filter(|_| line.is_some());
        if let Some(master) = feeding {
            relays.close(master, RelayReason::Call).await?;
        }
        let reason = match exercise.serves {
            Serves::Master | Serves::Line(_) => RelayReason::Call,
            Serves::MeterOn(..) => RelayReason::Multiplex,
            Serves::Stimulus(_) => RelayReason::Stimulus,
            Serves::Interrupt => RelayReason::Interrupt,
            Serves::Level(_) => RelayReason::Level,
        };
        relays.close(&exercise.relay, reason).await?;
        self.sequencer.pause(timing.supply_settle).await;
        if self.collapsed(exercise).await? {
            self.sequencer.open_everything().await?;
            self.sequencer.pause(timing.release).await;
            let recovered = !self.supply_is_dead().await?;
            let outcome = RelayOutcome::Collapsed { recovered };
            return Ok(Closed {
                outcome,
                live: None,
            });
        }
        self.sequencer.pause(timing.settle).await;
        let live = self.live_inputs(line).await?;
        relays.confirm().await?;
        relays.open(&exercise.relay, RelayReason::Release).await?;
        if let Some(master) = feeding {
            relays.open(master, RelayReason::Release).await?;
        }
        self.sequencer.pause(timing.release).await;
        Ok(Closed {
            outcome: RelayOutcome::Good,
            live: Some(live),
        })
    }

    /// Whether a supply that was live at rest is dead now. A meter that looks at the supply through
    /// this very multiplexer cannot be asked while one of its relays is closed.
    async fn collapsed(&self, exercise: &Exercise) -> Result<bool, Halt> {
        let was_live = self.found.borrow().supply == SupplySeen::Live;
        let multiplexes = matches!(exercise.serves, Serves::MeterOn(..));
        Ok(was_live && !multiplexes && self.supply_is_dead().await?)
    }

    async fn supply_is_dead(&self) -> Result<bool, Halt> {
        let measure = self.sequencer.measure();
        let supply = read_supply(&measure, self.sequencer.plan, SupplyPoints::Source).await?;
        Ok(!supply.dead.is_empty())
    }

    /// The lines' inputs that are live; those of the line that is driven are looked at longer.
    async fn live_inputs(&self, driven: Option<&Terminal>) -> Result<BTreeSet<InputAt>, Halt> {
        let points: Vec<&SensePoint> = self
            .sequencer
            .plan
            .sense_points
            .iter()
            .filter(|point| line_input(point).is_some())
            .collect();
        let should_be_live = points
            .iter()
            .map(|point| line_input(point).map(|(line, _)| line) == driven)
            .collect();
        let order = ReadOrder {
            points,
            should_be_live,
            stop_when_live: false,
            call: None,
        };
        let readings = self.sequencer.measure().read(&order).await?;
        let live = readings.iter().filter(|r| r.state == Observed::On);
        Ok(live
            .filter_map(|reading| line_input(&reading.point))
            .map(|(_, input)| input)
            .collect())
    }
}

/// The line and the input of a point where an input looks at a line.
fn line_input(point: &SensePoint) -> Option<(&Terminal, InputAt)> {
    match (&point.target, &point.means) {
        (Target::Line(line), SenseMeans::Input { device, input }) => {
            Some((line, (device.clone(), *input)))
        }
        _ => None,
    }
}

fn words_of(halt: &Halt) -> String {
    match halt {
        Halt::Unrecorded => "the record is lost".to_owned(),
        Halt::Lost(lost) => lost.trouble.to_string(),
        Halt::NoAnswer(words) => words.clone(),
    }
}
