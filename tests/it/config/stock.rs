//! The ready-made files are loaded, and every pair is compared.

use coilcall::config::{BenchFile, ProfileFile, fit, read_bench, read_profile};
use std::path::{Path, PathBuf};

fn files(folder: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("benches-config")
        .join(folder);
    let entries = std::fs::read_dir(&folder).expect("the folder is there");
    let mut paths: Vec<PathBuf> = entries
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "toml"))
        .collect();
    paths.sort();
    paths
}

fn benches() -> Vec<BenchFile> {
    let read = |path: PathBuf| read_bench(&path).unwrap_or_else(|errors| panic!("{errors}"));
    files("benches").into_iter().map(read).collect()
}

fn profiles() -> Vec<ProfileFile> {
    let read = |path: PathBuf| read_profile(&path).unwrap_or_else(|errors| panic!("{errors}"));
    files("profiles").into_iter().map(read).collect()
}

fn stem(path: &Path) -> &str {
    path.file_stem().expect("a name").to_str().expect("UTF-8")
}

#[test]
fn every_ready_made_file_loads_and_begins_with_its_schema() {
    let benches = benches();
    let profiles = profiles();
    assert!(benches.len() >= 6 && profiles.len() >= 14);
    let texts = benches.iter().map(|b| (&b.path, &b.text));
    for (path, text) in texts.chain(profiles.iter().map(|p| (&p.path, &p.text))) {
        assert!(text.starts_with("#:schema "), "{}", path.display());
    }
}

/// A panel with every line drives B, so equipment with its common on B does not fit; and the bench
/// for two supplies is for any equipment, as every line of it says which supply it is on, but for
/// its supply sense, which single-supply equipment cannot tell apart: the rails are joined there.
#[test]
fn every_pair_fits_but_those_known_not_to() {
    let mut refused = Vec::new();
    let benches = benches();
    for profile in profiles() {
        for bench in &benches {
            if fit(&profile, bench).is_err() {
                refused.push(format!("{} x {}", stem(&profile.path), stem(&bench.path)));
            }
        }
    }
    let expected: Vec<String> = benches
        .iter()
        .map(|bench| format!("heat-pump-1-stage-common-on-b-o x {}", stem(&bench.path)))
        .collect();
    assert_eq!(refused, expected);
}
