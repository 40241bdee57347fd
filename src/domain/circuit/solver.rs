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

use super::elimination_order::EliminationOrder;
use super::{CircuitError, ElementId, ElementKind, Netlist, NodeId};
use nalgebra::{DMatrix, DVector};
use num_complex::Complex64;

/// Below this part of the magnitudes that make it up, a node's admittance is cancellation noise.
const CANCELLED: f64 = 1e-12;

/// Below this part of the admittances first joined to a node, what is left of them when its turn
/// comes is rounding noise. A 1 mohm joint on a node that only 1 Gohm holds leaves 1e-12.
const NOISE: f64 = 1e-15;

/// A netlist made ready to be solved again and again while some of its elements change.
///
/// Nodes that touch no changing element are eliminated here, once; what is left is the core, which
/// is eliminated for each state.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Prepared {
    order: EliminationOrder,
    angular: f64,
    /// The fixed nodes' rows as they were when eliminated, each beside `order.later`.
    rows: Vec<Vec<Complex64>>,
    inverse: Vec<Complex64>,
    current: Vec<Complex64>,
    /// The core's admittances, row by row, upper triangle.
    core: Vec<Complex64>,
    core_current: Vec<Complex64>,
    joined: Vec<f64>,
    changing: Vec<Changing>,
    /// A fixed node whose admittances cancel: every state is then solved by pivoting.
    cancelled: Option<NodeId>,
}

/// A changing element between two places of the core.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Changing {
    element: usize,
    from: usize,
    to: usize,
}

/// A node whose own admittance is nothing, by its place.
struct Cancelled(usize);

impl Prepared {
    /// Eliminates all nodes that none of the changing elements touches.
    pub(super) fn new(
        netlist: &Netlist,
        kinds: &[ElementKind],
        angular: f64,
        changing: &[ElementId],
    ) -> Result<Self, CircuitError> {
        let order = EliminationOrder::of(netlist, changing)?;
        let (count, fixed) = (netlist.nodes().len(), order.fixed);
        let zero = Complex64::new(0.0, 0.0);
        let mut work = Elimination {
            count,
            admittance: vec![zero; count * count],
            current: vec![zero; count],
            joined: vec![0.0; count],
        };
        let mut is_changing = vec![false; kinds.len()];
        for element in changing {
            is_changing[element.0] = true;
        }
        let mut moving = Vec::new();
        for (index, element) in netlist.elements().iter().enumerate() {
            let from = order.position[element.from.0];
            let to = order.position[element.to.0];
            if !is_changing[index] {
                work.add(from, to, &kinds[index], angular);
            } else if from != to {
                moving.push(Changing {
                    element: index,
                    from: from - fixed,
                    to: to - fixed,
                });
            }
        }
        let mut prepared = Self {
            angular,
            rows: Vec::with_capacity(fixed),
            inverse: Vec::with_capacity(fixed),
            current: Vec::new(),
            core: Vec::new(),
            core_current: Vec::new(),
            joined: Vec::new(),
            changing: moving,
            cancelled: None,
            order,
        };
        prepared.eliminate_fixed(netlist, work)?;
        Ok(prepared)
    }

    fn eliminate_fixed(
        &mut self,
        netlist: &Netlist,
        mut work: Elimination,
    ) -> Result<(), CircuitError> {
        let (count, fixed) = (work.count, self.order.fixed);
        for k in 0..fixed.min(count - 1) {
            match work.eliminate(k, &self.order.later[k]) {
                Ok(inverse) => self.inverse.push(inverse),
                Err(Cancelled(place)) => {
                    self.cancelled = Some(self.order.refuse_floating(netlist, place)?);
                    return Ok(());
                }
            }
            let row = &work.admittance[k * count..(k + 1) * count];
            let kept = self.order.later[k].iter().map(|&j| row[j as usize]);
            self.rows.push(kept.collect());
        }
        let core_row = |k: usize| &work.admittance[k * count + fixed..(k + 1) * count];
        self.core = (fixed..count).flat_map(core_row).copied().collect();
        self.core_current = work.current.split_off(fixed);
        self.current = work.current;
        self.joined = work.joined.split_off(fixed);
        Ok(())
    }

