//! The installation as it was really built: its values a little off those that are stated.
//!
//! Place in the data's path: made once from bench, profile and seed, before any fault. Nothing
//! above the simulator is told what was drawn. A sound installation pulls its loads in: where
//! what was drawn would not, it is drawn nearer to the stated values.

use super::physics::SupplySelected;
use super::random::{Draws, Purpose};
use crate::domain::circuit::{
    CableValues, Circuit, CircuitError, CircuitValues, ClosedContacts, CoilValues, HeatingSupply,
    LoadState, SupplyValues, values_at_level,
};
use crate::domain::{BenchMap, Profile, TruthTable};
use crate::units::{Place, Terminal, Volts};
use std::collections::BTreeMap;

/// How far the values of one installation lie from the stated ones, as parts of themselves
/// (assumed; they lie inside the tolerances that expected readings allow for).
const SUPPLY_VOLTS: f64 = 0.03;
const SOURCE_IMPEDANCE: f64 = 0.1;
const LENGTH: f64 = 0.2;
const COUPLING: f64 = 0.3;
const COILS: f64 = 0.1;
/// Resistance that a landing joint may have more.
const JOINT_OHMS: f64 = 0.05;

/// One draw for each value, between -1 and 1; joints between 0 and 1.
struct Deviations {
    supplies: [[f64; 2]; 2],
    cables: [[f64; 2]; 2],
    coils: BTreeMap<Terminal, f64>,
    joints: BTreeMap<(Terminal, Place), f64>,
}

impl Deviations {
    fn draw(circuit: &Circuit, draws: &mut Draws) -> Self {
        let mut pair = || [draws.deviation(), draws.deviation()];
        let supplies = [pair(), pair()];
        let cables = [pair(), pair()];
        let coils = circuit.coils().into_keys();
        let coils = coils.map(|line| (line, draws.deviation())).collect();
        let supply = ["R", "Rc", "Rh", "C"].map(Terminal::known);
        let mut joints = BTreeMap::new();
        for terminal in circuit.lines().iter().chain(&supply) {
            for place in [Place::Controller, Place::Equipment, Place::Outdoor] {
                let drawn = draws.deviation().abs();
                joints.insert((terminal.clone(), place), drawn);
            }
        }
        Self {
            supplies,
            cables,
            coils,
            joints,
        }
    }

    /// The stated values, moved by a part of what was drawn.
    fn apply(&self, stated: &Circuit, part: f64) -> CircuitValues {
        let mut values = stated.values().clone();
        let off = |drawn: f64, tolerance: f64| 1.0 + drawn * tolerance * part;
        let vary_supply = |supply: &mut SupplyValues, [volts, source]: [f64; 2]| {
            supply.open_circuit_volts *= off(volts, SUPPLY_VOLTS);
            supply.ohms_at_40_volt_amperes *= off(source, SOURCE_IMPEDANCE);
            supply.reactance_ohms_at_40_volt_amperes *= off(source, SOURCE_IMPEDANCE);
        };
        vary_supply(&mut values.supply, self.supplies[0]);
        if let HeatingSupply::Transformer { supply, .. } = &mut values.heating_supply {
            vary_supply(supply, self.supplies[1]);
        }
        let vary_cable = |cable: &mut CableValues, [length, coupling]: [f64; 2]| {
            cable.feet *= off(length, LENGTH);
            cable.coupling_farads_per_foot *= off(coupling, COUPLING);
        };
        let joint_ohms = values.cable.joint_ohms;
        vary_cable(&mut values.cable, self.cables[0]);
        if let Some(cable) = &mut values.outdoor_cable {
            vary_cable(cable, self.cables[1]);
        }
        for (line, coil) in stated.coils() {
            let factor = off(self.coils[&line], COILS);
            let varied = CoilValues {
                sealed_ohms: coil.sealed_ohms * factor,
                unsealed_ohms: coil.unsealed_ohms * factor,
                dc_ohms: coil.dc_ohms * factor,
                ..coil
            };
            values.coils.insert(line, varied);
        }
        for (landing, drawn) in &self.joints {
            let ohms = values.joints.entry(landing.clone()).or_insert(joint_ohms);
            *ohms += drawn * JOINT_OHMS * part;
        }
        values
    }
}

/// The installation without faults.
///
/// # Errors
/// [`CircuitError`] where a stated value is outside physics.
pub(super) fn as_built(
    bench: &BenchMap,
    profile: &Profile,
    seed: u64,
) -> Result<Circuit, CircuitError> {
    let stated = Circuit::new(profile, Some(bench), bench.circuit.clone())?;
    let deviations = Deviations::draw(&stated, &mut Draws::new(seed, Purpose::Installation, 0));
    for part in [1.0, 0.5, 0.25] {
        let values = deviations.apply(&stated, part);
        let built = Circuit::new(profile, Some(bench), values)?;
        if pulls_its_loads_in(&built, profile)? {
            return Ok(built);
        }
    }
    // What the files state does not pull in, or only just: then that is what was built.
    Ok(stated)
}

/// How far a level's volts lie from the stated ones, as a part of themselves (assumed).
const LEVEL_VOLTS: f64 = 0.01;

/// The installation with each other supply that the bench's relays can select: every level, and
/// each supply cut off from the controller. `as_faulty` puts the faults in.
///
/// # Errors
/// [`CircuitError`] where a stated value is outside physics.
pub(super) fn supplied_otherwise(
    (bench, profile): (&BenchMap, &Profile),
    usual: &Circuit,
    seed: u64,
    as_faulty: &dyn Fn(Circuit) -> Result<Circuit, CircuitError>,
) -> Result<Vec<(SupplySelected, Circuit)>, CircuitError> {
    let supply = &bench.supply;
    let mut draws = Draws::new(seed, Purpose::Installation, 1);
    let mut supplies = vec![(None, usual.clone())];
    for (index, level) in supply.levels.iter().enumerate() {
        let volts = Volts(level.volts.0 * (1.0 + draws.deviation() * LEVEL_VOLTS));
        let built = as_built(bench, profile, seed)?;
        let values = values_at_level(profile, bench, built.values(), volts)?;
        let circuit = as_faulty(Circuit::new(profile, Some(bench), values)?)?;
        supplies.push((Some(index), circuit));
    }
    let mut selected = Vec::new();
    for (level, circuit) in supplies {
        if supply.interrupt.is_some() {
            let cut = circuit.with_controller_cut_off()?;
            selected.push((SupplySelected { level, cut: true }, cut));
        }
        selected.push((SupplySelected { level, cut: false }, circuit));
    }
    Ok(selected)
}

fn pulls_its_loads_in(circuit: &Circuit, profile: &Profile) -> Result<bool, CircuitError> {
    let table = TruthTable::of(profile);
    for row in table.rows().iter().filter(|row| row.applicable) {
        let solution = circuit.solve(&ClosedContacts::of(&row.demanded))?;
        let starved = |line: &Terminal| {
            let state = solution.load_state(line);
            state.is_some_and(|state| state != LoadState::PulledIn)
        };
        if row.demanded.iter().any(starved) {
            return Ok(false);
        }
    }
    Ok(true)
}
