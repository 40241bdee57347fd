//! F5: the command line: arguments in, text or JSON out, an exit code.
//!
//! Data goes to standard output, everything else to standard error; a closed pipe ends the program
//! quietly. No rule of the trade lives here.

mod arguments;
mod entry;
mod generated;
mod output;
mod self_test;

pub use arguments::Arguments;
pub use entry::main_with;
