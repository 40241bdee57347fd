//! Whether a bench serves a profile.
//!
//! Place in the data's path: between two files that are each valid and the plan. Problems point
//! into the bench file: it is the one to mend. A plan of a pair that does not fit is never made.

use super::bench_file::{BenchFile, LineDeclared};
use super::nearest::listed;
use super::problem::ConfigErrors;
use super::profile_file::ProfileFile;
use super::source::{Finding, Source, Span};
use crate::domain::bench_map::{Rail, UnderTest};
use crate::domain::profile::Arrangement;
use crate::domain::{Call, TruthTable};
use crate::units::Terminal;
use std::collections::BTreeSet;

/// Compares a profile with a bench. Notes, in a person's words, are what may stay as it is.
///
/// # Errors
/// Everything that keeps the bench from proving this equipment, each with its place in the bench
/// file.
pub fn fit(profile: &ProfileFile, bench: &BenchFile) -> Result<Vec<String>, ConfigErrors> {
    let table = TruthTable::of(&profile.profile);
    let demanded: BTreeSet<&Terminal> = table.rows().iter().flat_map(|row| &row.demanded).collect();
    let comparison = Comparison {
        profile,
        bench,
        table: &table,
        demanded,
    };
    let mut findings = comparison.missing_lines();
    for declared in &bench.declared {
        findings.extend(comparison.line_findings(declared));
    }
    if profile.profile.arrangement() == Arrangement::Dual {
        findings.extend(comparison.rail_findings());
        findings.extend(comparison.master_finding());
    }
    if findings.is_empty() {
        return Ok(comparison.notes());
    }
    let file = bench.path.display().to_string();
    let source = Source {
        file: &file,
        text: &bench.text,
    };
    Err(source.errors(findings))
}

struct Comparison<'a> {
    profile: &'a ProfileFile,
    bench: &'a BenchFile,
    table: &'a TruthTable,
    demanded: BTreeSet<&'a Terminal>,
}

impl Comparison<'_> {
    fn last_line(&self) -> Span {
        let last = self.bench.declared.last();
        last.map_or(0..0, |declared| declared.named.clone())
    }

    fn missing_lines(&self) -> Vec<Finding> {
        let bench_lines = &self.bench.map.lines;
        let missing = self
            .table
            .lines()
            .iter()
            .filter(|line| !bench_lines.contains_key(line));
        missing
            .map(|line| {
                let message = format!(
                    "line {line} of profile `{}` is not on this bench",
                    self.profile.profile.name()
                );
                let there = listed(bench_lines.keys().map(Terminal::as_str));
                Finding::new(self.last_line(), "line", message).help(format!(
                    "add a [[line]] with terminal = \"{line}\"; the bench has {there}"
                ))
            })
            .collect()
    }

    fn line_findings(&self, declared: &LineDeclared) -> Vec<Finding> {
        let profile = &self.profile.profile;
        let line = &declared.terminal;
        let named = |message: String| {
            let key = format!("{}.terminal", declared.key);
            Finding::new(declared.named.clone(), key, message)
        };
        let mut findings = Vec::new();
        if declared.by_w
            && let Err(meanings) = profile.resolve_terminal("W")
        {
            findings.push(named(meanings));
        }
        if let Some(drive) = &declared.drive
            && line == profile.common_on()
        {
            let message = format!(
                "{line} carries the common of this equipment (common_on): it is never driven"
            );
            let key = format!("{}.drive", declared.key);
            findings.push(
                Finding::new(drive.clone(), key, message)
                    .help("remove the drive, and the relay's wire with it"),
            );
        }
        if self.bench_drives()
            && declared.drive.is_none()
            && self.demanded.contains(line)
            && !profile.is_input(line)
        {
            let message = format!("line {line} is called by this profile, but nothing drives it");
            findings.push(named(message).help("add drive = { device = …, coil = … }"));
        }
        if profile.arrangement() == Arrangement::Dual && self.table.lines().contains(line) {
            findings.extend(dual_findings(declared));
        }
        findings
    }

    /// A bench without any relay has its lines driven by a person's jumper; a room controller
    /// drives its own.
    fn bench_drives(&self) -> bool {
        let map = &self.bench.map;
        map.under_test != UnderTest::Controller
            && map.lines.values().any(|line| line.drive.is_some())
    }

    fn is_by_jumper(&self) -> bool {
        self.bench.map.under_test != UnderTest::Controller && !self.bench_drives()
    }

    /// With two supplies there is no R: what is sensed must say which of the two it is.
    fn rail_findings(&self) -> Vec<Finding> {
        let senses = self.bench.map.supply.senses.iter();
        let joined = senses.filter(|sense| sense.rail == Rail::R).count();
        if self.bench.map.supply.senses.is_empty() && self.is_by_jumper() {
            let message = "the equipment has two supplies, and this bench does not say which of \
                           them a person puts a line on";
            return vec![
                Finding::new(self.bench.supply.clone(), "supply.sense", message)
                    .help("sense each: rail = \"Rc\" and rail = \"Rh\""),
            ];
        }
        if joined == 0 {
            return Vec::new();
        }
        let message = "the equipment has two supplies, but the bench senses R";
        vec![
            Finding::new(self.bench.supply.clone(), "supply.sense", message)
                .help("sense each: rail = \"Rc\" and rail = \"Rh\""),
        ]
    }

    /// One contact that feeds every relay would join the two supplies.
    fn master_finding(&self) -> Option<Finding> {
        let span = self.bench.master.clone()?;
        let message = "the equipment has two supplies, and one master relay feeds all others";
        let finding = Finding::new(span, "master", message);
        Some(finding.help("it would join the supplies: leave master out, and feed each side alone"))
    }

    fn notes(&self) -> Vec<String> {
        let profile = &self.profile.profile;
        let mut notes = self.bench.notes.clone();
        let unvisited = self.bench.map.unvisited_lines(self.table.lines());
        let mut beyond = Vec::new();
        for line in self.bench.map.lines.values() {
            let name = &line.terminal;
            if unvisited.contains(name) {
                continue;
            }
            if !self.table.lines().contains(name) {
                beyond.push(name.as_str());
            } else if profile.is_input(name) && line.drive.is_some() {
                notes.push(format!(
                    "line {name} is an input of this profile: its drive is never used"
                ));
            }
        }
        if !beyond.is_empty() {
            notes.push(format!(
                "bench lines that the profile lacks are never driven and expected off: {}",
                beyond.join(" ")
            ));
        }
        if self.bench.map.under_test == UnderTest::Controller {
            notes.extend(self.controller_notes());
        }
        if profile.arrangement() == Arrangement::Dual {
            for rail in [Rail::Rc, Rail::Rh] {
                let mut senses = self.bench.map.supply.senses.iter();
                if !senses.any(|sense| sense.rail == rail) {
                    notes.push(format!("{rail} is not sensed on this bench"));
                }
            }
        }
        notes
    }
}

