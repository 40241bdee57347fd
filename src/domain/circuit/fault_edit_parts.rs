//! Faults of contacts, loads, controls and supplies as edits.
//!
//! Place in the data's path: the second half of `fault_edit`, which tells the kinds apart and holds
//! the faults of conductors.

use super::fault::FaultKind;
use super::fault_edit::Edit;
use super::layout::{CableSite, Contact, ContactRule, LoadHealth};
use super::{CircuitError, ElementKind};
use crate::domain::profile::Changeover;
use crate::units::{Place, Terminal};
use num_complex::Complex64;
use std::sync::Arc;

impl Edit<'_> {
    fn contact(&mut self) -> Result<&mut Contact, CircuitError> {
        let terminal = self.terminal(0).clone();
        let missing = self.refuse(format!("nothing drives {terminal} here"));
        self.layout().contacts.get_mut(&terminal).ok_or(missing)
    }

    pub(super) fn set_rule(
        &mut self,
        rule: fn(Terminal) -> ContactRule,
    ) -> Result<(), CircuitError> {
        let terminal = self.terminal(0).clone();
        self.contact()?.rule = rule(terminal);
        Ok(())
    }

    pub(super) fn kill_input(&mut self) -> Result<(), CircuitError> {
        let terminal = self.circuit.layout.resolve(self.terminal(0));
        self.layout().dead_inputs.insert(terminal);
        Ok(())
    }

    pub(super) fn leak(&mut self) -> Result<(), CircuitError> {
        let values = &self.circuit.values;
        let snubber = values.leaking.snubber(values.angular());
        self.contact()?.open = snubber;
        Ok(())
    }

    /// Places in the list of the loads on the fault's line; refused where there is none.
    pub(super) fn loads(&self) -> Result<Vec<usize>, CircuitError> {
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

    pub(super) fn break_coil(&mut self, shorted: bool) -> Result<(), CircuitError> {
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

    pub(super) fn chatter(&mut self) -> Result<(), CircuitError> {
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
    pub(super) fn jumper(&mut self) -> Result<(), CircuitError> {
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

    pub(super) fn tie_fan(&mut self) -> Result<(), CircuitError> {
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
            least_amps: 0.0,
        });
        Ok(())
    }

    /// The other convention's output joins the valve's line; where older equipment has its common
    /// on that letter, the output is landed on the common.
    pub(super) fn tie_changeover(&mut self) -> Result<(), CircuitError> {
        let valve = self.valve()?;
        let rule = ContactRule::CompressorWithout(valve.clone());
        let common = self.circuit.profile.common_on().clone();
        let onto = if self.fault.terminals().contains(&common) {
            common
        } else {
            valve
        };
        self.add_contact(Place::Controller, &onto, rule)
    }

    /// At the equipment the inversion leaves every tension as it is.
    pub(super) fn invert(&mut self) -> Result<(), CircuitError> {
        let valve = self.valve()?;
        if self.place_or(Place::Controller) != Place::Controller {
            return Ok(());
        }
        let missing = self.refuse(format!("nothing drives {valve} here"));
        let contact = self.layout().contacts.get_mut(&valve).ok_or(missing)?;
        contact.rule = ContactRule::Inverted(valve);
        Ok(())
    }

    pub(super) fn rail_jumper(&mut self, closed: bool) -> Result<(), CircuitError> {
        let contacts = &self.circuit.values.contacts;
        let kind = contacts.switch(closed, contacts.jumper_ohms);
        match self.circuit.layout.rail_jumper {
            Some(jumper) => self.replace(jumper, kind),
            None => Err(self.refuse("there is no jumper here".to_owned())),
        }
    }

    /// A heat pump's defrost feeds its auxiliary line in the heating calls; any other line is fed
    /// at all times.
    pub(super) fn backfeed(&mut self) -> Result<(), CircuitError> {
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
        let rail = self.circuit.rail();
        let strips = &self.circuit.layout.strips;
        let outdoors = [&line, &rail]
            .into_iter()
            .all(|terminal| strips.contains_key(&(terminal.clone(), Place::Outdoor)));
        let default = if outdoors {
            Place::Outdoor
        } else {
            Place::Equipment
        };
        let place = self.place_or(default);
        self.add_contact(place, &line, rule)
    }

    pub(super) fn earth(&mut self) -> Result<(), CircuitError> {
        let place = self.place_or(Place::Middle);
        let node = self.point(self.terminal(0), place)?;
        let missing = self.refuse("there is no earth here".to_owned());
        let earth = self.circuit.layout.earth.ok_or(missing)?;
        let ohms = self.circuit.values.faults.short_ohms;
        self.add(node, earth, ElementKind::Resistor { ohms })?;
        Ok(())
    }

    pub(super) fn lift(&mut self) -> Result<(), CircuitError> {
        let terminal = self.terminal(0).clone();
        let joint = self.joint(&terminal, Place::Controller)?;
        let gap = self.gap();
        self.replace(joint, gap)?;
        if terminal.is_supply() || self.loads().is_err() {
            return Ok(());
        }
        self.break_coil(false)
    }

    pub(super) fn open_fuse(&mut self) -> Result<(), CircuitError> {
        let supply = &self.circuit.layout.supplies[0];
        let (fuse, ohms) = (supply.fuse, supply.protection.ohms());
        let open = self.circuit.values.contacts.switch(false, ohms);
        self.replace(fuse, open)
    }

    pub(super) fn change_volts(&mut self) -> Result<(), CircuitError> {
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

    pub(super) fn change_rating(&mut self) -> Result<(), CircuitError> {
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

    pub(super) fn change_cable(&mut self) -> Result<(), CircuitError> {
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
