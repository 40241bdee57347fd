//! The run from its first event to its last step: open everything, identify, steps, changeover.
//!
//! Place in the data's path: the dispatcher drives this one future and may drop it at any moment;
//! whatever it knew of relays lies in [`Knowledge`], outside of it, so that making safe never
//! depends on it.

use super::judge;
use super::measure::{Halt, Lost};
use super::recorder::{Recorder, Unrecorded};
use super::safety::{Safety, closed_relays};
use super::setup::{Policy, Ports};
use crate::domain::plan::Plan;
use crate::domain::{Expected, Observed, Verdict};
use crate::event::{EventKind, LineJudged, NextAction, Rule, StepFinished, Waiting, WaitingFor};
use crate::units::{CoilAddress, DeviceName, Microseconds, Terminal, Trouble, TroubleKind};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

/// What must outlive the sequence.
#[derive(Debug, Default)]
pub(super) struct Knowledge {
    /// Boards of which this run closed a relay, or found one closed.
    pub(super) was_closed: BTreeSet<DeviceName>,
    /// Relays closed now, as meant, in the order of closing.
    pub(super) closed: BTreeMap<DeviceName, Vec<CoilAddress>>,
    /// Lines that are not driven again, with the reason.
    pub(super) barred: BTreeMap<Terminal, String>,
    /// Whether any line has been live in this run.
    pub(super) anything_live: bool,
    /// What is to be said of the run as a whole.
    pub(super) notes: Vec<String>,
}

/// Why the sequence ends before its last step.
#[derive(Debug)]
pub(super) enum Stop {
    /// The journal is gone.
    Unrecorded,
    /// The bench cannot be used.
    Bench,
}

impl From<Unrecorded> for Stop {
    fn from(_: Unrecorded) -> Self {
        Self::Unrecorded
    }
}

/// Drives the plan.
pub(super) struct Sequencer<'a> {
    pub(super) plan: &'a Plan,
    pub(super) ports: &'a Ports,
    pub(super) policy: &'a Policy,
    pub(super) recorder: &'a Recorder,
    pub(super) knowledge: &'a RefCell<Knowledge>,
}

