//! The program: parse the arguments, do what they ask, exit with its code.

use clap::Parser as _;
use std::process::ExitCode;

fn main() -> ExitCode {
    ExitCode::from(coilcall::cli::main_with(coilcall::cli::Arguments::parse()))
}
