//! What closed contacts do to the installation: contacts in, volts out.
//!
//! Place in the data's path: the world tells it every change of the relay contacts, in order, and
//! asks it what stands at each sense point. Behind it is the [`Circuit`] that diagnosis and budget
//! use too, with this bench's own tolerances and faults. It remembers what the circuit remembers:
//! coils that are in, fuses that are open. It knows no bytes, no devices and no time; a faulty
//! relay has already been turned into the contacts that are really closed.
//!
//! Not modelled: a master relay cuts the lines off and not the leakage of their outputs.

use crate::domain::bench_map::{BenchMap, Sense};
use crate::domain::circuit::{
    Circuit, CircuitError, CircuitState, ClosedContacts, LoadState, Probe, Solution,
};
use crate::units::{Amps, End, Ohms, Place, Terminal, Volts};
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

/// Which contacts are really closed at one moment.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Contacts {
    /// Lines whose relay joins them to the supply on its common.
    pub lines: BTreeSet<Terminal>,
    /// Whether the relays' commons are fed: false while a master relay is open.
    pub fed: bool,
    /// Whether joints that come and go are made.
    pub loose_joints_made: bool,
    /// Whether a defrost of the outdoor unit's own feeds its auxiliary line.
    pub defrosts: bool,
    /// What the bench supplies a room controller with.
    pub supply: SupplySelected,
}

/// What a bench supplies a room controller with, by its relays' contacts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct SupplySelected {
    /// The level, by its place in the bench file; `None` for the usual one.
    pub level: Option<usize>,
    /// Whether the supply is cut off from the controller.
    pub cut: bool,
}

impl Contacts {
    fn closed(&self) -> ClosedContacts {
        if self.fed {
            ClosedContacts::of(&self.lines)
        } else {
            ClosedContacts::none()
        }
    }
}

/// A terminal at an end of the cable, sensed against the common of the same end.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Point {
    /// The terminal.
    pub terminal: Terminal,
    /// The end.
    pub end: End,
}

/// What stands at every point that can be sensed, and what the loads do.
#[derive(Debug, Clone, PartialEq)]
pub struct Observations {
    /// Tension of each point against the common of its end.
    pub volts: BTreeMap<Point, Volts>,
    /// What each load does.
    pub loads: BTreeMap<Terminal, LoadState>,
    /// What a room controller has to live on: R against C, or against the far end's C where it gets
    /// none and returns its current through the loads.
    pub controller: Volts,
}

impl Observations {
    /// The lines whose load is in, if only at times.
    pub(super) fn pulled_in(&self) -> BTreeSet<Terminal> {
        let moves = |state: &LoadState| matches!(state, LoadState::PulledIn | LoadState::Chatters);
        let loads = self.loads.iter().filter(|(_, state)| moves(state));
        loads.map(|(line, _)| line.clone()).collect()
    }

    /// The tension at a point; nothing where no such point is wired.
    #[must_use]
    pub fn volts(&self, point: &Point) -> Volts {
        self.volts.get(point).copied().unwrap_or(Volts(0.0))
    }
}

/// A voltmeter's leads on a point for one reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Leads {
    pub(super) input: Ohms,
    pub(super) load: Option<Ohms>,
    pub(super) series: Ohms,
}

/// A moment that was solved before.
#[derive(Debug, Clone)]
struct Solved {
    observations: Rc<Observations>,
    after: CircuitState,
}

/// Solving is the dear part, and a run comes back to the same few states.
type Known = BTreeMap<(Contacts, CircuitState), Solved>;

/// The installation with its state.
pub(super) struct Physics {
    circuit: Circuit,
    /// The same with another supply, where the bench can select one.
    otherwise: BTreeMap<SupplySelected, Circuit>,
    points: BTreeSet<Point>,
    /// Between which two points a room controller takes its power.
    controller: [(Terminal, Place); 2],
    state: CircuitState,
    known: Known,
}

impl Physics {
    /// The circuit at rest with every contact open.
    ///
    /// # Errors
    /// [`CircuitError`] where it cannot be solved with every contact open, or with all closed.
    pub(super) fn new(circuit: Circuit, bench: &BenchMap) -> Result<Self, CircuitError> {
        circuit.solve(&ClosedContacts::none())?;
        circuit.solve(&circuit.lines().iter().collect())?;
        let point = |(terminal, sense): (Terminal, &Sense)| Point {
            terminal,
            end: sense.end,
        };
        let mut points: BTreeSet<Point> = super::world::senses(bench).map(point).collect();
        for end in [End::Controller, End::Equipment] {
            points.extend(circuit.lines().iter().map(|line| Point {
                terminal: line.clone(),
                end,
            }));
        }
        let without_common = bench.supply.c_to_controller == Some(false);
        let common = if without_common {
            Place::Equipment
        } else {
            Place::Controller
        };
        let controller = [
            (circuit.rail(), Place::Controller),
            (Terminal::known("C"), common),
        ];
        Ok(Self {
            circuit,
            otherwise: BTreeMap::new(),
            points,
            controller,
            state: CircuitState::default(),
            known: Known::new(),
        })
    }

