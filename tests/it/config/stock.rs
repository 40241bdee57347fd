//! The ready-made files are loaded, and every pair is compared.

use crate::pairing::{stock, stock_paths, user, why_not};
use coilcall::config::{
    BenchFile, ProfileFile, fit, parse_bench, parse_profile, read_bench, read_profile,
};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

fn benches() -> Vec<BenchFile> {
    let read = |path: PathBuf| read_bench(&path).unwrap_or_else(|errors| panic!("{errors}"));
    stock_paths("benches").into_iter().map(read).collect()
}

fn profiles() -> Vec<ProfileFile> {
    let read = |path: PathBuf| read_profile(&path).unwrap_or_else(|errors| panic!("{errors}"));
    stock_paths("profiles").into_iter().map(read).collect()
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

#[test]
fn every_pair_fits_but_those_that_cannot() {
    let texts = (stock("benches"), stock("profiles"));
    let read = (benches(), profiles());
    let mut refused = 0;
    for (profile, by_hand) in read.1.iter().zip(&texts.1) {
        assert_eq!(stem(&profile.path), by_hand.name);
        let mut served = BTreeSet::new();
        for (bench, text) in read.0.iter().zip(&texts.0) {
            assert_eq!(stem(&bench.path), text.name);
            let reasons = why_not(text, by_hand);
            match fit(profile, bench) {
                Ok(_) => {
                    assert_eq!(
                        reasons,
                        Vec::<String>::new(),
                        "{} {}",
                        text.name,
                        by_hand.name
                    );
                    served.insert(user(text));
                }
                Err(errors) => {
                    assert!(!reasons.is_empty(), "{} {}", text.name, by_hand.name);
                    let told = errors.to_string();
                    for reason in &reasons {
                        assert!(told.contains(reason), "{reason:?} in {told}");
                    }
                    assert_eq!(errors.problems().len(), reasons.len(), "{told}");
                    refused += 1;
                }
            }
        }
        let all = ["quality assurance", "technician", "training"];
        assert!(
            served.iter().eq(&all),
            "{} serves only {served:?}",
            by_hand.name
        );
    }
    assert!(refused > 40, "{refused} pairs");
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
