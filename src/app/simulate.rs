//! `simulate`: pseudo-terminals on which the bench's devices answer, and a bench file for them.

use super::error::AppError;
use super::files::{Loaded, load};
use super::run_bench::Simulation;
use crate::driver::pty_pair;
use crate::port::{Clock, RunClock};
use crate::sim::{Simulator, SimulatorSetup};
use crate::units::{LinkName, LinkTransport};
use std::path::PathBuf;
use std::rc::Rc;

/// What is asked of the simulator.
#[derive(Debug, Clone)]
pub struct SimulateRequest {
    /// The bench file.
    pub bench: PathBuf,
    /// The profile file.
    pub profile: PathBuf,
    /// What it suffers.
    pub simulation: Simulation,
    /// Where the bench file that points at the pseudo-terminals is written.
    pub write_bench: PathBuf,
}

/// A simulated bench that answers on pseudo-terminals.
#[must_use = "the pseudo-terminals close when this is dropped"]
pub struct Simulated {
    /// The path of each link's pseudo-terminal.
    pub paths: Vec<(LinkName, String)>,
    /// The bench file that points at them.
    pub bench_file: PathBuf,
    servers: Vec<tokio::task::JoinHandle<()>>,
}

impl Drop for Simulated {
    fn drop(&mut self) {
        for server in &self.servers {
            server.abort();
        }
    }
}

/// Opens a pseudo-terminal for each link and begins to answer on it. Call inside a `LocalSet`, on
/// the real clock.
///
/// # Errors
/// Everything that is wrong with the files or the faults; a pseudo-terminal that cannot be had; a
/// bench file that cannot be written.
pub fn simulate(request: &SimulateRequest) -> Result<Simulated, AppError> {
    let Loaded { profile, bench, .. } = load(&request.profile, &request.bench)?;
    let clock = Rc::new(RunClock::start());
    let simulator = Simulator::new(SimulatorSetup {
        bench: &bench.map,
        profile: &profile.profile,
        faults: request.simulation.faults.clone(),
        link_faults: request.simulation.link_faults.clone(),
        seed: request.simulation.seed,
        now: Rc::new(move || clock.elapsed()),
    })?;
    let mut paths = Vec::new();
    let mut servers = Vec::new();
    for (name, link) in &bench.map.links {
        if matches!(link.transport, LinkTransport::Tcp { .. }) {
            return Err(AppError::Usage(format!(
                "link {name} is TCP; only serial links are shown"
            )));
        }
        let (stream, path) = pty_pair().map_err(AppError::PseudoTerminal)?;
        paths.push((name.clone(), path));
        let answering = simulator
            .serve(name, stream)
            .map_err(|error| AppError::Usage(error.to_string()))?;
        servers.push(tokio::task::spawn_local(answering));
    }
    let text = pointed_at(&bench.text, &paths);
    std::fs::write(&request.write_bench, text).map_err(|source| AppError::Write {
        file: request.write_bench.display().to_string(),
        source,
    })?;
    Ok(Simulated {
        paths,
        bench_file: request.write_bench.clone(),
        servers,
    })
}

/// The same bench with every link on its pseudo-terminal.
fn pointed_at(text: &str, paths: &[(LinkName, String)]) -> String {
    let mut document: toml::Table = toml::from_str(text).expect("the bench file was read before");
    for (name, path) in paths {
        let link = document
            .get_mut("link")
            .and_then(|links| links.get_mut(name.as_str()))
            .and_then(toml::Value::as_table_mut)
            .expect("every link of the bench stands in its file");
        let baud = link
            .get("serial")
            .and_then(|serial| serial.get("baud"))
            .cloned()
            .unwrap_or(toml::Value::Integer(9600));
        link.retain(|key, _| key != "usb" && key != "serial" && key != "tcp");
        let mut serial = toml::Table::new();
        serial.insert("path".to_owned(), toml::Value::String(path.clone()));
        serial.insert("baud".to_owned(), baud);
        serial.insert("parity".to_owned(), toml::Value::String("none".to_owned()));
        link.insert("serial".to_owned(), toml::Value::Table(serial));
    }
    let body = toml::to_string(&document).expect("a table that was read can be written");
    format!(
        "# Written by coilcall simulate: every link is a pseudo-terminal of this machine.\n{body}"
    )
}