impl Sequencer<'_> {
    /// Makes the whole run, all but its first and last events.
    pub(super) async fn make_run(&self) -> Result<(), Stop> {
        self.open_first().await?;
        self.identify().await?;
        for step in &self.plan.steps {
            self.make_step(step).await?;
            self.recorder.end_sync().await?;
            self.recorder.begin_sync();
        }
        self.rejudge_dead_lines()?;
        let changeover = judge::judge_changeover(self.plan, &self.recorder.state());
        if let Some(judged) = changeover {
            self.record(EventKind::ChangeoverJudged(judged))?;
        }
        Ok(())
    }

    pub(super) fn record(&self, kind: EventKind) -> Result<(), Unrecorded> {
        self.recorder.record(kind)
    }

    /// Looks once at what each board has closed, then opens everything before anything else.
    async fn open_first(&self) -> Result<(), Stop> {
        for (device, board) in &self.ports.boards {
            match board.read_back().await {
                Ok(states) => self.note_found(device, &closed_relays(&states)),
                Err(trouble) => {
                    let next = NextAction::OpenAllAgain;
                    self.measure().record_trouble(device, &trouble, 1, next)?;
                }
            }
        }
        self.open_everything()
            .await
            .map_err(|halt| self.stopped_by(&halt))
    }

    fn note_found(&self, device: &DeviceName, closed: &[CoilAddress]) {
        if closed.is_empty() {
            return;
        }
        let labels: Vec<String> = closed.iter().map(|relay| relay.label()).collect();
        let mut knowledge = self.knowledge.borrow_mut();
        knowledge.was_closed.insert(device.clone());
        knowledge.notes.push(format!(
            "{device}: {} found closed at the start; an earlier program left it so",
            labels.join(", ")
        ));
    }

    /// Opens every relay of every board; a board that does not confirm it ends the run.
    pub(super) async fn open_everything(&self) -> Result<(), Halt> {
        let was_closed = self.knowledge.borrow().was_closed.clone();
        let safety = Safety {
            ports: self.ports,
            recorder: self.recorder,
            policy: self.policy,
        };
        let boards = safety.open_all(&was_closed).await;
        if self.recorder.is_lost() {
            return Err(Halt::Unrecorded);
        }
        for board in boards {
            if !board.confirmed_open {
                let trouble = Trouble {
                    kind: TroubleKind::ReadBackDiffers,
                    tried: format!("open every relay of {}", board.device),
                    detail: board.trouble,
                    request: String::new(),
                    reply: String::new(),
                };
                return Err(Halt::lost(&board.device, trouble));
            }
            self.knowledge.borrow_mut().note_open(&board.device);
        }
        Ok(())
    }

    fn stopped_by(&self, halt: &Halt) -> Stop {
        match halt {
            Halt::Unrecorded => Stop::Unrecorded,
            Halt::Lost(lost) => {
                let Lost { device, trouble } = lost.as_ref();
                self.knowledge
                    .borrow_mut()
                    .notes
                    .push(format!("{device}: {trouble}"));
                Stop::Bench
            }
        }
    }

    /// Asks every device who it is, and sets the watchdogs.
    async fn identify(&self) -> Result<(), Stop> {
        let measure = self.measure();
        for (device, board) in &self.ports.boards {
            let identity = measure.request(device, || board.identify()).await;
            let identity = identity.map_err(|halt| self.stopped_by(&halt))?;
            self.record_identity(device, identity)?;
            if board.watchdog().is_some() {
                let armed = measure.request(device, || board.arm_watchdog()).await;
                armed.map_err(|halt| self.stopped_by(&halt))?;
            }
        }
        for (device, inputs) in &self.ports.inputs {
            let states = measure.request(device, || inputs.read_inputs()).await;
            let count = states.map_err(|halt| self.stopped_by(&halt))?.len();
            if !self.ports.boards.contains_key(device) {
                let text = format!("answers with {count} digital inputs");
                let identity = crate::port::Identity {
                    text,
                    calibration_due: None,
                };
                self.record_identity(device, identity)?;
            }
        }
        Ok(())
    }

    fn record_identity(
        &self,
        device: &DeviceName,
        identity: crate::port::Identity,
    ) -> Result<(), Unrecorded> {
        self.record(EventKind::DeviceIdentified {
            device: device.clone(),
            identity: identity.text,
            calibration_due: identity.calibration_due,
        })
    }

    /// After a link's trouble: finds the port again where it is gone, and opens everything. Returns
    /// what was lost, so that the step can say it; stops the run where the bench stays lost.
    pub(super) async fn recover(&self, halt: Halt) -> Result<Lost, Stop> {
        let lost = match halt {
            Halt::Unrecorded => return Err(Stop::Unrecorded),
            Halt::Lost(lost) => *lost,
        };
        if lost.trouble.kind == TroubleKind::Disconnected {
            self.reopen(&lost.device, &lost.trouble).await?;
        }
        match self.open_everything().await {
            Ok(()) => Ok(lost),
            Err(halt) => Err(self.stopped_by(&halt)),
        }
    }

    async fn reopen(&self, device: &DeviceName, lost: &Trouble) -> Result<(), Stop> {
        let until = Microseconds(self.recorder.now().0 + self.policy.replug.0 * 1000);
        self.record(EventKind::Waiting(Waiting {
            why: WaitingFor::Replug,
            until,
        }))?;
        let mut last = lost.clone();
        while self.recorder.now() < until {
            let Some(link) = self.ports.links.get(device) else {
                break;
            };
            match link.reopen().await {
                Ok(()) => return Ok(()),
                Err(trouble) => last = trouble,
            }
            tokio::time::sleep(self.policy.replug_interval.duration()).await;
        }
        self.measure()
            .record_trouble(device, &last, 1, NextAction::Stop)?;
        Err(self.stopped_by(&Halt::lost(device, last)))
    }

    /// Where the supply is not sensed, a dead line was inconclusive while nothing had been live.
    /// Once any line has answered, the supply is known to work, and a dead line is a wrong one.
    fn rejudge_dead_lines(&self) -> Result<(), Unrecorded> {
        if !self.knowledge.borrow().anything_live {
            return Ok(());
        }
        let doubted: Vec<LineJudged> = self
            .recorder
            .state()
            .steps
            .iter()
            .flat_map(|step| step.lines.values())
            .map(|line| &line.judged)
            .filter(|line| {
                line.rule == Rule::BenchTrouble
                    && line.verdict == Verdict::Inconc
                    && line.expected == Expected::On
                    && line.observed == Observed::Off
            })
            .cloned()
            .collect();
        for line in doubted {
            let step = line.step;
            let terminal = &line.terminal;
            let reason =
                format!("{terminal} stayed dead, and other lines of this run show a live supply");
            let judged = LineJudged {
                verdict: Verdict::Fail,
                rule: Rule::Cell,
                reason,
                ..line.clone()
            };
            self.record(EventKind::LineJudged(judged))?;
            let note = "judged again once the supply was known to be live".to_owned();
            let verdict = Verdict::Fail;
            self.record(EventKind::StepFinished(StepFinished {
                step,
                verdict,
                note,
            }))?;
        }
        Ok(())
    }
}
