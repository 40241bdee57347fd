//! Damaged files: whatever the bytes, the answer is a bench or problems, and these can be shown.

use super::PROFILE;
use coilcall::config::{
    ConfigErrors, effective_bench, effective_profile, fit, parse_bench, parse_profile,
};
use proptest::prelude::*;
use std::path::Path;

const STOCK: &str = include_str!("../../../benches-config/benches/supply-both-ends.toml");

/// Bytes replaced or left out, each at a place; what is no UTF-8 any more is made so again.
fn damaged(text: &str, edits: &[(usize, Option<u8>)]) -> String {
    let mut bytes = text.as_bytes().to_vec();
    for (place, byte) in edits {
        let at = place % bytes.len();
        match byte {
            Some(byte) => bytes[at] = *byte,
            None => drop(bytes.remove(at)),
        }
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

fn edits() -> impl Strategy<Value = Vec<(usize, Option<u8>)>> {
    let printable = proptest::option::of(prop_oneof![any::<u8>(), 32..127_u8]);
    proptest::collection::vec((any::<usize>(), printable), 1..12)
}

/// Values of every type, good for little.
const VALUES: [&str; 14] = [
    "7",
    "-1",
    "0",
    "\"x\"",
    "\"\"",
    "true",
    "[]",
    "{}",
    "[7]",
    "[{}]",
    "nan",
    "1e400",
    "0xffff_ffff_ffff",
    "1979-05-27",
];

/// Lines left out, doubled, or given another value: still TOML in most cases, so that the rules
/// behind the syntax are reached.
fn rewritten(text: &str, edits: &[(usize, usize)]) -> String {
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    for (place, choice) in edits {
        let at = place % lines.len();
        match choice % (VALUES.len() + 3) {
            0 if lines.len() > 1 => drop(lines.remove(at)),
            1 => lines.insert(at, lines[at].clone()),
            2 => lines[at] = lines[at].replace("board", "G"),
            other => {
                let value = VALUES[other % VALUES.len()];
                let equals: Vec<usize> = lines[at].match_indices("= ").map(|(i, _)| i).collect();
                if let Some(equal) = equals.get(choice % equals.len().max(1)) {
                    let (head, tail) = lines[at].split_at(equal + 2);
                    let end = tail.find([',', '}']).unwrap_or(tail.len());
                    lines[at] = format!("{head}{value} {}", &tail[end..]);
                }
            }
        }
    }
    lines.join("\n")
}

fn rewrites() -> impl Strategy<Value = Vec<(usize, usize)>> {
    proptest::collection::vec((any::<usize>(), any::<usize>()), 1..6)
}

fn shown(errors: &ConfigErrors) -> bool {
    !errors.problems().is_empty() && errors.render(false).contains(".toml")
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 600,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn a_damaged_bench_is_refused_or_read(edits in edits()) {
        let text = damaged(STOCK, &edits);
        if let Err(errors) = parse_bench(Path::new("bench.toml"), text) {
            prop_assert!(shown(&errors));
        }
    }

    #[test]
    fn a_damaged_profile_is_refused_or_read(edits in edits()) {
        let text = damaged(PROFILE, &edits);
        if let Err(errors) = parse_profile(Path::new("profile.toml"), text) {
            prop_assert!(shown(&errors));
        }
    }

    #[test]
    fn a_rewritten_bench_is_refused_or_read_and_compared(edits in rewrites()) {
        let text = rewritten(STOCK, &edits);
        match parse_bench(Path::new("bench.toml"), text) {
            Err(errors) => prop_assert!(shown(&errors)),
            Ok(bench) => {
                prop_assert!(!effective_bench(&bench).is_empty());
                let profile = parse_profile(Path::new("p.toml"), PROFILE.to_owned());
                let profile = profile.expect("the profile is sound");
                if let Err(errors) = fit(&profile, &bench) {
                    prop_assert!(shown(&errors));
                }
            }
        }
    }

    #[test]
    fn a_rewritten_profile_is_refused_or_read(edits in rewrites()) {
        let text = rewritten(PROFILE, &edits);
        match parse_profile(Path::new("profile.toml"), text) {
            Err(errors) => prop_assert!(shown(&errors)),
            Ok(profile) => prop_assert!(!effective_profile(&profile).is_empty()),
        }
    }
}
