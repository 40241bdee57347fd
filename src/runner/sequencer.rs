//! The run from its first event to its last step: open everything, identify, steps, changeover.
//!
//! Place in the data's path: the dispatcher drives this one future and may drop it at any moment;
//! whatever it knew of relays lies in [`Knowledge`], outside of it, so that making safe never
//! depends on it.

use super::judge;
use super::knowledge::Knowledge;
use super::measure::Measure;
use super::operator::{Answers, Operator};
use super::recorder::{Recorder, Unrecorded};
use super::relays::Relays;
use super::requests::{Halt, Lost};
use super::safety::{Safety, closed_relays};
use super::setup::{Policy, Ports};
use crate::domain::bench_map::Loads;
use crate::domain::plan::Plan;
use crate::domain::{Expected, Observed, Verdict};
use crate::event::{EventKind, LineJudged, NextAction, Rule, StepFinished, Waiting, WaitingFor};
use crate::port::Identity;
use crate::units::{CoilAddress, DeviceName, Microseconds, Trouble, TroubleKind};
use std::cell::RefCell;
use std::collections::BTreeMap;

/// Why the sequence ends before its last step.
#[derive(Debug)]
pub(super) enum Stop {
    /// The journal is gone.
    Unrecorded,
    /// The bench cannot be used.
    Bench,
    /// The run must not go on, or was never armed; the reason is in the notes.
    Held,
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
    pub(super) answers: &'a Answers,
    pub(super) simulated: bool,
}

/// What was recovered from.
pub(super) struct Recovered {
    /// In words.
    pub(super) words: String,
    /// Whether trying again may help.
    pub(super) again: bool,
}

impl<'a> Sequencer<'a> {
    /// Makes the whole run, all but its first and last events.
    pub(super) async fn make_run(&self) -> Result<(), Stop> {
        self.open_first().await?;
        self.identify().await?;
        if let Some(equipment) = &self.plan.equipment {
            self.arm(equipment).await?;
        }
        match &self.plan.equipment {
            Some(equipment) if equipment.starts_machines => {
                self.make_steps_on_machines(equipment).await?;
            }
            _ => {
                for step in &self.plan.steps {
                    match self.plan.interruption_in(step.number) {
                        Some(cut) => self.make_step_over_power_loss(step, cut).await?,
                        None => self.make_step(step).await?,
                    }
                    self.sync_step().await?;
                }
            }
        }
        self.rejudge_dead_lines()?;
        let by_effect = self.changeover_by_effect();
        let changeover =
            by_effect.or_else(|| judge::judge_changeover(self.plan, &self.recorder.state()));
        if let Some(judged) = changeover {
            self.record(EventKind::ChangeoverJudged(judged))?;
        }
        Ok(())
    }

    /// The journal onto the disk, while the next step begins.
    pub(super) async fn sync_step(&self) -> Result<(), Stop> {
        self.recorder.end_sync().await?;
        self.recorder.begin_sync();
        Ok(())
    }

    fn needs_arming(&self) -> bool {
        let equipment = self.plan.equipment.as_ref();
        equipment.is_some_and(|equipment| !equipment.checklist.is_empty())
    }

    /// Whether machines may start.
    pub(super) fn is_real(&self) -> bool {
        self.plan.loads == Loads::Real
    }

