//! F3: the simulated bench, at the byte level.
//!
//! For each link of a [`BenchMap`](crate::domain::BenchMap) the [`Simulator`] gives a byte stream
//! on which the bench's devices answer in their true protocols, wiring and faults included. Place
//! in the data's path: it takes the place of the real links under `driver::bus`, and nothing above
//! can tell the two apart. Inside, from the bytes inward: `link` (delays) and `ear` (framing) to
//! `unit` (answers and [`LinkFault`]s), to `relay_board` (Modbus), `scpi_meter` and `plain_device`,
//! to `world` (relay contacts, inputs, meters), to [`physics`] (what stands
//! where, by the circuit). What was really built, tolerances included, is `as_built`'s.
//!
//! It implements no port trait and judges nothing, and it shares only the wire codecs with the
//! program that it tests.

mod as_built;
mod board;
mod contact_fault;
mod ear;
mod house;
mod link;
mod link_fault;
mod loose_joint;
mod meter_input;
mod operator;
pub mod physics;
mod plain_device;
mod random;
mod relay_board;
mod room_controller;
mod scpi_meter;
mod simulator;
mod unit;
mod wiring;
mod world;

pub use house::{Defrost, MachineRun};
pub use link_fault::{LinkFault, LinkFaultError, LinkFaultKind};
pub use room_controller::ControllerFault;
pub use simulator::{ConnectError, SimClock, Simulator, SimulatorError, SimulatorSetup};
