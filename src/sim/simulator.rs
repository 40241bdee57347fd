//! The simulated bench as its user sees it: streams to its links, and what is true behind them.
//!
//! Place in the data's path: made from bench, profile, faults and seed before a run; then each
//! link is connected in memory or served on a stream of the caller's. All of it lives on one
//! thread, and its delays are tokio's: under a paused runtime it runs in virtual time.

use super::as_built::{as_built, supplied_otherwise};
use super::contact_fault::ContactFaults;
use super::ear::Tongue;
use super::house::{Defrost, House, MachineRun};
use super::link::Link;
use super::link_fault::{LinkFault, LinkFaultError, LinkFaultKind};
use super::operator;
use super::physics::{Observations, Physics, Point};
use super::random::{Draws, Purpose};
use super::room_controller::{ControllerFault, RoomController};
use super::scpi_meter::ScpiMeter;
use super::unit::{Server, Unit};
use super::wiring::Wiring;
use super::world::World;
use crate::domain::Question;
use crate::domain::bench_map::{BenchMap, Loads, UnderTest};
use crate::domain::circuit::{Circuit, CircuitError, Fault, FaultError, FaultKind, PICK_UP};
use crate::domain::profile::Profile;
use crate::units::{
    CoilAddress, DeviceName, DeviceProtocol, DeviceSpec, End, LinkName, Microseconds, Place,
    Terminal,
};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::future::Future;
use std::rc::Rc;
use tokio::io::{AsyncRead, AsyncWrite, DuplexStream};

/// Time since the program began. It must move on with tokio's clock.
pub type SimClock = Rc<dyn Fn() -> Microseconds>;

/// Bytes that a stream in memory holds before its writer waits: several of the longest frames.
const STREAM_BYTES: usize = 4096;

/// What a simulated bench is made from.
pub struct SimulatorSetup<'a> {
    /// The bench.
    pub bench: &'a BenchMap,
    /// The equipment.
    pub profile: &'a Profile,
    /// What is wrong with the wiring.
    pub faults: Vec<Fault>,
    /// What is wrong with the links.
    pub link_faults: Vec<LinkFault>,
    /// Where every draw comes from.
    pub seed: u64,
    /// The clock that relays, mains and replies follow.
    pub now: SimClock,
}

