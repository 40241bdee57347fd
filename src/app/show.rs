//! A run's report from its journal: the same path for the run just made and for any older one.

use super::error::AppError;
use crate::domain::diagnosis::{Conclusion, Diagnosis, diagnose};
use crate::event::RunState;
use crate::report::{self, DiagnosisView, Format, RunView, SuspectGroup};
use crate::store::{SubjectRecord, locate_run, read_journal};
use std::io::Write;
use std::path::{Path, PathBuf};

/// A run as read back.
#[derive(Debug)]
pub struct RunFound {
    /// Its journal.
    pub path: PathBuf,
    /// Everything that a report shows.
    pub view: RunView,
}

/// Finds and reads a run: a journal's path, the beginning of an id, or `last`.
///
/// # Errors
/// Where it cannot be found or read.
pub fn read_run(folder: &Path, run: &str) -> Result<RunFound, AppError> {
    let path = locate_run(folder, run)?;
    let replay = read_journal(&path)?;
    let committed = replay
        .state
        .started
        .as_ref()
        .and_then(|(_, started)| started.commitments.subject.as_deref());
    let subject = SubjectRecord::subject_of(&path, committed)?;
    let armed = replay.state.armed.as_ref();
    let armed_by = SubjectRecord::armed_by_of(&path, armed.map(|armed| armed.by.as_str()))?;
    let diagnosis = diagnosis_view(&replay.state);
    let view = RunView::new(
        &replay.state,
        subject,
        &replay.file_name,
        &replay.head_hash,
        diagnosis,
    )
    .map_err(|_| AppError::NothingToReport(path.display().to_string()))?
    .with_armed_by(armed_by);
    Ok(RunFound { path, view })
}

/// Writes the run in each format, one after the other.
///
/// # Errors
/// The first writer's error; every format has had its turn by then.
pub fn write_run(run: &RunFound, formats: &[Format], out: &mut dyn Write) -> Result<(), AppError> {
    let mut first = Ok(());
    for format in formats {
        let written = report::write_report(&run.view, *format, out);
        first = first.and(written);
    }
    Ok(first?)
}

fn diagnosis_view(state: &RunState) -> DiagnosisView {
    let Some(evidence) = state.evidence() else {
        return DiagnosisView::undetermined();
    };
    let Diagnosis { conclusion, groups } = diagnose(&evidence);
    DiagnosisView {
        conclusion: match conclusion {
            Conclusion::Healthy => report::Conclusion::Healthy,
            Conclusion::Fault => report::Conclusion::Fault,
            Conclusion::Undetermined => report::Conclusion::Undetermined,
        },
        groups: groups
            .into_iter()
            .map(|group| SuspectGroup {
                probability: None,
                suspects: group.suspects.iter().map(ToString::to_string).collect(),
                confirm: group.confirm,
            })
            .collect(),
        next: None,
    }
}
