//! Ports for the runner: one bus for each link, one driver for each device.
//!
//! Real and simulated benches differ in the connector under the bus and in nothing above it. A
//! link that cannot be opened is no error here: its devices are listed with why, and the runner
//! records it.

use crate::domain::BenchMap;
use crate::driver::{
    BusHandle, ByteStream, Connector, LinkTiming, ModbusBoard, SerialConnector, TcpConnector,
};
use crate::port::{Link, LocalFuture};
use crate::runner::Ports;
use crate::sim::Simulator;
use crate::units::{
    DeviceName, DeviceProtocol, DeviceSpec, LinkName, LinkSpec, LinkTransport, Trouble, TroubleKind,
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
        let timing = LinkTiming::of(link);
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

fn add_device(opened: &mut OpenedBench, device: &DeviceSpec, bus: &BusHandle) {
    let name = device.name.clone();
    let ports = &mut opened.ports;
    match &device.protocol {
        DeviceProtocol::ModbusRtu(spec) => {
            let driver = Rc::new(ModbusBoard::new(name.clone(), spec.clone(), bus.clone()));
            if spec.coils > 0 {
                ports.boards.insert(name.clone(), Rc::clone(&driver) as _);
            }
            if spec.discrete_inputs > 0 {
                ports.inputs.insert(name.clone(), driver);
            }
        }
        DeviceProtocol::ModbusTcp(_) | DeviceProtocol::Scpi(_) | DeviceProtocol::Ascii(_) => {
            opened.unopened.push((name, unspoken(device)));
            return;
        }
    }
    ports.links.insert(name, Rc::new(BusLink(bus.clone())));
}

fn unspoken(device: &DeviceSpec) -> Trouble {
    Trouble {
        kind: TroubleKind::Refused,
        tried: format!("talk to device {}", device.name),
        detail: "this version does not speak its protocol yet".to_owned(),
        request: String::new(),
        reply: String::new(),
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
