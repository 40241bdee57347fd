//! The integration tests: one binary, one module for each part of the program.
#![allow(missing_docs, reason = "tests explain themselves")]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod circuit;
mod command_line;
mod config;
mod driver;
mod modbus;
#[cfg(unix)]
mod outside;
#[cfg(unix)]
mod outside_devices;
mod pairing;
mod record;
mod runner;
mod simulator;
mod text_lines;
mod truth_table;
