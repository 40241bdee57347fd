//! What a run showed, in the form in which hypotheses are compared with it.
//!
//! Place in the data's path: made from a run's state; holds only what was read, never what was
//! hoped for.

use crate::domain::Call;
use crate::domain::bench_map::Rail;
use crate::units::Terminal;
use std::collections::{BTreeMap, BTreeSet};

/// One step as it was seen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ObservedStep {
    /// The call.
    pub call: Call,
    /// The lines that were driven; where a room controller drives, those that it has to.
    pub drive: BTreeSet<Terminal>,
    /// Lines that a room controller may drive or not in this call.
    pub free: BTreeSet<Terminal>,
    /// Lines that were read on or off.
    pub seen: BTreeMap<Terminal, bool>,
    /// Whether the supply collapsed as a relay of this step closed.
    pub collapsed: bool,
}

/// What the supply air showed of the reversing valve (O/B), in cooling and heating together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ValveEffect {
    /// Colder in cooling, warmer in heating.
    Follows,
    /// The other way round.
    Inverted,
    /// In both modes as with its coil energised.
    AlwaysActs,
    /// In both modes as with its coil at rest.
    NeverActs,
}

/// What a run showed.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Evidence {
    /// Every line that is judged.
    pub lines: BTreeSet<Terminal>,
    /// Lines that the bench drives, with the supply on each relay's common.
    pub drives: BTreeMap<Terminal, Rail>,
    /// Whether a room controller made the calls, so that its outputs are under test.
    pub by_controller: bool,
    /// Groups of lines that are joined at the equipment.
    pub tied: Vec<BTreeSet<Terminal>>,
    /// The changeover line, where there is one.
    pub changeover: Option<Terminal>,
    /// What the supply air showed of it; `None` where nobody felt it.
    pub valve_effect: Option<ValveEffect>,
    /// Steps that were made and read, and steps in which the supply collapsed.
    pub steps: Vec<ObservedStep>,
    /// Whether the common was shown open: dead at the far end while lines answered.
    pub far_common_dead: bool,
    /// Whether any step passed no verdict for want of supply.
    pub supply_dead: bool,
    /// Whether everything that was to be judged was judged, and right.
    pub all_right: bool,
}
