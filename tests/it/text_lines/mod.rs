//! Lines of text and what they say: SCPI by the forms of its standards, plain devices by their
//! patterns.

mod lines;
mod plain;
mod scpi;
