//! A bad value for every option of every command: exit 2, no data, the option and the value named,
//! nothing opened and nothing written. Which options there are is taken from the help texts.

use super::{BENCH, PROFILE, coilcall_in, stock};
use std::collections::BTreeSet;

/// Command, option, arguments after the command, words of the refusal. `BENCH` and `PROFILE` stand
/// for sound files, `FILE` for a file where a folder is wanted.
type Row = (
    &'static str,
    &'static str,
    &'static str,
    &'static [&'static str],
);

const MISSING: &[&str] = &["nowhere.toml: there is no such file"];

#[rustfmt::skip] // One row, one line: a table.
const ROWS: &[Row] = &[
    ("expected", "profile", "--profile nowhere.toml", MISSING),
    ("expected", "bench", "--profile PROFILE --volts --bench nowhere.toml", MISSING),
    ("check", "profile", "--profile nowhere.toml", MISSING),
    ("check", "bench", "--bench nowhere.toml", MISSING),
    ("run", "bench", "--bench nowhere.toml --profile PROFILE", MISSING),
    ("run", "profile", "--bench BENCH --profile nowhere.toml", MISSING),
    ("run", "answers", "--bench BENCH --profile PROFILE --answers nowhere.toml", MISSING),
    ("run", "fault", "--simulate --bench BENCH --profile PROFILE --fault opne:Y1",
        &["'opne:Y1'", "--fault", "did you mean open?"]),
    ("run", "link-fault", "--simulate --bench BENCH --profile PROFILE --link-fault late:board",
        &["'late:board'", "--link-fault", "it is written late:DEVICE=900"]),
    ("run", "seed", "--simulate --bench BENCH --profile PROFILE --seed -1", &["'-1'", "--seed"]),
    ("run", "calls", "--bench BENCH --profile PROFILE --calls coling-1",
        &["'coling-1'", "--calls", "did you mean cooling-1?"]),
    ("run", "order", "--bench BENCH --profile PROFILE --order fast",
        &["'fast'", "--order", "given, fastest", "'fastest'"]),
    ("run", "out", "--simulate --bench BENCH --profile PROFILE --out FILE",
        &["file.txt", "this is a file"]),
    ("run", "subject", "--bench BENCH --profile PROFILE --subject=",
        &["--subject", "it names nobody"]),
    ("run", "armed-by", "--bench BENCH --profile PROFILE --armed-by a\tb",
        &["--armed-by", "control character"]),
    ("simulate", "bench", "--bench nowhere.toml --profile PROFILE", MISSING),
    ("simulate", "profile", "--bench BENCH --profile nowhere.toml", MISSING),
    ("simulate", "fault", "--bench BENCH --profile PROFILE --fault open:Y9", &["Y9", "Y1 "]),
    ("simulate", "link-fault", "--bench BENCH --profile PROFILE --link-fault silent:bord",
        &["bord", "did you mean board?"]),
    ("simulate", "seed", "--bench BENCH --profile PROFILE --seed 1.5", &["'1.5'", "--seed"]),
    ("simulate", "write-bench", "--bench BENCH --profile PROFILE --write-bench no/such/x.toml",
        &["no/such/x.toml cannot be written", "because:"]),
    ("report", "format", "last --format jsn", &["'jsn'", "text, json"]),
    ("report", "out", "last --out nowhere", &["the runs in nowhere cannot be read"]),
    ("self-test", "bench", "--bench nowhere.toml", MISSING),
    ("self-test", "profile", "--simulate --bench BENCH --profile nowhere.toml", MISSING),
    ("self-test", "fault", "--bench BENCH --fault open:Y1", &["--fault", "for --simulate"]),
    ("self-test", "link-fault", "--bench BENCH --link-fault tardy:board=9", &["'tardy'", "late"]),
    ("self-test", "seed", "--bench BENCH --seed many", &["'many'", "--seed"]),
    ("circuit", "profile", "--profile nowhere.toml --call cooling-1", MISSING),
    ("circuit", "bench", "--profile PROFILE --bench nowhere.toml --call cooling-1", MISSING),
    ("circuit", "call", "--profile PROFILE --call cooling-2",
        &["cooling-2 does not apply", "no cooling stage 2"]),
    ("circuit", "fault", "--profile PROFILE --call cooling-1 --fault swap:Y1", &["swap:LINE,LINE"]),
    ("man", "dir", "--dir FILE", &["file.txt cannot be written", "because:"]),
    // What stands without a name.
    ("check", "<FILE>", "nowhere.toml", MISSING),
    ("report", "<RUN>", "nowhere/x.jsonl", &["there is no journal nowhere/x.jsonl"]),
    ("schema", "<FILE>", "prfile", &["'prfile'", "'profile'"]),
    ("completions", "<SHELL>", "fsh", &["'fsh'", "'fish'"]),
];

/// The options that take a value, and the values without a name, of every command.
fn in_the_help() -> BTreeSet<(String, String)> {
    let folder = tempfile::tempdir().expect("a folder");
    let help = |arguments: &[&str]| {
        let told = coilcall_in(folder.path(), &[arguments, &["--help"]].concat());
        assert_eq!(told.code, Some(0));
        told.text().to_owned()
    };
    let all = help(&[]);
    let commands = all.lines().skip_while(|line| *line != "Commands:").skip(1);
    let commands = commands.map_while(|line| line.split_whitespace().next());
    let mut found = BTreeSet::new();
    for command in commands.filter(|command| *command != "help") {
        for line in help(&[command]).lines() {
            let line = line.trim_start();
            let named = line
                .strip_prefix("--")
                .and_then(|rest| rest.split_once(" <"));
            if let Some((option, _)) = named {
                found.insert((command.to_owned(), option.to_owned()));
            } else if line.starts_with('<') || line.starts_with("[FILE]") {
                let value = line.split([' ', '.']).next().expect("a first part");
                let value = format!("<{}>", value.trim_matches(['<', '>', '[', ']']));
                found.insert((command.to_owned(), value));
            }
        }
    }
    found
}

#[test]
fn every_option_has_a_bad_value_here() {
    let tried = ROWS.iter().map(|row| (row.0.to_owned(), row.1.to_owned()));
    assert_eq!(tried.collect::<BTreeSet<_>>(), in_the_help());
}

#[test]
fn each_bad_value_ends_with_exit_2_and_says_which() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("file.txt");
    for (command, option, arguments, words) in ROWS {
        std::fs::write(&file, "").expect("written");
        let arguments = arguments.split(' ').map(|word| match word {
            "BENCH" => stock(BENCH).display().to_string(),
            "PROFILE" => stock(PROFILE).display().to_string(),
            "FILE" => file.display().to_string(),
            other => other.to_owned(),
        });
        let all: Vec<String> = [(*command).to_owned()]
            .into_iter()
            .chain(arguments)
            .collect();
        let ran = coilcall_in(folder.path(), &all);
        assert_eq!(ran.code, Some(2), "{command} {option}: {}", ran.stderr);
        // The problems of files are what `check` prints.
        let told = if *command == "check" {
            ran.text()
        } else {
            &ran.stderr
        };
        for word in *words {
            assert!(
                told.contains(word),
                "{command} {option}: {word:?} in {told}"
            );
        }
        let left: Vec<_> = std::fs::read_dir(folder.path())
            .expect("a folder")
            .collect();
        assert_eq!(left.len(), 1, "{command} {option} left something behind");
    }
}
