//! What is made from the program itself: completions, manual pages, schemas.
//!
//! Place in the data's path: the command line's own description and the readers' own words and
//! limits go out as text; no file of the user's is read.

use super::arguments::{Arguments, SchemaOf};
use crate::app::AppError;
use crate::{config, report};
use clap::CommandFactory as _;
use std::io::{self, Write};
use std::path::Path;

/// Writes a shell's completions.
pub(super) fn write_completions(shell: clap_complete::Shell, out: &mut dyn Write) {
    let mut command = Arguments::command();
    let name = command.get_name().to_owned();
    clap_complete::generate(shell, &mut command, name, &mut &mut *out);
}

/// Writes the program's manual page.
///
/// # Errors
/// The writer's.
pub(super) fn write_page(out: &mut dyn Write) -> io::Result<()> {
    clap_mangen::Man::new(Arguments::command()).render(&mut &mut *out)
}

/// Writes a page for the program and one for each command into a folder.
///
/// # Errors
/// A folder or a file that cannot be written.
pub(super) fn write_pages(folder: &Path) -> Result<(), AppError> {
    std::fs::create_dir_all(folder)
        .and_then(|()| clap_mangen::generate_to(Arguments::command(), folder))
        .map_err(|source| AppError::Write {
            file: folder.display().to_string(),
            source,
        })
}

/// Writes a schema, indented.
///
/// # Errors
/// The writer's.
pub(super) fn write_schema(of: SchemaOf, out: &mut dyn Write) -> io::Result<()> {
    let schema = match of {
        SchemaOf::Profile => config::profile_schema(),
        SchemaOf::Bench => config::bench_schema(),
        SchemaOf::Answers => config::answers_schema(),
        SchemaOf::Run => report::run_schema(),
        SchemaOf::Expected => report::expected_schema(),
    };
    serde_json::to_writer_pretty(&mut *out, &schema)?;
    writeln!(out)
}
