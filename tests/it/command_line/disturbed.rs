//! Whole runs over Modbus TCP, a SCPI meter and devices of plain lines whose replies come late, not
//! at all, damaged, echoed or from another: no sound wiring fails, no faulty wiring passes.

use super::coilcall;

/// Bench, the device whose replies are disturbed, and the share of them. A board of plain lines is
/// asked for each relay alone, 17 questions for one look at all, and one lost spoils the look.
const BENCHES: [(&str, &str, &str); 5] = [
    ("panel-modbus-tcp", "board", "0.03"),
    ("panel-multiplexed-meter", "meter", "0.03"),
    ("panel-multiplexed-meter", "multiplexer", "0.03"),
    ("panel-plain-lines", "board", "0.003"),
    ("panel-plain-lines", "meter", "0.03"),
];

/// Ways to disturb a reply; the second delay is beyond the quarantine.
const WAYS: [(&str, &str); 7] = [
    ("late", "=900"),
    ("late", "=2500"),
    ("silent", ""),
    ("garbage", ""),
    ("echo", ""),
    ("wrong-address", ""),
    ("truncated", ""),
];

/// Runs once; whether the true verdict was reached.
fn check(bench: &str, link_fault: &str, is_faulty: bool, out: &str) -> bool {
    let bench = format!("benches/{bench}.toml");
    let mut arguments = vec![
        "run",
        "--simulate",
        "--json",
        "--out",
        out,
        "--bench",
        &bench,
    ];
    arguments.extend(["--profile", "profiles/heat-pump-1-stage-electric-o.toml"]);
    arguments.extend(["--link-fault", link_fault]);
    if is_faulty {
        arguments.extend(["--fault", "swap:Y1,G"]);
    }
    let ran = coilcall(&arguments);
    let told = ran.json();
    let verdict = told["verdict"].as_str().expect("a verdict");
    let (truth, wrong) = if is_faulty {
        ("fail", "pass")
    } else {
        ("pass", "fail")
    };
    assert_ne!(verdict, wrong, "{bench} {link_fault}: {}", ran.stderr);
    let safe = told["made_safe"].as_bool().expect("said either way");
    assert_eq!(
        ran.code == Some(5),
        !safe,
        "{bench} {link_fault}: {}",
        ran.stderr
    );
    verdict == truth
}

#[test]
fn a_disturbed_link_never_gives_the_wrong_verdict() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().to_str().expect("UTF-8");
    let mut reached = 0;
    let mut made = 0;
    for (bench, device, share) in BENCHES {
        for (way, how) in WAYS {
            let link_fault = format!("{way}:{device}{how}%{share}");
            for is_faulty in [false, true] {
                reached += u32::from(check(bench, &link_fault, is_faulty, out));
                made += 1;
            }
        }
    }
    assert!(
        reached * 100 >= made * 80,
        "{reached} of {made} reached their true verdict"
    );
}
