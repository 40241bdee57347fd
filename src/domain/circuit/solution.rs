//! What a solved circuit says: tensions, currents, loads, supply.
//!
//! Place in the data's path: a circuit makes it; instruments, reports and the budget read it. It
//! is complete in itself and solves nothing.

use super::layout::Layout;
use super::{Circuit, CircuitError, CircuitState, ElementKind, Netlist, NodeId, solver};
use crate::units::{Amps, Place, Terminal, VoltAmperes, Volts};
use num_complex::Complex64;
use std::collections::BTreeSet;
use std::sync::Arc;

/// What a load does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LoadState {
    /// Its armature is out.
    DroppedOut,
    /// Its armature is in.
    PulledIn,
    /// It pulls in and drops out without end.
    Chatters,
}

/// One load as solved.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadReading {
    /// Its line.
    pub terminal: Terminal,
    /// Where it stands.
    pub place: Place,
    /// Tension across it.
    pub volts: Volts,
    /// Current through it.
    pub amps: Amps,
    /// What it does.
    pub state: LoadState,
}

/// One supply as solved.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyReading {
    /// The rail it feeds.
    pub rail: Terminal,
    /// Tension at its terminals, behind its fuse.
    pub volts: Volts,
    /// Current that it gives.
    pub amps: Amps,
    /// What is drawn from it: tension before the fuse times current.
    pub volt_amperes: VoltAmperes,
    /// Whether its fuse or limiter is open.
    pub fuse_open: bool,
}

/// A solved circuit.
#[derive(Debug, Clone)]
pub struct Solution {
    pub(super) netlist: Arc<Netlist>,
    layout: Arc<Layout>,
    pub(super) kinds: Vec<ElementKind>,
    tensions: Vec<Complex64>,
    loads: Vec<LoadState>,
    open_fuses: BTreeSet<Terminal>,
    intermittents_made: bool,
    defrosts: bool,
    hertz: f64,
}

impl Solution {
    pub(super) fn new(
        circuit: &Circuit,
        kinds: Vec<ElementKind>,
        tensions: Vec<Complex64>,
        (loads, open_fuses): (Vec<LoadState>, BTreeSet<Terminal>),
        (intermittents_made, defrosts): (bool, bool),
    ) -> Self {
        Self {
            netlist: Arc::clone(&circuit.netlist),
            layout: Arc::clone(&circuit.layout),
            kinds,
            tensions,
            loads,
            open_fuses,
            intermittents_made,
            defrosts,
            hertz: circuit.values.hertz,
        }
    }

    /// A terminal at a place against the common of the same place. Lines that a second supply
    /// feeds are read against that supply's own common, at the equipment.
    ///
    /// This is what stands there with the bench's own instruments and nothing more: a terminal
    /// that nothing holds follows whatever is across an open gap. What a further meter would show
    /// is [`Circuit::read`]'s to say.
    ///
    /// # Errors
    /// [`CircuitError::NotThere`] where no such terminal is wired there.
    pub fn volts(&self, terminal: &Terminal, place: Place) -> Result<Volts, CircuitError> {
        let hot = self.layout.strip(terminal, place)?;
        let cold = self.layout.common(terminal, place)?;
        Ok(self.between(hot, cold))
    }

    /// Any two terminals against each other.
    ///
    /// # Errors
    /// [`CircuitError::NotThere`] where no such terminal is wired there.
    pub fn volts_between(
        &self,
        one: (&Terminal, Place),
        other: (&Terminal, Place),
    ) -> Result<Volts, CircuitError> {
        let one = self.layout.strip(one.0, one.1)?;
        let other = self.layout.strip(other.0, other.1)?;
        Ok(self.between(one, other))
    }

    pub(super) fn between(&self, one: NodeId, other: NodeId) -> Volts {
        Volts((self.tensions[one.0] - self.tensions[other.0]).norm())
    }

    /// Every node with its complex tension against the reference, rms, in the netlist's order.
    pub fn nodes(&self) -> impl Iterator<Item = (&str, Complex64)> {
        let names = self.netlist.nodes().iter().map(|name| &**name);
        names.zip(self.tensions.iter().copied())
    }

