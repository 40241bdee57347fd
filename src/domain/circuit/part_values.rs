//! Cables, contacts, solid-state outputs and what faults are made of, as values.
//!
//! Place in the data's path: parts of [`super::CircuitValues`]; `build` and the fault edits make
//! elements of them.

use super::conductor::{Stranding, ohms_per_thousand_feet};
use super::element::{above_zero, contact_resistance, within, zero_or_more};
use super::{CircuitError, ElementKind, RATED};
use serde::{Deserialize, Serialize};

/// One cable.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CableValues {
    /// American wire gauge.
    pub gauge_awg: f64,
    /// Length in feet.
    pub feet: f64,
    /// Temperature in degrees Celsius.
    pub celsius: f64,
    /// How its conductors are made.
    pub stranding: Stranding,
    /// Inductance of one conductor.
    pub henries_per_foot: f64,
    /// Capacitance between each pair of conductors.
    pub coupling_farads_per_foot: f64,
    /// One landing joint.
    pub joint_ohms: f64,
}

impl Default for CableValues {
    /// 100 ft of 18 AWG solid at 20 degC (common practice, no source); 0.18 uH/ft, 20 pF/ft
    /// (66 pF/m) between each pair and joints of 0.01 ohm (assumed).
    fn default() -> Self {
        Self {
            gauge_awg: 18.0,
            feet: 100.0,
            celsius: 20.0,
            stranding: Stranding::Solid,
            henries_per_foot: 0.18e-6,
            coupling_farads_per_foot: 20e-12,
            joint_ohms: 0.01,
        }
    }
}

impl CableValues {
    /// Resistance of one conductor from end to end, without its joints.
    #[must_use]
    pub fn conductor_ohms(&self) -> f64 {
        let per_kft = ohms_per_thousand_feet(self.gauge_awg, self.celsius, self.stranding);
        per_kft.0 * self.feet / 1000.0
    }

    /// A part of one conductor.
    pub(super) fn stretch(&self, part: f64) -> ElementKind {
        ElementKind::Winding {
            ohms: self.conductor_ohms() * part,
            henries: self.henries_per_foot * self.feet * part,
        }
    }

    /// Coupling of one pair, lumped at one of the cable's two ends.
    pub(super) fn half_coupling(&self) -> ElementKind {
        ElementKind::Capacitor {
            farads: self.coupling_farads_per_foot * self.feet / 2.0,
        }
    }

    pub(super) fn check(&self, name: &str) -> Result<(), CircuitError> {
        within((name, "gauge"), self.gauge_awg, 0.0..=40.0, "0 to 40 AWG")?;
        let temperature = (name, "temperature");
        within(temperature, self.celsius, -60.0..=200.0, "-60 to 200 degC")?;
        within((name, "length"), self.feet, 0.05..=1e5, "0.05 to 100000 ft")?;
        let inductance = (name, "inductance");
        within(
            inductance,
            self.henries_per_foot,
            0.0..=1e-3,
            "up to 1000 uH per ft",
        )?;
        let coupling = (name, "coupling");
        let farads = self.coupling_farads_per_foot;
        within(coupling, farads, 0.0..=1e-6, "up to 1e6 pF per ft")?;
        contact_resistance(&format!("joint of {name}"), self.joint_ohms)
    }
}

/// A solid-state output's leakage while it is off, through its snubber.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SolidStateValues {
    /// Leakage at 24 V, in amperes.
    pub leakage_amps: f64,
    /// Series resistance of the snubber in ohms.
    pub snubber_ohms: f64,
    /// Least current that holds the output on, in amperes.
    pub minimum_load_amps: f64,
}

impl Default for SolidStateValues {
    /// 2 mA at 24 V (a worked example's figure); 100 ohm snubber and 20 mA least load (assumed).
    fn default() -> Self {
        Self {
            leakage_amps: 0.002,
            snubber_ohms: 100.0,
            minimum_load_amps: 0.02,
        }
    }
}

impl SolidStateValues {
    /// The snubber whose impedance passes the leakage at 24 V.
    pub(super) fn snubber(&self, angular: f64) -> ElementKind {
        let impedance = RATED.0 / self.leakage_amps;
        let squared = impedance * impedance - self.snubber_ohms * self.snubber_ohms;
        ElementKind::Snubber {
            ohms: self.snubber_ohms,
            farads: 1.0 / (angular * squared.sqrt()),
        }
    }

    pub(super) fn check(&self) -> Result<(), CircuitError> {
        let name = "solid-state output";
        above_zero(name, "leakage", self.leakage_amps)?;
        above_zero(name, "snubber ohms", self.snubber_ohms)?;
        zero_or_more(name, "least load", self.minimum_load_amps)?;
        if self.snubber_ohms * self.leakage_amps < RATED.0 {
            return Ok(());
        }
        let expected = "a snubber that passes the leakage at 24 V";
        let what = "snubber ohms of solid-state output";
        Err(CircuitError::outside(what, self.snubber_ohms, expected))
    }
}

/// Contacts, gaps and insulation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ContactValues {
    /// A closed relay contact.
    pub closed_ohms: f64,
    /// A jumper or a clip.
    pub jumper_ohms: f64,
    /// An open gap's resistance.
    pub open_ohms: f64,
    /// An open gap's capacitance.
    pub open_farads: f64,
    /// Capacitance of a transformer's secondary to earth, and of one secondary to the other.
    pub insulation_farads: f64,
}

impl Default for ContactValues {
    /// Contact 0.05 ohm, jumper 0.02 ohm, gap 1 Gohm with 10 pF across it (a prototype's
    /// figures), insulation 1 Gohm with 200 pF (assumed).
    fn default() -> Self {
        Self {
            closed_ohms: 0.05,
            jumper_ohms: 0.02,
            open_ohms: 1e9,
            open_farads: 10e-12,
            insulation_farads: 200e-12,
        }
    }
}

impl ContactValues {
    pub(super) fn switch(&self, closed: bool, closed_ohms: f64) -> ElementKind {
        ElementKind::Switch {
            closed,
            closed_ohms,
            open_ohms: self.open_ohms,
            open_farads: self.open_farads,
        }
    }

    pub(super) fn insulation(&self, joined: bool) -> ElementKind {
        ElementKind::Switch {
            closed: joined,
            closed_ohms: self.jumper_ohms,
            open_ohms: self.open_ohms,
            open_farads: self.insulation_farads,
        }
    }
}

/// What a fault without a number of its own is made of.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FaultValues {
    /// A short between conductors, and a conductor on earth.
    pub short_ohms: f64,
    /// A shorted coil.
    pub coil_short_ohms: f64,
    /// A joint that opens under load lets go above this current, in amperes.
    pub opens_under_load_above_amps: f64,
    /// Mains volts of the wrong-tap fault.
    pub wrong_tap_mains_volts: f64,
    /// Volts for which the wrong tap is made.
    pub wrong_tap_volts: f64,
}

impl Default for FaultValues {
    /// Short 0.05 ohm, shorted coil 0.5 ohm, a loose joint lets go above 20 mA (all assumed);
    /// 208 V mains on the 240 V tap: 24 V becomes 20.8 V.
    fn default() -> Self {
        Self {
            short_ohms: 0.05,
            coil_short_ohms: 0.5,
            opens_under_load_above_amps: 0.02,
            wrong_tap_mains_volts: 208.0,
            wrong_tap_volts: 240.0,
        }
    }
}
