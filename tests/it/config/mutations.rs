//! Damaged files: whatever the bytes, the answer is a bench or problems, and these can be shown.

use super::PROFILE;
use coilcall::config::{parse_bench, parse_profile};
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

proptest! {
    #![proptest_config(ProptestConfig { cases: 600, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_damaged_bench_is_refused_or_read(edits in edits()) {
        let text = damaged(STOCK, &edits);
        if let Err(errors) = parse_bench(Path::new("bench.toml"), text) {
            prop_assert!(!errors.problems().is_empty());
            prop_assert!(errors.render(false).contains("bench.toml"));
        }
    }

    #[test]
    fn a_damaged_profile_is_refused_or_read(edits in edits()) {
        let text = damaged(PROFILE, &edits);
        if let Err(errors) = parse_profile(Path::new("profile.toml"), text) {
            prop_assert!(!errors.problems().is_empty());
            prop_assert!(errors.render(false).contains("profile.toml"));
        }
    }
}