    /// Every element with its complex current, rms, in the netlist's order.
    #[must_use]
    pub fn branches(&self) -> Vec<(&str, Complex64)> {
        let currents =
            solver::branch_currents(&self.netlist, &self.kinds, &self.tensions, self.angular());
        let names = self.netlist.elements().iter().map(|element| &*element.name);
        names.zip(currents).collect()
    }

    /// Mains frequency in hertz.
    #[must_use]
    pub fn hertz(&self) -> f64 {
        self.hertz
    }

    fn angular(&self) -> f64 {
        std::f64::consts::TAU * self.hertz
    }

    fn amps(&self, element: super::ElementId) -> f64 {
        let part = self.netlist.element(element);
        let across = self.tensions[part.from.0] - self.tensions[part.to.0];
        let kind = &self.kinds[element.0];
        ((across - kind.source_volts()) * kind.admittance(self.angular())).norm()
    }

    /// Every load.
    #[must_use]
    pub fn loads(&self) -> Vec<LoadReading> {
        let sites = self.layout.loads.iter().zip(&self.loads);
        sites
            .map(|(site, state)| {
                let part = self.netlist.element(site.element);
                LoadReading {
                    terminal: site.terminal.clone(),
                    place: site.place,
                    volts: self.between(part.from, part.to),
                    amps: Amps(self.amps(site.element)),
                    state: *state,
                }
            })
            .collect()
    }

    /// The current of a line: at the controller end what its contact gives, elsewhere what its load
    /// takes; nothing where it has neither.
    #[must_use]
    pub fn line_amps(&self, terminal: &Terminal, place: Place) -> Amps {
        if place == Place::Controller {
            let contact = self.layout.contacts.get(terminal);
            return Amps(contact.map_or(0.0, |contact| self.amps(contact.element)));
        }
        let mut loads = self.layout.loads.iter();
        let load = loads.find(|site| site.terminal == *terminal);
        Amps(load.map_or(0.0, |site| self.amps(site.element)))
    }

    /// What the load of a line does; `None` where there is no load on it.
    #[must_use]
    pub fn load_state(&self, terminal: &Terminal) -> Option<LoadState> {
        let sites = self.layout.loads.iter().zip(&self.loads);
        sites
            .filter(|(site, _)| site.terminal == *terminal)
            .map(|(_, state)| *state)
            .next()
    }

    /// Lines whose load chatters.
    #[must_use]
    pub fn chattering(&self) -> BTreeSet<Terminal> {
        let sites = self.layout.loads.iter().zip(&self.loads);
        sites
            .filter(|(_, state)| **state == LoadState::Chatters)
            .map(|(site, _)| site.terminal.clone())
            .collect()
    }

    /// Every supply, the only or the cooling side's first.
    #[must_use]
    pub fn supplies(&self) -> Vec<SupplyReading> {
        let reading = |site: &super::layout::SupplySite| {
            let secondary = self.netlist.element(site.source);
            let amps = self.amps(site.source);
            let at_secondary = self.between(secondary.from, secondary.to);
            SupplyReading {
                rail: site.rail.clone(),
                volts: self.between(site.hot, site.common),
                amps: Amps(amps),
                volt_amperes: VoltAmperes(at_secondary.0 * amps),
                fuse_open: self.open_fuses.contains(&site.rail),
            }
        };
        self.layout.supplies.iter().map(reading).collect()
    }

    /// Whether any fuse or limiter is open.
    #[must_use]
    pub fn fuse_open(&self) -> bool {
        !self.open_fuses.is_empty()
    }

    /// What the circuit remembers when the contacts move next: pulled-in loads, and those of the
    /// open fuses that do not close again by themselves.
    #[must_use]
    pub fn state(&self) -> CircuitState {
        let sites = self.layout.loads.iter().zip(&self.loads);
        let pulled_in = sites
            .filter(|(_, state)| **state == LoadState::PulledIn)
            .map(|(site, _)| site.terminal.clone())
            .collect();
        let supplies = self.layout.supplies.iter();
        let open_fuses = supplies
            .filter(|site| site.protection.latches() && self.open_fuses.contains(&site.rail))
            .map(|site| site.rail.clone())
            .collect();
        CircuitState {
            pulled_in,
            open_fuses,
            intermittents_made: self.intermittents_made,
            defrosts: self.defrosts,
        }
    }
}
