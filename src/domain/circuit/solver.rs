//! Phasor nodal analysis: every node's tension at one frequency.
//!
//! Place in the data's path: takes a netlist and what its elements are at this moment, gives one
//! complex tension for each node, rms, against the reference. Supplies enter as Norton sources
//! (they all have a source impedance), so that nodes are the only unknowns.
//!
//! The linear system is reduced node by node by the general star-mesh transform (A. Rosen, "A new
//! network theorem", Journal of the IEE 62, 1924; it is Gaussian elimination of a symmetric nodal
//! matrix), with the reference kept as an ordinary node. A node's own admittance is always the
//! *sum* of its branches and never a difference of stored numbers, so a picofarad beside a
//! hundredth of an ohm keeps its digits (Grassmann, Taksar, Heyman, Operations Research 33, 1985,
//! for the same device in Markov chains), and a floating part shows as an exact zero in place of a
//! pivot that is rounding noise. The order is chosen for sparsity. Where a pure inductance and a
//! capacitance cancel at a node, so that the order would matter, LU with partial pivoting takes
//! over; tests compare the two.

use super::{CircuitError, ElementKind, Netlist};
use nalgebra::{DMatrix, DVector};
use num_complex::Complex64;
use std::collections::BTreeSet;

/// Below this part of the magnitudes that make it up, a node's admittance is cancellation noise.
const CANCELLED: f64 = 1e-12;

/// Below this part of the admittances first joined to a node, what is left of them when its turn
/// comes is rounding noise. A 1 mohm joint on a node that only 1 Gohm holds leaves 1e-12.
const NOISE: f64 = 1e-15;

/// The order in which nodes are eliminated, and which later nodes each one touches by then.
///
/// It depends on which nodes have an element between them, not on the elements' values; one plan
/// serves every state of a circuit's contacts and coils.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct EliminationPlan {
    position: Vec<usize>,
    later: Vec<Vec<u32>>,
}

impl EliminationPlan {
    /// Eliminates a node with the fewest neighbours first; the reference is kept to the last.
    pub(super) fn of(netlist: &Netlist) -> Result<Self, CircuitError> {
        let reference = netlist.reference().ok_or(CircuitError::NoReference)?.0;
        let count = netlist.nodes().len();
        let mut neighbours: Vec<BTreeSet<usize>> = vec![BTreeSet::new(); count];
        for element in netlist.elements() {
            if element.from != element.to {
                neighbours[element.from.0].insert(element.to.0);
                neighbours[element.to.0].insert(element.from.0);
            }
        }
        let mut waiting: Vec<usize> = (0..count).filter(|node| *node != reference).collect();
        let mut position = vec![count - 1; count];
        let mut touched = Vec::with_capacity(count);
        while let Some(index) = (0..waiting.len()).min_by_key(|i| neighbours[waiting[*i]].len()) {
            let node = waiting.swap_remove(index);
            position[node] = touched.len();
            let around = std::mem::take(&mut neighbours[node]);
            for &one in &around {
                neighbours[one].remove(&node);
                for &other in &around {
                    if one != other {
                        neighbours[one].insert(other);
                    }
                }
            }
            touched.push(around);
        }
        touched.push(BTreeSet::new());
        let later = touched
            .into_iter()
            .map(|around| {
                let mut places: Vec<u32> = around
                    .into_iter()
                    .map(|node| u32::try_from(position[node]).expect("a netlist is far smaller"))
                    .collect();
                places.sort_unstable();
                places
            })
            .collect();
        Ok(Self { position, later })
    }

    fn node_at(&self, place: usize) -> super::NodeId {
        let index = self.position.iter().position(|known| *known == place);
        super::NodeId(index.expect("every place belongs to a node"))
    }
}

