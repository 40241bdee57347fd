//! Ports for the runner: one bus for each link, one driver for each device.
//!
//! Real and simulated benches differ in the connector under the bus and in nothing above it. A
//! link that cannot be opened is no error here: its devices are listed with why, and the runner
//! records it.

use crate::domain::BenchMap;
use crate::driver::{
    AsciiDevice, BusHandle, ByteStream, Connector, LinkTiming, ModbusBoard, ModbusFraming,
    ScpiMeter, SerialConnector, TcpConnector,
};
use crate::port::{Link, LocalFuture};
use crate::runner::Ports;
use crate::sim::Simulator;
use crate::units::{
    DeviceName, DeviceProtocol, DeviceSpec, LinkName, LinkSpec, LinkTransport, ModbusSpec, Trouble,
    TroubleKind,
};
use std::collections::BTreeMap;
use std::rc::Rc;

/// What could be opened, and what could not.
pub struct OpenedBench {
    /// Devices that can be used.
    pub ports: Ports,
    /// Devices that cannot, with why.
    pub unopened: Vec<(DeviceName, Trouble)>,
}

/// Opens every link of a real bench.
pub async fn open_real(bench: &BenchMap) -> OpenedBench {
    open_over(bench, &connector_for).await
}

/// Connects every link of a simulated bench.
pub async fn open_simulated(bench: &BenchMap, simulator: &Simulator) -> OpenedBench {
    open_over(bench, &|link| {
        Box::new(SimulatedLink {
            simulator: simulator.clone(),
            link: link.name.clone(),
        })
    })
    .await
}

fn connector_for(link: &LinkSpec) -> Box<dyn Connector> {
    match (&link.transport, SerialConnector::of(link)) {
        (_, Some(serial)) => Box::new(serial),
        (LinkTransport::Tcp { address }, None) => {
            Box::new(TcpConnector::new(link.name.clone(), address.clone()))
        }
        (LinkTransport::SerialPath { .. } | LinkTransport::SerialUsb { .. }, None) => {
            unreachable!("a serial link has a serial connector")
        }
    }
}

/// Opens every link of a bench through connectors of the caller's making.
pub async fn open_over(
    bench: &BenchMap,
    connector: &dyn Fn(&LinkSpec) -> Box<dyn Connector>,
) -> OpenedBench {
    let mut opened = OpenedBench {
        ports: Ports::default(),
        unopened: Vec::new(),
    };
    let mut buses: BTreeMap<&LinkName, Result<BusHandle, Trouble>> = BTreeMap::new();
    for (name, link) in &bench.links {
        let timing = LinkTiming {
            unasked_is_suspect: !bench
                .devices
                .values()
                .any(|d| d.link == *name && speaks_freely(d)),
            ..LinkTiming::of(link)
        };
        buses.insert(
            name,
            BusHandle::open(name.clone(), timing, connector(link)).await,
        );
    }
    for device in bench.devices.values() {
        match &buses[&device.link] {
            Ok(bus) => add_device(&mut opened, device, bus),
            Err(trouble) => opened.unopened.push((device.name.clone(), trouble.clone())),
        }
    }
    opened
}

/// Bytes that nobody asked for say nothing on its link: it streams, or its replies carry the
/// number of their request.
fn speaks_freely(device: &DeviceSpec) -> bool {
    match &device.protocol {
        DeviceProtocol::ModbusTcp(_) => true,
        DeviceProtocol::Ascii(spec) => spec.ask.is_none() && spec.reading.is_some(),
        DeviceProtocol::ModbusRtu(_) | DeviceProtocol::Scpi(_) => false,
    }
}

fn add_device(opened: &mut OpenedBench, device: &DeviceSpec, bus: &BusHandle) {
    let name = device.name.clone();
    let ports = &mut opened.ports;
    match &device.protocol {
        DeviceProtocol::ModbusRtu(spec) => add_modbus(ports, &name, spec, ModbusFraming::Rtu, bus),
        DeviceProtocol::ModbusTcp(spec) => add_modbus(ports, &name, spec, ModbusFraming::Tcp, bus),
        DeviceProtocol::Scpi(spec) => {
            let driver = ScpiMeter::new(name.clone(), spec.clone(), bus.clone());
            ports.meters.insert(name.clone(), Rc::new(driver));
        }
        DeviceProtocol::Ascii(spec) => {
            let driver = Rc::new(AsciiDevice::new(name.clone(), spec.clone(), bus.clone()));
            if spec.relays > 0 {
                ports.boards.insert(name.clone(), Rc::clone(&driver) as _);
            }
            if spec.reading.is_some() {
                ports.meters.insert(name.clone(), driver);
            }
        }
    }
    ports.links.insert(name, Rc::new(BusLink(bus.clone())));
}

fn add_modbus(
    ports: &mut Ports,
    name: &DeviceName,
    spec: &ModbusSpec,
    framing: ModbusFraming,
    bus: &BusHandle,
) {
    let board = ModbusBoard::new(name.clone(), spec.clone(), bus.clone());
    let driver = Rc::new(board.framed(framing));
    if spec.coils > 0 {
        ports.boards.insert(name.clone(), Rc::clone(&driver) as _);
    }
    if spec.discrete_inputs > 0 {
        ports.inputs.insert(name.clone(), driver);
    }
}

struct BusLink(BusHandle);

impl Link for BusLink {
    fn reopen(&self) -> LocalFuture<'_, Result<(), Trouble>> {
        Box::pin(self.0.reopen())
    }
}

/// Connects to the simulator as a serial adapter would.
struct SimulatedLink {
    simulator: Simulator,
    link: LinkName,
}

impl Connector for SimulatedLink {
    fn connect(&self) -> LocalFuture<'_, Result<Box<dyn ByteStream>, Trouble>> {
        Box::pin(async move {
            match self.simulator.connect(&self.link) {
                Ok(stream) => Ok(Box::new(stream) as Box<dyn ByteStream>),
                Err(error) => Err(Trouble {
                    kind: TroubleKind::Missing,
                    tried: format!("open link {}", self.link),
                    detail: error.to_string(),
                    request: String::new(),
                    reply: String::new(),
                }),
            }
        })
    }
}