    /// Every node's tension with the changing elements as given; all others as when prepared.
    pub(super) fn solve(
        &self,
        netlist: &Netlist,
        kinds: &[ElementKind],
    ) -> Result<Vec<Complex64>, CircuitError> {
        if let Some(node) = self.cancelled {
            return solve_by_pivoting(netlist, kinds, self.angular, node);
        }
        let order = &self.order;
        let fixed = order.fixed;
        let count = netlist.nodes().len() - fixed;
        let mut work = Elimination {
            count,
            admittance: self.core.clone(),
            current: self.core_current.clone(),
            joined: self.joined.clone(),
        };
        for part in &self.changing {
            work.add(part.from, part.to, &kinds[part.element], self.angular);
        }
        let zero = Complex64::new(0.0, 0.0);
        let mut inverse = Vec::with_capacity(count);
        for k in 0..count.saturating_sub(1) {
            match work.eliminate(k, &order.later_in_core[k]) {
                Ok(value) => inverse.push(value),
                Err(Cancelled(place)) => {
                    let node = order.refuse_floating(netlist, place + fixed)?;
                    return solve_by_pivoting(netlist, kinds, self.angular, node);
                }
            }
        }
        let mut tension = vec![zero; fixed + count];
        for k in (0..count.saturating_sub(1)).rev() {
            let row = &work.admittance[k * count..(k + 1) * count];
            let touched = order.later_in_core[k].iter();
            let fed: Complex64 = touched
                .map(|&j| row[j as usize] * tension[fixed + j as usize])
                .sum();
            tension[fixed + k] = (work.current[k] + fed) * inverse[k];
        }
        for k in (0..self.rows.len()).rev() {
            let touched = self.rows[k].iter().zip(&order.later[k]);
            let fed: Complex64 = touched.map(|(value, &j)| value * tension[j as usize]).sum();
            tension[k] = (self.current[k] + fed) * self.inverse[k];
        }
        let places = order.position.iter();
        Ok(places.map(|&place| tension[place]).collect())
    }
}

/// A nodal matrix on its way down, upper triangle, and the currents fed into its nodes.
struct Elimination {
    count: usize,
    admittance: Vec<Complex64>,
    current: Vec<Complex64>,
    joined: Vec<f64>,
}

impl Elimination {
    fn add(&mut self, from: usize, to: usize, kind: &ElementKind, angular: f64) {
        if from == to {
            return;
        }
        let value = kind.admittance(angular);
        self.admittance[from.min(to) * self.count + from.max(to)] += value;
        self.joined[from] += value.l1_norm();
        self.joined[to] += value.l1_norm();
        if kind.is_source() {
            let short_circuit = kind.source_volts() * value;
            self.current[from] += short_circuit;
            self.current[to] -= short_circuit;
        }
    }

    /// Replaces a node and its star by the mesh between its neighbours; gives 1 over its own
    /// admittance.
    fn eliminate(&mut self, k: usize, touched: &[u32]) -> Result<Complex64, Cancelled> {
        let count = self.count;
        let (before, after) = self.admittance.split_at_mut((k + 1) * count);
        let row = &before[k * count..];
        let mut own = Complex64::new(0.0, 0.0);
        let mut magnitude = 0.0;
        for &j in touched {
            own += row[j as usize];
            magnitude += row[j as usize].l1_norm();
        }
        if own.l1_norm() <= (CANCELLED * magnitude).max(NOISE * self.joined[k]) {
            return Err(Cancelled(k));
        }
        let inverse = own.inv();
        for (index, &i) in touched.iter().enumerate() {
            let i = i as usize;
            let share = row[i] * inverse;
            let injected = share * self.current[k];
            self.current[i] += injected;
            let target = &mut after[(i - k - 1) * count..(i - k) * count];
            for &j in &touched[index + 1..] {
                target[j as usize] += share * row[j as usize];
            }
        }
        Ok(inverse)
    }
}

/// LU with partial pivoting, for networks in which a node's admittances cancel.
fn solve_by_pivoting(
    netlist: &Netlist,
    kinds: &[ElementKind],
    angular: f64,
    cancelled: NodeId,
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

impl Netlist {
    /// Every node's tension, rms and complex, against the reference, in the nodes' order.
    ///
    /// # Errors
    /// [`CircuitError`] without a reference, with a floating part or supply, or with a lossless
    /// resonance; it names the node.
    pub fn solve(&self, hertz: f64) -> Result<Vec<Complex64>, CircuitError> {
        let kinds = self.kinds();
        let angular = std::f64::consts::TAU * hertz;
        Prepared::new(self, &kinds, angular, &[])?.solve(self, &kinds)
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
pub(super) mod tests;
