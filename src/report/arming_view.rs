//! Who armed a run, when, and on what, as reports show it.
//!
//! Place in the data's path: a part of the run's view, made from the folded events.

use crate::domain::{Check, Plan};
use crate::event::RunState;
use jiff::Timestamp;

/// Who armed a run, when, and on what.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ArmingView {
    /// Who, where the name may be shown.
    pub by: Option<String>,
    /// When; `None` where the run was never armed.
    pub at: Option<Timestamp>,
    /// Every point that applies, with the answer to it; `None` where there was none.
    pub checklist: Vec<(Check, Option<bool>)>,
}

impl ArmingView {
    /// What the events say of it; the name is not theirs to say. `None` where nobody has to.
    pub(super) fn of(state: &RunState, plan: &Plan) -> Option<Self> {
        let checklist = &plan.equipment.as_ref()?.checklist;
        if checklist.is_empty() {
            return None;
        }
        let answer = |check: &Check| {
            let mut asked = state.checks.iter();
            let found = asked.find(|asked| asked.check == *check);
            (*check, found.and_then(|asked| asked.confirmed))
        };
        Some(Self {
            by: None,
            at: state.armed.as_ref().map(|armed| armed.at),
            checklist: checklist.iter().map(answer).collect(),
        })
    }
}
