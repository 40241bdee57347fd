//! `simulate` as others see it: three clients of other makes, and this program's own run on the
//! bench file that it wrote.

use super::process::{Ended, Running};
use super::{coilcall, profile, script, top};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::process::Command;

/// A simulated bench on a pseudo-terminal: coils and inputs 0 2 3 6 are Y1 G O W2, input 13 is the
/// supply (benches-config/benches/panel-16.toml).
struct Simulated {
    folder: tempfile::TempDir,
    program: Running,
    port: String,
}

fn simulated(faults: &[&str]) -> Simulated {
    let folder = tempfile::tempdir().expect("a folder");
    let mut command = coilcall();
    command.arg("simulate").arg("--bench");
    command.arg(top().join("benches-config/benches/panel-16.toml"));
    command.arg("--profile").arg(profile());
    command
        .arg("--write-bench")
        .arg(folder.path().join("bench.toml"));
    for fault in faults {
        command.args(["--fault", fault]);
    }
    let mut program = Running::start(&mut command);
    let said = program.wait_for(|line| line.starts_with("link board: "));
    let port = said["link board: ".len()..].to_owned();
    program.wait_for(|line| line.starts_with("bench file: "));
    Simulated {
        folder,
        program,
        port,
    }
}

impl Simulated {
    fn bench(&self) -> PathBuf {
        self.folder.path().join("bench.toml")
    }

    /// The run of this program, in real time, through the bench file that `simulate` wrote.
    fn run(&self) -> Ended {
        let mut command = coilcall();
        command.arg("run").arg("--bench").arg(self.bench());
        command.arg("--profile").arg(profile());
        command.arg("--out").arg(self.folder.path().join("runs"));
        Running::start(command.arg("--json")).finish()
    }
}

#[test]
fn our_own_run_passes_on_the_bench_file_that_was_written() {
    let simulated = simulated(&[]);
    let ended = simulated.run();
    assert_eq!(ended.code, Some(0), "{}", ended.stderr);
    let told = ended.json();
    assert_eq!(told["verdict"], "pass");
    assert_eq!(told["simulated"], false, "the run cannot know what answers");
    simulated.program.signal("INT");
    assert_eq!(simulated.program.finish().code, Some(0));
}

#[test]
fn our_own_run_fails_where_the_simulated_wiring_is_wrong() {
    let ended = simulated(&["swap:Y1,G"]).run();
    assert_eq!(ended.code, Some(1), "{}", ended.stderr);
    let told = ended.json();
    let suspects = &told["diagnosis"]["groups"][0]["suspects"];
    assert!(suspects.to_string().contains("\"swap:Y1,G\""), "{suspects}");
}

/// What a client of another make sees when it closes coil 0, Y1's, and waits for that input.
#[track_caller]
fn check_client(library: &str, faults: &[&str], input: u16) {
    let simulated = simulated(faults);
    let mut client = script("relay_board_client.py");
    client.args([library, &simulated.port, "9600", "0", &input.to_string()]);
    let ended = Running::start(&mut client).finish();
    assert_eq!(ended.code, Some(0), "{}", ended.stderr);
    let expected = json!({ "before": [13], "coils": [0], "closed": [input, 13], "after": [13] });
    assert_eq!(ended.json(), expected);
}

#[test]
fn pymodbus_drives_a_line_and_sees_it() {
    check_client("pymodbus", &[], 0);
}

#[test]
fn pymodbus_sees_exchanged_conductors() {
    check_client("pymodbus", &["swap:Y1,G"], 2);
}

#[test]
fn minimalmodbus_drives_a_line_and_sees_it() {
    check_client("minimalmodbus", &[], 0);
}

/// mbpoll counts from 1: its reference 7 is coil 6, W2's.
#[test]
fn mbpoll_drives_a_line_and_sees_it() {
    let simulated = simulated(&[]);
    assert_eq!(mbpoll_inputs(&simulated), [14]);
    mbpoll(&simulated, &["-t", "0", "-r", "7"], Some("1"));
    wait_for_inputs(&simulated, &[7, 14]);
    mbpoll(&simulated, &["-t", "0", "-r", "7"], Some("0"));
    wait_for_inputs(&simulated, &[14]);
}

/// A relay takes some milliseconds to move, and each question is a program's start.
#[track_caller]
fn wait_for_inputs(simulated: &Simulated, expected: &[u16]) {
    let mut seen = Vec::new();
    for _ in 0..50 {
        seen = mbpoll_inputs(simulated);
        if seen == expected {
            return;
        }
    }
    panic!("{seen:?} and not {expected:?}");
}

/// The live inputs by mbpoll's numbers. It prints each as `[14]:` and the state.
fn mbpoll_inputs(simulated: &Simulated) -> Vec<u16> {
    let told = mbpoll(simulated, &["-t", "1", "-r", "1", "-c", "16"], None);
    let mut live = Vec::new();
    let mut count = 0;
    for line in told.lines() {
        let Some((number, state)) = line
            .strip_prefix('[')
            .and_then(|rest| rest.split_once("]:"))
        else {
            continue;
        };
        count += 1;
        match state.trim() {
            "1" => live.push(number.trim().parse().expect("a number")),
            "0" => {}
            other => panic!("{other} is no state"),
        }
    }
    assert_eq!(count, 16, "{told}");
    live
}

fn mbpoll(simulated: &Simulated, what: &[&str], value: Option<&str>) -> String {
    let mut command = Command::new("mbpoll");
    command.args(["-m", "rtu", "-a", "1", "-b", "9600", "-P", "none", "-1"]);
    command.args(what).arg(&simulated.port).args(value);
    let ended = Running::start(&mut command).finish();
    let said = ended.text().to_owned();
    assert_eq!(ended.code, Some(0), "{said}\n{}", ended.stderr);
    said
}

/// What `simulate --json` prints, for programs that start it.
#[test]
fn the_paths_are_told_to_programs_as_json() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("bench.toml");
    let mut command = coilcall();
    command.arg("simulate").arg("--bench");
    command.arg(top().join("benches-config/benches/panel-16.toml"));
    command.arg("--profile").arg(profile());
    command.arg("--json").arg("--write-bench").arg(&file);
    let mut program = Running::start(&mut command);
    let said: Value = serde_json::from_str(&program.wait_for(|line| line.starts_with('{')))
        .expect("one line of JSON");
    assert_eq!(said["format"], "coilcall.simulate");
    assert_eq!(said["links"][0]["link"], "board");
    let port = said["links"][0]["path"].as_str().expect("a path");
    assert!(
        std::fs::exists(port).expect("it can be looked for"),
        "{port}"
    );
    assert_eq!(said["bench"], file.display().to_string());
}
