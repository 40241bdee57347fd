//! The run as TAP version 14.
//!
//! Source: the TAP 14 specification (testanything.org/tap-version-14-specification.html): version
//! line, plan once, test points with ids, `\` and `#` escaped in descriptions, directives after an
//! unescaped ` # `, YAML diagnostics indented by two between `---` and `...`. Strings in YAML are
//! written as JSON strings, which YAML 1.2 reads as its double-quoted scalars.
//!
//! Place in the data's path: the last step from a [`RunView`] to a file that a harness reads.

use super::case::{Case, Outcome, cases};
use super::run_view::RunView;
use std::io::{self, Write};

/// Writes the run.
pub(super) fn write(view: &RunView, out: &mut dyn Write) -> io::Result<()> {
    let cases = cases(view);
    writeln!(out, "TAP version 14")?;
    writeln!(out, "1..{}", cases.len())?;
    comment("run_id", &view.run_id, out)?;
    comment("started", &view.started.to_string(), out)?;
    if let Some(finished) = view.finished {
        comment("finished", &finished.to_string(), out)?;
    }
    if let Some(subject) = &view.subject {
        comment("subject", subject, out)?;
    }
    comment("profile", &view.profile.name, out)?;
    comment("bench", &view.bench.name, out)?;
    if view.simulated.is_some() {
        writeln!(out, "# SIMULATED: no real wiring was tested")?;
    }
    for (number, case) in (1..).zip(&cases) {
        point(number, case, out)?;
    }
    comment("verdict", view.verdict.word(), out)
}

fn comment(key: &str, value: &str, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "# {key}: {}", in_one_line(value))
}

fn in_one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { '?' } else { c })
        .collect()
}

fn escaped(text: &str) -> String {
    in_one_line(text).replace('\\', "\\\\").replace('#', "\\#")
}

fn point(number: usize, case: &Case, out: &mut dyn Write) -> io::Result<()> {
    let name = escaped(&case.name);
    match case.outcome {
        Outcome::Right => return writeln!(out, "ok {number} - {name}"),
        Outcome::Skipped => {
            return writeln!(
                out,
                "ok {number} - {name} # SKIP {}",
                escaped(&case.message)
            );
        }
        Outcome::Unclear | Outcome::Wrong | Outcome::BenchError => {}
    }
    let severity = match case.outcome {
        Outcome::Wrong => "fail",
        Outcome::BenchError => "error",
        Outcome::Unclear | Outcome::Right | Outcome::Skipped => "inconclusive",
    };
    writeln!(out, "not ok {number} - {name}")?;
    writeln!(out, "  ---")?;
    writeln!(out, "  message: {}", scalar(&case.message)?)?;
    writeln!(out, "  severity: {severity}")?;
    if !case.details.is_empty() {
        writeln!(out, "  lines:")?;
    }
    for detail in &case.details {
        writeln!(out, "    - {}", scalar(detail)?)?;
    }
    writeln!(out, "  ...")
}

fn scalar(text: &str) -> io::Result<String> {
    Ok(serde_json::to_string(text)?)
}
