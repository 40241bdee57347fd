//! The circuit of one installation: solved for a set of closed contacts, with its faults.
//!
//! Place in the data's path: made from a profile, a bench and values; the simulated bench, the
//! diagnosis, the supply budget and the `circuit` command ask it what reads where. Coils, fuses
//! and loose joints have states that depend on the tensions that depend on them: a solution is a
//! fixed point of both, or says which coils chatter where there is none.

use super::layout::{Layout, LoadHealth};
use super::solver::Prepared;
use super::{
    CircuitError, CircuitValues, CoilValues, ElementId, ElementKind, Fault, LoadState, Netlist,
    Solution, build, fault_edit,
};
use crate::domain::{BenchMap, Profile};
use crate::units::{Terminal, Volts};
use num_complex::Complex64;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// The lines whose contacts are called closed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ClosedContacts(pub BTreeSet<Terminal>);

impl<'a> FromIterator<&'a Terminal> for ClosedContacts {
    fn from_iter<I: IntoIterator<Item = &'a Terminal>>(lines: I) -> Self {
        Self(lines.into_iter().cloned().collect())
    }
}

impl ClosedContacts {
    /// No contact closed.
    #[must_use]
    pub fn none() -> Self {
        Self::default()
    }

    /// The contacts of the given lines.
    #[must_use]
    pub fn of(lines: &BTreeSet<Terminal>) -> Self {
        Self(lines.clone())
    }
}

/// What a circuit remembers from one moment to the next: hysteresis and a blown fuse.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct CircuitState {
    /// Lines whose load is pulled in.
    pub pulled_in: BTreeSet<Terminal>,
    /// Rails whose fuse is open.
    pub open_fuses: BTreeSet<Terminal>,
    /// Whether joints that come and go are made at this moment.
    pub intermittents_made: bool,
    /// Whether the outdoor unit feeds its auxiliary line at this moment, of its own accord.
    pub defrosts: bool,
}

/// One installation's circuit.
#[derive(Debug, Clone)]
pub struct Circuit {
    pub(super) profile: Arc<Profile>,
    pub(super) values: Arc<CircuitValues>,
    pub(super) netlist: Arc<Netlist>,
    pub(super) layout: Arc<Layout>,
    pub(super) prepared: Arc<Prepared>,
}

impl Circuit {
    /// The circuit of a profile on a bench; without a bench every line has a contact, its default
    /// load and a meter.
    ///
    /// # Errors
    /// [`CircuitError`] where a value is outside physics.
    pub fn new(
        profile: &Profile,
        bench: Option<&BenchMap>,
        mut values: CircuitValues,
    ) -> Result<Self, CircuitError> {
        if let Some(bench) = bench {
            values.hertz = f64::from(bench.timing.mains_hertz);
        }
        values.check()?;
        let (netlist, layout) = build::build(profile, bench, &values)?;
        let prepared = prepare(&netlist, &layout, &values)?;
        Ok(Self {
            profile: Arc::new(profile.clone()),
            values: Arc::new(values),
            netlist: Arc::new(netlist),
            layout: Arc::new(layout),
            prepared: Arc::new(prepared),
        })
    }

    /// The same circuit with faults, values first, then what is landed where, in the
    /// given order.
    ///
    /// # Errors
    /// [`CircuitError::Fault`] where one makes no sense here.
    pub fn with_faults(&self, faults: &[Fault]) -> Result<Self, CircuitError> {
        let mut faulty = self.clone();
        let (values, structure): (Vec<&Fault>, Vec<&Fault>) = faults
            .iter()
            .partition(|fault| fault_edit::is_value(fault.kind()));
        for fault in values.into_iter().chain(structure) {
            fault_edit::apply(&mut faulty, fault)?;
        }
        faulty.prepare()?;
        Ok(faulty)
    }

    /// Makes ready for solving after the netlist was changed.
    pub(super) fn prepare(&mut self) -> Result<(), CircuitError> {
        self.prepared = prepare(&self.netlist, &self.layout, &self.values)?.into();
        Ok(())
    }

    /// Its lines, in the order of the strip.
    #[must_use]
    pub fn lines(&self) -> &[Terminal] {
        &self.layout.lines
    }

    /// The rail of its only supply, or of the cooling side's.
    #[must_use]
    pub fn rail(&self) -> Terminal {
        self.layout.supplies[0].rail.clone()
    }

    /// Its values, faults included only where they are values.
    #[must_use]
    pub fn values(&self) -> &CircuitValues {
        &self.values
    }

