//! Every node of healthy and faulty circuits against ngspice.
//!
//! `tests/circuit/write_netlists.py` writes the netlists from component values of its own; nothing
//! of the program goes into them. The program's own export is solved as well.

use super::plants;
use coilcall::domain::circuit::{LoadState, Solution};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

/// Largest relative difference, and the floor below which a difference does not count.
const RELATIVE: f64 = 1e-6;
const FLOOR_VOLTS: f64 = 1e-6;

/// Every node's complex tension by its number, as ngspice prints it.
pub(super) fn solve_outside(netlist: &Path) -> BTreeMap<usize, (f64, f64)> {
    let output = Command::new("ngspice")
        .arg("-b")
        .arg(netlist)
        .output()
        .unwrap_or_else(|error| {
            panic!("ngspice cannot be run ({error}); install it: apt-get install ngspice")
        });
    let text = String::from_utf8_lossy(&output.stdout);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success(),
        "ngspice failed on {}:\n{errors}",
        netlist.display()
    );
    let mut tensions = BTreeMap::from([(0, (0.0, 0.0))]);
    for line in text.lines() {
        let Some((node, value)) = line.split_once(" = ") else {
            continue;
        };
        let number = node
            .strip_prefix("v(")
            .and_then(|rest| rest.strip_suffix(')'));
        let (Some(number), Some((re, im))) = (number, value.split_once(',')) else {
            continue;
        };
        let number = number.parse().expect("nodes are numbers");
        let part = |digits: &str| digits.trim().parse().expect("a tension is a number");
        tensions.insert(number, (part(re), part(im)));
    }
    tensions
}

/// The comment lines `* node 12 = Y1@equipment` as a map from name to number.
pub(super) fn node_numbers(netlist: &str) -> BTreeMap<String, usize> {
    let lines = netlist.lines();
    lines
        .filter_map(|line| line.strip_prefix("* node ")?.split_once(" = "))
        .map(|(number, name)| (name.to_owned(), number.parse().expect("a node number")))
        .collect()
}

fn header<'a>(netlist: &'a str, word: &str) -> &'a str {
    let mut lines = netlist.lines();
    let found = lines.find_map(|line| line.strip_prefix("* ")?.strip_prefix(word));
    found.unwrap_or_else(|| panic!("no '* {word}' line")).trim()
}

/// Compares all nodes that both have by name; gives their number.
fn compare(
    ours: &Solution,
    numbers: &BTreeMap<String, usize>,
    netlist: &Path,
    what: &str,
) -> usize {
    let outside = solve_outside(netlist);
    let mut compared = 0;
    for (name, tension) in ours.nodes() {
        let number = numbers
            .get(name)
            .unwrap_or_else(|| panic!("{what}: {name} has no number"));
        let (re, im) = outside[number];
        let difference = (tension.re - re).hypot(tension.im - im);
        let allowed = (RELATIVE * re.hypot(im)).max(FLOOR_VOLTS);
        assert!(
            difference <= allowed,
            "{what}: {name}: {tension} against {re} {im:+}i, {difference:e} V apart"
        );
        compared += 1;
    }
    compared
}

#[test]
fn independent_netlists_agree_at_every_node() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/circuit/write_netlists.py");
    let written = Command::new("python3")
        .arg(&script)
        .arg(folder.path())
        .status();
    let status = written.unwrap_or_else(|e| panic!("python3 cannot be run ({e}); install it"));
    assert!(status.success(), "the script failed");
    let entries = std::fs::read_dir(folder.path()).expect("the folder is there");
    let paths: BTreeSet<_> = entries
        .map(|entry| entry.expect("readable").path())
        .collect();
    let mut faulty = BTreeSet::new();
    for path in &paths {
        let netlist = std::fs::read_to_string(path).expect("readable");
        let profile = header(&netlist, "profile");
        let faults = header(&netlist, "faults");
        let called = header(&netlist, "closed");
        let what = format!("{profile}, faults '{faults}', closed '{called}'");
        let solution = plants::circuit(profile, faults)
            .solve(&plants::closed(called))
            .unwrap_or_else(|error| panic!("{what}: {error}"));
        let loads = solution.loads();
        let pulled_in = loads
            .iter()
            .filter(|load| load.state == LoadState::PulledIn);
        let sealed: BTreeSet<&str> = pulled_in.map(|load| load.terminal.as_str()).collect();
        let stated: BTreeSet<&str> = header(&netlist, "sealed").split_whitespace().collect();
        assert_eq!(sealed, stated, "{what}: loads pulled in: {loads:?}");
        let compared = compare(&solution, &node_numbers(&netlist), path, &what);
        assert!(compared > 20, "{what}: only {compared} nodes compared");
        if !faults.is_empty() {
            faulty.insert(what);
        }
    }
    assert!(faulty.len() >= 40, "only {} faulty circuits", faulty.len());
}

#[test]
fn the_export_is_solved_as_it_stands() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    for (index, (profile, faults, called)) in [
        ("two-stage-heat-pump", "", "Y1 Y2 G O"),
        ("two-stage-heat-pump", "leakage:Y1 coil-open:Y1", "G"),
        ("two-stage-heat-pump", "short:R,C", "Y1 G"),
        ("heat-pump-and-boiler", "jumper-left-in", "Y1 G W1"),
        ("furnace-and-cooling", "floating:W1", "Y1 G"),
        ("conventional", "swap:W1,W2", "W1 G"),
        ("heating-valve", "backfeed:W2", "Y1 G B"),
    ]
    .into_iter()
    .enumerate()
    {
        let what = format!("{profile}, faults '{faults}', closed '{called}'");
        let solution = plants::circuit(profile, faults)
            .solve(&plants::closed(called))
            .unwrap_or_else(|error| panic!("{what}: {error}"));
        let text = solution.to_spice(&what);
        let path = folder.path().join(format!("{index}.cir"));
        std::fs::write(&path, &text).expect("writable");
        let numbers = node_numbers(&text);
        assert_eq!(numbers["C@equipment"], 0, "{what}");
        let compared = compare(&solution, &numbers, &path, &what);
        assert_eq!(compared, numbers.len(), "{what}");
    }
}
