//! The command line's words.
//!
//! Place in the data's path: parsed once in `entry`, turned into requests to the app. Help texts
//! are the short form of the documents in docs/.

use crate::domain::circuit::Fault;
use crate::domain::plan::CallOrder;
use crate::domain::{Call, UnknownCall};
use crate::sim::LinkFault;
use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;

/// Proves low-voltage (24 VAC, Class 2) heating and cooling control wiring, call by call.
///
/// Isolate and prove dead before you touch conductors; the same cabinet may hold mains. A software
/// stop is not isolation. Local codes and licensed practice come first.
#[derive(Debug, Parser)]
#[command(name = "coilcall", version, arg_required_else_help = true)]
pub struct Arguments {
    #[command(subcommand)]
    pub(super) command: Command,
}

#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Print the truth table that a profile demands, each cell with its reason
    Expected(Expected),
    /// Validate profile and bench files: every problem at once, and the defaults in force
    Check(Check),
    /// List serial ports, and say which may not be opened
    Ports(Ports),
    /// Make every call on a bench, judge every line, and leave a record
    Run(Run),
    /// Open ports on which a simulated bench answers, until interrupted
    Simulate(Simulate),
    /// Print a run's report from its journal
    Report(Report),
    /// Exercise every relay alone, read it back, measure reply times and propose timeouts
    SelfTest(SelfTest),
    /// Solve the control circuit for one call: volts, currents, loads that pull in
    Circuit(Circuit),
    /// Print the JSON Schema of a file that this program reads or writes
    Schema(Schema),
    /// Print a shell's completions
    Completions(Completions),
    /// Print the manual page, or write a page for every command
    Man(Man),
}

#[derive(Debug, Args)]
pub(super) struct Expected {
    /// The profile file
    #[arg(long, value_name = "FILE")]
    pub(super) profile: PathBuf,
    /// Print too what a meter should read on each line, with its band
    #[arg(long)]
    pub(super) volts: bool,
    /// A bench file, whose electrical values and loads then hold
    #[arg(long, value_name = "FILE", requires = "volts")]
    pub(super) bench: Option<PathBuf>,
    /// Print JSON in place of text
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Debug, Args)]
pub(super) struct Circuit {
    /// The profile file
    #[arg(long, value_name = "FILE")]
    pub(super) profile: PathBuf,
    /// A bench file, whose electrical values, loads and instruments then hold
    #[arg(long, value_name = "FILE")]
    pub(super) bench: Option<PathBuf>,
    /// The call, such as cooling-1 or alone:Y1
    #[arg(long, value_name = "CALL", value_parser = call_named)]
    pub(super) call: Call,
    /// A wiring fault, such as open:Y1 or resistance:Y1=100; may be given again
    #[arg(long = "fault", value_name = "FAULT")]
    pub(super) faults: Vec<Fault>,
    /// Print JSON in place of text
    #[arg(long, conflicts_with = "spice")]
    pub(super) json: bool,
    /// Print the netlist, to be solved by ngspice -b as it stands
    #[arg(long)]
    pub(super) spice: bool,
}

#[derive(Debug, Args)]
pub(super) struct Check {
    /// Files to validate; whether a file is a profile or a bench shows from its keys
    #[arg(value_name = "FILE", required_unless_present_any = ["profile", "bench"])]
    pub(super) files: Vec<PathBuf>,
    /// A profile to compare with a bench
    #[arg(long, value_name = "FILE")]
    pub(super) profile: Option<PathBuf>,
    /// A bench to compare with a profile
    #[arg(long, value_name = "FILE")]
    pub(super) bench: Option<PathBuf>,
    /// Print JSON in place of text
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Debug, Args)]
pub(super) struct Ports {
    /// Print JSON in place of text
    #[arg(long)]
    pub(super) json: bool,
}

/// A call by its name; where it is none, the nearest one is said first.
fn call_named(given: &str) -> Result<Call, String> {
    given.parse().map_err(|unknown: UnknownCall| {
        let names = Call::TABLE.iter().map(ToString::to_string);
        let nearest = names
            .map(|name| (strsim::damerau_levenshtein(given, &name), name))
            .min_by_key(|(distance, _)| *distance)
            .filter(|(distance, _)| *distance <= 3);
        match nearest {
            Some((_, name)) => format!("did you mean {name}? {unknown}"),
            None => unknown.to_string(),
        }
    })
}

/// A name that stands in a report: something, and on one line.
fn one_line(given: &str) -> Result<String, String> {
    if given.trim().is_empty() {
        return Err("it names nobody and nothing; leave it out, or say who or what".to_owned());
    }
    if given.chars().any(char::is_control) {
        return Err("it holds a line end or another control character".to_owned());
    }
    Ok(given.to_owned())
}

/// What a simulated bench suffers.
#[derive(Debug, Args)]
pub(super) struct Faults {
    /// A wiring fault, such as open:Y1, swap:Y1,G or short:R,C; may be given again
    #[arg(long = "fault", value_name = "FAULT")]
    pub(super) faults: Vec<Fault>,
    /// A link fault, such as late:board=900 or garbage:board%0.03; may be given again
    #[arg(long = "link-fault", value_name = "FAULT")]
    pub(super) link_faults: Vec<LinkFault>,
    /// Seed of every random draw
    #[arg(
        long,
        value_name = "N",
        default_value_t = 1,
        allow_negative_numbers = true
    )]
    pub(super) seed: u64,
}

