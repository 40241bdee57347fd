//! `simulate`: pseudo-terminals on which the bench's devices answer, and a bench file for them.

use super::error::AppError;
use super::files::{Loaded, load};
use super::run_bench::Simulation;
use crate::config::redirect_links;
use crate::driver::pty_pair;
use crate::port::{Clock, RunClock};
use crate::sim::{Simulator, SimulatorSetup};
use crate::units::{LinkName, LinkTransport, Parity, SerialSettings};
use std::collections::BTreeMap;
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
    let mut transports = BTreeMap::new();
    let mut servers = Vec::new();
    for (name, link) in &bench.map.links {
        if matches!(link.transport, LinkTransport::Tcp { .. }) {
            return Err(AppError::Usage(format!(
                "link {name} is TCP; only serial links are shown"
            )));
        }
        let (stream, path) = pty_pair().map_err(AppError::PseudoTerminal)?;
        transports.insert(name.clone(), on_pseudo_terminal(&link.transport, &path));
        paths.push((name.clone(), path));
        let answering = simulator
            .serve(name, stream)
            .map_err(|error| AppError::Usage(error.to_string()))?;
        servers.push(tokio::task::spawn_local(answering));
    }
    let text = redirect_links(&bench, &transports)?;
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

/// The same line settings on the pseudo-terminal's path; it has no parity to keep.
fn on_pseudo_terminal(transport: &LinkTransport, path: &str) -> LinkTransport {
    let settings = match transport {
        LinkTransport::SerialPath { settings, .. } | LinkTransport::SerialUsb { settings, .. } => {
            SerialSettings {
                parity: Parity::None,
                ..settings.clone()
            }
        }
        LinkTransport::Tcp { .. } => unreachable!("TCP links were refused above"),
    };
    LinkTransport::SerialPath {
        path: path.to_owned(),
        settings,
    }
}
