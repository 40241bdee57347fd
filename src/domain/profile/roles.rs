//! What each line is for, as the profile has it.
//!
//! Place in the data's path: the truth table, the reports and the circuit ask here; nobody infers
//! a function from a letter. Which call uses a line is the truth table's matter.

use super::definition::Profile;
use super::words::{Interface, Kind};
use crate::units::Terminal;
use std::collections::BTreeMap;

/// What one line is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum LineRole {
    /// Calls the compressor's given stage, from 1.
    Compressor(u8),
    /// Calls the fan.
    Fan,
    /// Places the reversing valve (O/B).
    ReversingValve,
    /// W1 of the conventional interface: calls heat, and the equipment runs its compressor.
    HeatPumpHeat,
    /// Calls the furnace's, boiler's or auxiliary heat's given stage, from 1.
    Heat(u8),
    /// Calls emergency heat and nothing else.
    EmergencyOnly,
    /// The accessory of the given place in [`Profile::accessories`], from 0.
    Accessory(usize),
    /// Wired, and used by no call.
    Unused,
}

impl Profile {
    /// Every line present with its role, in the order of the strip. R, Rc, Rh and C, and a common
    /// on another terminal, are no lines.
    #[must_use]
    pub fn lines(&self) -> BTreeMap<Terminal, LineRole> {
        let mut lines = fixed_lines(
            self.kind,
            self.interface,
            self.compressor_stages,
            self.fan_line,
        );
        if let Some(changeover) = self.changeover {
            lines.insert(changeover.terminal(), LineRole::ReversingValve);
        }
        for (stage, line) in (1..).zip(&self.auxiliary_lines) {
            lines.insert(line.clone(), LineRole::Heat(stage));
        }
        for line in &self.emergency {
            lines.entry(line.clone()).or_insert(LineRole::EmergencyOnly);
        }
        for (place, accessory) in self.accessories.iter().enumerate() {
            lines.insert(accessory.terminal.clone(), LineRole::Accessory(place));
        }
        for line in &self.present {
            lines.insert(line.clone(), LineRole::Unused);
        }
        lines
    }
}

/// The lines that kind, interface and stage counts bring by themselves; the reversing valve's and
/// the heat stages' lines excepted.
pub(super) fn fixed_lines(
    kind: Kind,
    interface: Option<Interface>,
    compressor_stages: u8,
    fan_line: bool,
) -> BTreeMap<Terminal, LineRole> {
    let mut lines = BTreeMap::new();
    for (stage, name) in (1..=compressor_stages).zip(["Y1", "Y2"]) {
        lines.insert(Terminal::known(name), LineRole::Compressor(stage));
    }
    if fan_line {
        lines.insert(Terminal::known("G"), LineRole::Fan);
    }
    if kind == Kind::HeatPump && interface == Some(Interface::Conventional) {
        lines.insert(Terminal::known("W1"), LineRole::HeatPumpHeat);
    }
    lines
}
