//! PyVISA-py as the client of simulated meters, on a pseudo-terminal and on a TCP socket.

use super::{in_real_time, script};
use coilcall::app::{SimulateRequest, Simulation, simulate};
use std::path::Path;

const BENCH: &str = r#"
name = "Two meters"
under_test = "wiring"
loads = "dummy"
[link.board]
tcp = "192.0.2.7:502"
[link.serial-meter]
serial = { path = "/dev/ttyUSB1", baud = 9600, parity = "none" }
[link.socket-meter]
tcp = "192.0.2.7:5025"
[device.board]
link = "board"
modbus-tcp = { unit = 1, coils = 16, discrete_inputs = 16 }
[device.serial-meter]
link = "serial-meter"
scpi = { ac_volts = "MEAS:VOLT:AC?", accuracy = { percent = 0.7, resolution_v = 0.01 } }
[device.socket-meter]
link = "socket-meter"
scpi = { ac_volts = "MEAS:VOLT:AC?", accuracy = { percent = 0.7, resolution_v = 0.01 } }
[supply]
source = "equipment"
sense = [
  { device = "board", input = 8 },
  { device = "serial-meter" },
]
[[line]]
terminal = "Y1"
drive = { device = "board", coil = 0 }
sense = [ { device = "board", input = 0 }, { device = "socket-meter" } ]
[[line]]
terminal = "G"
drive = { device = "board", coil = 1 }
sense = { device = "board", input = 1 }
[[line]]
terminal = "O"
drive = { device = "board", coil = 2 }
sense = { device = "board", input = 2 }
[[line]]
terminal = "W2"
drive = { device = "board", coil = 3 }
sense = { device = "board", input = 3 }
"#;

/// The answers that the client printed.
async fn asked(resource: String, lines: &'static [&'static str]) -> Vec<String> {
    let client = tokio::task::spawn_blocking(move || {
        let mut command = script("visa_client.py");
        command
            .arg(resource)
            .args(lines)
            .output()
            .expect("it starts")
    });
    let output = client.await.expect("it ends");
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{told}");
    let said = String::from_utf8(output.stdout).expect("text");
    said.lines().map(str::to_owned).collect()
}

#[test]
fn an_independent_client_finds_meters_as_the_standards_have_them() {
    in_real_time(async {
        let folder = tempfile::tempdir().expect("a folder");
        let bench = folder.path().join("bench.toml");
        std::fs::write(&bench, BENCH).expect("it can be written");
        let profiles = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches-config/profiles");
        let simulated = simulate(&SimulateRequest {
            bench,
            profile: profiles.join("heat-pump-1-stage-electric-o.toml"),
            simulation: Simulation::default(),
            write_bench: folder.path().join("simulated.toml"),
        })
        .expect("it can be simulated");
        let place = |name: &str| {
            let mut found = simulated
                .paths
                .iter()
                .filter(|(link, _)| link.as_str() == name);
            found.next().expect("every link has a place").1.clone()
        };
        let serial = format!("ASRL{}::INSTR", place("serial-meter"));
        let (host, port) = {
            let address = place("socket-meter");
            let (host, port) = address.rsplit_once(':').expect("host:port");
            (host.to_owned(), port.to_owned())
        };
        assert_eq!(host, "127.0.0.1", "never beyond this machine");
        let socket = format!("TCPIP::{host}::{port}::SOCKET");
        const LINES: &[&str] = &[
            "*CLS",
            "*IDN?",
            "MEAS:VOLT:AC?",
            "MEAS:NOTHING",
            "SYST:ERR?",
            "SYSTEM:ERROR?",
            "*ESE 255",
            "*ESE?",
        ];
        // R at the equipment is live: 26.9 V open, 3 % more or less, loaded by little; Y1 is not,
        // for nothing is called.
        for (resource, name, volts) in [
            (serial, "serial-meter", 23.0..=27.8),
            (socket, "socket-meter", 0.0..=0.2),
        ] {
            let identity = format!("SIMULATED,METER,{name},0");
            let mut answers = asked(resource, LINES).await;
            let reading = answers.remove(1);
            let value: f64 = reading.parse().expect("a number of the standard's form");
            assert!(volts.contains(&value), "{name}: {reading}");
            let expected = [
                identity.as_str(),
                "-113,\"Undefined header\"",
                "0,\"No error\"",
                "255",
            ];
            assert_eq!(answers, expected, "{name}");
        }
    });
}