    /// The installation as it is with another supply.
    pub(super) fn put_supply(&mut self, selected: SupplySelected, circuit: Circuit) {
        self.otherwise.insert(selected, circuit);
    }

    fn circuit(&self, contacts: &Contacts) -> &Circuit {
        let otherwise = self.otherwise.get(&contacts.supply);
        otherwise.unwrap_or(&self.circuit)
    }

    /// Moves on to the steady state of these contacts.
    pub(super) fn observe(&mut self, contacts: &Contacts) -> Rc<Observations> {
        let solved = self.solved(contacts, &self.state.clone());
        self.state = solved.after;
        solved.observations
    }

    /// What stands after these contacts have been closed one set after the other, from rest, in an
    /// installation of the same circuit; this one's state stays as it is.
    pub(super) fn after(&mut self, moments: &[Contacts]) -> Rc<Observations> {
        let mut solved = self.solved(&Contacts::default(), &CircuitState::default());
        for contacts in moments {
            solved = self.solved(contacts, &solved.after);
        }
        solved.observations
    }

    /// What a voltmeter has at its terminals while it lies on a point. Its load is there too
    /// briefly to move a coil for good: the state stays as it is.
    pub(super) fn read(&self, contacts: &Contacts, point: &Point, leads: &Leads) -> Volts {
        let probe = Probe {
            on: probe_point(point),
            against: None,
            input_ohms: leads.input,
            load_ohms: leads.load,
            series_ohms: leads.series,
        };
        let before = self.before(contacts, &self.state);
        match self
            .circuit(contacts)
            .read(&contacts.closed(), &before, &probe)
        {
            Ok(reading) => reading.at_meter,
            Err(error) => not_wired(&error),
        }
    }

    /// The current of a line at an end, as a clamp shows it.
    pub(super) fn amps(&self, contacts: &Contacts, point: &Point) -> Amps {
        let before = self.before(contacts, &self.state);
        let solution = self.circuit.solve_from(&contacts.closed(), &before);
        let solution = solution.expect("the same contacts were solved just before");
        solution.line_amps(&point.terminal, place(point.end))
    }

    /// A fuse opens for good, for no reason that lies in this circuit.
    pub(super) fn open_fuses(&mut self) {
        self.state.open_fuses.insert(self.circuit.rail());
    }

    /// What an ohmmeter reads between a point and the common of its end; `None` beyond any range.
    pub(super) fn ohms(&self, contacts: &Contacts, point: &Point) -> Option<Ohms> {
        let on = probe_point(point);
        self.circuit(contacts)
            .ohms(&contacts.closed(), &on, None)
            .ok()
    }

    fn before(&self, contacts: &Contacts, state: &CircuitState) -> CircuitState {
        CircuitState {
            intermittents_made: contacts.loose_joints_made,
            defrosts: contacts.defrosts,
            ..state.clone()
        }
    }

    fn solved(&mut self, contacts: &Contacts, state: &CircuitState) -> Solved {
        let before = self.before(contacts, state);
        let key = (contacts.clone(), before);
        if let Some(solved) = self.known.get(&key) {
            return solved.clone();
        }
        let solution = self
            .circuit(contacts)
            .solve_from(&contacts.closed(), &key.1)
            .expect("a gap is a resistance too, so that no set of contacts lets a part float");
        let solved = Solved {
            observations: Rc::new(self.observations(&solution)),
            after: solution.state(),
        };
        self.known.insert(key, solved.clone());
        solved
    }

    fn observations(&self, solution: &Solution) -> Observations {
        let volts = |point: &Point| {
            let read = solution.volts(&point.terminal, place(point.end));
            (
                point.clone(),
                read.unwrap_or_else(|error| not_wired(&error)),
            )
        };
        let loads = solution.loads().into_iter();
        Observations {
            volts: self.points.iter().map(volts).collect(),
            loads: loads.map(|load| (load.terminal, load.state)).collect(),
            controller: {
                let [(hot, here), (cold, there)] = &self.controller;
                let power = solution.volts_between((hot, *here), (cold, *there));
                power.unwrap_or_else(|error| not_wired(&error))
            },
        }
    }
}

/// An instrument on a terminal that is not wired hangs in the air and shows nothing.
fn not_wired(error: &CircuitError) -> Volts {
    assert!(
        matches!(error, CircuitError::NotThere { .. }),
        "a circuit that was solved before was refused: {error}"
    );
    Volts(0.0)
}

fn place(end: End) -> Place {
    match end {
        End::Controller => Place::Controller,
        End::Equipment => Place::Equipment,
    }
}

fn probe_point(point: &Point) -> crate::domain::circuit::Point {
    crate::domain::circuit::Point {
        terminal: point.terminal.clone(),
        place: place(point.end),
    }
}
