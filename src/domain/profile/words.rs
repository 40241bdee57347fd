//! The words of a profile file that stand for a choice, as types.
//!
//! Place in the data's path: `config` reads them, the rules and the truth table match on them. Each
//! word is written once, here; nothing here compares one choice with another.

use crate::units::Terminal;
use serde::{Deserialize, Serialize};

macro_rules! file_words {
    (
        $(#[$doc:meta])*
        $name:ident { $($(#[$vdoc:meta])* $variant:ident = $word:literal),+ $(,)? }
    ) => {
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