/// The most that a load may have for a controller without C to be powered through it: a coil.
const COIL_LIKE_OHMS: f64 = 250.0;

impl Comparison<'_> {
    /// What a room controller under test cannot be shown to do on this bench.
    fn controller_notes(&self) -> Vec<String> {
        let map = &self.bench.map;
        let mut notes = Vec::new();
        for row in self.table.rows() {
            if row.applicable && row.call != Call::Idle && !map.stimuli.contains_key(&row.call) {
                notes.push(format!("call {} has no stimulus on this bench", row.call));
            }
        }
        let steals_power = map.supply.c_to_controller == Some(false);
        for line in map.lines.values() {
            let sealed = line.load.as_ref().and_then(|load| load.sealed_ohms);
            let coil_like = sealed.is_some_and(|ohms| ohms.0 <= COIL_LIKE_OHMS);
            if steals_power && !coil_like && self.table.lines().contains(&line.terminal) {
                notes.push(format!(
                    "line {} has no coil-like load ({COIL_LIKE_OHMS} ohm or less): without C the \
                     controller steals power through it, and it is inconclusive",
                    line.terminal
                ));
            }
        }
        notes
    }
}

/// With two supplies, relays, inputs, meter leads and loads each declare theirs, and those of one
/// line are the same.
fn dual_findings(declared: &LineDeclared) -> Vec<Finding> {
    let line = &declared.terminal;
    let mut stated: Vec<(Span, String, Option<Rail>)> = Vec::new();
    if let Some(drive) = &declared.drive {
        let key = format!("{}.drive.common", declared.key);
        stated.push((drive.clone(), key, declared.common));
    }
    for (span, supply) in &declared.senses {
        stated.push((
            span.clone(),
            format!("{}.sense.supply", declared.key),
            *supply,
        ));
    }
    if let Some((span, supply)) = &declared.load {
        stated.push((
            span.clone(),
            format!("{}.load.supply", declared.key),
            *supply,
        ));
    }
    let first_stated = stated.iter().find_map(|(_, _, rail)| *rail);
    let expected = Rail::by_function(line).or(first_stated);
    let mut findings = Vec::new();
    for (span, key, rail) in stated {
        let word = key.rsplit('.').next().unwrap_or_default();
        let wanted = expected.map_or("Rc or Rh".to_owned(), |rail| rail.to_string());
        let message = match rail {
            Some(rail) if Some(rail) == expected && rail != Rail::R => continue,
            Some(rail) => format!(
                "the equipment has two supplies: line {line} belongs to {wanted}, not to {rail}"
            ),
            None => format!(
                "the equipment has two supplies: line {line} must state {word} = \"{wanted}\" here"
            ),
        };
        findings.push(Finding::new(span, key.clone(), message));
    }
    findings
}
