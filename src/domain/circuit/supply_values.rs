//! Transformers and what protects them, as values.
//!
//! Place in the data's path: a part of [`super::CircuitValues`]; `build` makes a source and a fuse
//! of each. What a code allows of them is `class2`'s to say.

use super::element::{above_zero, contact_resistance, within};
use super::{CircuitError, ElementKind, RATED};
use crate::units::Volts;
use num_complex::Complex64;
use serde::{Deserialize, Serialize};

/// What opens when a supply gives too much.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Protection {
    /// A fuse: once open, open until replaced.
    Fuse {
        /// Its resistance.
        ohms: f64,
        /// It opens above this current, in amperes rms.
        opens_above_amps: f64,
    },
    /// An electronic limiter: it opens likewise and closes by itself when the call ends.
    Limiter {
        /// Its resistance.
        ohms: f64,
        /// It opens above this current, in amperes rms.
        opens_above_amps: f64,
    },
}

impl Protection {
    /// Its resistance while closed.
    #[must_use]
    pub fn ohms(self) -> f64 {
        match self {
            Self::Fuse { ohms, .. } | Self::Limiter { ohms, .. } => ohms,
        }
    }

    /// The current above which it opens.
    #[must_use]
    pub fn opens_above_amps(self) -> f64 {
        match self {
            Self::Fuse {
                opens_above_amps, ..
            }
            | Self::Limiter {
                opens_above_amps, ..
            } => opens_above_amps,
        }
    }

    /// Whether it stays open after the call.
    #[must_use]
    pub fn latches(self) -> bool {
        matches!(self, Self::Fuse { .. })
    }
}

/// One transformer with its protection.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SupplyValues {
    /// Rating in volt-amperes.
    pub rated_volt_amperes: f64,
    /// Open-circuit secondary volts at nominal mains on the right tap.
    pub open_circuit_volts: f64,
    /// Source resistance of a 40 VA unit in ohms; other ratings scale it.
    pub ohms_at_40_volt_amperes: f64,
    /// Source reactance of a 40 VA unit in ohms.
    pub reactance_ohms_at_40_volt_amperes: f64,
    /// Mains volts.
    pub mains_volts: f64,
    /// Mains volts for which the tap in use is made.
    pub primary_tap_volts: f64,
    /// What opens on overload.
    pub protection: Protection,
}

impl Default for SupplyValues {
    /// 40 VA: 26.9 V open, 1.73 + j0.4 ohm (a prototype's figures: 24 V at rated current, that is
    /// 11 % regulation, from memory); fuse 0.05 ohm, opens above 4.05 A (assumed).
    fn default() -> Self {
        Self {
            rated_volt_amperes: 40.0,
            open_circuit_volts: 26.9,
            ohms_at_40_volt_amperes: 1.73,
            reactance_ohms_at_40_volt_amperes: 0.4,
            mains_volts: 120.0,
            primary_tap_volts: 120.0,
            protection: Protection::Fuse {
                ohms: 0.05,
                opens_above_amps: 4.05,
            },
        }
    }
}

impl SupplyValues {
    /// A transformer by its rating and regulation: it gives 24 V at its rated current into a
    /// resistance, and the given volts with nothing drawn; `None` where those are less. The
    /// reactance keeps its default.
    #[must_use]
    pub fn from_regulation(rated_volt_amperes: f64, open_circuit_volts: f64) -> Option<Self> {
        let mut supply = Self {
            rated_volt_amperes,
            open_circuit_volts,
            ..Self::default()
        };
        supply.ohms_at_40_volt_amperes = supply.source_ohms_for(RATED)?;
        Some(supply)
    }

    /// The source resistance of a 40 VA unit with which these open-circuit volts become the given
    /// ones at rated current into a resistance; `None` where they would have to rise.
    #[must_use]
    pub fn source_ohms_for(&self, full_load: Volts) -> Option<f64> {
        let rated_amps_of_40 = 40.0 / RATED.0;
        let reactive = self.reactance_ohms_at_40_volt_amperes * rated_amps_of_40;
        let squared = self.open_circuit_volts * self.open_circuit_volts - reactive * reactive;
        let ohms = (squared.sqrt() - full_load.0) / rated_amps_of_40;
        (ohms > 0.0).then_some(ohms)
    }

