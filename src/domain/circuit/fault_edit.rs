//! Faults as edits of the netlist.
//!
//! Place in the data's path: `Circuit::with_faults` calls [`apply`] for each fault; simulator,
//! practice and diagnosis get the same edit for the same words. What a fault is on the bench and
//! in the field is told by [`super::FaultMeaning`]. Where a fault names no place, the edit takes
//! the likely one: a landing fault and a jumper sit at the equipment, a short or an earth in the
//! middle.

use super::element::contact_resistance;
use super::fault::{FaultError, FaultKind};
use super::layout::{CableSite, Conductor, ContactRule};
use super::{Circuit, CircuitError, ElementId, ElementKind, Fault, NodeId};
use crate::units::{Place, Terminal};
use std::sync::Arc;

/// Whether the fault changes a value, to be done before structure is changed around it.
pub(super) fn is_value(kind: FaultKind) -> bool {
    matches!(
        kind,
        FaultKind::Supply
            | FaultKind::WrongTap
            | FaultKind::UndersizedTransformer
            | FaultKind::ThinWire
    )
}

/// The places at which a kind can sit; `None` for any.
fn places(kind: FaultKind) -> Option<&'static [Place]> {
    match kind {
        FaultKind::StuckOpen
        | FaultKind::StuckClosed
        | FaultKind::Leakage
        | FaultKind::Tied
        | FaultKind::JumperMissing
        | FaultKind::JumperLeftIn => Some(&[Place::Controller]),
        FaultKind::CoilOpen | FaultKind::CoilShort | FaultKind::Chatter => {
            Some(&[Place::Equipment, Place::Outdoor])
        }
        FaultKind::FanTied => Some(&[Place::Equipment]),
        FaultKind::InvertedChangeover | FaultKind::DeadInput => {
            Some(&[Place::Controller, Place::Equipment])
        }
        FaultKind::Floating
        | FaultKind::FuseOpen
        | FaultKind::Supply
        | FaultKind::WrongTap
        | FaultKind::UndersizedTransformer
        | FaultKind::ThinWire => Some(&[]),
        _ => None,
    }
}

/// Why the fault cannot sit where it says, if it cannot.
fn misplaced(fault: &Fault) -> Option<String> {
    let place = fault.place()?;
    let allowed = places(fault.kind())?;
    if allowed.contains(&place) {
        return None;
    }
    let words: Vec<String> = allowed.iter().map(|place| format!("@{place}")).collect();
    Some(if words.is_empty() {
        "it has no place; leave the place out".to_owned()
    } else {
        format!("it sits {}, not @{place}", words.join(" or "))
    })
}

/// Applies one fault.
pub(super) fn apply(circuit: &mut Circuit, given: &Fault) -> Result<(), CircuitError> {
    let fault = given.resolve(&circuit.profile, &circuit.layout.lines)?;
    let mut edit = Edit {
        circuit,
        fault: &fault,
    };
    if let Some(reason) = misplaced(&fault) {
        return Err(edit.refuse(reason));
    }
    match fault.kind() {
        FaultKind::Open => edit.open_conductor(),
        FaultKind::Short => edit.short(),
        FaultKind::Swap | FaultKind::Shift => edit.rotate_landings(),
        FaultKind::Mislanded => edit.misland(),
        FaultKind::Resistance => edit.raise_resistance(),
        FaultKind::OpensUnderLoad | FaultKind::Intermittent => edit.loosen(),
        FaultKind::StuckOpen => edit.set_rule(|_| ContactRule::Never),
        FaultKind::StuckClosed => edit.set_rule(|_| ContactRule::Always),
        FaultKind::DeadInput => edit.kill_input(),
        FaultKind::Leakage => edit.leak(),
        FaultKind::CoilOpen => edit.break_coil(false),
        FaultKind::CoilShort => edit.break_coil(true),
        FaultKind::Chatter => edit.chatter(),
        FaultKind::Jumper => edit.jumper(),
        FaultKind::FanTied => edit.tie_fan(),
        FaultKind::Tied => edit.tie_changeover(),
        FaultKind::InvertedChangeover => edit.invert(),
        FaultKind::JumperMissing => edit.rail_jumper(false),
        FaultKind::JumperLeftIn => edit.rail_jumper(true),
        FaultKind::Backfeed => edit.backfeed(),
        FaultKind::Earthed => edit.earth(),
        FaultKind::Floating => edit.lift(),
        FaultKind::FuseOpen => edit.open_fuse(),
        FaultKind::Supply | FaultKind::WrongTap => edit.change_volts(),
        FaultKind::UndersizedTransformer => edit.change_rating(),
        FaultKind::ThinWire => edit.change_cable(),
    }
}

