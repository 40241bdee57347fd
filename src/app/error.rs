//! What can go wrong before and around a run, and the exit codes.

use crate::config::ConfigErrors;
use crate::domain::circuit::{CircuitError, FaultError};
use crate::domain::plan::PlanError;
use crate::report::UnknownFormat;
use crate::sim::SimulatorError;
use crate::store::{LocateError, ReplayError, SubjectError};

/// The exit codes of `run`; other commands use `Pass`, `Usage` and `BenchError`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// Everything that was judged is right.
    Pass,
    /// Something under test is wrong.
    Fail,
    /// Usage or files; nothing was opened.
    Usage,
    /// Neither right nor wrong could be shown.
    Inconclusive,
    /// A device cannot be reached, or the journal is lost.
    BenchError,
    /// Relays may still be closed. Overrides all others.
    NotConfirmedSafe,
    /// Interrupted, after making safe.
    Interrupted,
}

impl Exit {
    /// The number given to the shell.
    #[must_use]
    pub fn code(self) -> u8 {
        match self {
            Self::Pass => 0,
            Self::Fail => 1,
            Self::Usage => 2,
            Self::Inconclusive => 3,
            Self::BenchError => 4,
            Self::NotConfirmedSafe => 5,
            Self::Interrupted => 130,
        }
    }
}

/// Why a command could not do its work.
#[derive(Debug, thiserror::Error)]
pub enum AppError {
    /// Files with problems, all of them.
    #[error(transparent)]
    Config(#[from] ConfigErrors),
    /// A plan that cannot be made.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// A fault that makes no sense here.
    #[error(transparent)]
    Fault(#[from] FaultError),
    /// A circuit that cannot be built or solved.
    #[error(transparent)]
    Circuit(#[from] CircuitError),
    /// A bench that cannot be simulated as asked.
    #[error(transparent)]
    Simulator(#[from] SimulatorError),
    /// A format that is none.
    #[error(transparent)]
    Format(#[from] UnknownFormat),
    /// A run that cannot be found.
    #[error(transparent)]
    Locate(#[from] LocateError),
    /// A journal that cannot be read.
    #[error(transparent)]
    Replay(#[from] ReplayError),
    /// A record beside the journal that cannot be read or written.
    #[error(transparent)]
    Subject(#[from] SubjectError),
    /// A journal that cannot be begun.
    #[error("the journal cannot be begun in {folder}")]
    JournalFolder {
        /// The folder.
        folder: String,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// A file that cannot be written.
    #[error("{file} cannot be written")]
    Write {
        /// The file.
        file: String,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// Output that cannot be written.
    #[error("the report cannot be written")]
    Output(#[from] std::io::Error),
    /// A journal without its first event.
    #[error("{0}: the run has not started: there is nothing to report")]
    NothingToReport(String),
    /// No pseudo-terminal is to be had.
    #[error("a pseudo-terminal cannot be opened")]
    PseudoTerminal(#[source] std::io::Error),
    /// No port of the loopback address is to be had.
    #[error("a port of the loopback address cannot be opened")]
    Listener(#[source] std::io::Error),
    /// A usage that the arguments alone do not show to be wrong.
    #[error("{0}")]
    Usage(String),
}

impl AppError {
    /// The exit code that goes with it.
    #[must_use]
    pub fn exit(&self) -> Exit {
        match self {
            Self::Config(_)
            | Self::Plan(_)
            | Self::Fault(_)
            | Self::Circuit(_)
            | Self::Simulator(_)
            | Self::Format(_)
            | Self::Locate(_)
            | Self::Replay(_)
            | Self::Subject(_)
            | Self::JournalFolder { .. }
            | Self::Write { .. }
            | Self::NothingToReport(_)
            | Self::Usage(_) => Exit::Usage,
            Self::Output(_) | Self::PseudoTerminal(_) | Self::Listener(_) => Exit::BenchError,
        }
    }
}
