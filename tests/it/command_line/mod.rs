//! The built program as a shell sees it: arguments in; bytes, words and an exit code out.

mod arguments;
pub(crate) mod contract;
mod controller_supply;
mod disturbed;
mod files;
mod generated;
mod pairs;
mod prompts;
mod real_loads;
mod record;
mod self_test;
mod usage;

use serde_json::Value;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// What the program did.
struct Ran {
    code: Option<i32>,
    stdout: Vec<u8>,
    stderr: String,
}

impl Ran {
    fn text(&self) -> &str {
        std::str::from_utf8(&self.stdout).expect("the program writes UTF-8")
    }

    fn json(&self) -> Value {
        let read = serde_json::from_slice(&self.stdout);
        read.unwrap_or_else(|error| panic!("{error} in {}\n{}", self.text(), self.stderr))
    }

    /// It ended with exit 2, wrote no data, and said each of these.
    #[track_caller]
    fn refused(&self, words: &[&str]) {
        assert_eq!(self.code, Some(2), "{}", self.stderr);
        assert_eq!(self.text(), "", "no data where there is none");
        for word in words {
            assert!(self.stderr.contains(word), "{word:?} in {}", self.stderr);
        }
    }
}

/// Runs the program in a folder.
fn coilcall_in<A: AsRef<OsStr>>(folder: &Path, arguments: &[A]) -> Ran {
    let output = Command::new(env!("CARGO_BIN_EXE_coilcall"))
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::null())
        .output()
        .expect("the program starts");
    Ran {
        code: output.status.code(),
        stdout: output.stdout,
        stderr: String::from_utf8(output.stderr).expect("the program writes UTF-8"),
    }
}

/// Runs the program among the ready-made files.
fn coilcall<A: AsRef<OsStr>>(arguments: &[A]) -> Ran {
    coilcall_in(&stock(""), arguments)
}

/// A ready-made file.
fn stock(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("benches-config")
        .join(name)
}

/// The names of the ready-made files of one folder, as arguments.
fn stock_files(folder: &str) -> Vec<String> {
    let entries = std::fs::read_dir(stock(folder)).expect("the folder is there");
    let names = entries.map(|entry| {
        let name = entry.expect("an entry").file_name();
        format!("{folder}/{}", name.to_str().expect("UTF-8"))
    });
    let mut names: Vec<String> = names.filter(|name| name.ends_with(".toml")).collect();
    names.sort();
    assert!(!names.is_empty(), "{folder}");
    names
}

const BENCH: &str = "benches/panel-16.toml";
const PROFILE: &str = "profiles/heat-pump-1-stage-electric-o.toml";

/// A simulated run whose journal goes into a folder.
fn simulated_run(out: &Path, more: &[&str]) -> Ran {
    let out = out.to_str().expect("UTF-8");
    let mut arguments = vec!["run", "--bench", BENCH, "--profile", PROFILE, "--simulate"];
    arguments.extend(["--out", out]);
    arguments.extend(more);
    coilcall(&arguments)
}

/// The journals of a folder, oldest first.
fn journals(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return Vec::new();
    };
    let paths = entries.map(|entry| entry.expect("an entry").path());
    let mut found: Vec<PathBuf> = paths
        .filter(|path| path.extension().is_some_and(|ending| ending == "jsonl"))
        .collect();
    found.sort();
    found
}
