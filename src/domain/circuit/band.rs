//! What a meter should read at each line, with the band that sound tolerances leave it.
//!
//! Place in the data's path: `expected --volts` prints it. Each tolerance is tried by itself at
//! both its ends, and the deviations are added without sign: a bound, not a standard deviation. A
//! tolerance that lets a coil drop out shows as a wide band.

use super::{
    CableValues, Circuit, CircuitError, CircuitValues, ClosedContacts, HeatingSupply, SupplyValues,
};
use crate::domain::{BenchMap, Profile};
use crate::units::{Place, Terminal, Volts};
use serde::Serialize;
use std::collections::BTreeMap;

/// How far sound values may lie from the stated ones, each as a part of itself (all assumed).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerances {
    /// Open-circuit tension: mains range and winding.
    pub supply_volts: f64,
    /// Source impedance.
    pub source_impedance: f64,
    /// Length of the cables.
    pub length: f64,
    /// Impedance of the coils.
    pub coils: f64,
    /// Coupling between conductors; the upper end is this much more, the lower this much less.
    pub coupling: f64,
    /// Resistance that a landing joint may have more, in ohms.
    pub joint_ohms: f64,
}

impl Default for Tolerances {
    /// Supply 10 %, source 20 %, length 30 %, coils 20 %, coupling 40 %, joints up to 0.2 ohm more
    /// (assumed; a trade text calls 15 % usual for coils).
    fn default() -> Self {
        Self {
            supply_volts: 0.1,
            source_impedance: 0.2,
            length: 0.3,
            coils: 0.2,
            coupling: 0.4,
            joint_ohms: 0.2,
        }
    }
}

/// One line's reading with its band.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Band {
    /// With every value as stated.
    pub nominal: Volts,
    /// The lowest that sound tolerances explain.
    pub low: Volts,
    /// The highest that sound tolerances explain.
    pub high: Volts,
}

/// The bands of all lines at one place while the given contacts are closed.
///
/// # Errors
/// [`CircuitError`] where a value, with its tolerance, is outside physics.
pub fn bands(
    profile: &Profile,
    bench: Option<&BenchMap>,
    (values, tolerances): (&CircuitValues, &Tolerances),
    closed: &ClosedContacts,
    place: Place,
) -> Result<BTreeMap<Terminal, Band>, CircuitError> {
    let stated = Circuit::new(profile, bench, values.clone())?;
    let read = |circuit: &Circuit| {
        let solution = circuit.solve(closed)?;
        let lines = circuit.lines().iter();
        lines
            .map(|line| solution.volts(line, place))
            .collect::<Result<Vec<Volts>, _>>()
    };
    let nominal = read(&stated)?;
    let mut below = vec![0.0; nominal.len()];
    let mut above = vec![0.0; nominal.len()];
    for varied in variations(&stated, values, tolerances) {
        for end in varied {
            let moved = read(&Circuit::new(profile, bench, end)?)?;
            for (index, (moved, nominal)) in moved.iter().zip(&nominal).enumerate() {
                let by = moved.0 - nominal.0;
                if by > 0.0 {
                    above[index] += by;
                } else {
                    below[index] -= by;
                }
            }
        }
    }
    let lines = stated.lines().iter().cloned();
    let band = |(index, nominal): (usize, Volts)| Band {
        nominal,
        low: Volts((nominal.0 - below[index]).max(0.0)),
        high: Volts(nominal.0 + above[index]),
    };
    Ok(lines
        .zip(nominal.into_iter().enumerate().map(band))
        .collect())
}

/// For each tolerance the values at its ends.
fn variations(
    stated: &Circuit,
    values: &CircuitValues,
    tolerances: &Tolerances,
) -> Vec<Vec<CircuitValues>> {
    let ends = |part: f64, change: &dyn Fn(&mut CircuitValues, f64)| -> Vec<CircuitValues> {
        let at = |factor: f64| {
            let mut varied = values.clone();
            change(&mut varied, factor);
            varied
        };
        vec![at(1.0 - part), at(1.0 + part)]
    };
    let mut joints = values.clone();
    for cable in cables(&mut joints) {
        cable.joint_ohms += tolerances.joint_ohms;
    }
    for ohms in joints.joints.values_mut() {
        *ohms += tolerances.joint_ohms;
    }
    vec![
        ends(tolerances.supply_volts, &|varied, factor| {
            for supply in supplies(varied) {
                supply.open_circuit_volts *= factor;
            }
        }),
        ends(tolerances.source_impedance, &|varied, factor| {
            for supply in supplies(varied) {
                supply.ohms_at_40_volt_amperes *= factor;
                supply.reactance_ohms_at_40_volt_amperes *= factor;
            }
        }),
        ends(tolerances.length, &|varied, factor| {
            for cable in cables(varied) {
                cable.feet *= factor;
            }
        }),
        ends(tolerances.coupling, &|varied, factor| {
            for cable in cables(varied) {
                cable.coupling_farads_per_foot *= factor;
            }
        }),
        ends(tolerances.coils, &|varied, factor| {
            varied.coils = stated.coils();
            for coil in varied.coils.values_mut() {
                coil.sealed_ohms *= factor;
                coil.unsealed_ohms *= factor;
                coil.dc_ohms *= factor;
            }
        }),
        vec![joints],
    ]
}

fn cables(values: &mut CircuitValues) -> impl Iterator<Item = &mut CableValues> {
    std::iter::once(&mut values.cable).chain(values.outdoor_cable.as_mut())
}

pub(super) fn supplies(values: &mut CircuitValues) -> impl Iterator<Item = &mut SupplyValues> {
    let heating = match &mut values.heating_supply {
        HeatingSupply::Transformer { supply, .. } => Some(supply),
        HeatingSupply::DryContact => None,
    };
    std::iter::once(&mut values.supply).chain(heating)
}