    /// The coil on each line that has a load, bench and defaults put together.
    #[must_use]
    pub fn coils(&self) -> BTreeMap<Terminal, CoilValues> {
        let loads = self.layout.loads.iter();
        loads
            .map(|load| (load.terminal.clone(), load.coil))
            .collect()
    }

    /// Its netlist, every contact open and every coil unsealed.
    #[must_use]
    pub fn netlist(&self) -> &Netlist {
        &self.netlist
    }

    /// Lines whose sensing is dead by a fault: an instrument there reads nothing, whatever the
    /// circuit does.
    #[must_use]
    pub fn dead_inputs(&self) -> &BTreeSet<Terminal> {
        &self.layout.dead_inputs
    }

    /// Every part with the contacts in place, coils unsealed and fuses as built.
    pub(super) fn contact_kinds(&self, closed: &ClosedContacts) -> Vec<ElementKind> {
        let mut kinds = self.netlist.kinds();
        let layout = &self.layout;
        for contact in layout.contacts.values().chain(&layout.extra_contacts) {
            kinds[contact.element.0] = if contact.rule.closed(&closed.0) {
                contact.closed
            } else {
                contact.open
            };
        }
        kinds
    }

    /// Solves from rest: every coil dropped out, every fuse as the faults left it, joints that
    /// come and go open.
    ///
    /// # Errors
    /// [`CircuitError`] where a part floats or the system is singular.
    pub fn solve(&self, closed: &ClosedContacts) -> Result<Solution, CircuitError> {
        self.solve_from(closed, &CircuitState::default())
    }

    /// Solves from an earlier state: coils keep their side of the hysteresis, an open fuse stays
    /// open.
    ///
    /// # Errors
    /// [`CircuitError`] where a part floats or the system is singular.
    pub fn solve_from(
        &self,
        closed: &ClosedContacts,
        before: &CircuitState,
    ) -> Result<Solution, CircuitError> {
        let mut moment = Moment::of(self, closed, before);
        let mut chattering = moment.settle_coils()?;
        while moment.open_what_lets_go() || moment.drop_starved_outputs() {
            chattering = moment.settle_coils()?;
        }
        Ok(moment.solution(before, &chattering))
    }
}

/// Eliminates what no contact, coil, fuse or loose joint touches.
fn prepare(
    netlist: &Netlist,
    layout: &Layout,
    values: &CircuitValues,
) -> Result<Prepared, CircuitError> {
    let contacts = layout.contacts.values().chain(&layout.extra_contacts);
    let mut changing: Vec<ElementId> = contacts.map(|contact| contact.element).collect();
    changing.extend(layout.loads.iter().map(|load| load.element));
    changing.extend(layout.supplies.iter().map(|supply| supply.fuse));
    changing.extend(&layout.lets_go_under_load);
    changing.extend(&layout.come_and_go);
    changing.extend(layout.defrost.as_ref().map(|contact| contact.element));
    Prepared::new(netlist, &netlist.kinds(), values.angular(), &changing)
}

/// The circuit at one moment, on its way to a fixed point.
struct Moment<'a> {
    circuit: &'a Circuit,
    kinds: Vec<ElementKind>,
    tensions: Vec<Complex64>,
    sealed: Vec<bool>,
    angular: f64,
}

impl<'a> Moment<'a> {
    fn of(circuit: &'a Circuit, closed: &ClosedContacts, before: &CircuitState) -> Self {
        let layout = &circuit.layout;
        let mut kinds = circuit.contact_kinds(closed);
        for supply in &layout.supplies {
            if before.open_fuses.contains(&supply.rail) {
                open(&mut kinds[supply.fuse.0]);
            }
        }
        if let Some(contact) = layout.defrost.as_ref().filter(|_| before.defrosts) {
            kinds[contact.element.0] = contact.closed;
        }
        if !before.intermittents_made {
            for joint in &layout.come_and_go {
                open(&mut kinds[joint.0]);
            }
        }
        let was_in = |load: &super::layout::LoadSite| before.pulled_in.contains(&load.terminal);
        Self {
            circuit,
            kinds,
            tensions: Vec::new(),
            sealed: layout.loads.iter().map(was_in).collect(),
            angular: circuit.values.angular(),
        }
    }

    fn solve(&mut self) -> Result<(), CircuitError> {
        let circuit = self.circuit;
        for (load, sealed) in circuit.layout.loads.iter().zip(&self.sealed) {
            if load.health != LoadHealth::Dead {
                self.kinds[load.element.0] = load.coil.element(*sealed, self.angular);
            }
        }
        let netlist = &circuit.netlist;
        self.tensions = circuit.prepared.solve(netlist, &self.kinds)?;
        Ok(())
    }

