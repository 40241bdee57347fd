//! What the equipment is and which rules it follows.
//!
//! Place in the data's path: `config` reads a [`ProfileDraft`] from a file, [`Profile::new`]
//! makes a profile of it or says everything that is wrong with it, and the truth table follows
//! from the profile alone. Nothing here knows a bench.

use crate::units::{Seconds, Terminal};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

macro_rules! file_words {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $word:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
        )]
        pub enum $name {
            $($(#[$vdoc])* #[serde(rename = $word)] $variant),+
        }

        impl $name {
            /// Every value, in the order in which messages list them.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The word used in files.
            #[must_use]
            pub fn word(self) -> &'static str {
                match self { $(Self::$variant => $word),+ }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(self.word())
            }
        }
    };
}
pub(crate) use file_words;

file_words!(
    /// What the equipment is.
    Kind {
        /// A heat pump, with or without auxiliary heat.
        HeatPump = "heat-pump",
        /// A furnace with separate cooling.
        FurnaceAndCooling = "furnace-and-cooling",
        /// A heat pump and a fuel furnace that replace each other.
        DualFuel = "dual-fuel",
        /// A heat pump with a boiler on its own supply.
        HeatPumpAndBoiler = "heat-pump-and-boiler",
    }
);
file_words!(
    /// How a heat pump is called.
    Interface {
        /// Y lines with a reversing valve line, O or B.
        Changeover = "changeover",
        /// W1 calls heat; the equipment places its reversing valve by itself.
        Conventional = "conventional",
    }
);
file_words!(
    /// When the reversing valve (O/B) is energised.
    Changeover {
        /// Energised in cooling.
        O = "o",
        /// Energised in heating.
        B = "b",
    }
);
file_words!(
    /// What the changeover line does when nothing is called.
    ChangeoverAtRest {
        /// Dead at rest.
        Off = "off",
        /// Holds the last mode's state.
        FollowsMode = "follows-mode",
        /// Either is right.
        Either = "either",
    }
);
file_words!(
    /// What makes heat where the compressor does not.
    Heat {
        /// Resistance strips.
        Electric = "electric",
        /// A burner.
        Fuel = "fuel",
        /// Hot water.
        Hydronic = "hydronic",
    }
);
file_words!(
    /// Who runs the fan where heat runs without a Y line.
    FanInHeat {
        /// The controller, by G.
        Controller = "controller",
        /// The equipment, by itself.
        Equipment = "equipment",
        /// Nobody: radiators.
        None = "none",
        /// Either is right.
        Either = "either",
    }
);
file_words!(
    /// What auxiliary heat does to the compressor.
    Auxiliary {
        /// The compressor goes on.
        Adds = "adds",
        /// The compressor is dropped.
        Replaces = "replaces",
    }
);
file_words!(
    /// How many supplies feed the control circuit.
    Arrangement {
        /// One transformer.
        Single = "single",
        /// Rc for Y G O B, Rh for W E.
        Dual = "dual",
    }
);
file_words!(
    /// Which way an accessory's line carries its signal.
    Direction {
        /// From the controller to the accessory.
        Output = "output",
        /// From the equipment; never driven.
        Input = "input",
    }
);
file_words!(
    /// The level at which an accessory acts.
    Active {
        /// Energised to act.
        On = "on",
        /// Energised at rest, dropped to act.
        Off = "off",
    }
);

impl Changeover {
    /// The terminal that carries this convention's signal.
    #[must_use]
    pub fn terminal(self) -> Terminal {
        match self {
            Self::O => Terminal::known("O"),
            Self::B => Terminal::known("B"),
        }
    }

    /// The other convention.
    #[must_use]
    pub fn other(self) -> Self {
        match self {
            Self::O => Self::B,
            Self::B => Self::O,
        }
    }
}

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
    pub on_in: Vec<super::Call>,
    /// Calls in which it may act.
    pub either_in: Vec<super::Call>,
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

/// A profile that obeys every rule. Made by [`Profile::new`] alone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Profile {
    pub(super) name: String,
    pub(super) kind: Kind,
    pub(super) interface: Option<Interface>,
    pub(super) compressor_stages: u8,
    pub(super) heat_stages: u8,
    pub(super) changeover: Option<Changeover>,
    pub(super) changeover_at_rest: ChangeoverAtRest,
    pub(super) heat: Heat,
    pub(super) fan_in_heat: Option<FanInHeat>,
    pub(super) fan_line: bool,
    pub(super) auxiliary: Auxiliary,
    pub(super) auxiliary_lines: Vec<Terminal>,
    pub(super) emergency: Vec<Terminal>,
    pub(super) present: Vec<Terminal>,
    pub(super) tied: Vec<BTreeSet<Terminal>>,
    pub(super) common_on: Terminal,
    pub(super) arrangement: Arrangement,
    pub(super) minimum_off: Seconds,
    pub(super) accessories: Vec<Accessory>,
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

    /// Who runs the fan where heat runs without a Y line; `None` where that never happens.
    #[must_use]
    pub fn fan_in_heat(&self) -> Option<FanInHeat> {
        self.fan_in_heat
    }

    /// Whether a G line exists.
    #[must_use]
    pub fn fan_line(&self) -> bool {
        self.fan_line
    }

    /// What auxiliary heat does to the compressor.
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
        match name {
            "Y" => Ok(Terminal::known("Y1")),
            "W" if self.kind == Kind::FurnaceAndCooling => Ok(Terminal::known("W1")),
            "W" => Err(
                "on a heat pump W may mean W1 or W2 (auxiliary heat); write the one you \
                        mean"
                    .to_owned(),
            ),
            _ => Terminal::new(name).map_err(|error| error.to_string()),
        }
    }
}
