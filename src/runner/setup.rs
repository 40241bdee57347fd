//! What a run needs, and what it comes to.
//!
//! Place in the data's path: the app fills a [`RunSetup`] and gets a [`RunOutcome`]. Nothing is
//! done here.

use crate::domain::Verdict;
use crate::event::{FinishReason, RunEvent, RunStarted};
use crate::port::{Clock, Inputs, JournalLost, Link, Meter, RelayBoard, RunJournal};
use crate::units::{DeviceName, Milliseconds, Terminal, Trouble};
use std::collections::BTreeMap;
use std::rc::Rc;

/// The opened devices, by the role in which they are used. One device may stand in several.
#[derive(Default, Clone)]
pub struct Ports {
    /// Relay boards.
    pub boards: BTreeMap<DeviceName, Rc<dyn RelayBoard>>,
    /// Devices with digital inputs.
    pub inputs: BTreeMap<DeviceName, Rc<dyn Inputs>>,
    /// Meters.
    pub meters: BTreeMap<DeviceName, Rc<dyn Meter>>,
    /// The link under each device.
    pub links: BTreeMap<DeviceName, Rc<dyn Link>>,
}

/// How often things are tried. Every loop of a run is bounded by one of these.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Policy {
    /// Tries of one request, the first included.
    pub request_tries: u32,
    /// Tries of opening all relays, the first included.
    pub open_all_tries: u32,
    /// Attempts at one step, the first included.
    pub step_attempts: u32,
    /// How long a port that is gone is looked for.
    pub replug: Milliseconds,
    /// How often it is looked for.
    pub replug_interval: Milliseconds,
    /// How long a person may stay silent before the call is released.
    pub operator_silence: Milliseconds,
    /// How often a person is asked again after an answer that is none.
    pub operator_tries: u32,
}

impl Default for Policy {
    /// Four tries: at three disturbed replies in a hundred, one request in a million is given up.
    fn default() -> Self {
        Self {
            request_tries: 4,
            open_all_tries: 5,
            step_attempts: 3,
            replug: Milliseconds(15_000),
            replug_interval: Milliseconds(1_000),
            operator_silence: Milliseconds(180_000),
            operator_tries: 5,
        }
    }
}

impl Policy {
    /// On real loads everything is opened again until it reads back open, for as long as a board
    /// may be deaf: 30 tries.
    #[must_use]
    pub fn on_real_loads() -> Self {
        Self {
            open_all_tries: 30,
            ..Self::default()
        }
    }
}

/// What shows events as they come.
pub type Observer = Box<dyn FnMut(&RunEvent)>;

/// Everything that a run needs.
pub struct RunSetup {
    /// The first event, with the plan.
    pub started: RunStarted,
    /// The opened devices.
    pub ports: Ports,
    /// Devices that could not be opened, with why: nothing is driven where there is one.
    pub unopened: Vec<(DeviceName, Trouble)>,
    /// Where events go first.
    pub journal: Rc<dyn RunJournal>,
    /// Time.
    pub clock: Rc<dyn Clock>,
    /// Where events go next.
    pub observer: Observer,
    /// How often things are tried.
    pub policy: Policy,
}

/// What a run came to. The journal says the same at length.
#[derive(Debug)]
pub struct RunOutcome {
    /// How it came out.
    pub verdict: Verdict,
    /// Why it ended.
    pub reason: FinishReason,
    /// Whether every relay read back open at the end.
    pub made_safe: bool,
    /// Whether this run closed a relay, or found one closed.
    pub relay_was_closed: bool,
    /// Lines still live with every relay open.
    pub still_live: Vec<Terminal>,
    /// What is to be said of the run as a whole.
    pub note: String,
    /// Why the journal was lost, where it was.
    pub journal_lost: Option<JournalLost>,
}
