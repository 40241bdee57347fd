//! What a record must be able to forget: the subject, people's names, a hidden fault.
//!
//! Place in the data's path: the journal holds only a salted hash of each ([`commitment`]); the
//! values and salts lie beside it in `<run_id>.subject.json`, which may be removed without
//! breaking the chain. Reading back checks every value against its hash, so that a name put in
//! later is not believed.

use serde::{Deserialize, Serialize};
use std::fmt::Write as _;
use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// The version of the record's format.
const RECORD_VERSION: u32 = 1;

/// BLAKE3 of the salt and the value after it, in hexadecimal. The salt's length is fixed, so that
/// no two pairs run into the same bytes.
#[must_use]
pub fn commitment(salt: &[u8; 16], value: &str) -> String {
    let mut hasher = blake3::Hasher::new();
    hasher.update(salt);
    hasher.update(value.as_bytes());
    hasher.finalize().to_hex().to_string()
}

/// A value with the salt of its hash.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sealed {
    /// The value.
    pub value: String,
    /// The salt: 32 hexadecimal digits.
    pub salt: String,
}

impl Sealed {
    /// Seals a value.
    #[must_use]
    pub fn new(salt: &[u8; 16], value: &str) -> Self {
        let mut digits = String::new();
        for byte in salt {
            write!(digits, "{byte:02x}").expect("writing to a string does not fail");
        }
        Self {
            value: value.to_owned(),
            salt: digits,
        }
    }

    /// The hash that the journal holds of it; `None` where the salt is not 32 hexadecimal digits.
    #[must_use]
    pub fn commitment(&self) -> Option<String> {
        if self.salt.len() != 32 || !self.salt.is_ascii() {
            return None;
        }
        let mut salt = [0_u8; 16];
        for (index, byte) in salt.iter_mut().enumerate() {
            *byte = u8::from_str_radix(&self.salt[2 * index..2 * index + 2], 16).ok()?;
        }
        Some(commitment(&salt, &self.value))
    }

    /// Whether this is the value that was committed to.
    #[must_use]
    pub fn matches(&self, committed: &str) -> bool {
        self.commitment().is_some_and(|own| own == committed)
    }
}

/// The removable record beside a journal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SubjectRecord {
    /// The format's version.
    pub v: u32,
    /// The run that it belongs to.
    pub run_id: String,
    /// What was under test.
    pub subject: Option<Sealed>,
    /// Who armed the run.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub armed_by: Option<Sealed>,
    /// The hidden fault and its seed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hidden: Option<Sealed>,
}

/// A record that cannot be written or believed.
#[derive(Debug, thiserror::Error)]
pub enum SubjectError {
    /// The file cannot be read or written.
    #[error("subject record {file} cannot be read or written")]
    File {
        /// The file.
        file: String,
        /// Why.
        source: io::Error,
    },
    /// The file is not such a record.
    #[error("subject record {file} cannot be read: {reason}")]
    Unreadable {
        /// The file.
        file: String,
        /// Why.
        reason: String,
    },
    /// A value is not the one that the journal committed to.
    #[error("subject record {file} does not belong to this journal: its {what} was not recorded")]
    Mismatch {
        /// The file.
        file: String,
        /// Which value.
        what: &'static str,
    },
}

/// Where a journal's record lies.
#[must_use]
pub fn subject_path(journal: &Path) -> PathBuf {
    journal.with_extension("subject.json")
}

impl SubjectRecord {
    /// A record without any value.
    #[must_use]
    pub fn new(run_id: &str) -> Self {
        Self {
            v: RECORD_VERSION,
            run_id: run_id.to_owned(),
            subject: None,
            armed_by: None,
            hidden: None,
        }
    }

    /// Writes it beside the journal, onto the disk; one that is there already is not overwritten.
    ///
    /// # Errors
    /// [`SubjectError::File`].
    pub fn write(&self, journal: &Path) -> Result<(), SubjectError> {
        let path = subject_path(journal);
        let failed = |source| SubjectError::File {
            file: path.display().to_string(),
            source,
        };
        let mut text = serde_json::to_string_pretty(self).map_err(|e| failed(e.into()))?;
        text.push('\n');
        let mut file = OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(&path)
            .map_err(failed)?;
        file.write_all(text.as_bytes()).map_err(failed)?;
        file.sync_all().map_err(failed)
    }

