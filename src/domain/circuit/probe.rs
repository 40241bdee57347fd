//! Instruments put on a circuit for one reading: a voltmeter with its load, an ohmmeter.
//!
//! Place in the data's path: the simulated bench reads its multiplexed meter through these. They
//! give what stands at the instrument's terminals; noise, gain and resolution are the
//! instrument's own and not said here.

use super::solver::Prepared;
use super::{Circuit, CircuitError, CircuitState, ClosedContacts, ElementKind, Netlist, NodeId};
use crate::units::{Ohms, Place, Terminal, Volts};
use num_complex::Complex64;

/// A point against which something is measured.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Point {
    /// The terminal.
    pub terminal: Terminal,
    /// Where it is touched.
    pub place: Place,
}

/// A voltmeter put on two points.
#[derive(Debug, Clone, PartialEq)]
pub struct Probe {
    /// Where its first lead goes.
    pub on: Point,
    /// Where its second lead goes; `None` for the common of the same place.
    pub against: Option<Point>,
    /// Its input resistance.
    pub input_ohms: Ohms,
    /// Load across it while it reads.
    pub load_ohms: Option<Ohms>,
    /// Resistance in series with it and its load.
    pub series_ohms: Ohms,
}

/// What a voltmeter has at its terminals, and what stands on the line while it is there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProbeReading {
    /// At the meter's own terminals, behind the series resistance.
    pub at_meter: Volts,
    /// On the line.
    pub on_line: Volts,
}

/// An ohmmeter's source, so large that any reading stays well-conditioned.
const OHMMETER_OHMS: f64 = 1e3;

impl Circuit {
    /// Puts a voltmeter on the circuit and solves it with the meter's load in place.
    ///
    /// # Errors
    /// [`CircuitError`] where a point is not there, or the circuit cannot be solved.
    pub fn read(
        &self,
        closed: &ClosedContacts,
        before: &CircuitState,
        probe: &Probe,
    ) -> Result<ProbeReading, CircuitError> {
        let (hot, cold) = self.points(&probe.on, probe.against.as_ref())?;
        let conductance =
            1.0 / probe.input_ohms.0 + probe.load_ohms.map_or(0.0, |ohms| 1.0 / ohms.0);
        let meter_ohms = 1.0 / conductance;
        let total = meter_ohms + probe.series_ohms.0;
        let mut netlist = Netlist::clone(&self.netlist);
        netlist.add("probe", hot, cold, ElementKind::Resistor { ohms: total })?;
        let mut probed = self.clone();
        probed.netlist = netlist.into();
        probed.prepare()?;
        let solution = probed.solve_from(closed, before)?;
        let on_line = solution.between(hot, cold);
        let at_meter = Volts(on_line.0 * meter_ohms / total);
        Ok(ProbeReading { at_meter, on_line })
    }

    /// What an ohmmeter reads between two points: direct current, supply dead, coils by their DC
    /// resistance, never by their impedance.
    ///
    /// # Errors
    /// [`CircuitError`] where a point is not there, or the circuit cannot be solved.
    pub fn ohms(
        &self,
        closed: &ClosedContacts,
        on: &Point,
        against: Option<&Point>,
    ) -> Result<Ohms, CircuitError> {
        let (hot, cold) = self.points(on, against)?;
        let mut netlist = Netlist::clone(&self.netlist);
        let mut kinds = self.contact_kinds(closed);
        for kind in &mut kinds {
            if let ElementKind::Source { ohms, .. } = *kind {
                *kind = ElementKind::Resistor { ohms };
            }
        }
        for load in &self.layout.loads {
            if load.health != super::layout::LoadHealth::Dead {
                let ohms = load.coil.dc_ohms;
                kinds[load.element.0] = ElementKind::Resistor { ohms };
            }
        }
        let tester = ElementKind::Source {
            volts: Complex64::new(1.0, 0.0),
            ohms: OHMMETER_OHMS,
            henries: 0.0,
        };
        netlist.add("ohmmeter", hot, cold, tester)?;
        kinds.push(tester);
        let tensions = Prepared::new(&netlist, &kinds, 0.0, &[])?.solve(&netlist, &kinds)?;
        let across = (tensions[hot.0] - tensions[cold.0]).re;
        Ok(Ohms(across * OHMMETER_OHMS / (1.0 - across)))
    }

    fn points(
        &self,
        on: &Point,
        against: Option<&Point>,
    ) -> Result<(NodeId, NodeId), CircuitError> {
        let hot = self.layout.strip(&on.terminal, on.place)?;
        let cold = match against {
            Some(point) => self.layout.strip(&point.terminal, point.place)?,
            None => self.layout.common(&on.terminal, on.place)?,
        };
        Ok((hot, cold))
    }
}