#[derive(Debug, Args)]
pub(super) struct Run {
    /// The bench file
    #[arg(long, value_name = "FILE")]
    pub(super) bench: PathBuf,
    /// The profile file
    #[arg(long, value_name = "FILE")]
    pub(super) profile: PathBuf,
    /// Put the simulator behind every link; the report is stamped SIMULATED
    #[arg(long)]
    pub(super) simulate: bool,
    #[command(flatten)]
    pub(super) faults: Faults,
    /// Make only these calls, such as cooling-1,heating-1,alone:G
    #[arg(long, value_name = "CALLS", value_delimiter = ',', value_parser = call_named)]
    pub(super) calls: Option<Vec<Call>>,
    /// given: as the table lists the calls; fastest: with the least mandated waiting that obeys
    /// every rule
    #[arg(long, value_name = "ORDER", value_enum, default_value_t)]
    pub(super) order: OrderOfCalls,
    /// Folder for the journal
    #[arg(long, value_name = "DIR", default_value = "runs")]
    pub(super) out: PathBuf,
    /// Answers to the run's questions, in place of the keyboard or the simulated person
    #[arg(long, value_name = "FILE")]
    pub(super) answers: Option<PathBuf>,
    /// What or who is under test; kept in a record beside the journal that can be removed
    #[arg(long, value_name = "ID", value_parser = one_line)]
    pub(super) subject: Option<String>,
    /// Who arms a run on real loads; not needed on dummy loads
    #[arg(long, value_name = "NAME", value_parser = one_line)]
    pub(super) armed_by: Option<String>,
    /// Print JSON in place of text
    #[arg(long)]
    pub(super) json: bool,
}

/// In which order a run makes its calls.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, clap::ValueEnum)]
pub(super) enum OrderOfCalls {
    /// As the table lists them
    #[default]
    Given,
    /// With the least mandated waiting
    Fastest,
}

impl From<OrderOfCalls> for CallOrder {
    fn from(order: OrderOfCalls) -> Self {
        match order {
            OrderOfCalls::Given => Self::Given,
            OrderOfCalls::Fastest => Self::Fastest,
        }
    }
}

#[derive(Debug, Args)]
pub(super) struct Simulate {
    /// The bench file
    #[arg(long, value_name = "FILE")]
    pub(super) bench: PathBuf,
    /// The profile file
    #[arg(long, value_name = "FILE")]
    pub(super) profile: PathBuf,
    #[command(flatten)]
    pub(super) faults: Faults,
    /// Where to write the bench file that points at the pseudo-terminals
    #[arg(long, value_name = "FILE", default_value = "simulated-bench.toml")]
    pub(super) write_bench: PathBuf,
    /// Print JSON in place of text
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Debug, Args)]
pub(super) struct Report {
    /// A journal's path, the beginning of a run's id, or last
    #[arg(value_name = "RUN")]
    pub(super) run: String,
    /// Formats, separated by commas: text, json, junit, tap, csv, html
    #[arg(
        long,
        value_name = "FORMATS",
        value_delimiter = ',',
        default_value = "text"
    )]
    pub(super) format: Vec<String>,
    /// The same as --format json
    #[arg(long, conflicts_with = "format")]
    pub(super) json: bool,
    /// Folder that holds the journals
    #[arg(long, value_name = "DIR", default_value = "runs")]
    pub(super) out: PathBuf,
}

#[derive(Debug, Args)]
pub(super) struct SelfTest {
    /// The bench file
    #[arg(long, value_name = "FILE")]
    pub(super) bench: PathBuf,
    /// Put the simulator behind every link; it needs the equipment's profile
    #[arg(long, requires = "profile")]
    pub(super) simulate: bool,
    /// The profile of the equipment that --simulate stands in for
    #[arg(long, value_name = "FILE", requires = "simulate")]
    pub(super) profile: Option<PathBuf>,
    #[command(flatten)]
    pub(super) faults: Faults,
    /// Print JSON in place of text
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Debug, Args)]
pub(super) struct Schema {
    /// Which file's
    #[arg(value_name = "FILE", value_enum)]
    pub(super) of: SchemaOf,
}

/// The files that have a schema.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(super) enum SchemaOf {
    /// A profile file
    Profile,
    /// A bench file
    Bench,
    /// A file for `run --answers`
    Answers,
    /// What `run --json` and `report --format json` print
    Run,
    /// What `expected --json` prints
    Expected,
}

#[derive(Debug, Args)]
pub(super) struct Completions {
    /// The shell
    #[arg(value_name = "SHELL", value_enum)]
    pub(super) shell: clap_complete::Shell,
}

#[derive(Debug, Args)]
pub(super) struct Man {
    /// Folder for a page of each command; it is made where it is not there
    #[arg(long, value_name = "DIR")]
    pub(super) dir: Option<PathBuf>,
}
