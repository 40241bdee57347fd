//! What hangs on the cables: supplies, contacts, loads, boards, instruments.
//!
//! Place in the data's path: the second half of `build`; the cables lie when this begins.

use super::build::{Builder, common, heating_common};
use super::layout::{CableSite, Contact, ContactRule, LoadHealth, LoadSite, SupplySite};
use super::{CircuitError, CoilValues, ElementKind, HeatingSupply, NodeId, SupplyValues};
use crate::domain::BenchMap;
use crate::domain::bench_map::{Loads, Rail, SenseMeans, SupplySource, UnderTest};
use crate::units::{End, Place, Terminal};

impl Builder<'_> {
    pub(super) fn feed(&mut self) -> Result<(), CircuitError> {
        // Around a room controller the bench stands where the equipment would.
        let feeding = self.bench.filter(|_| !self.is_around_a_controller());
        let place = match feeding.map(|bench| bench.supply.source) {
            Some(SupplySource::Bench) => Place::Controller,
            Some(SupplySource::Equipment) | None => Place::Equipment,
        };
        let values = self.values;
        let cold = self.strip_node(&common(), place);
        self.feed_rail(self.rail(), place, cold, (&values.supply, false))?;
        let reference = self.strip_node(&common(), Place::Equipment);
        let earth = self.netlist.add_node("earth");
        let bond = values.contacts.insulation(values.common_earthed);
        self.netlist.add("earth bond", reference, earth, bond)?;
        self.layout.earth = Some(earth);
        let cooling = self.strip_node(&self.rail(), Place::Controller);
        let heating = self.strip_node(&Rail::Rh.terminal(), Place::Controller);
        let contacts = &values.contacts;
        let jumper = contacts.switch(!self.is_dual(), contacts.jumper_ohms);
        let jumper = self.netlist.add("rail jumper", cooling, heating, jumper)?;
        self.layout.rail_jumper = Some(jumper);
        if !self.is_dual() {
            return Ok(());
        }
        let cold = self.strip_node(&heating_common(), Place::Equipment);
        let joined = match values.heating_supply {
            HeatingSupply::Transformer {
                supply,
                opposed,
                commons_joined,
            } => {
                self.feed_rail(Rail::Rh.terminal(), place, cold, (&supply, opposed))?;
                commons_joined
            }
            HeatingSupply::DryContact => false,
        };
        let link = values.contacts.insulation(joined);
        self.netlist
            .add("link of the commons", cold, reference, link)?;
        Ok(())
    }

    fn feed_rail(
        &mut self,
        rail: Terminal,
        place: Place,
        common: NodeId,
        (supply, opposed): (&SupplyValues, bool),
    ) -> Result<(), CircuitError> {
        let hot = self.netlist.add_node(&format!("{rail}@secondary"));
        let strip = self.strip_node(&rail, place);
        let source = supply.source(self.values.angular(), opposed);
        let name = format!("transformer {rail}");
        let source = self.netlist.add(&name, hot, common, source)?;
        let fuse = self.values.contacts.switch(true, supply.protection.ohms());
        let fuse = self
            .netlist
            .add(&format!("fuse {rail}"), hot, strip, fuse)?;
        self.layout.supplies.push(SupplySite {
            rail,
            source,
            fuse,
            protection: supply.protection,
            hot: strip,
            common,
        });
        Ok(())
    }

    pub(super) fn put_contacts(&mut self) -> Result<(), CircuitError> {
        let contacts = &self.values.contacts;
        let closed = contacts.switch(true, contacts.closed_ohms);
        let (open, least_amps) = match &self.values.solid_state {
            None => (contacts.switch(false, contacts.closed_ohms), 0.0),
            Some(output) => {
                let snubber = output.snubber(self.values.angular());
                (snubber, output.minimum_load_amps)
            }
        };
        let without_common = self
            .bench
            .is_some_and(|bench| bench.supply.c_to_controller == Some(false));
        // A room controller drives every line, and so may a person where no relay does.
        let has_relays = |bench: &&BenchMap| bench.lines.values().any(|l| l.drive.is_some());
        let by_relays = self.bench.filter(has_relays);
        let by_relays = by_relays.filter(|_| !self.is_around_a_controller());
        for line in self.layout.lines.clone() {
            let sensed_only = by_relays
                .and_then(|bench| bench.lines.get(&line))
                .is_some_and(|bench_line| bench_line.drive.is_none());
            if sensed_only || self.profile.is_input(&line) {
                continue;
            }
            let rail = self.layout.resolve(&self.common_rail(&line).terminal());
            let rail = self.strip_node(&rail, Place::Controller);
            let strip = self.strip_node(&line, Place::Controller);
            let element = self
                .netlist
                .add(&format!("relay {line}"), rail, strip, open)?;
            let rule = ContactRule::Follows(line.clone());
            let contact = Contact {
                element,
                rule,
                closed,
                open,
                least_amps,
            };
            self.layout.contacts.insert(line.clone(), contact);
            if without_common {
                let ohms = self.values.power_stealing_ohms;
                let name = format!("power stealing {line}");
                let kind = ElementKind::Resistor { ohms };
                self.netlist.add(&name, rail, strip, kind)?;
            }
        }
        Ok(())
    }

    fn is_around_a_controller(&self) -> bool {
        self.bench
            .is_some_and(|bench| bench.under_test == UnderTest::Controller)
    }

    fn coil_of(&self, line: &Terminal) -> Option<CoilValues> {
        let bench_line = self.bench.and_then(|bench| bench.lines.get(line));
        let in_profile = self.table_lines.contains(line);
        let bench_load = bench_line.and_then(|line| line.load.as_ref());
        // A room controller's bench has the loads that its file names, and no others.
        if self.is_around_a_controller() && bench_load.is_none() {
            return None;
        }
        let disconnected = self
            .bench
            .is_some_and(|bench| bench.loads == Loads::Disconnected);
        // A panel's dummy loads hang on every line that it has, used or not.
        let has_dummies = self.bench.is_some_and(|bench| bench.loads == Loads::Dummy);
        let bare = !in_profile && bench_load.is_none() && !has_dummies;
        if disconnected || self.profile.is_input(line) || bare {
            return None;
        }
        if self.layout.heating_side.contains(line)
            && self.values.heating_supply == HeatingSupply::DryContact
        {
            return None;
        }
        if let Some(coil) = self.values.coils.get(line) {
            return Some(*coil);
        }
        let default = CoilValues::default_for(line);
        Some(bench_load.map_or(default, |load| default.with_bench_load(load)))
    }

    pub(super) fn put_loads(&mut self) -> Result<(), CircuitError> {
        for line in self.layout.lines.clone() {
            if let Some(coil) = self.coil_of(&line) {
                coil.check(&line)?;
                self.put_load(line, coil)?;
            }
        }
        self.put_ties()?;
        let board = self.values.outdoor_board_ohms;
        self.put_board("outdoor board", Place::Outdoor, board)?;
        let has_common = self
            .bench
            .is_none_or(|bench| bench.supply.c_to_controller != Some(false));
        let controller = self.values.controller_ohms.filter(|_| has_common);
        self.put_board("controller", Place::Controller, controller)?;
        for line in self.layout.lines.clone() {
            if self.profile.is_input(&line) {
                let strip = self.strip_node(&line, Place::Controller);
                let common = self.strip_node(&common(), Place::Controller);
                let ohms = self.values.indicator_ohms;
                let kind = ElementKind::Resistor { ohms };
                let name = format!("indicator {line}");
                self.netlist.add(&name, strip, common, kind)?;
            }
        }
        Ok(())
    }

    /// Compressor and valve coils stand outdoors where there is an outdoor cable.
    fn put_load(&mut self, line: Terminal, coil: CoilValues) -> Result<(), CircuitError> {
        let outdoors = matches!(line.as_str(), "Y1" | "Y2" | "O" | "B")
            && self
                .layout
                .conductors
                .contains_key(&(CableSite::Outdoor, line.clone()));
        let place = if outdoors {
            Place::Outdoor
        } else {
            Place::Equipment
        };
        let strip = self.strip_node(&line, place);
        let common = self.layout.common(&line, place)?;
        let kind = coil.element(false, self.values.angular());
        let element = self
            .netlist
            .add(&format!("coil {line}"), strip, common, kind)?;
        self.layout.loads.push(LoadSite {
            terminal: line,
            place,
            element,
            coil,
            health: LoadHealth::Sound,
        });
        Ok(())
    }

    fn put_ties(&mut self) -> Result<(), CircuitError> {
        let ohms = self.values.contacts.jumper_ohms;
        for group in self.profile.tied() {
            let members: Vec<&Terminal> = group.iter().collect();
            for pair in members.windows(2) {
                let [a, b] = [pair[0], pair[1]].map(|t| self.strip_node(t, Place::Equipment));
                let name = format!("tie {}-{}", pair[0], pair[1]);
                self.netlist
                    .add(&name, a, b, ElementKind::Resistor { ohms })?;
            }
        }
        Ok(())
    }

    /// A board's own load from R to C of its place, where both are there.
    fn put_board(
        &mut self,
        name: &str,
        place: Place,
        ohms: Option<f64>,
    ) -> Result<(), CircuitError> {
        let ends = [self.rail(), common()].map(|t| self.layout.strip(&t, place).ok());
        if let ([Some(hot), Some(cold)], Some(ohms)) = (ends, ohms) {
            let kind = ElementKind::Resistor { ohms };
            self.netlist.add(name, hot, cold, kind)?;
        }
        Ok(())
    }

    /// Inputs and meters that hang on a point for good. A meter behind a multiplexer is there only
    /// while it reads ([`super::Probe`]). Without a bench a meter hangs on every line.
    pub(super) fn put_senses(&mut self) -> Result<(), CircuitError> {
        let Some(bench) = self.bench else {
            for line in self.layout.lines.clone() {
                self.put_sense(&line, Place::Equipment, self.values.meter_ohms)?;
            }
            return Ok(());
        };
        let on_lines = bench
            .lines
            .values()
            .flat_map(|line| line.senses.iter().map(|sense| (&line.terminal, sense)));
        let on_rails = bench.supply.senses.iter();
        let rails: Vec<(Terminal, _)> = on_rails.map(|s| (s.rail.terminal(), &s.sense)).collect();
        for (terminal, sense) in on_lines.chain(rails.iter().map(|(rail, sense)| (rail, *sense))) {
            let ohms = match &sense.means {
                SenseMeans::Input { .. } => self.values.digital_input_ohms,
                SenseMeans::Meter {
                    device,
                    through: None,
                    series_ohms,
                    ..
                } => self.meter_ohms(device) + series_ohms.0,
                SenseMeans::Meter { .. } | SenseMeans::Operator => continue,
            };
            let place = match sense.end {
                End::Controller => Place::Controller,
                End::Equipment => Place::Equipment,
            };
            self.put_sense(terminal, place, ohms)?;
        }
        Ok(())
    }

    fn meter_ohms(&self, device: &crate::units::DeviceName) -> f64 {
        use crate::units::DeviceProtocol::{Ascii, Scpi};
        let spec = self.bench.and_then(|bench| bench.devices.get(device));
        let declared = spec.and_then(|spec| match &spec.protocol {
            Scpi(scpi) => Some(scpi.input_ohms),
            Ascii(ascii) => ascii.input_ohms,
            _ => None,
        });
        declared.unwrap_or(self.values.meter_ohms)
    }

    fn put_sense(
        &mut self,
        terminal: &Terminal,
        place: Place,
        ohms: f64,
    ) -> Result<(), CircuitError> {
        let hot = self.layout.strip(terminal, place)?;
        let cold = self.layout.common(terminal, place)?;
        let name = format!("sense {terminal}@{place}");
        let kind = ElementKind::Resistor { ohms };
        self.netlist.add(&name, hot, cold, kind)?;
        Ok(())
    }
}
