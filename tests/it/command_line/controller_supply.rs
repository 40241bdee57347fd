//! A room controller's supply as a person and other programs are told of it.

use super::{coilcall, stock};

const PROFILE: &str = "profiles/heat-pump-1-stage-electric-o.toml";
const BENCH: &str = "benches/qa-supply-and-power-loss.toml";

fn pair() -> [String; 4] {
    let file = |name| stock(name).to_str().expect("UTF-8").to_owned();
    let (bench, profile) = (file(BENCH), file(PROFILE));
    ["--bench".to_owned(), bench, "--profile".to_owned(), profile]
}

fn with_pair<'a>(first: &[&'a str], pair: &'a [String; 4]) -> Vec<&'a str> {
    let pair = pair.iter().map(String::as_str);
    first.iter().copied().chain(pair).collect()
}

#[test]
fn check_lists_what_is_made_again() {
    let pair = pair();
    let checked = coilcall(&with_pair(&["check"], &pair));
    assert_eq!(checked.code, Some(0), "{}", checked.stderr);
    for line in [
        "- at low, 20 V: idle, cooling-1, auxiliary-heat, emergency-heat",
        "- at high, 29 V: idle, cooling-1, auxiliary-heat, emergency-heat",
        "- cut for 10 s while the call stands, a compressor to stay off for 180 s from the cut: \
         cooling-1, auxiliary-heat, emergency-heat",
    ] {
        assert!(checked.text().contains(line), "{line}: {}", checked.text());
    }
    assert!(!checked.text().contains("warning"), "{}", checked.text());
}

#[test]
fn every_format_names_the_condition() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().to_str().expect("UTF-8");
    let pair = pair();
    let ran = coilcall(&with_pair(
        &["run", "--simulate", "--json", "--out", out],
        &pair,
    ));
    assert_eq!(ran.code, Some(0), "{}", ran.stderr);
    let told = ran.json();
    let steps = told["steps"].as_array().expect("steps");
    let of_kind = |kind: &str| {
        steps
            .iter()
            .filter(|s| s["condition"]["kind"] == kind)
            .count()
    };
    assert_eq!((of_kind("level"), of_kind("power-loss")), (8, 3));
    assert!(steps[0].get("condition").is_none());
    assert!(
        ran.stderr
            .contains("SUPPLY: CUT, the room controller has no power")
    );
    assert!(ran.stderr.contains("SUPPLY: at low, 20 V"));

    let report = |format: &str| {
        let report = coilcall(&["report", "last", "--out", out, "--format", format]);
        assert_eq!(report.code, Some(0), "{}", report.stderr);
        report.text().to_owned()
    };
    // As it is read, wherever a line ends.
    let text = report("text");
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(text.contains("THE ROOM CONTROLLER'S SUPPLY"), "{text}");
    assert!(
        text.contains("20 V with no output on; R to C read"),
        "{text}"
    );
    assert!(text.contains("live again after the cut: Y1"), "{text}");
    // Dead while it was cut on purpose is not dead.
    assert!(!text.contains("DEAD"), "{text}");
    for (format, words) in [
        ("html", "cooling-1, power loss"),
        ("junit", "name=\"cooling-1 at low\""),
        ("tap", "cooling-1, power loss"),
        ("csv", "level low"),
    ] {
        assert!(report(format).contains(words), "{format}");
    }
}

#[test]
fn the_self_test_moves_the_supplys_relays_too() {
    let pair = pair();
    let tested = coilcall(&with_pair(&["self-test", "--simulate"], &pair));
    assert_eq!(tested.code, Some(0), "{}\n{}", tested.text(), tested.stderr);
    for serves in [
        "cut of the controller's supply",
        "supply at low",
        "supply at high",
    ] {
        assert!(
            tested.text().contains(serves),
            "{serves}: {}",
            tested.text()
        );
    }
}
