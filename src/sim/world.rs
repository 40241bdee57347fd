//! The bench's physical state: relays of every board, the wiring behind them, what inputs see.
//!
//! Place in the data's path: the servers of all links share one world; a coil set over one link
//! shows on an input of another. Time comes in as an argument. It knows no bytes.
//!
//! An input that is not filtered follows each mains half cycle: while its point is live it reads 1
//! in 60 to 70 % of instants, so that a single 0 proves nothing. Which inputs those are, and the
//! mains' phase, come from the seed.

use super::board::Board;
use super::contact_fault::ContactFaults;
use super::meter_input::MeterInputs;
use super::physics::{Contacts, Observations, Physics, Point};
use super::random::{Draws, Purpose};
use super::wiring::refuse;
use crate::domain::bench_map::{BenchMap, RelayAt, Sense, SenseMeans};
use crate::domain::circuit::{Fault, FaultError, FaultKind};
use crate::units::{CoilAddress, DeviceName, MeterValue, Microseconds, Quantity, Terminal};
use std::collections::{BTreeMap, BTreeSet};

/// Parts of a half cycle, as the input's share of it is drawn.
const PARTS: u64 = 1_000_000;

/// One digital input that senses something.
#[derive(Debug)]
struct Tap {
    point: Point,
    /// The parts of each half cycle in which a live input reads 1; `PARTS` where it is filtered.
    share: u64,
    dead: bool,
}

/// Everything physical about the bench.
pub(super) struct World {
    boards: BTreeMap<DeviceName, Board>,
    drives: BTreeMap<RelayAt, Terminal>,
    master: Option<RelayAt>,
    taps: BTreeMap<DeviceName, Vec<Option<Tap>>>,
    meters: MeterInputs,
    contact_faults: ContactFaults,
    physics: Box<dyn Physics>,
    /// The last contacts asked about with their answer: most requests change nothing.
    last: Option<(Contacts, Observations)>,
    half_cycles_per_second: u64,
    phase: u64,
}

impl World {
    /// The bench with every relay open.
    ///
    /// # Errors
    /// [`FaultError`] where `dead-input` names what no input senses.
    pub(super) fn new(
        bench: &BenchMap,
        faults: &[Fault],
        contact_faults: ContactFaults,
        physics: Box<dyn Physics>,
        seed: u64,
    ) -> Result<Self, FaultError> {
        let mut boards = BTreeMap::new();
        for (index, (name, device)) in bench.devices.iter().enumerate() {
            if device.relays() > 0 || device.modbus().is_some() {
                let mut draws = Draws::new(seed, Purpose::RelayTimes, index);
                boards.insert(name.clone(), Board::new(device, &mut draws));
            }
        }
        let mut world = Self {
            boards,
            drives: drives(bench),
            master: bench.master.clone(),
            taps: taps(bench, seed),
            meters: MeterInputs::of(bench),
            contact_faults,
            physics,
            last: None,
            half_cycles_per_second: 2 * u64::from(bench.timing.mains_hertz.max(1)),
            phase: Draws::new(seed, Purpose::Bench, 0).within(0..=PARTS - 1),
        };
        for fault in faults {
            if fault.kind() == FaultKind::DeadInput {
                world.kill_inputs(fault, bench)?;
            }
        }
        Ok(world)
    }

    fn kill_inputs(&mut self, fault: &Fault, bench: &BenchMap) -> Result<(), FaultError> {
        let terminal = &fault.terminals()[0];
        let mut found = false;
        for (device, input) in inputs_of(bench, terminal) {
            let taps = self.taps.get_mut(&device);
            if let Some(Some(tap)) = taps.and_then(|taps| taps.get_mut(input)) {
                tap.dead = true;
                found = true;
            }
        }
        if found {
            Ok(())
        } else {
            Err(refuse(
                fault,
                format!("no input of this bench senses {terminal}"),
            ))
        }
    }

    /// The board of a device, its watchdog brought up to date.
    pub(super) fn board(&mut self, device: &DeviceName, now: Microseconds) -> &mut Board {
        let board = self
            .boards
            .get_mut(device)
            .expect("every device that is served has a board");
        board.expire(now);
        board
    }

    /// Coils commanded closed, by device; devices without any closed are listed too.
    pub(super) fn closed_relays(
        &mut self,
        now: Microseconds,
    ) -> BTreeMap<DeviceName, BTreeSet<CoilAddress>> {
        let closed = |(name, board): (&DeviceName, &mut Board)| {
            board.expire(now);
            (name.clone(), board.closed())
        };
        self.boards.iter_mut().map(closed).collect()
    }

    /// What a device's inputs read at this instant; index = address.
    pub(super) fn inputs(&mut self, device: &DeviceName, now: Microseconds) -> Vec<bool> {
        self.look(now);
        let (_, observations) = self.last.as_ref().expect("just looked");
        let parts_now = u128::from(now.0) * u128::from(self.half_cycles_per_second);
        let into_half_cycle = (parts_now + u128::from(self.phase)) % u128::from(PARTS);
        let reads = |tap: &Option<Tap>| {
            tap.as_ref().is_some_and(|tap| {
                let showing = into_half_cycle < u128::from(tap.share);
                !tap.dead && showing && observations.is_live(&tap.point)
            })
        };
        self.taps
            .get(device)
            .into_iter()
            .flatten()
            .map(reads)
            .collect()
    }

