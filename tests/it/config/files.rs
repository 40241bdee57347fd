//! Files that cannot be read, texts that are no TOML, and how problems are shown.

use super::{BENCH, assert_one, bench_errors, check_bench, with};
use coilcall::config::{effective_bench, parse_bench, read_bench, read_profile};
use std::path::Path;

#[test]
fn a_file_that_is_not_there_names_its_nearest_sibling() {
    let directory = tempfile::tempdir().expect("a temporary directory");
    std::fs::write(directory.path().join("panel-16.toml"), BENCH).expect("written");
    let errors = read_bench(&directory.path().join("panel16.toml")).expect_err("not there");
    assert_one(
        &errors,
        "-:-",
        &["there is no such file", "panel-16.toml`?"],
    );
    let errors = read_bench(&directory.path().join("no/panel.toml")).expect_err("not there");
    assert_one(&errors, "-:-", &["there is no directory"]);
    let errors = read_profile(directory.path()).expect_err("a directory");
    assert_one(&errors, "-:-", &["directory"]);
}

#[test]
fn a_file_that_is_no_text_says_where() {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let path = directory.path().join("p.toml");
    std::fs::write(&path, b"name = \"a\"\nx = \"\xff\"\n").expect("written");
    assert_one(
        &read_profile(&path).expect_err("not UTF-8"),
        "2:6",
        &["byte 0xff", "UTF-8"],
    );
    std::fs::write(&path, vec![b'#'; (1 << 20) + 1]).expect("written");
    assert_one(
        &read_profile(&path).expect_err("too long"),
        "-:-",
        &["longer than 1048576"],
    );
}

#[test]
fn after_a_syntax_error_nothing_else_is_told() {
    let text = with(BENCH, "loads = \"dummy\"", "loads = dummy");
    let text = with(&text, "\"wiring\"", "\"wirring\"");
    assert_one(
        &bench_errors(&text),
        "3:9",
        &["not valid TOML", "mend this first"],
    );
}

#[test]
fn what_is_given_twice_is_said_so() {
    check_bench(
        "loads = \"dummy\"",
        "loads = \"dummy\"\nname = \"x\"",
        "4:1",
        &["`name` is given twice"],
    );
    let text = format!("{BENCH}[device.board]\nlink = \"board\"\n");
    assert_one(&bench_errors(&text), "25:9", &["`board` is given twice"]);
}

#[test]
fn a_problem_is_shown_with_its_line_underlined() {
    let errors = bench_errors(&with(BENCH, "baud = 9600", "baudd = 9600"));
    let expected = "\
error: unknown key `baudd`
 --> bench.toml:6:35
  |
6 | serial = { path = \"/dev/ttyUSB0\", baudd = 9600 }
  |                                   ^^^^^
  |
  = help: did you mean `baud`?";
    assert_eq!(errors.render(false), expected);
    assert_eq!(errors.to_string(), expected);
    assert!(
        errors.render(true).contains("\u{1b}["),
        "colour where asked for"
    );
}

#[test]
fn a_problem_is_given_to_programs() {
    let errors = bench_errors(&with(BENCH, "baud = 9600", "baudd = 9600"));
    let expected = serde_json::json!([{
        "file": "bench.toml",
        "line": 6,
        "column": 35,
        "key": "link.board.serial.baudd",
        "message": "unknown key `baudd`",
        "help": "did you mean `baud`?",
    }]);
    assert_eq!(errors.to_json(), expected);
}

#[test]
fn effective_values_tell_the_defaults_apart() {
    let bench = parse_bench(Path::new("b.toml"), BENCH.to_owned()).expect("sound");
    let lines = effective_bench(&bench);
    for line in [
        "link.board.serial.baud = 9600",
        "link.board.serial.parity = \"even\"  (default)",
        "link.board.late_reply_ms = 1600  (default)",
        "line[0].drive.common = \"Rc\"  (default)",
        "line[1].sense.end = \"equipment\"  (default)",
        "line[1].sense.quantity = \"presence\"  (default)",
        "supply.sense.rail = \"R\"  (default)",
        "timing.mains_hertz = 60  (default)",
    ] {
        assert!(lines.contains(&line.to_owned()), "{line} in {lines:#?}");
    }
}
