//! Every electrical value of a control circuit, with its default and that default's standing.
//!
//! Place in the data's path: the bench and profile files (or a seed, for tolerances) change some
//! of these, `build` makes a netlist of them. A value without a published source says so where it
//! stands: "from memory" and "assumed" are to be read as they are written.

use super::conductor::{Stranding, ohms_per_thousand_feet};
use super::element::{above_zero, zero_or_more};
use super::{CircuitError, CoilValues, ElementKind};
use crate::units::{Place, Terminal};
use num_complex::Complex64;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

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

    fn check(&self, name: &str) -> Result<(), CircuitError> {
        above_zero(name, "rated volt-amperes", self.rated_volt_amperes)?;
        zero_or_more(name, "open-circuit volts", self.open_circuit_volts)?;
        above_zero(name, "source ohms", self.ohms_at_40_volt_amperes)?;
        let reactance = self.reactance_ohms_at_40_volt_amperes;
        zero_or_more(name, "source reactance", reactance)?;
        zero_or_more(name, "mains volts", self.mains_volts)?;
        above_zero(name, "primary tap volts", self.primary_tap_volts)?;
        above_zero(name, "fuse ohms", self.protection.ohms())?;
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

    fn check(&self, name: &str) -> Result<(), CircuitError> {
        if !(0.0..=40.0).contains(&self.gauge_awg) {
            let what = format!("gauge of {name}");
            return Err(CircuitError::outside(what, self.gauge_awg, "0 to 40 AWG"));
        }
        if !(-60.0..=200.0).contains(&self.celsius) {
            let what = format!("temperature of {name}");
            return Err(CircuitError::outside(what, self.celsius, "-60 to 200 degC"));
        }
        above_zero(name, "length", self.feet)?;
        zero_or_more(name, "inductance", self.henries_per_foot)?;
        zero_or_more(name, "coupling", self.coupling_farads_per_foot)?;
        above_zero(name, "joint ohms", self.joint_ohms)
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
        let impedance = 24.0 / self.leakage_amps;
        let squared = impedance * impedance - self.snubber_ohms * self.snubber_ohms;
        ElementKind::Snubber {
            ohms: self.snubber_ohms,
            farads: 1.0 / (angular * squared.sqrt()),
        }
    }

    fn check(&self) -> Result<(), CircuitError> {
        let name = "solid-state output";
        above_zero(name, "leakage", self.leakage_amps)?;
        above_zero(name, "snubber ohms", self.snubber_ohms)?;
        zero_or_more(name, "least load", self.minimum_load_amps)?;
        if self.snubber_ohms * self.leakage_amps < 24.0 {
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

/// All values of one circuit. Fields are plain: change what is known, keep the rest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CircuitValues {
    /// Mains frequency in hertz; a bench's own value goes before it.
    pub hertz: f64,
    /// The only supply, or the cooling side's.
    pub supply: SupplyValues,
    /// The heating side's supply; used where the profile has two.
    pub heating_supply: HeatingSupply,
    /// Whether the (cooling side's) common is earthed at the equipment.
    pub common_earthed: bool,
    /// The cable from controller to equipment.
    pub cable: CableValues,
    /// The cable from the equipment to the outdoor unit; `None` where all is in one cabinet.
    pub outdoor_cable: Option<CableValues>,
    /// Joints that differ from their cable's value, in ohms, by terminal and end.
    #[serde(skip)]
    pub joints: BTreeMap<(Terminal, Place), f64>,
    /// Contacts, gaps and insulation.
    pub contacts: ContactValues,
    /// The bench's or controller's outputs where they are solid-state; `None` for relays.
    pub solid_state: Option<SolidStateValues>,
    /// A solid-state output's values for the leakage fault.
    pub leaking: SolidStateValues,
    /// Coils that differ from their default, by terminal.
    pub coils: BTreeMap<Terminal, CoilValues>,
    /// The controller's own load from R to C; `None` for none.
    pub controller_ohms: Option<f64>,
    /// The outdoor unit's board, from R to C; `None` for none.
    pub outdoor_board_ohms: Option<f64>,
    /// An indicator at the controller on a line that the equipment drives.
    pub indicator_ohms: f64,
    /// A controller without C draws its supply through the idle lines, each through this.
    pub power_stealing_ohms: f64,
    /// A meter's input, where the bench does not say.
    pub meter_ohms: f64,
    /// A digital input.
    pub digital_input_ohms: f64,
    /// Faults.
    pub faults: FaultValues,
}

impl Default for CircuitValues {
    /// 60 Hz; one earthed common (common practice, no source); outdoor cable of 50 ft (assumed);
    /// controller 288 ohm (2 VA, a prototype's figure); outdoor board 144 ohm (4 VA), indicator
    /// 2.4 kohm, power stealing 2.4 kohm (10 mA) and digital input 12 kohm (2 mA at 24 V)
    /// (assumed); meter 10 Mohm (typical).
    fn default() -> Self {
        Self {
            hertz: 60.0,
            supply: SupplyValues::default(),
            heating_supply: HeatingSupply::Transformer {
                supply: SupplyValues::default(),
                opposed: false,
                commons_joined: false,
            },
            common_earthed: true,
            cable: CableValues::default(),
            outdoor_cable: Some(CableValues {
                feet: 50.0,
                ..CableValues::default()
            }),
            joints: BTreeMap::new(),
            contacts: ContactValues::default(),
            solid_state: None,
            leaking: SolidStateValues::default(),
            coils: BTreeMap::new(),
            controller_ohms: Some(288.0),
            outdoor_board_ohms: Some(144.0),
            indicator_ohms: 2400.0,
            power_stealing_ohms: 2400.0,
            meter_ohms: 10e6,
            digital_input_ohms: 12e3,
            faults: FaultValues::default(),
        }
    }
}

impl CircuitValues {
    /// Angular mains frequency in radians per second.
    #[must_use]
    pub fn angular(&self) -> f64 {
        std::f64::consts::TAU * self.hertz
    }

    /// Checks every value against physics.
    ///
    /// # Errors
    /// [`CircuitError::OutsidePhysics`] that names the value.
    pub fn check(&self) -> Result<(), CircuitError> {
        if !(10.0..=1000.0).contains(&self.hertz) {
            return Err(CircuitError::outside(
                "mains frequency",
                self.hertz,
                "50 or 60 Hz (10 to 1000 are solved)",
            ));
        }
        self.supply.check("supply")?;
        if let HeatingSupply::Transformer { supply, .. } = &self.heating_supply {
            supply.check("heating supply")?;
        }
        self.cable.check("cable")?;
        if let Some(cable) = &self.outdoor_cable {
            cable.check("outdoor cable")?;
        }
        for ((terminal, place), ohms) in &self.joints {
            above_zero(&format!("joint {terminal}@{place}"), "ohms", *ohms)?;
        }
        for (terminal, coil) in &self.coils {
            coil.check(terminal)?;
        }
        self.solid_state
            .iter()
            .chain([&self.leaking])
            .try_for_each(SolidStateValues::check)?;
        for (name, ohms) in [
            ("contact", self.contacts.closed_ohms),
            ("jumper", self.contacts.jumper_ohms),
            ("open gap", self.contacts.open_ohms),
            ("controller", self.controller_ohms.unwrap_or(1.0)),
            ("outdoor board", self.outdoor_board_ohms.unwrap_or(1.0)),
            ("indicator", self.indicator_ohms),
            ("power stealing", self.power_stealing_ohms),
            ("meter", self.meter_ohms),
            ("digital input", self.digital_input_ohms),
            ("short", self.faults.short_ohms),
            ("shorted coil", self.faults.coil_short_ohms),
        ] {
            above_zero(name, "ohms", ohms)?;
        }
        let [gap, insulation] = [
            ("open gap", self.contacts.open_farads),
            ("insulation", self.contacts.insulation_farads),
        ];
        zero_or_more(gap.0, "farads", gap.1)?;
        zero_or_more(insulation.0, "farads", insulation.1)
    }
}
