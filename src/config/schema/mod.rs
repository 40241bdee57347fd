//! The shape of the files as JSON Schema, for editors.
//!
//! Place in the data's path: beside the readers, made of the same words and limits, and read by
//! nobody here. What takes more than one file, or the text's own order, to tell is left to
//! `check`: the schema refuses nothing that the reader takes, and takes some that it refuses.

mod answers;
mod bench;
mod circuit;
mod device;
mod parts;
mod profile;

pub use answers::answers_schema;
pub use bench::bench_schema;
pub use profile::profile_schema;
