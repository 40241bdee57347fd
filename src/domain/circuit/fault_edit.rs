//! Faults as edits of the netlist.
//!
//! Place in the data's path: `Circuit::with_faults` calls [`apply`] for each fault; simulator,
//! practice and diagnosis get the same edit for the same words. What a fault is on the bench and
//! in the field is told by [`super::FaultMeaning`]. Where a fault names no place, the edit takes
//! the likely one: a landing fault and a jumper sit at the equipment, a short or an earth in the
//! middle.

use super::fault::{FaultError, FaultKind};
use super::layout::{CableSite, Conductor, Contact, ContactRule, LoadHealth};
use super::{Circuit, CircuitError, ElementId, ElementKind, Fault, NodeId};
use crate::units::{Place, Terminal};
use num_complex::Complex64;
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

/// Applies one fault.
pub(super) fn apply(circuit: &mut Circuit, given: &Fault) -> Result<(), CircuitError> {
    let fault = given.resolve(&circuit.profile, &circuit.layout.lines)?;
    let mut edit = Edit {
        circuit,
        fault: &fault,
    };
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

struct Edit<'a> {
    circuit: &'a mut Circuit,
    fault: &'a Fault,
}

impl Edit<'_> {
    fn layout(&mut self) -> &mut super::layout::Layout {
        Arc::make_mut(&mut self.circuit.layout)
    }

    fn replace(&mut self, element: ElementId, kind: ElementKind) -> Result<(), CircuitError> {
        Arc::make_mut(&mut self.circuit.netlist).replace(element, kind)
    }

    /// Adds a part that the fault brings, named after it.
    fn add(
        &mut self,
        from: NodeId,
        to: NodeId,
        kind: ElementKind,
    ) -> Result<ElementId, CircuitError> {
        let name = format!("fault {}", self.fault);
        Arc::make_mut(&mut self.circuit.netlist).add(&name, from, to, kind)
    }

    fn refuse(&self, reason: String) -> CircuitError {
        CircuitError::Fault(FaultError {
            given: self.fault.to_string(),
            reason,
        })
    }

    fn terminal(&self, index: usize) -> &Terminal {
        &self.fault.terminals()[index]
    }

    fn place_or(&self, default: Place) -> Place {
        self.fault.place().unwrap_or(default)
    }

    fn gap(&self) -> ElementKind {
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
    fn joint(&self, terminal: &Terminal, place: Place) -> Result<ElementId, CircuitError> {
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
    fn point(&self, terminal: &Terminal, place: Place) -> Result<NodeId, CircuitError> {
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
        self.land(joint, on);
        Ok(())
    }

    fn raise_resistance(&mut self) -> Result<(), CircuitError> {
        let place = self.place_or(Place::Equipment);
        let terminal = self.terminal(0).clone();
        let added = self.fault.numbers()[0];
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

    fn contact(&mut self) -> Result<&mut Contact, CircuitError> {
        let terminal = self.terminal(0).clone();
        let missing = self.refuse(format!("nothing drives {terminal} here"));
        self.layout().contacts.get_mut(&terminal).ok_or(missing)
    }

    fn set_rule(&mut self, rule: fn(Terminal) -> ContactRule) -> Result<(), CircuitError> {
        let terminal = self.terminal(0).clone();
        self.contact()?.rule = rule(terminal);
        Ok(())
    }

    fn kill_input(&mut self) -> Result<(), CircuitError> {
        let terminal = self.circuit.layout.resolve(self.terminal(0));
        self.layout().dead_inputs.insert(terminal);
        Ok(())
    }

    fn leak(&mut self) -> Result<(), CircuitError> {
        let values = &self.circuit.values;
        let snubber = values.leaking.snubber(values.angular());
        self.contact()?.open = snubber;
        Ok(())
    }

    /// Places in the list of the loads on the fault's line; refused where there is none.
    fn loads(&self) -> Result<Vec<usize>, CircuitError> {
        let terminal = self.terminal(0);
        let loads = self.circuit.layout.loads.iter().enumerate();
        let here: Vec<usize> = loads
            .filter(|(_, load)| load.terminal == *terminal)
            .map(|(index, _)| index)
            .collect();
        if here.is_empty() {
            return Err(self.refuse(format!("there is no load on {terminal} here")));
        }
        Ok(here)
    }

    fn break_coil(&mut self, shorted: bool) -> Result<(), CircuitError> {
        let ohms = self.circuit.values.faults.coil_short_ohms;
        let kind = if shorted {
            ElementKind::Resistor { ohms }
        } else {
            self.gap()
        };
        for index in self.loads()? {
            self.layout().loads[index].health = LoadHealth::Dead;
            let element = self.circuit.layout.loads[index].element;
            self.replace(element, kind)?;
        }
        Ok(())
    }

    fn chatter(&mut self) -> Result<(), CircuitError> {
        for index in self.loads()? {
            self.layout().loads[index].health = LoadHealth::Chatters;
        }
        Ok(())
    }

    fn bridge(&self) -> ElementKind {
        let ohms = self.circuit.values.contacts.jumper_ohms;
        ElementKind::Resistor { ohms }
    }

    /// At the equipment, or at the controller where one of the two is a terminal there alone.
    fn jumper(&mut self) -> Result<(), CircuitError> {
        let strips = self.fault.terminals().iter();
        let at_equipment = strips
            .map(|terminal| self.circuit.layout.strip(terminal, Place::Equipment))
            .all(|strip| strip.is_ok());
        let default = if at_equipment {
            Place::Equipment
        } else {
            Place::Controller
        };
        let place = self.place_or(default);
        let one = self.point(self.terminal(0), place)?;
        let other = self.point(self.terminal(1), place)?;
        let bridge = self.bridge();
        self.add(one, other, bridge)?;
        Ok(())
    }

    fn tie_fan(&mut self) -> Result<(), CircuitError> {
        let [fan, compressor] = ["G", "Y1"].map(Terminal::known);
        let joint = self.joint(&fan, Place::Equipment)?;
        let gap = self.gap();
        self.replace(joint, gap)?;
        let one = self.point(&fan, Place::Equipment)?;
        let other = self.point(&compressor, Place::Equipment)?;
        let bridge = self.bridge();
        self.add(one, other, bridge)?;
        Ok(())
    }

    fn valve(&self) -> Result<Terminal, CircuitError> {
        let changeover = self.circuit.profile.changeover();
        changeover
            .map(|convention| convention.terminal())
            .ok_or_else(|| self.refuse("this profile has no changeover line".to_owned()))
    }

    /// A further contact from a rail to a line.
    fn add_contact(
        &mut self,
        place: Place,
        line: &Terminal,
        rule: ContactRule,
    ) -> Result<(), CircuitError> {
        let rail = self.circuit.layout.supplies[0].rail.clone();
        let hot = self.point(&rail, place)?;
        let strip = self.point(line, place)?;
        let contacts = &self.circuit.values.contacts;
        let closed = contacts.switch(true, contacts.closed_ohms);
        let open = contacts.switch(false, contacts.closed_ohms);
        let element = self.add(hot, strip, open)?;
        self.layout().extra_contacts.push(Contact {
            element,
            rule,
            closed,
            open,
        });
        Ok(())
    }

    fn tie_changeover(&mut self) -> Result<(), CircuitError> {
        let valve = self.valve()?;
        let rule = ContactRule::CompressorWithout(valve.clone());
        self.add_contact(Place::Controller, &valve, rule)
    }

    /// At the equipment the inversion leaves every tension as it is.
    fn invert(&mut self) -> Result<(), CircuitError> {
        let valve = self.valve()?;
        if self.place_or(Place::Controller) != Place::Controller {
            return Ok(());
        }
        let missing = self.refuse(format!("nothing drives {valve} here"));
        let contact = self.layout().contacts.get_mut(&valve).ok_or(missing)?;
        contact.rule = ContactRule::Inverted(valve);
        Ok(())
    }

    fn rail_jumper(&mut self, closed: bool) -> Result<(), CircuitError> {
        let contacts = &self.circuit.values.contacts;
        let kind = contacts.switch(closed, contacts.jumper_ohms);
        match self.circuit.layout.rail_jumper {
            Some(jumper) => self.replace(jumper, kind),
            None => Err(self.refuse("there is no jumper here".to_owned())),
        }
    }

    /// A heat pump's defrost feeds its auxiliary line in the heating calls; any other line is fed
    /// at all times.
    fn backfeed(&mut self) -> Result<(), CircuitError> {
        use crate::domain::profile::Changeover;
        let line = self.terminal(0).clone();
        let profile = &self.circuit.profile;
        let by_defrost = profile.auxiliary_lines().contains(&line);
        let rule = match profile.changeover() {
            Some(Changeover::O) if by_defrost => {
                ContactRule::CompressorWithout(Changeover::O.terminal())
            }
            Some(Changeover::B) if by_defrost => {
                ContactRule::CompressorWith(Changeover::B.terminal())
            }
            _ => ContactRule::Always,
        };
        let outdoors = self
            .circuit
            .layout
            .strips
            .contains_key(&(line.clone(), Place::Outdoor));
        let default = if outdoors {
            Place::Outdoor
        } else {
            Place::Equipment
        };
        let place = self.place_or(default);
        self.add_contact(place, &line, rule)
    }

    fn earth(&mut self) -> Result<(), CircuitError> {
        let place = self.place_or(Place::Middle);
        let node = self.point(self.terminal(0), place)?;
        let missing = self.refuse("there is no earth here".to_owned());
        let earth = self.circuit.layout.earth.ok_or(missing)?;
        let ohms = self.circuit.values.faults.short_ohms;
        self.add(node, earth, ElementKind::Resistor { ohms })?;
        Ok(())
    }

    fn lift(&mut self) -> Result<(), CircuitError> {
        let terminal = self.terminal(0).clone();
        let joint = self.joint(&terminal, Place::Controller)?;
        let gap = self.gap();
        self.replace(joint, gap)?;
        if terminal.is_supply() || self.loads().is_err() {
            return Ok(());
        }
        self.break_coil(false)
    }

    fn open_fuse(&mut self) -> Result<(), CircuitError> {
        let supply = &self.circuit.layout.supplies[0];
        let (fuse, ohms) = (supply.fuse, supply.protection.ohms());
        let open = self.circuit.values.contacts.switch(false, ohms);
        self.replace(fuse, open)
    }

    fn change_volts(&mut self) -> Result<(), CircuitError> {
        let values = &self.circuit.values;
        let source = self.circuit.layout.supplies[0].source;
        let volts = match self.fault.kind() {
            FaultKind::Supply => self.fault.numbers()[0],
            _ => {
                let faults = &values.faults;
                let nominal = values.supply.open_circuit_volts;
                nominal * faults.wrong_tap_mains_volts / faults.wrong_tap_volts
            }
        };
        if let ElementKind::Source { ohms, henries, .. } = self.circuit.netlist.element(source).kind
        {
            let volts = Complex64::new(volts, 0.0);
            let kind = ElementKind::Source {
                volts,
                ohms,
                henries,
            };
            self.replace(source, kind)?;
        }
        Ok(())
    }

    fn change_rating(&mut self) -> Result<(), CircuitError> {
        let rated = self.fault.numbers()[0];
        let values = Arc::make_mut(&mut self.circuit.values);
        values.supply.rated_volt_amperes = rated;
        values.check()?;
        let fresh = values.supply.source(values.angular(), false);
        let source = self.circuit.layout.supplies[0].source;
        let volts = self.circuit.netlist.element(source).kind.source_volts();
        if let ElementKind::Source { ohms, henries, .. } = fresh {
            let kind = ElementKind::Source {
                volts,
                ohms,
                henries,
            };
            self.replace(source, kind)?;
        }
        Ok(())
    }

    fn change_cable(&mut self) -> Result<(), CircuitError> {
        let (gauge_awg, feet) = (self.fault.numbers()[0], self.fault.numbers()[1]);
        let values = Arc::make_mut(&mut self.circuit.values);
        values.cable.gauge_awg = gauge_awg;
        values.cable.feet = feet;
        values.check()?;
        let fresh = values.cable;
        let layout = self.layout();
        let mut stretches = Vec::new();
        for ((site, _), conductor) in &layout.conductors {
            if *site == CableSite::Main {
                stretches.extend(conductor.halves);
            }
        }
        let cable = layout.cables.get_mut(&CableSite::Main);
        let cable = cable.expect("every circuit has a main cable");
        cable.values = fresh;
        let couplings = cable.couplings.clone();
        for half in stretches {
            self.replace(half, fresh.stretch(0.5))?;
        }
        for coupling in couplings {
            self.replace(coupling, fresh.half_coupling())?;
        }
        Ok(())
    }
}