    fn volts_across(&self, element: ElementId) -> Volts {
        let part = self.circuit.netlist.element(element);
        Volts((self.tensions[part.from.0] - self.tensions[part.to.0]).norm())
    }

    fn amps_through(&self, element: ElementId) -> f64 {
        let volts = self.volts_across(element).0;
        volts * self.kinds[element.0].admittance(self.angular).norm()
    }

    /// Moves coils until none wants to move. Where the same state comes back there is no fixed
    /// point, and the coils that moved since then chatter.
    fn settle_coils(&mut self) -> Result<Vec<bool>, CircuitError> {
        let mut seen: Vec<Vec<bool>> = Vec::new();
        loop {
            self.solve()?;
            let wanted: Vec<bool> = self
                .circuit
                .layout
                .loads
                .iter()
                .zip(&self.sealed)
                .map(|(load, sealed)| {
                    let tension = self.volts_across(load.element);
                    load.health == LoadHealth::Sound && load.coil.pulled_in(tension, *sealed)
                })
                .collect();
            if wanted == self.sealed {
                return Ok(vec![false; wanted.len()]);
            }
            seen.push(std::mem::replace(&mut self.sealed, wanted));
            if let Some(start) = seen.iter().position(|state| *state == self.sealed) {
                let cycle = &seen[start..];
                let moves = |coil: usize| cycle.iter().any(|state| state[coil] != cycle[0][coil]);
                return Ok((0..self.sealed.len()).map(moves).collect());
            }
        }
    }

    /// Opens fuses and loose joints that carry too much now; whether any did.
    fn open_what_lets_go(&mut self) -> bool {
        let layout = &self.circuit.layout;
        let joint_limit = self.circuit.values.faults.opens_under_load_above_amps;
        let joints = layout.lets_go_under_load.iter().map(|j| (*j, joint_limit));
        let fuses = layout
            .supplies
            .iter()
            .map(|supply| (supply.fuse, supply.protection.opens_above_amps()));
        // A joint lets go before a fuse has warmed: fuses are looked at once the joints are still.
        for group in [joints.collect::<Vec<_>>(), fuses.collect()] {
            let mut opened = false;
            for (element, limit) in group {
                if is_closed(&self.kinds[element.0]) && self.amps_through(element) > limit {
                    open(&mut self.kinds[element.0]);
                    opened = true;
                }
            }
            if opened {
                return true;
            }
        }
        false
    }

    /// Turns off the solid-state outputs whose load no longer holds them on; whether any was.
    fn drop_starved_outputs(&mut self) -> bool {
        let circuit = self.circuit;
        let contacts = circuit.layout.contacts.values();
        let starved: Vec<_> = contacts
            .filter(|contact| is_closed(&self.kinds[contact.element.0]))
            .filter(|contact| contact.lets_go_at(self.amps_through(contact.element)))
            .collect();
        for contact in &starved {
            self.kinds[contact.element.0] = contact.open;
        }
        !starved.is_empty()
    }

    fn solution(self, before: &CircuitState, chattering: &[bool]) -> Solution {
        let layout = &self.circuit.layout;
        let state_of = |index: usize| {
            let load = &layout.loads[index];
            let tries = load.health == LoadHealth::Chatters
                && load.coil.pulled_in(self.volts_across(load.element), false);
            if chattering[index] || tries {
                LoadState::Chatters
            } else if self.sealed[index] {
                LoadState::PulledIn
            } else {
                LoadState::DroppedOut
            }
        };
        let loads = (0..layout.loads.len()).map(state_of).collect();
        let open_fuses = layout
            .supplies
            .iter()
            .filter(|supply| !is_closed(&self.kinds[supply.fuse.0]))
            .map(|supply| supply.rail.clone())
            .collect();
        Solution::new(
            self.circuit,
            self.kinds,
            self.tensions,
            (loads, open_fuses),
            (before.intermittents_made, before.defrosts),
        )
    }
}

fn is_closed(kind: &ElementKind) -> bool {
    matches!(kind, ElementKind::Switch { closed: true, .. })
}

fn open(kind: &mut ElementKind) {
    if let ElementKind::Switch { closed, .. } = kind {
        *closed = false;
    }
}

#[cfg(test)]
#[path = "model_tests.rs"]
mod tests;
