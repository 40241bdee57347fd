//! Questions and their answers as a shell sees them: an answers file, a pipe, a closed input.

use super::{coilcall, coilcall_in, stock};
use serde_json::Value;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

const LAMP: &str = "benches/jumpers-and-lamp.toml";
const PROFILE: &str = "profiles/heat-pump-1-stage-electric-o.toml";

/// What each call must show at the equipment (common practice, no source), as an answers file.
const RIGHT: &str = "[answers]\n\
    \"make:fan-only\" = \"done\"\n\
    \"end:fan-only\" = \"done\"\n\
    \"observe:fan-only\" = \"G\"\n\
    \"make:cooling-1\" = \"done\"\n\
    \"end:cooling-1\" = \"done\"\n\
    \"observe:cooling-1\" = \"Y1 G O\"\n\
    \"observe:idle\" = \"none\"\n\
    \"observe:supply\" = \"R\"\n";

fn run_with(answers: &str, more: &[&str]) -> super::Ran {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("answers.toml");
    std::fs::write(&file, answers).expect("written");
    let file = file.to_str().expect("UTF-8");
    let out = folder.path().join("runs");
    let out = out.to_str().expect("UTF-8");
    let mut arguments = vec!["run", "--bench", LAMP, "--profile", PROFILE, "--json"];
    arguments.extend(["--calls", "fan-only,cooling-1", "--out", out]);
    arguments.extend(["--answers", file]);
    arguments.extend(more);
    coilcall(&arguments)
}

#[test]
fn an_answers_file_stands_in_for_the_person() {
    for more in [&[][..], &["--simulate"]] {
        let ran = run_with(RIGHT, more);
        assert_eq!(ran.code, Some(0), "{}", ran.stderr);
        assert_eq!(ran.json()["verdict"], "pass");
    }
    let swapped = RIGHT.replace("\"Y1 G O\"", "\"Y1 G\"");
    let ran = run_with(&swapped, &[]);
    assert_eq!(ran.code, Some(1), "{}", ran.stderr);
}

#[test]
fn answers_given_in_turn_end_and_then_nobody_answers() {
    let once = RIGHT.replace(
        "\"observe:cooling-1\" = \"Y1 G O\"",
        "\"observe:cooling-1\" = []",
    );
    let ran = run_with(&once, &[]);
    assert_eq!(ran.code, Some(3), "{}", ran.stderr);
    assert!(
        ran.text()
            .contains("nobody answered: In the call cooling-1")
    );
}

#[test]
fn an_answers_file_is_checked_before_anything_is_opened() {
    let wrong = RIGHT
        .replace("\"observe:fan-only\"", "\"observe:fan-onyl\"")
        .replace(
            "\"make:cooling-1\" = \"done\"",
            "\"make:cooling-1\" = \"Y1\"",
        );
    run_with(&wrong, &[]).refused(&[
        "this run never asks `observe:fan-onyl`",
        "did you mean `observe:fan-only`?",
        "'Y1' is no answer here; expected done or cannot",
        "2 problems; nothing was opened",
    ]);
    for (text, place, words) in [
        ("answers = 3\n", "1:11", "[answers] must be a table"),
        (
            "[answers]\n\"end:fan-only\" = 3\n",
            "2:18",
            "an answer is a text",
        ),
        (
            "[answers]\n\"end:fan-only\" = [3]\n",
            "2:19",
            "an answer is a text",
        ),
    ] {
        run_with(text, &[]).refused(&[words, &format!("answers.toml:{place}"), "1 problem;"]);
    }
    run_with("[answer]\n", &[]).refused(&["missing [answers]", "unknown key `answer`"]);
}

/// Runs the program with these lines on its input.
fn typed(lines: &str, out: &Path) -> (Option<i32>, Value, String) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_coilcall"))
        .args(["run", "--bench", LAMP, "--profile", PROFILE, "--json"])
        .args(["--calls", "fan-only", "--out"])
        .arg(out)
        .current_dir(stock(""))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut input = child.stdin.take().expect("a pipe");
    input.write_all(lines.as_bytes()).expect("written");
    drop(input);
    let output = child.wait_with_output().expect("it ends");
    let told = serde_json::from_slice(&output.stdout).expect("JSON");
    let said = String::from_utf8(output.stderr).expect("UTF-8");
    (output.status.code(), told, said)
}

#[test]
fn lines_on_a_pipe_answer_the_prompts() {
    let folder = tempfile::tempdir().expect("a folder");
    // Supply, make, wrong, G, supply, end, nothing live after it.
    let lines = "R\ndone\nYes\nG\nR\ndone\nnone\n";
    let (code, told, said) = typed(lines, folder.path());
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(told["verdict"], "pass");
    assert!(said.contains("For the call fan-only put G on R"), "{said}");
    assert!(said.contains("'Yes' is no answer here"), "{said}");
}

#[test]
fn a_closed_input_is_nobody_and_nothing_is_proven() {
    let folder = tempfile::tempdir().expect("a folder");
    let (code, told, said) = typed("R\ndone\n", folder.path());
    assert_eq!(code, Some(3), "{said}");
    assert_eq!(told["verdict"], "inconc");
    assert!(
        told["steps"][0]["note"]
            .as_str()
            .expect("a note")
            .contains("nobody answered")
    );
    let (code, ..) = typed("", folder.path());
    assert_eq!(code, Some(3));
}

/// A run that asks nothing leaves its input to whatever follows it in a script.
#[test]
fn a_run_without_questions_never_reads_its_input() {
    let folder = tempfile::tempdir().expect("a folder");
    let script = format!(
        "printf 'left\\n' | {{ '{}' run --simulate --bench benches/panel-16.toml --profile \
         {PROFILE} --out '{}' >/dev/null 2>&1; cat; }}",
        env!("CARGO_BIN_EXE_coilcall"),
        folder.path().display()
    );
    let output = Command::new("sh")
        .args(["-c", &script])
        .current_dir(stock(""))
        .output()
        .expect("a shell");
    assert_eq!(String::from_utf8_lossy(&output.stdout), "left\n");
    let help = coilcall_in(&stock(""), &["run", "--help"]);
    assert!(help.text().contains("--answers"));
}
