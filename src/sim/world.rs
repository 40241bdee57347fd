//! The bench's physical state: relays of every board, the wiring behind them, what inputs see.
//!
//! Place in the data's path: the servers of all links share one world; a coil set over one link
//! shows on an input of another. Time comes in as an argument. It knows no bytes.
//!
//! Contacts move one by one, and every move is told to the physics in its order: a coil that pulls
//! in with one load may not with three.
//!
//! A digital input is on from 14 V up and off from 5 V down (from memory); in between each has its
//! own two tensions, drawn from the seed, and keeps its state between them. An input that is not
//! filtered follows each mains half cycle: while it is on it reads 1 in 60 to 70 % of instants, so
//! that a single 0 proves nothing. Which inputs those are, and the mains' phase, come from the
//! seed.

use super::board::Board;
use super::contact_fault::ContactFaults;
use super::house::House;
use super::loose_joint::LooseJoint;
use super::meter_input::MeterInputs;
use super::operator::Hands;
use super::physics::{Contacts, Leads, Observations, Physics, Point, SupplySelected};
use super::random::{Draws, Purpose};
use super::room_controller::{ControllerFault, RoomController};
use super::wiring::refuse;
use crate::domain::Call;
use crate::domain::bench_map::{BenchMap, RelayAt, Sense, SenseMeans, Stimulus};
use crate::domain::circuit::{Fault, FaultError, FaultKind};
use crate::units::{
    CoilAddress, DeviceName, MeterValue, Microseconds, Ohms, Quantity, Terminal, Volts,
};
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

/// Parts of a half cycle, as the input's share of it is drawn.
const PARTS: u64 = 1_000_000;

/// A meter in the hand: its input, and the most ohms that it shows (typical).
const HAND_METER: Ohms = Ohms(10e6);
const HAND_RANGE: Ohms = Ohms(20e6);

/// Between these an input may be either (from memory).
const SURELY_OFF: Volts = Volts(5.0);
const SURELY_ON: Volts = Volts(14.0);

/// One digital input that senses something.
#[derive(Debug)]
struct Tap {
    point: Point,
    /// It goes on at this tension or above.
    on_at: Volts,
    /// It goes off at this tension or below.
    off_at: Volts,
    on: bool,
    /// The parts of each half cycle in which a live input reads 1; `PARTS` where it is filtered.
    share: u64,
    dead: bool,
}

impl Tap {
    fn follow(&mut self, tension: Volts) {
        self.on = if self.on {
            tension > self.off_at
        } else {
            tension >= self.on_at
        };
    }
}