    /// Secondary volts with nothing drawn, at this mains on this tap.
    #[must_use]
    pub fn secondary_volts(&self) -> f64 {
        self.open_circuit_volts * self.mains_volts / self.primary_tap_volts
    }

    /// Source resistance and reactance in ohms: at equal regulation they fall as the rating rises.
    #[must_use]
    pub fn source_impedance(&self) -> Complex64 {
        let scale = 40.0 / self.rated_volt_amperes;
        Complex64::new(
            self.ohms_at_40_volt_amperes * scale,
            self.reactance_ohms_at_40_volt_amperes * scale,
        )
    }

    pub(super) fn source(&self, angular: f64, opposed: bool) -> ElementKind {
        let sign = if opposed { -1.0 } else { 1.0 };
        let impedance = self.source_impedance();
        ElementKind::Source {
            volts: Complex64::new(sign * self.secondary_volts(), 0.0),
            ohms: impedance.re,
            henries: impedance.im / angular,
        }
    }

    pub(super) fn check(&self, name: &str) -> Result<(), CircuitError> {
        let rated = (name, "rated volt-amperes");
        within(rated, self.rated_volt_amperes, 0.1..=1e4, "0.1 to 10000 VA")?;
        let ohms = (name, "source ohms");
        within(
            ohms,
            self.ohms_at_40_volt_amperes,
            1e-3..=1e4,
            "0.001 to 10000 ohm",
        )?;
        let reactance = (name, "source reactance");
        let reactance_ohms = self.reactance_ohms_at_40_volt_amperes;
        within(reactance, reactance_ohms, 0.0..=1e4, "0 to 10000 ohm")?;
        for (quantity, volts, least) in [
            ("open-circuit volts", self.open_circuit_volts, 0.0),
            ("mains volts", self.mains_volts, 0.0),
            ("primary tap volts", self.primary_tap_volts, 1.0),
        ] {
            within(
                (name, quantity),
                volts,
                least..=1e3,
                "a tension of up to 1000 V",
            )?;
        }
        contact_resistance(&format!("fuse of {name}"), self.protection.ohms())?;
        above_zero(name, "fuse amperes", self.protection.opens_above_amps())
    }
}

/// What feeds the heating side where it has a supply of its own.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum HeatingSupply {
    /// A second transformer.
    Transformer {
        /// Its values.
        #[serde(default)]
        supply: SupplyValues,
        /// Whether its phase is opposed to the first one's.
        #[serde(default)]
        opposed: bool,
        /// Whether the two commons are joined.
        #[serde(default)]
        commons_joined: bool,
    },
    /// A dry contact: the boiler brings its own circuit, nothing feeds Rh, and there is closure to
    /// measure but no tension.
    DryContact,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn regulation_gives_the_source_resistance() {
        // Hand-worked load line: 27.5 V open and 24.0 V at 40 VA make about 2.1 ohm.
        let supply = SupplyValues::from_regulation(40.0, 27.5).expect("falls");
        assert!((supply.source_impedance().re - 2.1).abs() < 0.02);
        let double = SupplyValues::from_regulation(80.0, 27.5).expect("falls");
        let ratio = supply.source_impedance().re / double.source_impedance().re;
        assert!((ratio - 2.0).abs() < 1e-12, "{ratio}");
    }

    #[test]
    fn the_default_is_regulated_to_its_rated_volts() {
        // 26.9 V behind 1.73 + j0.4 ohm leave 24.0 V at 40 VA.
        let by_regulation = SupplyValues::from_regulation(40.0, 26.9).expect("falls");
        let difference =
            by_regulation.source_impedance() - SupplyValues::default().source_impedance();
        assert!(difference.norm() < 0.02, "{difference}");
    }
}
