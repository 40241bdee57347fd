//! `simulate`: ports on which the bench's devices answer, and a bench file that points at them.
//!
//! A serial link becomes a pseudo-terminal, a link over TCP a listener on the loopback address
//! and never beyond it.

use super::error::AppError;
use super::files::{Loaded, load};
use super::run_bench::Simulation;
use crate::config::redirect_links;
use crate::driver::pty_pair;
use crate::port::{Clock, RunClock};
use crate::sim::{Simulator, SimulatorSetup};
use crate::units::{LinkName, LinkTransport, Parity, SerialSettings};
use std::collections::BTreeMap;
use std::net::Ipv4Addr;
use std::path::PathBuf;
use std::rc::Rc;
use tokio::net::TcpListener;
use tokio::task::{JoinHandle, JoinSet};

/// What is asked of the simulator.
#[derive(Debug, Clone)]
pub struct SimulateRequest {
    /// The bench file.
    pub bench: PathBuf,
    /// The profile file.
    pub profile: PathBuf,
    /// What it suffers.
    pub simulation: Simulation,
    /// Where the bench file that points at the simulated ports is written.
    pub write_bench: PathBuf,
}

/// A simulated bench that answers on ports of its own.
#[must_use = "the ports close when this is dropped"]
pub struct Simulated {
    /// The path of each link's pseudo-terminal, or the address of its listener.
    pub paths: Vec<(LinkName, String)>,
    /// The bench file that points at them.
    pub bench_file: PathBuf,
    servers: Vec<JoinHandle<()>>,
}

impl Drop for Simulated {
    fn drop(&mut self) {
        for server in &self.servers {
            server.abort();
        }
    }
}

/// Opens a port for each link and begins to answer on it. Call inside a `LocalSet`, on
/// the real clock.
///
/// # Errors
/// Everything that is wrong with the files or the faults; a port that cannot be had; a
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
        let (place, transport, server) = match &link.transport {
            LinkTransport::Tcp { .. } => listen(&simulator, name)?,
            LinkTransport::SerialPath { settings, .. }
            | LinkTransport::SerialUsb { settings, .. } => {
                on_pseudo_terminal(&simulator, name, settings)?
            }
        };
        transports.insert(name.clone(), transport);
        paths.push((name.clone(), place));
        servers.push(server);
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

/// Where a link is found, how a bench file says so, and what answers there.
type Served = (String, LinkTransport, JoinHandle<()>);

/// Answers on a pseudo-terminal with the same line settings; it has no parity to keep.
fn on_pseudo_terminal(
    simulator: &Simulator,
    link: &LinkName,
    settings: &SerialSettings,
) -> Result<Served, AppError> {
    let (stream, path) = pty_pair().map_err(AppError::PseudoTerminal)?;
    let answering = simulator
        .serve(link, stream)
        .map_err(|error| AppError::Usage(error.to_string()))?;
    let transport = LinkTransport::SerialPath {
        path: path.clone(),
        settings: SerialSettings {
            parity: Parity::None,
            ..settings.clone()
        },
    };
    Ok((path, transport, tokio::task::spawn_local(answering)))
}

/// Answers every connection to a port of the loopback address.
fn listen(simulator: &Simulator, link: &LinkName) -> Result<Served, AppError> {
    let listener = std::net::TcpListener::bind((Ipv4Addr::LOCALHOST, 0));
    let listener = listener.and_then(|listener| {
        listener.set_nonblocking(true)?;
        TcpListener::from_std(listener)
    });
    let listener = listener.map_err(AppError::Listener)?;
    let address = listener
        .local_addr()
        .map_err(AppError::Listener)?
        .to_string();
    let transport = LinkTransport::Tcp {
        address: address.clone(),
    };
    let accepting = accept(simulator.clone(), link.clone(), listener);
    Ok((address, transport, tokio::task::spawn_local(accepting)))
}

/// Ends once the link is unplugged: what then connects is turned away, as at a dead gateway.
async fn accept(simulator: Simulator, link: LinkName, listener: TcpListener) {
    // Connections end with this task, for the set aborts what it holds when it is dropped.
    let mut connections = JoinSet::new();
    while let Ok((stream, _)) = listener.accept().await {
        // An answer is one small packet; held back for more it would come late.
        let prepared = stream.set_nodelay(true);
        match simulator.serve(&link, stream) {
            Ok(answering) if prepared.is_ok() => {
                connections.spawn_local(answering);
            }
            Ok(_) => {}
            Err(_) => return,
        }
        while connections.try_join_next().is_some() {}
    }
}
