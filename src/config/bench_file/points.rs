//! Relays and inputs as the file uses them: each named once, each within its device.
//!
//! Place in the data's path: every reader that meets `device = …, coil = …` or `input = …` comes
//! here. It gives the address, or says why there is none; at the end it names what nobody used.

use super::devices::Devices;
use super::senses::quantity_word;
use crate::config::limits;
use crate::config::nearest::help_for;
use crate::config::source::{Findings, Span};
use crate::config::table::{Located, TableReader};
use crate::domain::Call;
use crate::domain::bench_map::RelayAt;
use crate::units::{CoilAddress, DeviceName, DeviceSpec, InputAddress, Quantity};
use std::cell::{Cell, RefCell};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// What a relay is for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum RelayUse {
    /// It drives a line.
    Drive(String),
    /// It puts a meter on one point.
    Multiplex(String),
    /// It provokes a call.
    Stimulus(Call),
    /// It feeds all others.
    Master,
    /// It cuts the supply to a room controller.
    Interrupt,
    /// It selects a level of a room controller's supply.
    Level(String),
}

impl fmt::Display for RelayUse {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Drive(line) => write!(f, "the drive of {line}"),
            Self::Multiplex(point) => write!(f, "the meter's way to {point}"),
            Self::Stimulus(call) => write!(f, "the stimulus of {call}"),
            Self::Master => f.write_str("the master relay"),
            Self::Interrupt => f.write_str("the cut of the supply"),
            Self::Level(name) => write!(f, "the supply level {name}"),
        }
    }
}

struct Use<W> {
    what: W,
    span: Span,
}

/// The devices, and what of them is in use so far.
pub(super) struct Points<'d> {
    devices: &'d Devices,
    findings: &'d Findings,
    relays: RefCell<BTreeMap<RelayAt, Use<RelayUse>>>,
    inputs: RefCell<BTreeMap<(DeviceName, InputAddress), Use<String>>>,
    /// Points with whether a person moves the leads there.
    meters: RefCell<BTreeMap<DeviceName, Use<(String, bool)>>>,
    /// What each meter that cannot be switched is asked for, and where.
    quantities: RefCell<BTreeMap<DeviceName, Use<(String, Quantity)>>>,
    used: RefCell<BTreeSet<DeviceName>>,
    all_known: Cell<bool>,
}

impl<'d> Points<'d> {
    pub(super) fn new(devices: &'d Devices, findings: &'d Findings) -> Self {
        Self {
            devices,
            findings,
            relays: RefCell::default(),
            inputs: RefCell::default(),
            meters: RefCell::default(),
            quantities: RefCell::default(),
            used: RefCell::default(),
            all_known: Cell::new(true),
        }
    }

    /// The device that a table's `device` key names.
    pub(super) fn device(&self, table: &TableReader<'_>) -> Option<Located<&'d DeviceSpec>> {
        table.require("device", "the device's name, as in [device.NAME]");
        let name = table.string("device");
        let device = name.and_then(|name| self.named(name));
        if device.is_none() {
            self.all_known.set(false);
        }
        device
    }

    fn named(&self, name: Located<String>) -> Option<Located<&'d DeviceSpec>> {
        if let Ok(known) = DeviceName::new(&name.value) {
            self.used.borrow_mut().insert(known.clone());
            if let Some(device) = self.devices.taken.get(&known) {
                return Some(name.map(|_| &device.value));
            }
        }
        let names = self.devices.names.as_ref()?;
        if !names.contains(&name.value) {
            let known: Vec<&str> = names.iter().map(String::as_str).collect();
            let message = format!("there is no device `{}`", name.value);
            self.findings.add(
                name.finding(message)
                    .help_where_known(help_for(&name.value, &known)),
            );
        }
        None
    }

    /// The relay that a table's `device` and `coil` name, noted as used.
    pub(super) fn relay(&self, table: &TableReader<'_>, what: RelayUse) -> Option<RelayAt> {
        let device = self.device(table);
        table.require("coil", "the relay's address, from 0");
        let coil = table.small::<u16>("coil", limits::ADDRESS);
        let (device, coil) = (device?, coil?);
        let relays = device.value.relays();
        if relays == 0 {
            let message = format!("device `{}` has no relays", device.value.name);
            self.findings.add(device.finding(message));
            return None;
        }
        self.within(&coil, relays, "coil", device.value)?;
        let at = RelayAt {
            device: device.value.name.clone(),
            coil: CoilAddress(coil.value),
        };
        let mut uses = self.relays.borrow_mut();
        match uses.get(&at) {
            // One point may be read for volts and for ohms through the same relay; and a line that
            // is given twice was said as such.
            Some(first) if first.what == what => {}
            Some(first) => {
                let message = format!(
                    "coil {} of `{}` is used twice: {} and {what}",
                    coil.value, at.device, first.what
                );
                let finding = coil
                    .finding(message)
                    .other(first.span.clone(), "first used here");
                self.findings
                    .add(finding.help("each relay serves one line, one call or one point"));
                return None;
            }
            None => {
                let span = coil.span;
                uses.insert(at.clone(), Use { what, span });
            }
        }
        Some(at)
    }

