//! A bench, equipment and a raw client for these tests.

use coilcall::domain::bench_map::{
    BenchLine, BenchMap, BenchTiming, Drive, Loads, Rail, RelayAt, Sense, SenseMeans, SupplyMap,
    SupplySense, SupplySource, UnderTest,
};
use coilcall::domain::circuit::CircuitValues;
use coilcall::domain::measurement::Bands;
use coilcall::domain::profile::{Changeover, Kind};
use coilcall::domain::{Profile, ProfileDraft};
use coilcall::port::monotonic_now;
use coilcall::sim::{Simulator, SimulatorError, SimulatorSetup};
use coilcall::units::{
    CoilAddress, DeviceName, DeviceProtocol, DeviceSpec, End, InputAddress, LinkName, LinkSpec,
    LinkTransport, Microseconds, Milliseconds, ModbusSpec, Quantity, RegisterAddress, Terminal,
    UnitAddress, WatchdogSpec,
};
use coilcall::wire::{Request, request_frame};
use std::collections::BTreeMap;
use std::rc::Rc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream};

/// The lines in the order of their coils and inputs.
pub(super) const LINES: [&str; 5] = ["Y1", "G", "O", "W2", "E"];
/// Inputs of the supply: R at the equipment and R at the controller.
pub(super) const R_AT_EQUIPMENT: usize = 5;
pub(super) const R_AT_CONTROLLER: usize = 6;
/// The relay board and the input module share the link `field`; `spare` is on a link of its own.
pub(super) const BOARD: UnitAddress = UnitAddress(1);
pub(super) const INPUTS: UnitAddress = UnitAddress(2);
/// The register of the relay board's watchdog, and what one count is worth.
pub(super) const WATCHDOG: u16 = 0x10;

/// What is heard where nobody answers.
pub(super) const SILENCE: [u8; 0] = [];

pub(super) fn link(name: &str) -> LinkName {
    LinkName::new(name).expect("a link name")
}

pub(super) fn device(name: &str) -> DeviceName {
    DeviceName::new(name).expect("a device name")
}

pub(super) fn milliseconds(count: u64) -> Duration {
    Duration::from_millis(count)
}

fn link_spec(name: &str) -> (LinkName, LinkSpec) {
    let spec = LinkSpec {
        name: link(name),
        transport: LinkTransport::Tcp {
            address: "192.0.2.7:4001".to_owned(),
        },
        reply_timeout_ms: Milliseconds(800),
        late_reply_ms: Milliseconds(1600),
    };
    (link(name), spec)
}

fn modbus(name: &str, on: &str, spec: ModbusSpec) -> (DeviceName, DeviceSpec) {
    let spec = DeviceSpec {
        name: device(name),
        link: link(on),
        protocol: DeviceProtocol::ModbusRtu(spec),
    };
    (device(name), spec)
}

fn input(index: usize, end: End) -> Sense {
    Sense {
        means: SenseMeans::Input {
            device: device("inputs"),
            input: InputAddress(u16::try_from(index).expect("few inputs")),
        },
        end,
        quantity: Quantity::Presence,
    }
}

fn line(index: usize, name: &'static str) -> (Terminal, BenchLine) {
    let relay = RelayAt {
        device: device("board"),
        coil: CoilAddress(u16::try_from(index).expect("few coils")),
    };
    let common = if matches!(name, "W2" | "E") {
        Rail::Rh
    } else {
        Rail::Rc
    };
    let line = BenchLine {
        terminal: Terminal::known(name),
        drive: Some(Drive { relay, common }),
        senses: vec![input(index, End::Equipment)],
        load: None,
    };
    (Terminal::known(name), line)
}

pub(super) fn bench() -> BenchMap {
    let unit = |unit, coils, discrete_inputs| ModbusSpec {
        unit,
        coils,
        discrete_inputs,
        watchdog: None,
    };
    let mut board = unit(BOARD, 8, 0);
    board.watchdog = Some(WatchdogSpec {
        register: RegisterAddress(WATCHDOG),
        timeout_ms: Milliseconds(2000),
        milliseconds_per_count: 100,
    });
    let supply = |index, end| SupplySense {
        rail: Rail::R,
        sense: input(index, end),
    };
    BenchMap {
        bands: Bands::default(),
        circuit: CircuitValues::for_bench(),
        name: "Panel for tests".to_owned(),
        under_test: UnderTest::Wiring,
        loads: Loads::Dummy,
        links: BTreeMap::from([link_spec("field"), link_spec("spare")]),
        devices: BTreeMap::from([
            modbus("board", "field", board),
            modbus("inputs", "field", unit(INPUTS, 0, 16)),
            modbus("spare", "spare", unit(UnitAddress(1), 2, 2)),
        ]),
        supply: SupplyMap {
            source: SupplySource::Equipment,
            senses: vec![
                supply(R_AT_EQUIPMENT, End::Equipment),
                supply(R_AT_CONTROLLER, End::Controller),
            ],
            c_to_controller: None,
            interrupt: None,
            levels: Vec::new(),
        },
        lines: (0..).zip(LINES).map(|(i, name)| line(i, name)).collect(),
        stimuli: BTreeMap::new(),
        master: None,
        timing: BenchTiming::default(),
    }
}

