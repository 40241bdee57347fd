//! coilcall proves low-voltage heating and cooling control wiring, call by call, line by line.
//!
//! Start at [`domain`] for the trade's rules, at [`event`] for what a run records, and at
//! DEVELOPERS.md for the floors and what may import what.

pub mod units;

pub mod domain;

pub mod config;
pub mod event;
pub mod port;
pub mod wire;

pub mod driver;
pub mod runner;
pub mod sim;

pub mod report;
pub mod store;
pub mod terminal;

pub mod app;
pub mod cli;