/// Everything physical about the bench.
pub(super) struct World {
    boards: BTreeMap<DeviceName, Board>,
    drives: BTreeMap<RelayAt, Terminal>,
    master: Option<RelayAt>,
    stimuli: BTreeMap<RelayAt, Call>,
    controller: Option<RoomController>,
    /// The relay that cuts the controller's supply, and those that select its levels.
    interrupt: Option<RelayAt>,
    levels: Vec<RelayAt>,
    hands: Hands,
    /// The person's test lamp.
    lamp: Ohms,
    taps: BTreeMap<DeviceName, Vec<Option<Tap>>>,
    meters: MeterInputs,
    contact_faults: ContactFaults,
    physics: Physics,
    house: Option<House>,
    /// The contacts last told to the physics, with what stands since.
    last: (Contacts, Rc<Observations>),
    /// Up to this moment every change of a contact was told.
    looked_at: Microseconds,
    loose_joint: Option<LooseJoint>,
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
        mut physics: Physics,
        seed: u64,
    ) -> Result<Self, FaultError> {
        let mut boards = BTreeMap::new();
        for (index, (name, device)) in bench.devices.iter().enumerate() {
            if device.relays() > 0 || device.modbus().is_some() {
                let mut draws = Draws::new(seed, Purpose::RelayTimes, index);
                boards.insert(name.clone(), Board::new(device, &mut draws));
            }
        }
        let comes_and_goes = |fault: &Fault| fault.kind() == FaultKind::Intermittent;
        let loose = faults.iter().any(comes_and_goes);
        let at_rest = Contacts::default();
        let observations = physics.observe(&at_rest);
        let mut world = Self {
            boards,
            drives: drives(bench),
            master: bench.master.clone(),
            stimuli: stimuli(bench),
            controller: None,
            interrupt: bench.supply.interrupt.clone(),
            levels: {
                let levels = bench.supply.levels.iter();
                levels.map(|level| level.relay.clone()).collect()
            },
            hands: Hands::default(),
            lamp: Ohms(bench.circuit.indicator_ohms),
            taps: taps(bench, seed),
            meters: MeterInputs::of(bench, seed),
            contact_faults,
            physics,
            house: None,
            last: (at_rest, observations),
            looked_at: Microseconds(0),
            loose_joint: loose.then(|| LooseJoint::draw(seed)),
            half_cycles_per_second: 2 * u64::from(bench.timing.mains_hertz.max(1)),
            phase: Draws::new(seed, Purpose::Bench, 0).within(0..=PARTS - 1),
        };
        for fault in faults {
            if fault.kind() == FaultKind::DeadInput {
                world.kill_inputs(fault, bench)?;
            }
        }
        world.move_to(Microseconds(0));
        Ok(world)
    }

    /// Puts a room controller onto the bench.
    pub(super) fn put_under_test(&mut self, controller: RoomController) {
        self.controller = Some(controller);
    }

    /// Gives the room controller a fault of its own; nothing where there is none.
    pub(super) fn spoil_controller(&mut self, fault: ControllerFault) {
        if let Some(controller) = &mut self.controller {
            controller.spoil(fault);
        }
    }

    /// What the person has in hand, time having passed until now.
    pub(super) fn hands(&mut self, now: Microseconds) -> &mut Hands {
        self.look(now);
        &mut self.hands
    }

    /// Whether a test lamp put on a point shows it live at this instant. A lamp is a load: what a
    /// lifted line picks up from its neighbours does not light it.
    pub(super) fn is_live(&mut self, point: &Point, now: Microseconds) -> bool {
        self.look(now);
        let lamp = Leads {
            input: self.lamp,
            load: None,
            series: Ohms(0.0),
        };
        self.physics.read(&self.last.0, point, &lamp) >= SURELY_ON
    }

    /// What a sound instrument in the person's hand shows on a point at this instant.
    pub(super) fn in_hand(
        &mut self,
        point: &Point,
        quantity: Quantity,
        now: Microseconds,
    ) -> MeterValue {
        self.look(now);
        let contacts = &self.last.0;
        let leads = Leads {
            input: HAND_METER,
            load: None,
            series: Ohms(0.0),
        };
        match quantity {
            Quantity::AcVolts => MeterValue::Value(self.physics.read(contacts, point, &leads).0),
            Quantity::AcAmps => MeterValue::Value(self.physics.amps(contacts, point).0),
            Quantity::Resistance => {
                let ohms = self.physics.ohms(contacts, point);
                let within_range = ohms.filter(|ohms| ohms.0 < HAND_RANGE.0);
                within_range.map_or(MeterValue::Overload, |ohms| MeterValue::Value(ohms.0))
            }
            Quantity::Presence | Quantity::Observation => MeterValue::NotANumber,
        }
    }

    /// A fuse of the supply opens at this instant, for no reason that lies in the wiring.
    pub(super) fn open_fuse(&mut self, now: Microseconds) {
        self.look(now);
        self.physics.open_fuses();
        let observations = self.physics.observe(&self.last.0);
        for tap in self.taps.values_mut().flatten().flatten() {
            tap.follow(observations.volts(&tap.point));
        }
        self.last.1 = observations;
        if let Some(house) = &mut self.house {
            house.advance(now, self.last.1.pulled_in());
        }
    }

    /// Lets the room controller see what a request has just changed.
    pub(super) fn follow(&mut self, now: Microseconds) {
        if self.controller.is_some() {
            self.look(now);
        }
    }

    fn kill_inputs(&mut self, fault: &Fault, bench: &BenchMap) -> Result<(), FaultError> {
        let terminal = &fault.terminals()[0];
        let mut found = self.meters.kill(terminal);
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
            let sensed: BTreeSet<Terminal> = senses(bench).map(|(sensed, _)| sensed).collect();
            let sensed: Vec<&str> = sensed.iter().map(Terminal::as_str).collect();
            let reason = format!(
                "no input of this bench senses {terminal}; sensed: {}",
                sensed.join(" ")
            );
            Err(refuse(fault, reason))
        }
    }

    /// Real machines hang on the wiring.
    pub(super) fn build_house(&mut self, house: House) {
        self.house = Some(house);
    }

    /// The house as it stands at this moment.
    pub(super) fn house(&mut self, now: Microseconds) -> Option<&mut House> {
        self.look(now);
        self.house.as_mut()
    }

    /// The board of a device, its watchdog brought up to date and what its contacts did until now
    /// told to the physics.
    pub(super) fn board(&mut self, device: &DeviceName, now: Microseconds) -> &mut Board {
        self.look(now);
        self.boards
            .get_mut(device)
            .expect("every device that is served has a board")
    }

    /// Coils commanded closed, by device; devices without any closed are listed too.
    pub(super) fn closed_relays(
        &mut self,
        now: Microseconds,
    ) -> BTreeMap<DeviceName, BTreeSet<CoilAddress>> {
        self.look(now);
        let closed = |(name, board): (&DeviceName, &Board)| (name.clone(), board.closed());
        self.boards.iter().map(closed).collect()
    }

    /// What a device's inputs read at this instant; index = address.
    pub(super) fn inputs(&mut self, device: &DeviceName, now: Microseconds) -> Vec<bool> {
        self.look(now);
        let parts_now = u128::from(now.0) * u128::from(self.half_cycles_per_second);
        let into_half_cycle = (parts_now + u128::from(self.phase)) % u128::from(PARTS);
        let reads = |tap: &Option<Tap>| {
            tap.as_ref().is_some_and(|tap| {
                let showing = into_half_cycle < u128::from(tap.share);
                tap.on && !tap.dead && showing
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
        let (contacts, observations) = &self.last;
        let closed = |relay: &RelayAt| {
            let board = self.boards.get(&relay.device);
            board.is_some_and(|board| board.contact(relay.coil, now))
        };
        let seen = (&self.physics, contacts, &**observations);
        let leads = self.hands.leads.as_ref();
        self.meters.value((device, quantity), seen, leads, closed)
    }

    /// The quantity that a plain meter is set to: the one that the bench reads with it.
    pub(super) fn quantity_of(&self, device: &DeviceName) -> Quantity {
        self.meters.quantity_of(device)
    }

    /// Tells the physics what the contacts did since the last look, each move at its moment.
    fn look(&mut self, now: Microseconds) {
        // Who asks once the run's clock has stopped sees the bench as it last was.
        let now = now.max(self.looked_at);
        for board in self.boards.values_mut() {
            board.expire(now);
        }
        let boards = self.boards.values();
        let changes = boards.flat_map(|board| board.changes(self.looked_at, now));
        let mut moments: BTreeSet<Microseconds> = changes.collect();
        if let Some(joint) = &self.loose_joint {
            moments.extend(joint.last_changes(now).filter(|at| *at > self.looked_at));
        }
        if let Some(house) = &self.house {
            moments.extend(
                house
                    .defrost_changes()
                    .filter(|at| *at > self.looked_at && *at < now),
            );
        }
        // What moves without a relay: a person's hands, a room controller's own timers.
        moments.insert(now);
        for moment in moments {
            self.move_to(moment);
        }
        self.looked_at = now;
    }

    fn move_to(&mut self, moment: Microseconds) {
        let contacts = self.contacts(moment);
        if self.last.0 != contacts || moment.0 == 0 {
            let observations = self.physics.observe(&contacts);
            for tap in self.taps.values_mut().flatten().flatten() {
                tap.follow(observations.volts(&tap.point));
            }
            self.last = (contacts, observations);
        }
        if let Some(house) = &mut self.house {
            house.advance(moment, self.last.1.pulled_in());
        }
    }

    /// What stands once these lines' relays have closed one after the other, from rest, whatever
    /// any input says of it; joints that come and go are made.
    pub(super) fn truth(&mut self, driven: &[Terminal]) -> Rc<Observations> {
        let mut commanded = BTreeSet::new();
        let mut moments = Vec::new();
        let mut moment = |commanded: &BTreeSet<Terminal>| {
            moments.push(Contacts {
                lines: self.contact_faults.closed(commanded),
                fed: true,
                loose_joints_made: true,
                defrosts: false,
                supply: SupplySelected::default(),
            });
        };
        moment(&commanded);
        for line in driven {
            commanded.insert(line.clone());
            moment(&commanded);
        }
        self.physics.after(&moments)
    }

    fn contacts(&mut self, at: Microseconds) -> Contacts {
        let closed = |relay: &RelayAt| {
            self.boards
                .get(&relay.device)
                .is_some_and(|board| board.contact(relay.coil, at))
        };
        let supply = SupplySelected {
            level: self.levels.iter().position(closed),
            cut: self.interrupt.as_ref().is_some_and(closed),
        };
        let fed = self.master.as_ref().is_none_or(closed);
        let commanded = if self.controller.is_some() {
            self.controllers_outputs(fed && !supply.cut, at)
        } else {
            let closed = self.drives.iter().filter(|(relay, _)| closed(relay));
            let driven = closed.map(|(_, line)| line.clone());
            driven.chain(self.hands.jumpers.iter().cloned()).collect()
        };
        let joint = self.loose_joint.as_ref();
        let house = self.house.as_ref();
        Contacts {
            lines: self.contact_faults.closed(&commanded),
            fed,
            loose_joints_made: joint.is_some_and(|joint| joint.is_made(at)),
            defrosts: house.is_some_and(|house| house.defrosts(at)),
            supply,
        }
    }

    /// What the room controller commands once time has passed until now. It has power where R
    /// reaches it while its outputs are as they were; as a cut ends, where it is fed at all.
    fn controllers_outputs(&mut self, fed: bool, now: Microseconds) -> BTreeSet<Terminal> {
        let wanted = self.wanted();
        let (before, seen) = &self.last;
        let reaches = before.supply.cut || seen.controller >= CONTROLLER_RUNS_FROM;
        let volts = seen.controller;
        let controller = self.controller.as_mut().expect("only asked where it is");
        controller.follow(now, &wanted, fed && reaches);
        controller.outputs(now, volts)
    }

    /// The call that is asked of the room controller, by relay or by hand.
    fn wanted(&self) -> Call {
        let by_relay = self.stimuli.iter().find(|(relay, _)| {
            let board = self.boards.get(&relay.device);
            board.is_some_and(|board| board.closed().contains(&relay.coil))
        });
        match (by_relay, &self.hands.call) {
            (Some((_, call)), _) | (None, Some(call)) => call.clone(),
            (None, None) => Call::Idle,
        }
    }
}

/// A room controller works from this tension up (assumed; it is made for 24 V).
const CONTROLLER_RUNS_FROM: Volts = Volts(16.0);

fn stimuli(bench: &BenchMap) -> BTreeMap<RelayAt, Call> {
    bench
        .stimuli
        .iter()
        .filter_map(|(call, stimulus)| match stimulus {
            Stimulus::Relay(relay) => Some((relay.clone(), call.clone())),
            Stimulus::Operator => None,
        })
        .collect()
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
    let mut thresholds: BTreeMap<&DeviceName, Vec<(Volts, Volts)>> = BTreeMap::new();
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
        let mut draws = Draws::new(seed, Purpose::Thresholds, index);
        let drawn = (0..inputs).map(|_| switching_tensions(&mut draws));
        thresholds.insert(name, drawn.collect());
        taps.insert(name.clone(), (0..inputs).map(|_| None).collect());
    }
    for (terminal, sense) in senses(bench) {
        let SenseMeans::Input { device, input } = &sense.means else {
            continue;
        };
        let index = usize::from(input.0);
        let share = shares.get(device).and_then(|shares| shares.get(index));
        let tensions = thresholds.get(device).and_then(|all| all.get(index));
        let slot = taps.get_mut(device).and_then(|taps| taps.get_mut(index));
        if let (Some(share), Some((off_at, on_at)), Some(slot)) = (share, tensions, slot) {
            let point = Point {
                terminal,
                end: sense.end,
            };
            *slot = Some(Tap {
                point,
                on_at: *on_at,
                off_at: *off_at,
                on: false,
                share: *share,
                dead: false,
            });
        }
    }
    taps
}

/// Where an input goes off and on: the two in the third of the band that is nearest to its end.
fn switching_tensions(draws: &mut Draws) -> (Volts, Volts) {
    let third = (SURELY_ON.0 - SURELY_OFF.0) / 3.0;
    let off_at = SURELY_OFF.0 + draws.deviation().abs() * third;
    let on_at = SURELY_ON.0 - draws.deviation().abs() * third;
    (Volts(off_at), Volts(on_at))
}
