//! From a profile, a bench and values to a netlist with its map.
//!
//! Place in the data's path: `Circuit::new` calls this once; faults are edits of what it made.
//! Nodes: each conductor runs strip, joint, conductor end, middle, conductor end, joint, strip.
//! Coupling between conductors is lumped at both ends of each cable. The reference is the common
//! at the equipment. Lines whose load stands outdoors go on through the outdoor unit's cable.

use super::layout::{Cable, CableSite, Conductor, HEATING_COMMON, Layout};
use super::{CableValues, CircuitError, CircuitValues, Netlist, NodeId};
use crate::domain::bench_map::Rail;
use crate::domain::profile::{Arrangement, Interface, Kind, Profile};
use crate::domain::{BenchMap, TruthTable};
use crate::units::{Place, Terminal};
use std::collections::BTreeSet;

pub(super) fn common() -> Terminal {
    Terminal::known("C")
}

pub(super) fn heating_common() -> Terminal {
    Terminal::known(HEATING_COMMON)
}

/// The netlist with its map.
pub(super) fn build(
    profile: &Profile,
    bench: Option<&BenchMap>,
    values: &CircuitValues,
) -> Result<(Netlist, Layout), CircuitError> {
    let mut builder = Builder {
        profile,
        bench,
        values,
        table_lines: TruthTable::of(profile).lines().to_vec(),
        netlist: Netlist::new(),
        layout: Layout::default(),
    };
    builder.name_lines();
    builder.lay_cables()?;
    builder.feed()?;
    builder.put_contacts()?;
    builder.put_loads()?;
    builder.put_senses()?;
    Ok((builder.netlist, builder.layout))
}

/// A circuit being built.
pub(super) struct Builder<'a> {
    pub(super) profile: &'a Profile,
    pub(super) bench: Option<&'a BenchMap>,
    pub(super) values: &'a CircuitValues,
    pub(super) table_lines: Vec<Terminal>,
    pub(super) netlist: Netlist,
    pub(super) layout: Layout,
}