/// Solves the netlist with the given parts in its elements' places.
///
/// `kinds` has one entry for each element; `angular` is in radians per second.
pub(super) fn solve(
    netlist: &Netlist,
    kinds: &[ElementKind],
    angular: f64,
    plan: &EliminationPlan,
) -> Result<Vec<Complex64>, CircuitError> {
    let count = netlist.nodes().len();
    let zero = Complex64::new(0.0, 0.0);
    let mut admittance = vec![zero; count * count];
    let mut current = vec![zero; count];
    let mut joined = vec![0.0; count];
    for (element, kind) in netlist.elements().iter().zip(kinds) {
        let a = plan.position[element.from.0];
        let b = plan.position[element.to.0];
        if a == b {
            continue;
        }
        let value = kind.admittance(angular);
        admittance[a.min(b) * count + a.max(b)] += value;
        joined[a] += value.l1_norm();
        joined[b] += value.l1_norm();
        if kind.is_source() {
            let short_circuit = kind.source_volts() * value;
            current[a] += short_circuit;
            current[b] -= short_circuit;
        }
    }
    let mut inverse = vec![zero; count];
    for k in 0..count.saturating_sub(1) {
        let touched = &plan.later[k];
        let (before, after) = admittance.split_at_mut((k + 1) * count);
        let row = &before[k * count..];
        let own: Complex64 = touched.iter().map(|&j| row[j as usize]).sum();
        let magnitude: f64 = touched.iter().map(|&j| row[j as usize].l1_norm()).sum();
        if own.l1_norm() <= (CANCELLED * magnitude).max(NOISE * joined[k]) {
            let node = plan.node_at(k);
            let islands = netlist.joined_to(node);
            return if islands[plan.node_at(count - 1).0] {
                solve_by_pivoting(netlist, kinds, angular, node)
            } else {
                Err(floats(netlist, node, &islands))
            };
        }
        inverse[k] = own.inv();
        for (index, &i) in touched.iter().enumerate() {
            let i = i as usize;
            let share = row[i] * inverse[k];
            let injected = share * current[k];
            current[i] += injected;
            let target = &mut after[(i - k - 1) * count..(i - k) * count];
            for &j in &touched[index + 1..] {
                target[j as usize] += share * row[j as usize];
            }
        }
    }
    let mut tension = vec![zero; count];
    for k in (0..count.saturating_sub(1)).rev() {
        let row = &admittance[k * count..(k + 1) * count];
        let fed: Complex64 = plan.later[k]
            .iter()
            .map(|&j| row[j as usize] * tension[j as usize])
            .sum();
        tension[k] = (current[k] + fed) * inverse[k];
    }
    Ok(plan.position.iter().map(|&place| tension[place]).collect())
}

/// LU with partial pivoting, for networks in which a node's admittances cancel.
fn solve_by_pivoting(
    netlist: &Netlist,
    kinds: &[ElementKind],
    angular: f64,
    cancelled: super::NodeId,
) -> Result<Vec<Complex64>, CircuitError> {
    let singular = || CircuitError::Singular {
        node: netlist.node_name(cancelled).to_owned(),
    };
    let reference = netlist.reference().ok_or(CircuitError::NoReference)?.0;
    let count = netlist.nodes().len();
    let zero = Complex64::new(0.0, 0.0);
    let mut matrix = DMatrix::from_element(count, count, zero);
    let mut current = DVector::from_element(count, zero);
    for (element, kind) in netlist.elements().iter().zip(kinds) {
        let (a, b) = (element.from.0, element.to.0);
        let value = kind.admittance(angular);
        matrix[(a, a)] += value;
        matrix[(b, b)] += value;
        matrix[(a, b)] -= value;
        matrix[(b, a)] -= value;
        current[a] += value * kind.source_volts();
        current[b] -= value * kind.source_volts();
    }
    let matrix = matrix.remove_row(reference).remove_column(reference);
    let current = current.remove_row(reference);
    let decomposed = matrix.lu();
    let upper = decomposed.u();
    let pivots = upper.diagonal().map(|pivot| pivot.norm());
    if pivots.min() <= CANCELLED * pivots.max() {
        return Err(singular());
    }
    let solved = decomposed.solve(&current).ok_or_else(singular)?;
    let mut tensions: Vec<Complex64> = solved.iter().copied().collect();
    tensions.insert(reference, zero);
    Ok(tensions)
}

/// Names a node that floats, and the supply where a whole supply floats.
fn floats(netlist: &Netlist, node: super::NodeId, island: &[bool]) -> CircuitError {
    let name = |node| netlist.node_name(node).to_owned();
    let reference = netlist.reference().map(name).unwrap_or_default();
    let supply = netlist
        .elements()
        .iter()
        .find(|element| element.kind.is_source() && island[element.from.0]);
    match supply {
        Some(element) => CircuitError::FloatingSupply {
            element: element.name.to_string(),
            node: name(element.from),
            reference,
        },
        None => CircuitError::Floating {
            node: name(node),
            reference,
        },
    }
}

impl Netlist {
    /// Every node's tension, rms and complex, against the reference, in the nodes' order.
    ///
    /// # Errors
    /// [`CircuitError`] without a reference, with a floating part or supply, or with a lossless
    /// resonance; it names the node.
    pub fn solve(&self, hertz: f64) -> Result<Vec<Complex64>, CircuitError> {
        let plan = EliminationPlan::of(self)?;
        let angular = std::f64::consts::TAU * hertz;
        solve(self, &self.kinds(), angular, &plan)
    }

    /// The current of every element from its first node to its second, given all tensions.
    #[must_use]
    pub fn currents(&self, tensions: &[Complex64], hertz: f64) -> Vec<Complex64> {
        let angular = std::f64::consts::TAU * hertz;
        branch_currents(self, &self.kinds(), tensions, angular)
    }
}

/// Currents by each element's own law.
pub(super) fn branch_currents(
    netlist: &Netlist,
    kinds: &[ElementKind],
    tensions: &[Complex64],
    angular: f64,
) -> Vec<Complex64> {
    let law = |(element, kind): (&super::Element, &ElementKind)| {
        let across = tensions[element.from.0] - tensions[element.to.0];
        (across - kind.source_volts()) * kind.admittance(angular)
    };
    netlist.elements().iter().zip(kinds).map(law).collect()
}

#[cfg(test)]
#[path = "solver_tests.rs"]
mod tests;
