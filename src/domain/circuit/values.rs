//! Every electrical value of a control circuit, with its default and that default's standing.
//!
//! Place in the data's path: the bench and profile files (or a seed, for tolerances) change some
//! of these, `build` makes a netlist of them. A value without a published source says so where it
//! stands: "from memory" and "assumed" are to be read as they are written.

use super::element::{contact_resistance, within, zero_or_more};
use super::{CableValues, CircuitError, CoilValues, ContactValues, FaultValues};
use super::{HeatingSupply, Protection, SolidStateValues, SupplyValues};
use crate::units::{Place, Terminal};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

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
    /// What holds on a test bench where its file is silent: as the default, with an electronic
    /// limiter in the fuse's place, so that a short ends with its call (common practice on
    /// training panels, no source). It opens above 3.7 A, inside 100 divided by 26.9 V.
    #[must_use]
    pub fn for_bench() -> Self {
        let values = Self::default();
        let supply = SupplyValues {
            protection: Protection::Limiter {
                ohms: values.supply.protection.ohms(),
                opens_above_amps: 3.7,
            },
            ..values.supply
        };
        Self {
            supply,
            heating_supply: HeatingSupply::Transformer {
                supply,
                opposed: false,
                commons_joined: false,
            },
            ..values
        }
    }

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
            contact_resistance(&format!("joint {terminal}@{place}"), *ohms)?;
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
            ("short", self.faults.short_ohms),
            ("shorted coil", self.faults.coil_short_ohms),
        ] {
            contact_resistance(name, ohms)?;
        }
        let gap = self.contacts.open_ohms;
        within(("open gap", "ohms"), gap, 1e3..=2e9, "1000 to 2e9 ohm")?;
        for (name, ohms) in [
            ("controller", self.controller_ohms.unwrap_or(1.0)),
            ("outdoor board", self.outdoor_board_ohms.unwrap_or(1.0)),
            ("indicator", self.indicator_ohms),
            ("power stealing", self.power_stealing_ohms),
            ("meter", self.meter_ohms),
            ("digital input", self.digital_input_ohms),
        ] {
            within((name, "ohms"), ohms, 0.01..=1e12, "0.01 to 1e12 ohm")?;
        }
        let [gap, insulation] = [
            ("open gap", self.contacts.open_farads),
            ("insulation", self.contacts.insulation_farads),
        ];
        zero_or_more(gap.0, "farads", gap.1)?;
        zero_or_more(insulation.0, "farads", insulation.1)
    }
}
