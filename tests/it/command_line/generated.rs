//! Completions, manual pages and schemas, as a shell gets them.

use super::{coilcall, stock};

#[test]
fn the_files_beside_the_ready_made_ones_are_what_schema_prints() {
    for (kind, file) in [
        ("profile", "profile.schema.json"),
        ("bench", "bench.schema.json"),
    ] {
        let printed = coilcall(&["schema", kind]);
        assert_eq!(printed.code, Some(0), "{}", printed.stderr);
        let kept = std::fs::read_to_string(stock(file)).expect("the file is there");
        assert_eq!(
            printed.text(),
            kept,
            "coilcall schema {kind} > benches-config/{file}"
        );
    }
}

#[test]
fn every_shell_gets_completions_that_name_every_command() {
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let printed = coilcall(&["completions", shell]);
        assert_eq!(printed.code, Some(0), "{}", printed.stderr);
        assert_eq!(printed.stderr, "");
        for command in ["expected", "check", "run", "self-test", "schema"] {
            assert!(printed.text().contains(command), "{command} in {shell}");
        }
    }
    coilcall(&["completions", "tcsh-like"]).refused(&["invalid value", "bash"]);
}

#[test]
fn manual_pages_go_to_standard_output_or_into_a_folder() {
    let page = coilcall(&["man"]);
    assert_eq!(page.code, Some(0), "{}", page.stderr);
    assert!(page.text().contains(".TH coilcall 1"), "{}", page.text());
    let folder = tempfile::tempdir().expect("a folder");
    let pages = folder.path().join("share/man1");
    let written = coilcall(&["man", "--dir", pages.to_str().expect("UTF-8")]);
    assert_eq!(
        (written.code, written.text()),
        (Some(0), ""),
        "{}",
        written.stderr
    );
    for name in ["coilcall.1", "coilcall-run.1", "coilcall-self-test.1"] {
        let text = std::fs::read_to_string(pages.join(name)).expect(name);
        assert!(text.contains(".SH SYNOPSIS"), "{name}");
    }
}

#[test]
fn a_folder_that_cannot_be_made_is_said() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("taken");
    std::fs::write(&file, "").expect("written");
    coilcall(&["man", "--dir", file.to_str().expect("UTF-8")]).refused(&["taken", "because:"]);
}
