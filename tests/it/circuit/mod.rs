//! The circuit against an outside solver and against the trade's signatures.

mod behaviour;
mod budget;
mod commands;
mod on_a_bench;
mod outside_solver;
mod plants;
mod signatures;
mod worked_examples;