/// A bench that cannot be simulated as asked.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SimulatorError {
    /// A fault that cannot be set.
    #[error(transparent)]
    Fault(#[from] FaultError),
    /// A circuit that cannot be built or solved, or a fault that it cannot have.
    #[error(transparent)]
    Circuit(#[from] CircuitError),
    /// A link fault that names no device.
    #[error(transparent)]
    LinkFault(#[from] LinkFaultError),
}

/// A link that cannot be opened.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ConnectError {
    /// The bench has no such link.
    #[error("the bench has no link {0}")]
    UnknownLink(LinkName),
    /// The link has been unplugged.
    #[error("link {0} is unplugged")]
    Unplugged(LinkName),
}

/// A bench that answers at the byte level. Clones are the same bench.
#[derive(Clone)]
#[must_use = "a simulated bench does nothing until its links are connected"]
pub struct Simulator {
    links: Rc<BTreeMap<LinkName, Rc<Link>>>,
    world: Rc<RefCell<World>>,
    lines: Rc<BTreeSet<Terminal>>,
    now: SimClock,
}

impl Simulator {
    /// A bench with every relay open.
    ///
    /// # Errors
    /// [`SimulatorError`] where bench, fault or link fault is beyond this simulator.
    pub fn new(setup: SimulatorSetup<'_>) -> Result<Self, SimulatorError> {
        let SimulatorSetup {
            bench,
            profile,
            faults,
            link_faults,
            seed,
            now,
        } = setup;
        for fault in &link_faults {
            fault.check(bench)?;
        }
        let lines: Vec<Terminal> = bench.lines.keys().cloned().collect();
        let resolved: Result<Vec<Fault>, FaultError> = faults
            .iter()
            .map(|fault| fault.resolve(profile, &lines))
            .collect();
        let faults = resolved?;
        let wiring = Wiring::of(bench, profile);
        let contact_faults = ContactFaults::of(&wiring, &faults)?;
        let mut circuit = faulty(as_built(bench, profile, seed)?, &wiring, &faults)?;
        if bench.loads == Loads::Real {
            circuit.put_defrost_contact()?;
        }
        let mut physics = Physics::new(circuit.clone(), bench)?;
        if bench.under_test == UnderTest::Controller {
            let as_faulty = |built| faulty(built, &wiring, &faults);
            for (selected, circuit) in
                supplied_otherwise((bench, profile), &circuit, seed, &as_faulty)?
            {
                physics.put_supply(selected, circuit);
            }
        }
        let mut world = World::new(bench, &faults, contact_faults, physics, seed)?;
        if bench.under_test == UnderTest::Controller {
            world.put_under_test(RoomController::new(profile, seed));
        }
        if bench.loads == Loads::Real {
            let mut house = House::new(profile);
            let at_equipment = |fault: &Fault| {
                fault.kind() == FaultKind::InvertedChangeover
                    && fault.place() == Some(Place::Equipment)
            };
            if faults.iter().any(at_equipment) {
                house.turn_its_valve_round();
            }
            world.build_house(house);
        }
        let world = Rc::new(RefCell::new(world));
        let mut links = BTreeMap::new();
        for name in bench.links.keys() {
            let units = units(bench, name, &link_faults, seed);
            let spoken = bench.devices.values().find(|device| device.link == *name);
            let (units, unplugged_at) = with_unplugging(units);
            let link = Link {
                // A link without a device is heard by nobody, in whichever protocol.
                tongue: spoken.map_or(Tongue::Rtu, Tongue::of),
                units: RefCell::new(units),
                unplugged_at,
                world: Rc::clone(&world),
                now: Rc::clone(&now),
            };
            links.insert(name.clone(), Rc::new(link));
        }
        Ok(Self {
            links: Rc::new(links),
            world,
            lines: Rc::new(wiring.lines),
            now,
        })
    }

    /// Answers for one link on a stream of the caller's. The future ends when the stream closes or
    /// the link is unplugged.
    ///
    /// # Errors
    /// [`ConnectError`] where there is no such link, or no longer.
    pub fn serve<S>(
        &self,
        link: &LinkName,
        stream: S,
    ) -> Result<impl Future<Output = ()> + use<S>, ConnectError>
    where
        S: AsyncRead + AsyncWrite + Unpin,
    {
        let link = self.link(link)?;
        Ok(async move { link.serve(stream).await })
    }

    /// A fresh stream in memory to one link, answered by a task of its own; to be called again
    /// after the stream was dropped. Needs a `LocalSet` around it.
    ///
    /// # Errors
    /// [`ConnectError`] where there is no such link, or no longer.
    pub fn connect(&self, link: &LinkName) -> Result<DuplexStream, ConnectError> {
        let (near, far) = tokio::io::duplex(STREAM_BYTES);
        tokio::task::spawn_local(self.serve(link, far)?);
        Ok(near)
    }

    /// The coils that are commanded closed at this moment, for every relay board.
    #[must_use]
    pub fn closed_relays(&self) -> BTreeMap<DeviceName, BTreeSet<CoilAddress>> {
        self.world.borrow_mut().closed_relays((self.now)())
    }

    /// What truly stands once the relays of these lines have closed one after the other, whatever
    /// any input says.
    #[must_use]
    pub fn truth(&self, driven: &[Terminal]) -> Rc<Observations> {
        self.world.borrow_mut().truth(driven)
    }

    /// Whether each line of the bench truly is live at the equipment, with volts enough to pull a
    /// load in, once the relays of these lines have closed one after the other.
    #[must_use]
    pub fn ground_truth(&self, driven: &[Terminal]) -> BTreeMap<Terminal, bool> {
        let observations = self.truth(driven);
        let state = |terminal: &Terminal| {
            let point = Point {
                terminal: terminal.clone(),
                end: End::Equipment,
            };
            (terminal.clone(), observations.volts(&point) >= PICK_UP)
        };
        self.lines.iter().map(state).collect()
    }

    /// Does what is asked of the person at the bench, and answers truthfully.
    #[must_use]
    pub fn answer(&self, question: &Question) -> String {
        operator::answer(&mut self.world.borrow_mut(), question, (self.now)())
    }

    /// Sets a defrost that a heat pump's outdoor unit makes by itself, feeding its auxiliary line.
    pub fn set_defrost(&self, defrost: Defrost) {
        if let Some(house) = self.world.borrow_mut().house((self.now)()) {
            house.set_defrost(defrost);
        }
    }

    /// Gives the room controller under test a fault of its own.
    pub fn spoil_controller(&self, fault: ControllerFault) {
        self.world.borrow_mut().spoil_controller(fault);
    }

    /// Opens the supply's fuse at this moment, for no reason that lies in the wiring.
    pub fn open_fuse(&self) {
        self.world.borrow_mut().open_fuse((self.now)());
    }

    /// What the machines have done so far; nothing where there are none.
    #[must_use]
    pub fn machine_runs(&self) -> Vec<MachineRun> {
        let mut world = self.world.borrow_mut();
        let house = world.house((self.now)());
        house.map_or(Vec::new(), |house| house.history().to_vec())
    }

    /// Compressor starts inside the minimum-off time, and the longest span of heat without air.
    #[must_use]
    pub fn harm(&self) -> (u32, Microseconds) {
        let mut world = self.world.borrow_mut();
        let house = world.house((self.now)());
        house.map_or((0, Microseconds(0)), |house| {
            (house.short_cycles(), house.heat_without_air())
        })
    }

    fn link(&self, name: &LinkName) -> Result<Rc<Link>, ConnectError> {
        let link = self
            .links
            .get(name)
            .ok_or_else(|| ConnectError::UnknownLink(name.clone()))?;
        if link.is_unplugged() {
            return Err(ConnectError::Unplugged(name.clone()));
        }
        Ok(Rc::clone(link))
    }
}

/// The circuit with its faults. Those of the contacts are refused where they make no sense, and put
/// in by the contacts alone.
fn faulty(built: Circuit, wiring: &Wiring, faults: &[Fault]) -> Result<Circuit, CircuitError> {
    let (of_contacts, of_circuit): (Vec<Fault>, Vec<Fault>) = faults
        .iter()
        .cloned()
        .partition(|fault| ContactFaults::take(wiring, fault));
    if !of_contacts.is_empty() {
        built.with_faults(&of_contacts)?;
    }
    if of_circuit.is_empty() {
        return Ok(built);
    }
    built.with_faults(&of_circuit)
}

/// The devices on one link, each with its faults and its own draws.
fn units(bench: &BenchMap, link: &LinkName, link_faults: &[LinkFault], seed: u64) -> Vec<Unit> {
    let mut units = Vec::new();
    for (index, device) in bench.devices.values().enumerate() {
        if device.link != *link {
            continue;
        }
        let faults = link_faults.iter().filter(|f| *f.device() == device.name);
        units.push(Unit {
            device: device.name.clone(),
            server: server(device),
            faults: faults.cloned().collect(),
            reply_times: Draws::new(seed, Purpose::ReplyTimes, index),
            fault_draws: Draws::new(seed, Purpose::LinkFaults, index),
        });
    }
    units
}

fn server(device: &DeviceSpec) -> Server {
    match &device.protocol {
        DeviceProtocol::ModbusRtu(spec) | DeviceProtocol::ModbusTcp(spec) => {
            Server::Modbus(spec.clone())
        }
        DeviceProtocol::Scpi(spec) => Server::Scpi(ScpiMeter::new(&device.name, spec.clone())),
        DeviceProtocol::Ascii(spec) => Server::Plain(spec.clone()),
    }
}

/// Draws once whether and when the link is unplugged: the first of its devices' faults to come.
fn with_unplugging(mut units: Vec<Unit>) -> (Vec<Unit>, Option<Microseconds>) {
    let mut first: Option<Microseconds> = None;
    for unit in &mut units {
        for fault in &unit.faults {
            if let LinkFaultKind::Unplug(at) = fault.kind()
                && unit.fault_draws.chance(fault.probability())
            {
                first = Some(first.map_or(at, |earlier| earlier.min(at)));
            }
        }
    }
    (units, first)
}