    pub(super) fn relays(&self) -> Relays<'a> {
        Relays {
            ports: self.ports,
            recorder: self.recorder,
            policy: self.policy,
            knowledge: self.knowledge,
            drives_once: self.is_real(),
        }
    }

    pub(super) fn safety(&self) -> Safety<'a> {
        Safety {
            ports: self.ports,
            recorder: self.recorder,
            policy: self.policy,
            master: self.master_board(),
        }
    }

    fn master_board(&self) -> Option<&'a DeviceName> {
        let master = self.plan.equipment.as_ref()?.master.as_ref()?;
        Some(&master.device)
    }

    pub(super) fn operator(&self) -> Operator<'a> {
        Operator {
            recorder: self.recorder,
            policy: self.policy,
            answers: self.answers,
            people_only: !self.simulated && self.needs_arming(),
        }
    }

    pub(super) fn measure(&self) -> Measure<'a> {
        Measure {
            ports: self.ports,
            recorder: self.recorder,
            relays: self.relays(),
            operator: self.operator(),
            plan: self.plan,
            timing: &self.plan.timing,
            bands: self.bands(),
        }
    }

    pub(super) fn record(&self, kind: EventKind) -> Result<(), Unrecorded> {
        self.recorder.record(kind)
    }

    /// Looks once at what each board has closed, then opens everything before anything else.
    pub(super) async fn open_first(&self) -> Result<(), Stop> {
        for (device, board) in &self.ports.boards {
            match board.read_back().await {
                Ok(states) => self.note_found(device, &closed_relays(&states)),
                Err(trouble) => {
                    let next = NextAction::OpenAllAgain;
                    self.relays()
                        .requests()
                        .record_trouble(device, &trouble, 1, next)?;
                }
            }
        }
        let Err(halt) = self.open_everything().await else {
            return Ok(());
        };
        if let Halt::Lost(lost) = &halt
            && lost.trouble.kind == TroubleKind::Timeout
        {
            let hint = "it never answered: look at its power, at the two data wires (exchanged?), \
                        and at baud rate, parity and unit address in the bench file";
            self.knowledge.borrow_mut().notes.push(hint.to_owned());
        }
        Err(self.stopped_by(&halt))
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
        let boards = self.safety().open_all(&was_closed).await;
        if self.recorder.is_lost() {
            return Err(Halt::Unrecorded);
        }
        for board in boards {
            if !board.confirmed_open {
                let trouble = Trouble {
                    kind: board.trouble_kind.unwrap_or(TroubleKind::ReadBackDiffers),
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

    pub(super) fn stopped_by(&self, halt: &Halt) -> Stop {
        match halt {
            Halt::Unrecorded => Stop::Unrecorded,
            Halt::NoAnswer(words) => {
                self.knowledge.borrow_mut().notes.push(words.clone());
                Stop::Bench
            }
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

    /// Asks every device who it is, and sets the watchdogs; again where a port was lost meanwhile.
    async fn identify(&self) -> Result<(), Stop> {
        let mut identities = BTreeMap::new();
        for attempt in 1.. {
            match self.identify_once(&mut identities).await {
                Ok(()) => break,
                Err(halt) => {
                    let is_last = attempt >= self.policy.step_attempts;
                    let gone = matches!(&halt, Halt::Lost(lost)
                        if lost.trouble.kind == TroubleKind::Disconnected);
                    if is_last || !gone {
                        return Err(self.stopped_by(&halt));
                    }
                    self.recover(halt).await?;
                }
            }
        }
        for (device, identity) in identities {
            self.record(EventKind::DeviceIdentified {
                device,
                identity: identity.text,
                calibration_due: identity.calibration_due,
            })?;
        }
        Ok(())
    }

    async fn identify_once(
        &self,
        identities: &mut BTreeMap<DeviceName, Identity>,
    ) -> Result<(), Halt> {
        let requests = self.relays().requests();
        for (device, board) in &self.ports.boards {
            let identity = requests.make(device, || board.identify()).await?;
            identities.insert(device.clone(), identity);
            if board.watchdog().is_some() {
                requests.make(device, || board.arm_watchdog()).await?;
            }
        }
        for (device, inputs) in &self.ports.inputs {
            let count = requests.make(device, || inputs.read_inputs()).await?.len();
            let text = format!("answers with {count} digital inputs");
            let identity = Identity {
                text,
                calibration_due: None,
            };
            identities.entry(device.clone()).or_insert(identity);
        }
        for (device, meter) in &self.ports.meters {
            let identity = requests.make(device, || meter.identify()).await?;
            identities.insert(device.clone(), identity);
        }
        Ok(())
    }

    /// After a link's trouble: finds the port again where it is gone, and opens everything. Returns
    /// what was lost, so that the step can say it; stops the run where the bench stays lost.
    pub(super) async fn recover(&self, halt: Halt) -> Result<Recovered, Stop> {
        let recovered = match halt {
            Halt::Unrecorded => return Err(Stop::Unrecorded),
            Halt::NoAnswer(words) => Recovered {
                words,
                again: false,
            },
            Halt::Lost(lost) => {
                let Lost { device, trouble } = *lost;
                if trouble.kind == TroubleKind::Disconnected {
                    self.reopen(&device, &trouble).await?;
                }
                Recovered {
                    words: format!("{device}: {trouble}"),
                    again: true,
                }
            }
        };
        match self.open_everything().await {
            Ok(()) => Ok(recovered),
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
        self.relays()
            .requests()
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
