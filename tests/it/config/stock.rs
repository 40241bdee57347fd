//! The ready-made files are loaded, and every pair is compared.

use coilcall::config::{
    BenchFile, ProfileFile, fit, parse_bench, parse_profile, read_bench, read_profile,
};
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

/// Equipment with its common on B never has B driven, so it needs the panel without B; and a boiler
/// has a supply of its own, so it needs the bench that keeps two supplies apart. That bench serves
/// single supplies too: there the equipment joins the two.
fn known_not_to_fit(profile: &str, bench: &str) -> bool {
    let no_relay_drives = bench.starts_with("qa-") || bench.starts_with("jumpers-");
    match profile {
        // Where no relay drives B, its common is in nobody's way.
        "heat-pump-1-stage-common-on-b-o" => !no_relay_drives && bench != "panel-without-b",
        "heat-pump-and-boiler-coil-replaces-o" | "heat-pump-and-boiler-radiators-adds-o" => {
            bench != "dual-supply" && bench != "harness-dual"
        }
        // It has no relays for accessories.
        "heat-pump-1-stage-accessories-o" => bench == "harness-dual",
        _ => bench == "panel-without-b" && profile.ends_with("-b"),
    }
}

#[test]
fn every_pair_fits_but_those_known_not_to() {
    let benches = benches();
    for profile in profiles() {
        let mut fitting = 0;
        for bench in &benches {
            let pair = (stem(&profile.path), stem(&bench.path));
            let fits = fit(&profile, bench);
            assert_eq!(
                fits.is_err(),
                known_not_to_fit(pair.0, pair.1),
                "{pair:?}: {fits:?}"
            );
            fitting += usize::from(fits.is_ok());
        }
        assert!(
            fitting > 0,
            "{} fits no ready-made bench",
            profile.path.display()
        );
    }
}

fn toml_of(document: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("docs")
        .join(document);
    let text = std::fs::read_to_string(&path).expect("the document is there");
    let after = text.split("```toml\n").nth(1).expect("an example");
    after.split("```").next().expect("its end").to_owned()
}

#[test]
fn the_documents_examples_load() {
    let bench = parse_bench(Path::new("bench-file.md"), toml_of("bench-file.md"));
    assert!(
        bench
            .unwrap_or_else(|errors| panic!("{errors}"))
            .notes
            .is_empty()
    );
    let profile = parse_profile(Path::new("profile-file.md"), toml_of("profile-file.md"));
    profile.unwrap_or_else(|errors| panic!("{errors}"));
}
