//! A bench file to a bench map.
//!
//! Place in the data's path: reads links, devices, supply, lines, stimuli and waits, each table
//! on its own, then checks what holds between them: nothing used twice, nothing named that is not
//! there, nothing there that is not used. docs/bench-file.md lists every key. Whether a bench
//! serves a profile is [`fit`](super::fit())'s question.

pub(super) mod circuit;
mod devices;
mod lines;
mod links;
mod meters;
mod points;
mod senses;
mod supply;
mod timing;

use super::locate::locate;
use super::problem::ConfigErrors;
use super::source::{Finding, Findings, Source, Span, read_text};
use super::table::{Located, TableReader};
use crate::domain::BenchMap;
use crate::domain::bench_map::{Loads, SupplyMap, UnderTest};
use crate::domain::circuit::CircuitValues;
use points::{Points, RelayUse};
use std::path::{Path, PathBuf};

pub(super) use devices::PROTOCOLS;
pub(super) use lines::{LineDeclared, terminal_of};
pub(super) use links::{PARITIES, parity_word};
pub(super) use meters::{LINE_ENDS, line_end_word};
pub(super) use senses::{BY_A_METER, BY_A_PERSON, ENDS, end_word, quantity_word};

/// A bench with the text that it came from.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchFile {
    /// The bench.
    pub map: BenchMap,
    /// The file's text, for the journal.
    pub text: String,
    /// The file's path as given.
    pub path: PathBuf,
    /// What is allowed, yet worth a word to the person at the bench.
    pub notes: Vec<String>,
    /// What the file said of each line, by terminal, in the file's order.
    pub(super) declared: Vec<LineDeclared>,
    /// Where the supply is described.
    pub(super) supply: Span,
    /// Where the master relay is named.
    pub(super) master: Option<Span>,
}

/// Reads a bench file.
///
/// # Errors
/// Everything that is wrong with it, each with its place.
pub fn read_bench(path: &Path) -> Result<BenchFile, ConfigErrors> {
    parse_bench(path, read_text(path)?)
}

/// Takes a bench file's text that is at hand; the path only names it.
///
/// # Errors
/// Everything that is wrong with it, each with its place.
pub fn parse_bench(path: &Path, text: String) -> Result<BenchFile, ConfigErrors> {
    let file = path.display().to_string();
    let source = Source {
        file: &file,
        text: &text,
    };
    let document = source.document()?;
    let findings = Findings::default();
    let supply = locate(&document, "supply");
    let has_master = document.get("master").is_some();
    let master = has_master.then(|| locate(&document, "master"));
    let read = read_map(TableReader::root(&document, &findings));
    match read {
        Some((map, declared, notes)) if !findings.any() => Ok(BenchFile {
            map,
            text,
            path: path.to_owned(),
            notes,
            declared,
            supply,
            master,
        }),
        _ => {
            assert!(
                findings.any(),
                "a bench is refused for a reason that is said"
            );
            Err(source.errors(findings.into_vec()))
        }
    }
}

/// What the first lines of the file say of the bench as a whole.
struct Heading {
    name: Option<Located<String>>,
    under_test: Option<Located<UnderTest>>,
    loads: Option<Located<Loads>>,
}

impl Heading {
    fn read(root: &TableReader<'_>) -> Self {
        root.require("name", "the bench's name");
        root.require("under_test", "wiring, controller or equipment");
        root.require(
            "loads",
            "what hangs on the lines: dummy, disconnected or real",
        );
        Self {
            name: root.string("name"),
            under_test: root.word("under_test", UnderTest::ALL, UnderTest::word),
            loads: root.word("loads", Loads::ALL, Loads::word),
        }
    }

    fn under_test(&self) -> Option<UnderTest> {
        self.under_test.as_ref().map(|located| located.value)
    }

    fn check(&self, findings: &Findings) {
        if let (Some(UnderTest::Controller), Some(loads)) = (self.under_test(), &self.loads)
            && loads.value == Loads::Real
        {
            let message = "a room controller is never tested on real loads: it makes its calls \
                           by itself, and no rule of this program holds it back";
            findings.add(
                loads
                    .finding(message)
                    .help("use the bench's own loads: loads = \"dummy\""),
            );
        }
    }

    fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        if self.under_test() == Some(UnderTest::Equipment)
            && self.loads.as_ref().map(|l| l.value) == Some(Loads::Dummy)
        {
            notes.push(
                "loads = \"dummy\" counts as \"disconnected\": at the equipment the loads are \
                 its own, lifted or not"
                    .to_owned(),
            );
        }
        notes
    }

    /// The loads as they count.
    fn loads(&self) -> Option<Loads> {
        let loads = self.loads.as_ref()?.value;
        let at_equipment = self.under_test()? == UnderTest::Equipment;
        Some(match loads {
            Loads::Dummy if at_equipment => Loads::Disconnected,
            other => other,
        })
    }
}

type ReadMap = (BenchMap, Vec<LineDeclared>, Vec<String>);

fn read_map(root: TableReader<'_>) -> Option<ReadMap> {
    let findings = root.findings();
    let heading = Heading::read(&root);
    heading.check(findings);
    let mut notes = heading.notes();
    let links = links::read_links(&root);
    let devices = devices::read_devices(&root);
    devices::check_against_links(&devices, &links, findings);
    let points = Points::new(&devices, findings);
    // Where the file does not say what is under test, that is a problem already; the rest is
    // read as if the wiring were.
    let under_test = heading.under_test().unwrap_or(UnderTest::Wiring);
    let supply = supply::read_supply(&root, &points, under_test);
    let lines = lines::read_lines(&root, &points, under_test);
    let stimuli = supply::read_stimuli(&root, &points, under_test, &mut notes);
    let master = root.table("master").and_then(|table| {
        let relay = points.relay(&table, RelayUse::Master);
        table.finish();
        relay
    });
    let timing = timing::read_timing(&root);
    let bands = timing::read_bands(&root);
    let wired = circuit::Wired {
        resolve: &lines::terminal_of,
        lines: (!findings.any()).then(|| lines.lines.keys().cloned().collect()),
    };
    let circuit = circuit::read_circuit(&root, CircuitValues::for_bench(), &wired);
    points.check_all_used();
    root.finish();
    let map = BenchMap {
        name: heading.name.as_ref()?.value.clone(),
        under_test: heading.under_test()?,
        loads: heading.loads()?,
        links: links.specs(),
        devices: devices.specs(),
        supply: supply.unwrap_or_else(|| SupplyMap {
            source: crate::domain::bench_map::SupplySource::Equipment,
            senses: Vec::new(),
            c_to_controller: None,
            interrupt: None,
            levels: Vec::new(),
        }),
        lines: lines.lines,
        stimuli,
        master,
        timing,
        bands,
        circuit,
    };
    Some((map, lines.declared, notes))
}

/// A table that the file must have, as a finding at the top of the file.
fn missing_table(key: &str, what: &str) -> Finding {
    Finding::new(0..0, key, format!("missing [{key}]: {what}"))
}