pub(super) fn profile() -> Profile {
    Profile::new(ProfileDraft {
        name: Some("One-stage heat pump, electric auxiliary".to_owned()),
        kind: Some(Kind::HeatPump),
        compressor_stages: Some(1),
        heat_stages: Some(1),
        changeover: Some(Changeover::O),
        fan_in_heat: Some(coilcall::domain::profile::FanInHeat::Controller),
        present: Some(vec![Terminal::known("E")]),
        ..ProfileDraft::default()
    })
    .expect("a sound profile")
}

pub(super) fn try_simulator(
    bench: &BenchMap,
    faults: &[&str],
    link_faults: &[&str],
    seed: u64,
) -> Result<Simulator, SimulatorError> {
    let started = monotonic_now();
    let elapsed = move || monotonic_now().duration_since(started).as_micros();
    Simulator::new(SimulatorSetup {
        bench,
        profile: &profile(),
        faults: faults.iter().map(|f| f.parse().expect(f)).collect(),
        link_faults: link_faults.iter().map(|f| f.parse().expect(f)).collect(),
        seed,
        now: Rc::new(move || Microseconds(u64::try_from(elapsed()).expect("a short test"))),
    })
}

/// A simulator that is only asked what is true: its clock stands still.
pub(super) fn try_simulator_for(
    (bench, profile): (&BenchMap, &Profile),
    faults: &[&str],
    seed: u64,
) -> Result<Simulator, SimulatorError> {
    Simulator::new(SimulatorSetup {
        bench,
        profile,
        faults: faults.iter().map(|f| f.parse().expect(f)).collect(),
        link_faults: Vec::new(),
        seed,
        now: Rc::new(|| Microseconds(0)),
    })
}

pub(super) fn simulator(faults: &[&str], link_faults: &[&str], seed: u64) -> Simulator {
    try_simulator(&bench(), faults, link_faults, seed).expect("a bench that can be simulated")
}

/// Runs a test on one thread in virtual time.
pub(super) fn in_virtual_time<T>(test: impl Future<Output = T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .start_paused(true)
        .build()
        .expect("a runtime");
    tokio::task::LocalSet::new().block_on(&runtime, test)
}

/// A client that knows frames and nothing of what they mean.
pub(super) struct Client {
    pub(super) stream: DuplexStream,
}

impl Client {
    pub(super) fn on(simulator: &Simulator, name: &str) -> Self {
        Self {
            stream: simulator.connect(&link(name)).expect("the link opens"),
        }
    }

    pub(super) async fn send(&mut self, bytes: &[u8]) {
        self.stream
            .write_all(bytes)
            .await
            .expect("the stream takes the request");
    }

    /// Everything that comes within a time, or until the stream ends.
    pub(super) async fn listen(&mut self, within: Duration) -> Vec<u8> {
        let deadline = monotonic_now() + within;
        let mut heard = Vec::new();
        let mut buffer = [0; 256];
        while let Ok(Ok(count)) =
            tokio::time::timeout_at(deadline, self.stream.read(&mut buffer)).await
        {
            heard.extend(&buffer[..count]);
            if count == 0 {
                break;
            }
        }
        heard
    }

    /// The reply's bytes, which must come within 20 ms and with the length that the request asks
    /// for; an exception is shorter.
    pub(super) async fn ask(&mut self, unit: UnitAddress, request: &Request) -> Vec<u8> {
        self.send(&request_frame(unit, request)).await;
        let mut reply = vec![0; request.response_length() + 3];
        tokio::time::timeout(milliseconds(21), self.stream.read_exact(&mut reply))
            .await
            .expect("a reply within 20 ms")
            .expect("an open stream");
        reply
    }

    pub(super) async fn set(&mut self, coil: u16, on: bool) {
        let request = Request::WriteCoil { address: coil, on };
        let echo = self.ask(BOARD, &request).await;
        assert_eq!(echo, request_frame(BOARD, &request));
    }

    /// The input module's inputs at one instant, by index.
    pub(super) async fn inputs(&mut self) -> Vec<bool> {
        let request = Request::ReadDiscreteInputs {
            start: 0,
            count: 16,
        };
        let reply = self.ask(INPUTS, &request).await;
        assert_eq!(reply[..3], [INPUTS.0, 2, 2]);
        let bits = u16::from_le_bytes([reply[3], reply[4]]);
        (0..16).map(|index| bits >> index & 1 == 1).collect()
    }

    /// Inputs that read 1 at any of four instants 38 ms apart, once every contact has settled. At
    /// 60 Hz that is four mains half cycles and 4.67 ms, more than the 3.33 ms for which a live
    /// input may read 0 and as far from a fifth half cycle: two instants in a row never both miss.
    pub(super) async fn settled_inputs(&mut self) -> Vec<bool> {
        tokio::time::advance(milliseconds(150)).await;
        let mut seen = vec![false; 16];
        for _ in 0..4 {
            let asked = monotonic_now();
            for (seen, read) in seen.iter_mut().zip(self.inputs().await) {
                *seen |= read;
            }
            tokio::time::advance(milliseconds(38) - asked.elapsed()).await;
        }
        seen
    }
}