/// One fault on its way into a circuit.
pub(super) struct Edit<'a> {
    pub(super) circuit: &'a mut Circuit,
    pub(super) fault: &'a Fault,
}

impl Edit<'_> {
    pub(super) fn layout(&mut self) -> &mut super::layout::Layout {
        Arc::make_mut(&mut self.circuit.layout)
    }

    pub(super) fn replace(
        &mut self,
        element: ElementId,
        kind: ElementKind,
    ) -> Result<(), CircuitError> {
        Arc::make_mut(&mut self.circuit.netlist).replace(element, kind)
    }

    /// Adds a part that the fault brings, named after it.
    pub(super) fn add(
        &mut self,
        from: NodeId,
        to: NodeId,
        kind: ElementKind,
    ) -> Result<ElementId, CircuitError> {
        let name = format!("fault {}", self.fault);
        Arc::make_mut(&mut self.circuit.netlist).add(&name, from, to, kind)
    }

    pub(super) fn refuse(&self, reason: String) -> CircuitError {
        CircuitError::Fault(FaultError {
            given: self.fault.to_string(),
            reason,
        })
    }

    pub(super) fn terminal(&self, index: usize) -> &Terminal {
        &self.fault.terminals()[index]
    }

    pub(super) fn place_or(&self, default: Place) -> Place {
        self.fault.place().unwrap_or(default)
    }

    pub(super) fn gap(&self) -> ElementKind {
        self.circuit.values.contacts.switch(false, 1.0)
    }

    fn conductor(&self, terminal: &Terminal, place: Place) -> Result<Conductor, CircuitError> {
        let layout = &self.circuit.layout;
        let site = if place == Place::Outdoor {
            CableSite::Outdoor
        } else {
            CableSite::Main
        };
        let key = (site, layout.resolve(terminal));
        layout.conductors.get(&key).copied().ok_or_else(|| {
            let here = layout.conductors.keys().filter(|(at, _)| *at == site);
            let known: Vec<&str> = here.map(|(_, terminal)| terminal.as_str()).collect();
            self.refuse(format!(
                "{terminal} has no conductor at the {place}; conductors there: {}",
                known.join(" ")
            ))
        })
    }

    /// The landing joint of a conductor at a place that has a terminal strip.
    pub(super) fn joint(
        &self,
        terminal: &Terminal,
        place: Place,
    ) -> Result<ElementId, CircuitError> {
        let conductor = self.conductor(terminal, place)?;
        match place {
            Place::Controller => Ok(conductor.joints[0]),
            Place::Equipment | Place::Outdoor => Ok(conductor.joints[1]),
            Place::Middle => Err(self.refuse(
                "it sits where a conductor is landed: @controller, @equipment or @outdoor"
                    .to_owned(),
            )),
        }
    }

    /// A point of the terminal's conductor: its strip, or the middle of its cable.
    pub(super) fn point(&self, terminal: &Terminal, place: Place) -> Result<NodeId, CircuitError> {
        if place == Place::Middle {
            Ok(self.conductor(terminal, place)?.middle)
        } else {
            self.circuit.layout.strip(terminal, place)
        }
    }

    fn open_conductor(&mut self) -> Result<(), CircuitError> {
        let place = self.place_or(Place::Equipment);
        let terminal = self.terminal(0).clone();
        let element = if place == Place::Middle {
            self.conductor(&terminal, place)?.halves[1]
        } else {
            self.joint(&terminal, place)?
        };
        let gap = self.gap();
        self.replace(element, gap)
    }

    fn short(&mut self) -> Result<(), CircuitError> {
        let place = self.place_or(Place::Middle);
        let good_contact = self.circuit.values.faults.short_ohms;
        let given = self.fault.numbers().first().copied();
        let ohms = given.filter(|ohms| *ohms > 0.0).unwrap_or(good_contact);
        contact_resistance(&self.fault.to_string(), ohms)?;
        let one = self.point(self.terminal(0), place)?;
        let other = self.point(self.terminal(1), place)?;
        self.add(one, other, ElementKind::Resistor { ohms })?;
        Ok(())
    }

    /// Each conductor goes to the next one's terminal, the last one to the first's.
    fn rotate_landings(&mut self) -> Result<(), CircuitError> {
        let place = self.place_or(Place::Equipment);
        let joints = self
            .fault
            .terminals()
            .iter()
            .map(|terminal| self.joint(terminal, place))
            .collect::<Result<Vec<_>, _>>()?;
        let landed = |joint: &ElementId| self.circuit.netlist.element(*joint).from;
        let landings: Vec<NodeId> = joints.iter().map(landed).collect();
        for (index, joint) in joints.iter().enumerate() {
            self.land(*joint, landings[(index + 1) % landings.len()]);
        }
        Ok(())
    }

    fn land(&mut self, joint: ElementId, on: NodeId) {
        let netlist = Arc::make_mut(&mut self.circuit.netlist);
        let end = netlist.element(joint).to;
        netlist.rewire(joint, on, end);
    }

    fn misland(&mut self) -> Result<(), CircuitError> {
        let place = self.place_or(Place::Equipment);
        let joint = self.joint(self.terminal(0), place)?;
        let on = self.circuit.layout.strip(self.terminal(1), place)?;
        let (left, end) = {
            let part = self.circuit.netlist.element(joint);
            (part.from, part.to)
        };
        self.land(joint, on);
        let mut elements = self.circuit.netlist.elements().iter();
        if !elements.any(|part| part.from == left || part.to == left) {
            // Nothing else is on the terminal that was left: only air joins it to anything.
            let gap = self.gap();
            self.add(left, end, gap)?;
        }
        Ok(())
    }

    fn raise_resistance(&mut self) -> Result<(), CircuitError> {
        let place = self.place_or(Place::Equipment);
        let terminal = self.terminal(0).clone();
        let added = self.fault.numbers()[0];
        contact_resistance(&self.fault.to_string(), added)?;
        if place == Place::Middle {
            let half = self.conductor(&terminal, place)?.halves[1];
            let kind = self.circuit.netlist.element(half).kind;
            return match kind {
                ElementKind::Winding { ohms, henries } => {
                    let ohms = ohms + added;
                    self.replace(half, ElementKind::Winding { ohms, henries })
                }
                _ => Ok(()),
            };
        }
        let joint = self.joint(&terminal, place)?;
        match self.circuit.netlist.element(joint).kind {
            ElementKind::Switch { closed: true, .. } => {
                let bad = self.circuit.values.contacts.switch(true, added);
                self.replace(joint, bad)
            }
            // A lifted conductor's joint is open already; a bad joint does not close it.
            _ => Ok(()),
        }
    }

    fn loosen(&mut self) -> Result<(), CircuitError> {
        let place = self.place_or(Place::Equipment);
        let joint = self.joint(self.terminal(0), place)?;
        if self.fault.kind() == FaultKind::Intermittent {
            self.layout().come_and_go.push(joint);
        } else {
            self.layout().lets_go_under_load.push(joint);
        }
        Ok(())
    }
}
