//! The circuit against an outside solver and against the trade's signatures.

mod bad_input;
mod behaviour;
mod budget;
mod commands;
mod defrost;
mod on_a_bench;
mod outside_solver;
mod parts;
mod plants;
mod signatures;
mod values;
mod worked_examples;