    /// The digital input that a table's `input` names on a device, noted as used.
    pub(super) fn input(
        &self,
        device: &Located<&DeviceSpec>,
        table: &TableReader<'_>,
        what: &str,
    ) -> Option<InputAddress> {
        let input = table.small::<u16>("input", limits::ADDRESS)?;
        let inputs = device.value.modbus().map_or(0, |spec| spec.discrete_inputs);
        if inputs == 0 {
            let message = format!("device `{}` has no digital inputs", device.value.name);
            self.findings.add(device.finding(message));
            return None;
        }
        self.within(&input, inputs, "input", device.value)?;
        let address = InputAddress(input.value);
        let key = (device.value.name.clone(), address);
        let mut uses = self.inputs.borrow_mut();
        if let Some(first) = uses.get(&key) {
            let message = format!(
                "input {} of `{}` is used twice: {} and {what}",
                input.value, key.0, first.what
            );
            self.findings.add(
                input
                    .finding(message)
                    .other(first.span.clone(), "first used here"),
            );
            return None;
        }
        let (what, span) = (what.to_owned(), input.span);
        uses.insert(key, Use { what, span });
        Some(address)
    }

    /// Notes that a meter sits on one point without a relay; it can then sit on no other, unless a
    /// person moves its leads.
    pub(super) fn meter_alone(
        &self,
        device: &Located<&DeviceSpec>,
        (point, by_hand): (&str, bool),
    ) {
        let mut meters = self.meters.borrow_mut();
        match meters.get(&device.value.name) {
            Some(first) if first.what.0 != point && !(by_hand && first.what.1) => {
                let message = format!(
                    "meter `{}` sits on {} without a relay, so it cannot read {point} too",
                    device.value.name, first.what.0
                );
                let finding = device
                    .finding(message)
                    .other(first.span.clone(), "first used here")
                    .help(
                        "name the multiplexer's relay: through = { device = …, coil = … }, or let \
                         a person move the leads: by_hand = true in each",
                    );
                self.findings.add(finding);
            }
            Some(_) => {}
            None => {
                let (what, span) = ((point.to_owned(), by_hand), device.span.clone());
                meters.insert(device.value.name.clone(), Use { what, span });
            }
        }
    }

    /// Notes what a meter that cannot be switched from afar is asked for; it can then be asked for
    /// nothing else.
    pub(super) fn only_quantity(
        &self,
        device: &DeviceSpec,
        point: &str,
        asked: Located<Quantity>,
    ) -> Option<()> {
        let mut quantities = self.quantities.borrow_mut();
        let Some(first) = quantities.get(&device.name) else {
            let (what, span) = ((point.to_owned(), asked.value), asked.span);
            quantities.insert(device.name.clone(), Use { what, span });
            return Some(());
        };
        let (first_point, first_quantity) = &first.what;
        if *first_quantity == asked.value {
            return Some(());
        }
        let word = quantity_word;
        let message = format!(
            "meter `{}` reads {} for {first_point}, so it cannot read {} for {point}: nothing \
             switches it",
            device.name,
            word(*first_quantity),
            word(asked.value)
        );
        let finding = asked
            .finding(message)
            .other(first.span.clone(), "first asked here")
            .help(
                "a meter of plain lines reads what it is set to: ask it for one quantity, and \
                 another meter for the other",
            );
        self.findings.add(finding);
        None
    }

    fn within(
        &self,
        address: &Located<u16>,
        count: u16,
        kind: &str,
        device: &DeviceSpec,
    ) -> Option<()> {
        if address.value < count {
            return Some(());
        }
        let message = format!(
            "{kind} {} is out of range: `{}` has {count}, from 0 to {}",
            address.value,
            device.name,
            count - 1
        );
        self.findings.add(address.finding(message));
        None
    }

    /// Something that may use a device could not be read.
    pub(super) fn hide_uses(&self) {
        self.all_known.set(false);
    }

    /// Names every device that nothing uses. Where a use names no known device, none can be called
    /// unused: it may be the one meant.
    pub(super) fn check_all_used(&self) {
        if !self.all_known.get() {
            return;
        }
        let used = self.used.borrow();
        for (name, device) in &self.devices.taken {
            if !used.contains(name) {
                let message = format!("device `{name}` is not used by any line");
                self.findings.add(
                    device
                        .finding(message)
                        .help("remove it, or name it in a drive, a sense or a stimulus"),
                );
            }
        }
    }
}