impl Builder<'_> {
    pub(super) fn is_dual(&self) -> bool {
        self.profile.arrangement() == Arrangement::Dual
    }

    /// The rail of the only supply, or of the cooling side.
    pub(super) fn rail(&self) -> Terminal {
        if self.is_dual() {
            Rail::Rc.terminal()
        } else {
            Rail::R.terminal()
        }
    }

    fn name_lines(&mut self) {
        let mut lines: BTreeSet<Terminal> = self.table_lines.iter().cloned().collect();
        if let Some(bench) = self.bench {
            lines.extend(bench.lines.keys().filter(|line| !line.is_supply()).cloned());
        }
        lines.remove(self.profile.common_on());
        if self.is_dual() {
            let on_heating_rail = |line: &&Terminal| self.common_rail(line) == Rail::Rh;
            self.layout.heating_side = lines.iter().filter(on_heating_rail).cloned().collect();
            self.layout.heating_side.insert(Rail::Rh.terminal());
        } else {
            let alias = (Rail::Rc.terminal(), Rail::R.terminal());
            self.layout.aliases.extend([alias]);
        }
        if *self.profile.common_on() != common() {
            let alias = (self.profile.common_on().clone(), common());
            self.layout.aliases.extend([alias]);
        }
        self.layout.lines = lines.into_iter().collect();
    }

    /// The supply on a line's contact: the bench's word, else Rh for W and E lines.
    pub(super) fn common_rail(&self, line: &Terminal) -> Rail {
        let declared = self
            .bench
            .and_then(|bench| bench.lines.get(line))
            .and_then(|line| line.drive.as_ref())
            .map(|drive| drive.common);
        declared.unwrap_or(if line.as_str().starts_with(['W', 'E']) {
            Rail::Rh
        } else {
            Rail::Rc
        })
    }

    pub(super) fn strip_node(&mut self, terminal: &Terminal, place: Place) -> NodeId {
        let key = (terminal.clone(), place);
        if let Some(node) = self.layout.strips.get(&key) {
            return *node;
        }
        let node = self.netlist.add_node(&format!("{terminal}@{place}"));
        self.layout.strips.insert(key, node);
        node
    }

    fn lay_cables(&mut self) -> Result<(), CircuitError> {
        let reference = self.strip_node(&common(), Place::Equipment);
        self.netlist.set_reference(reference);
        let mut conductors = vec![self.rail(), common()];
        if self.is_dual() {
            conductors.push(Rail::Rh.terminal());
        }
        conductors.extend(self.layout.lines.iter().cloned());
        self.lay_cable(CableSite::Main, self.values.cable, &conductors)?;
        if let Some(cable) = self.values.outdoor_cable {
            let outdoors = self.outdoor_conductors();
            if !outdoors.is_empty() {
                self.lay_cable(CableSite::Outdoor, cable, &outdoors)?;
            }
        }
        let without_common = self
            .bench
            .is_some_and(|bench| bench.supply.c_to_controller == Some(false));
        if without_common {
            let joint = self.layout.conductors[&(CableSite::Main, common())].joints[0];
            let open = self.values.contacts.switch(false, 1.0);
            self.netlist.replace(joint, open)?;
        }
        Ok(())
    }

    /// What the outdoor unit's cable holds: the compressor's lines and the common; on a heat pump
    /// the valve line, R for its board, and the auxiliary line that its defrost feeds.
    fn outdoor_conductors(&self) -> Vec<Terminal> {
        let profile = self.profile;
        if profile.compressor_stages() == 0 || profile.interface() == Some(Interface::Conventional)
        {
            return Vec::new();
        }
        let mut outdoors = vec![common()];
        if profile.kind() != Kind::FurnaceAndCooling {
            outdoors.push(self.rail());
            outdoors.extend(profile.changeover().map(|valve| valve.terminal()));
            if !self.is_dual() {
                outdoors.extend(profile.auxiliary_lines().first().cloned());
            }
        }
        let compressor = ["Y1", "Y2"].into_iter().map(Terminal::known);
        outdoors.extend(compressor.take(usize::from(profile.compressor_stages())));
        outdoors.sort();
        outdoors
    }

    fn lay_cable(
        &mut self,
        site: CableSite,
        cable: CableValues,
        conductors: &[Terminal],
    ) -> Result<(), CircuitError> {
        let mut ends = [Vec::new(), Vec::new()];
        for terminal in conductors {
            let (conductor, nodes) = self.lay_conductor(site, &cable, terminal)?;
            for (list, node) in ends.iter_mut().zip(nodes) {
                list.push((terminal.clone(), node));
            }
            let key = (site, terminal.clone());
            self.layout.conductors.insert(key, conductor);
        }
        let mut couplings = Vec::new();
        for (list, place) in ends.iter().zip(site.ends()) {
            for (index, (one, a)) in list.iter().enumerate() {
                for (other, b) in &list[index + 1..] {
                    let name = format!("coupling {one}-{other}@{place}");
                    let kind = cable.half_coupling();
                    couplings.push(self.netlist.add(&name, *a, *b, kind)?);
                }
            }
        }
        let values = cable;
        self.layout.cables.insert(site, Cable { values, couplings });
        Ok(())
    }

    /// One conductor; also gives its two ends, where the coupling sits.
    fn lay_conductor(
        &mut self,
        site: CableSite,
        cable: &CableValues,
        terminal: &Terminal,
    ) -> Result<(Conductor, [NodeId; 2]), CircuitError> {
        let cable_word = match site {
            CableSite::Main => "",
            CableSite::Outdoor => "outdoor ",
        };
        let middle_name = match site {
            CableSite::Main => format!("{terminal}@middle"),
            CableSite::Outdoor => format!("{terminal}@outdoor-middle"),
        };
        let middle = self.netlist.add_node(&middle_name);
        let mut joints = Vec::new();
        let mut halves = Vec::new();
        let mut ends = Vec::new();
        for place in site.ends() {
            let strip = self.strip_node(terminal, place);
            let end_name = format!("{terminal}@{place}-{cable_word}conductor").replace(' ', "-");
            let end = self.netlist.add_node(&end_name);
            let key = (terminal.clone(), place);
            let ohms = *self.values.joints.get(&key).unwrap_or(&cable.joint_ohms);
            let joint = self.values.contacts.switch(true, ohms);
            let name = format!("{cable_word}joint {terminal}@{place}");
            joints.push(self.netlist.add(&name, strip, end, joint)?);
            let name = format!("{cable_word}conductor {terminal}@{place}");
            halves.push(self.netlist.add(&name, end, middle, cable.stretch(0.5))?);
            ends.push(end);
        }
        let conductor = Conductor {
            joints: [joints[0], joints[1]],
            halves: [halves[0], halves[1]],
            middle,
        };
        Ok((conductor, [ends[0], ends[1]]))
    }
}