    /// Reads the record beside a journal; `None` where it was removed.
    ///
    /// # Errors
    /// [`SubjectError`] where it cannot be read.
    pub fn read(journal: &Path) -> Result<Option<Self>, SubjectError> {
        let path = subject_path(journal);
        let file = path.display().to_string();
        let text = match fs::read_to_string(&path) {
            Ok(text) => text,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(source) => return Err(SubjectError::File { file, source }),
        };
        let unreadable = |reason: String| SubjectError::Unreadable {
            file: file.clone(),
            reason,
        };
        let record: Self =
            serde_json::from_str(&text).map_err(|error| unreadable(error.to_string()))?;
        if record.v > RECORD_VERSION {
            return Err(unreadable(format!(
                "format version {}; this program reads up to version {RECORD_VERSION}",
                record.v
            )));
        }
        Ok(Some(record))
    }

    /// The subject beside a journal, believed only where it matches the hash in the journal;
    /// `None` where none was given or the record was removed.
    ///
    /// # Errors
    /// [`SubjectError`] where the record cannot be read or is another's.
    pub fn subject_of(
        journal: &Path,
        committed: Option<&str>,
    ) -> Result<Option<String>, SubjectError> {
        let sealed = Self::read(journal)?.and_then(|record| record.subject);
        believed(journal, sealed, (committed, "subject"))
    }

    /// The name of whoever armed the run, believed as a subject is.
    ///
    /// # Errors
    /// [`SubjectError`] where the record cannot be read or is another's.
    pub fn armed_by_of(
        journal: &Path,
        committed: Option<&str>,
    ) -> Result<Option<String>, SubjectError> {
        // The name is committed to where the run is armed: of a run that never was, the journal
        // knows nobody.
        if committed.is_none() {
            return Ok(None);
        }
        let sealed = Self::read(journal)?.and_then(|record| record.armed_by);
        believed(journal, sealed, (committed, "name"))
    }
}

fn believed(
    journal: &Path,
    sealed: Option<Sealed>,
    (committed, what): (Option<&str>, &'static str),
) -> Result<Option<String>, SubjectError> {
    let Some(sealed) = sealed else {
        return Ok(None);
    };
    if committed.is_some_and(|committed| sealed.matches(committed)) {
        Ok(Some(sealed.value))
    } else {
        let file = subject_path(journal).display().to_string();
        Err(SubjectError::Mismatch { file, what })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SALT: [u8; 16] = [7; 16];

    #[test]
    fn a_subject_is_believed_only_where_it_was_committed_to() {
        let dir = tempfile::tempdir().expect("a directory");
        let journal = dir.path().join("r.jsonl");
        let mut record = SubjectRecord::new("r");
        record.subject = Some(Sealed::new(&SALT, "Panel 14"));
        record.write(&journal).expect("written");
        assert!(dir.path().join("r.subject.json").is_file());

        let committed = commitment(&SALT, "Panel 14");
        let read = SubjectRecord::subject_of(&journal, Some(&committed)).expect("matches");
        assert_eq!(read.as_deref(), Some("Panel 14"));

        let other = commitment(&SALT, "Panel 15");
        for committed in [Some(other.as_str()), None] {
            let error = SubjectRecord::subject_of(&journal, committed).expect_err("another's");
            assert!(matches!(error, SubjectError::Mismatch { .. }), "{error}");
        }

        fs::remove_file(subject_path(&journal)).expect("removable");
        let gone = SubjectRecord::subject_of(&journal, Some(&committed)).expect("forgotten");
        assert_eq!(gone, None);
    }

    #[test]
    fn the_salt_hides_a_short_name() {
        let plain = blake3::hash(b"Ann").to_hex().to_string();
        assert_ne!(commitment(&SALT, "Ann"), plain);
        assert_ne!(commitment(&SALT, "Ann"), commitment(&[8; 16], "Ann"));
    }

    #[test]
    fn a_salt_of_another_form_matches_nothing() {
        for salt in [
            "",
            "07",
            "zz070707070707070707070707070707",
            "é707070707070707070707070707070",
        ] {
            let sealed = Sealed {
                value: "Ann".to_owned(),
                salt: salt.to_owned(),
            };
            assert_eq!(sealed.commitment(), None, "{salt:?}");
        }
    }
}