    /// What a meter shows at this instant, before its own range and resolution.
    pub(super) fn meter_value(
        &mut self,
        device: &DeviceName,
        quantity: Quantity,
        now: Microseconds,
    ) -> MeterValue {
        self.look(now);
        let (_, observations) = self.last.as_ref().expect("just looked");
        let closed = |relay: &RelayAt| {
            let board = self.boards.get(&relay.device);
            board.is_some_and(|board| board.contact(relay.coil, now))
        };
        self.meters.value(device, quantity, observations, closed)
    }

    /// The quantity that a plain meter is set to: the one that the bench reads with it.
    pub(super) fn quantity_of(&self, device: &DeviceName) -> Quantity {
        self.meters.quantity_of(device)
    }

    /// Brings what is live up to date with the contacts.
    fn look(&mut self, now: Microseconds) {
        let contacts = self.contacts(now);
        if self.last.as_ref().is_none_or(|(last, _)| *last != contacts) {
            let observations = self.physics.observe(&contacts);
            self.last = Some((contacts, observations));
        }
    }

    /// What each line at the equipment is once these lines' relays have been commanded and every
    /// contact has settled, whatever any input says of it.
    pub(super) fn ground_truth(&self, driven: &BTreeSet<Terminal>) -> Observations {
        self.physics.observe(&Contacts {
            lines: self.contact_faults.closed(driven),
            fed: true,
        })
    }

    fn contacts(&mut self, now: Microseconds) -> Contacts {
        for board in self.boards.values_mut() {
            board.expire(now);
        }
        let closed = |relay: &RelayAt| {
            self.boards
                .get(&relay.device)
                .is_some_and(|board| board.contact(relay.coil, now))
        };
        let commanded = self
            .drives
            .iter()
            .filter(|(relay, _)| closed(relay))
            .map(|(_, line)| line.clone())
            .collect();
        Contacts {
            lines: self.contact_faults.closed(&commanded),
            fed: self.master.as_ref().is_none_or(closed),
        }
    }
}

fn drives(bench: &BenchMap) -> BTreeMap<RelayAt, Terminal> {
    bench
        .lines
        .values()
        .filter_map(|line| {
            let drive = line.drive.as_ref()?;
            Some((drive.relay.clone(), line.terminal.clone()))
        })
        .collect()
}

/// Every sense of the bench with the terminal that it looks at.
pub(super) fn senses(bench: &BenchMap) -> impl Iterator<Item = (Terminal, &Sense)> {
    let of_lines = bench.lines.values().flat_map(|line| {
        line.senses
            .iter()
            .map(|sense| (line.terminal.clone(), sense))
    });
    let of_supply = bench
        .supply
        .senses
        .iter()
        .map(|supply| (supply.rail.terminal(), &supply.sense));
    of_lines.chain(of_supply)
}

/// Device and index of each input that senses a terminal.
fn inputs_of(bench: &BenchMap, terminal: &Terminal) -> Vec<(DeviceName, usize)> {
    senses(bench)
        .filter(|(sensed, _)| sensed == terminal)
        .filter_map(|(_, sense)| match &sense.means {
            SenseMeans::Input { device, input } => Some((device.clone(), usize::from(input.0))),
            SenseMeans::Meter { .. } | SenseMeans::Operator => None,
        })
        .collect()
}

fn taps(bench: &BenchMap, seed: u64) -> BTreeMap<DeviceName, Vec<Option<Tap>>> {
    let mut taps: BTreeMap<DeviceName, Vec<Option<Tap>>> = BTreeMap::new();
    let mut shares: BTreeMap<&DeviceName, Vec<u64>> = BTreeMap::new();
    for (index, (name, device)) in bench.devices.iter().enumerate() {
        let inputs = device.modbus().map_or(0, |spec| spec.discrete_inputs);
        let mut draws = Draws::new(seed, Purpose::Inputs, index);
        // Both draws are made for every input, used or not, so that adding a line moves no other.
        let share = |_| {
            let follows_half_cycles = draws.chance(0.5);
            let share = draws.within(PARTS * 60 / 100..=PARTS * 70 / 100);
            if follows_half_cycles { share } else { PARTS }
        };
        shares.insert(name, (0..inputs).map(share).collect());
        taps.insert(name.clone(), (0..inputs).map(|_| None).collect());
    }
    for (terminal, sense) in senses(bench) {
        let SenseMeans::Input { device, input } = &sense.means else {
            continue;
        };
        let index = usize::from(input.0);
        let share = shares.get(device).and_then(|shares| shares.get(index));
        let slot = taps.get_mut(device).and_then(|taps| taps.get_mut(index));
        if let (Some(share), Some(slot)) = (share, slot) {
            let point = Point {
                terminal,
                end: sense.end,
            };
            *slot = Some(Tap {
                point,
                share: *share,
                dead: false,
            });
        }
    }
    taps
}
