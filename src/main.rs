//! The program: parse, build the runtime, exit with the command's code.

fn main() {}
