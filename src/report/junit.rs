//! The run as JUnit XML: one suite, one test case for each call.
//!
//! There is no formal standard; `failure` is what was checked and wrong, `error` what could not be
//! shown or a bench that failed, `skipped` what was not made. Values that differ from one run to
//! the next with the same seed are properties under their published names, so the optional
//! `timestamp` attribute is left out.
//!
//! Place in the data's path: the last step from a [`RunView`] to a file that a test tool reads.

use super::case::{Case, Outcome, cases};
use super::run_view::RunView;
use quick_junit::{NonSuccessKind, Report, TestCase, TestCaseStatus, TestSuite};
use std::io::{self, Write};
use std::time::Duration;

/// Writes the run.
pub(super) fn write(view: &RunView, out: &mut dyn Write) -> io::Result<()> {
    let mut suite = TestSuite::new(view.profile.name.as_str());
    for (name, value) in properties(view) {
        suite.add_property((name, value.as_str()));
    }
    let class = if view.simulated.is_some() {
        "coilcall.simulated"
    } else {
        "coilcall.run"
    };
    let mut total = Duration::ZERO;
    for case in cases(view) {
        let took = Duration::from_micros(case.took.0);
        total += took;
        let mut written = TestCase::new(case.name.as_str(), status(&case));
        written.set_classname(class).set_time(took);
        suite.add_test_case(written);
    }
    suite.set_time(total);
    let mut report = Report::new("coilcall");
    report.add_test_suite(suite);
    report.serialize(out).map_err(io::Error::other)
}

fn properties(view: &RunView) -> Vec<(&'static str, String)> {
    let mut properties = vec![
        ("run_id", view.run_id.clone()),
        ("started", view.started.to_string()),
    ];
    let mut add = |name, value: Option<String>| properties.extend(value.map(|v| (name, v)));
    add("finished", view.finished.map(|at| at.to_string()));
    add("subject", view.subject.clone());
    add("bench", Some(view.bench.name.clone()));
    add("simulated", Some(view.simulated.is_some().to_string()));
    add("verdict", Some(view.verdict.word().to_owned()));
    add("made_safe", Some(view.made_safe.to_string()));
    add("path", Some(view.journal_file.clone()));
    add("head_hash", Some(view.head_hash.clone()));
    properties
}

fn status(case: &Case) -> TestCaseStatus {
    let mut status = match case.outcome {
        Outcome::Right => return TestCaseStatus::success(),
        Outcome::Skipped => TestCaseStatus::skipped(),
        Outcome::Wrong => TestCaseStatus::non_success(NonSuccessKind::Failure),
        Outcome::Unclear | Outcome::BenchError => {
            TestCaseStatus::non_success(NonSuccessKind::Error)
        }
    };
    match case.outcome {
        Outcome::Wrong => {
            status.set_type("fail");
        }
        Outcome::Unclear => {
            status.set_type("inconclusive");
        }
        Outcome::BenchError => {
            status.set_type("bench-error");
        }
        Outcome::Right | Outcome::Skipped => {}
    }
    status.set_message(case.message.as_str());
    if !case.details.is_empty() {
        status.set_description(case.details.join("\n"));
    }
    status
}
