//! F5: the only place that joins the floors.
//!
//! Files are read, a plan is made, ports are opened (real ones, or the simulator's), the runner is
//! driven, and what it left in the journal is shown. Nothing here judges wiring; what a test could
//! want without this floor stands on a lower one.

mod answering;
mod check;
mod circuit;
mod error;
mod expected;
mod files;
mod open_bench;
mod ports;
mod run_bench;
mod self_test;
mod show;
mod show_self_test;
mod simulate;

pub use answering::Keyboard;
pub use check::{CheckRequest, check};
pub use circuit::{CircuitRequest, CircuitShape, circuit};
pub use error::{AppError, Exit};
pub use expected::{ExpectedRequest, expected};
pub use files::{Loaded, load};
pub use open_bench::{OpenedBench, open_over, open_real, open_simulated};
pub use ports::list_ports;
pub use run_bench::{RunRequest, Simulation, needs_arming, run_bench};
pub use self_test::{InputTested, LinkTested, SelfTestRequest, SelfTested, self_test};
pub use show::{RunFound, read_run, write_run};
pub use show_self_test::write_self_test;
pub use simulate::{SimulateRequest, Simulated, simulate};
