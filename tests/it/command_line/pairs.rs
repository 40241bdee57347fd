//! Every ready-made bench with every ready-made profile: those that fit pass, the others are
//! refused before anything is opened.

use super::contract::assert_run;
use super::{coilcall, journals, stock_files};

#[test]
fn every_pair_that_fits_passes_on_the_simulated_bench() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().to_str().expect("UTF-8");
    let mut passed = 0;
    for bench in stock_files("benches") {
        for profile in stock_files("profiles") {
            let pair = ["--bench", &bench, "--profile", &profile];
            let fits = coilcall(&[&["check"], &pair[..]].concat()).code == Some(0);
            let run = [&["run", "--simulate", "--json", "--out", out], &pair[..]].concat();
            let ran = coilcall(&run);
            if !fits {
                assert_eq!(ran.code, Some(2), "{pair:?}: {}", ran.stderr);
                assert_eq!(ran.text(), "");
                continue;
            }
            assert_eq!(ran.code, Some(0), "{pair:?}: {}", ran.stderr);
            let told = ran.json();
            assert_run(&told);
            assert_eq!(told["verdict"], "pass");
            assert_eq!(told["made_safe"], true);
            assert_eq!(told["diagnosis"]["conclusion"], "healthy", "{pair:?}");
            passed += 1;
        }
    }
    assert!(passed >= 100, "{passed} pairs");
    assert_eq!(
        journals(folder.path()).len(),
        passed,
        "no journal where nothing was run"
    );
}
