//! What a bench does to a room controller's supply: another level of it, and its cut.
//!
//! Place in the data's path: from a bench's stated level to circuit values, for the simulated bench
//! and for the supply budget; and from a circuit to the one whose controller is cut off. A level is
//! stated as what R to C is with no output on, so that the sag under the board's own loads belongs
//! to it.

use super::layout::CableSite;
use super::{Circuit, CircuitError, CircuitValues, ClosedContacts, HeatingSupply};
use crate::domain::bench_map::BenchMap;
use crate::domain::profile::Profile;
use crate::units::{Place, Terminal, Volts};
use std::sync::Arc;

/// The values with which R to C is so many volts while every contact is open. At rest nothing
/// switches, so the tension follows the transformer's in proportion.
///
/// # Errors
/// [`CircuitError`] where a value is outside physics.
pub fn values_at_level(
    profile: &Profile,
    bench: &BenchMap,
    values: &CircuitValues,
    level: Volts,
) -> Result<CircuitValues, CircuitError> {
    let circuit = Circuit::new(profile, Some(bench), values.clone())?;
    let solution = circuit.solve(&ClosedContacts::none())?;
    let rail = circuit.rail();
    // Only a room controller is supplied at levels, and around it the bench is the equipment.
    let (common, place) = (Terminal::known("C"), Place::Equipment);
    let at_rest = solution.volts_between((&rail, place), (&common, place))?;
    let factor = level.0 / at_rest.0;
    let mut values = values.clone();
    values.supply.open_circuit_volts *= factor;
    if let HeatingSupply::Transformer { supply, .. } = &mut values.heating_supply {
        supply.open_circuit_volts *= factor;
    }
    Ok(values)
}

impl Circuit {
    /// The same circuit with every supply conductor open where it reaches the controller.
    ///
    /// # Errors
    /// [`CircuitError`] where the circuit cannot be made ready for solving so.
    pub fn with_controller_cut_off(&self) -> Result<Self, CircuitError> {
        let mut cut = self.clone();
        let gap = self.values.contacts.switch(false, 1.0);
        for supply in &self.layout.supplies {
            let conductor = (CableSite::Main, supply.rail.clone());
            if let Some(conductor) = self.layout.conductors.get(&conductor) {
                Arc::make_mut(&mut cut.netlist).replace(conductor.joints[0], gap)?;
            }
        }
        cut.prepare()?;
        Ok(cut)
    }
}
