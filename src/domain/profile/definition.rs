//! A profile that obeys every rule, and what can be asked of it.
//!
//! Place in the data's path: made by [`Profile::new`] alone (the rules beside this file); the truth
//! table, the plan and the circuit read it. It holds no rule by which calls become lines.

use super::draft::Accessory;
use super::words::{
    Arrangement, Auxiliary, Changeover, ChangeoverAtRest, Direction, FanInHeat, Heat, Interface,
    Kind,
};
use crate::units::{Seconds, Terminal};
use std::collections::BTreeSet;

/// A profile that obeys every rule. Made by [`Profile::new`] alone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Profile {
    pub(in crate::domain) name: String,
    pub(in crate::domain) kind: Kind,
    pub(in crate::domain) interface: Option<Interface>,
    pub(in crate::domain) compressor_stages: u8,
    pub(in crate::domain) heat_stages: u8,
    pub(in crate::domain) changeover: Option<Changeover>,
    pub(in crate::domain) changeover_at_rest: ChangeoverAtRest,
    pub(in crate::domain) heat: Heat,
    pub(in crate::domain) fan_in_heat: Option<FanInHeat>,
    pub(in crate::domain) fan_line: bool,
    pub(in crate::domain) auxiliary: Auxiliary,
    pub(in crate::domain) auxiliary_lines: Vec<Terminal>,
    pub(in crate::domain) emergency: Vec<Terminal>,
    pub(in crate::domain) present: Vec<Terminal>,
    pub(in crate::domain) tied: Vec<BTreeSet<Terminal>>,
    pub(in crate::domain) common_on: Terminal,
    pub(in crate::domain) arrangement: Arrangement,
    pub(in crate::domain) minimum_off: Seconds,
    pub(in crate::domain) heat_fan_delay: Seconds,
    pub(in crate::domain) fan_off_delay: Seconds,
    pub(in crate::domain) cool_down: Seconds,
    pub(in crate::domain) accessories: Vec<Accessory>,
    /// The optional keys that the file had.
    pub(super) given: BTreeSet<&'static str>,
}

impl Profile {
    /// Its name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What the equipment is.
    #[must_use]
    pub fn kind(&self) -> Kind {
        self.kind
    }

    /// How the heat pump is called; `None` for a furnace with cooling.
    #[must_use]
    pub fn interface(&self) -> Option<Interface> {
        self.interface
    }

    /// Compressor stages, 0 to 2.
    #[must_use]
    pub fn compressor_stages(&self) -> u8 {
        self.compressor_stages
    }

    /// Auxiliary, furnace or boiler stages, 0 to 2.
    #[must_use]
    pub fn heat_stages(&self) -> u8 {
        self.heat_stages
    }

    /// The changeover convention; `None` where the interface has no changeover line.
    #[must_use]
    pub fn changeover(&self) -> Option<Changeover> {
        self.changeover
    }

    /// What the changeover line does at rest.
    #[must_use]
    pub fn changeover_at_rest(&self) -> ChangeoverAtRest {
        self.changeover_at_rest
    }

    /// What makes heat where the compressor does not.
    #[must_use]
    pub fn heat(&self) -> Heat {
        self.heat
    }

    /// Who runs the fan where heat runs without a Y line; `None` where the file does not say, which
    /// it may leave out only where that never happens.
    #[must_use]
    pub fn fan_in_heat(&self) -> Option<FanInHeat> {
        self.fan_in_heat
    }

    /// Whether a G line exists.
    #[must_use]
    pub fn fan_line(&self) -> bool {
        self.fan_line
    }

    /// What auxiliary heat does to the compressor. It means nothing for a furnace or on the
    /// conventional interface, where it reads `adds`.
    #[must_use]
    pub fn auxiliary(&self) -> Auxiliary {
        self.auxiliary
    }

    /// The auxiliary (or furnace, or boiler) lines, first stage first.
    #[must_use]
    pub fn auxiliary_lines(&self) -> &[Terminal] {
        &self.auxiliary_lines
    }

    /// The lines of emergency heat.
    #[must_use]
    pub fn emergency(&self) -> &[Terminal] {
        &self.emergency
    }

    /// Wired lines that no call uses.
    #[must_use]
    pub fn present(&self) -> &[Terminal] {
        &self.present
    }

    /// Groups of lines that are joined at the equipment, overlapping groups merged.
    #[must_use]
    pub fn tied(&self) -> &[BTreeSet<Terminal>] {
        &self.tied
    }

    /// The terminal that carries the common: C, or B or X on older equipment.
    #[must_use]
    pub fn common_on(&self) -> &Terminal {
        &self.common_on
    }

    /// One supply or two.
    #[must_use]
    pub fn arrangement(&self) -> Arrangement {
        self.arrangement
    }

    /// The compressor's minimum-off time; it binds on real loads only.
    #[must_use]
    pub fn minimum_off(&self) -> Seconds {
        self.minimum_off
    }

    /// How long after a heat call the equipment's own blower may start.
    #[must_use]
    pub fn heat_fan_delay(&self) -> Seconds {
        self.heat_fan_delay
    }

    /// How long the blower runs on after a call; it binds on real loads only.
    #[must_use]
    pub fn fan_off_delay(&self) -> Seconds {
        self.fan_off_delay
    }

    /// How long heat and compressor wait for each other where heat replaces the compressor.
    #[must_use]
    pub fn cool_down(&self) -> Seconds {
        self.cool_down
    }

    /// Accessory lines, in the file's order.
    #[must_use]
    pub fn accessories(&self) -> &[Accessory] {
        &self.accessories
    }

    /// Whether the line is an accessory that the equipment drives; such a line is never driven.
    #[must_use]
    pub fn is_input(&self, terminal: &Terminal) -> bool {
        self.accessories
            .iter()
            .any(|a| a.terminal == *terminal && a.direction == Direction::Input)
    }
}

impl Profile {
    /// The terminal that a name means here: the aliases Y (Y1) and W (W1) are resolved.
    ///
    /// # Errors
    /// In a person's words: not a terminal's name, or `W` on a heat pump, with both its meanings.
    pub fn resolve_terminal(&self, name: &str) -> Result<Terminal, String> {
        terminal_named(self.kind, name)
    }
}

/// The terminal that a name means on equipment of the given kind: Y is Y1, and W is W1 on a
/// furnace.
///
/// # Errors
/// In a person's words: not a terminal's name, or `W` on a heat pump, with both its meanings.
pub fn terminal_named(kind: Kind, name: &str) -> Result<Terminal, String> {
    match name {
        "Y" => Ok(Terminal::known("Y1")),
        "W" if kind == Kind::FurnaceAndCooling => Ok(Terminal::known("W1")),
        "W" => Err(
            "on a heat pump W may mean W1 or W2 (auxiliary heat); write the one you mean"
                .to_owned(),
        ),
        _ => Terminal::new(name).map_err(|error| error.to_string()),
    }
}
