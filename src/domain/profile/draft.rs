//! What a profile file said, before any rule has looked at it.
//!
//! Place in the data's path: `config` fills a [`ProfileDraft`], and [`Profile::new`] takes it. A
//! draft may contradict itself: nothing else accepts one.
//!
//! [`Profile::new`]: super::Profile::new

use super::words::{
    Active, Arrangement, Auxiliary, Changeover, ChangeoverAtRest, Direction, FanInHeat, Heat,
    Interface, Kind,
};
use crate::domain::Call;
use crate::units::{Seconds, Terminal};

/// One accessory line as a file gives it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Accessory {
    /// Its terminal.
    pub terminal: Terminal,
    /// Which way the signal goes.
    pub direction: Direction,
    /// The level at which it acts.
    pub active: Active,
    /// Calls in which it acts.
    pub on_in: Vec<Call>,
    /// Calls in which it may act.
    pub either_in: Vec<Call>,
}

/// What a profile file said, each value of the right type, nothing yet compared with anything.
/// `None` stands for a key that the file does not have.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ProfileDraft {
    /// `name`.
    pub name: Option<String>,
    /// `equipment.kind`.
    pub kind: Option<Kind>,
    /// `equipment.interface`.
    pub interface: Option<Interface>,
    /// `equipment.compressor_stages`.
    pub compressor_stages: Option<u8>,
    /// `equipment.heat_stages`.
    pub heat_stages: Option<u8>,
    /// `equipment.changeover`.
    pub changeover: Option<Changeover>,
    /// `equipment.changeover_at_rest`.
    pub changeover_at_rest: Option<ChangeoverAtRest>,
    /// `equipment.heat`.
    pub heat: Option<Heat>,
    /// `equipment.fan_in_heat`.
    pub fan_in_heat: Option<FanInHeat>,
    /// `equipment.fan_line`.
    pub fan_line: Option<bool>,
    /// `equipment.auxiliary`.
    pub auxiliary: Option<Auxiliary>,
    /// `equipment.auxiliary_lines`.
    pub auxiliary_lines: Option<Vec<Terminal>>,
    /// `equipment.emergency`.
    pub emergency: Option<Vec<Terminal>>,
    /// `equipment.present`.
    pub present: Option<Vec<Terminal>>,
    /// `equipment.tied`.
    pub tied: Option<Vec<Vec<Terminal>>>,
    /// `equipment.common_on`.
    pub common_on: Option<Terminal>,
    /// `supply.arrangement`.
    pub arrangement: Option<Arrangement>,
    /// `timing.minimum_off_s`.
    pub minimum_off_s: Option<Seconds>,
    /// `timing.heat_fan_delay_s`.
    pub heat_fan_delay_s: Option<Seconds>,
    /// `timing.fan_off_delay_s`.
    pub fan_off_delay_s: Option<Seconds>,
    /// `timing.cool_down_s`.
    pub cool_down_s: Option<Seconds>,
    /// `accessory`.
    pub accessories: Vec<Accessory>,
}

/// One thing that is wrong with a draft.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProfileProblem {
    /// The key at fault, as a path: `equipment.tied[0][1]`, `accessory[0].terminal`.
    pub key: String,
    /// What is wrong and what was expected.
    pub message: String,
    /// What to do, where that is not plain from the message.
    pub help: Option<String>,
}
