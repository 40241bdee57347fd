//! Verdicts: an ordered set in which a later finding never improves an earlier one.
//!
//! Source: ETSI ES 201 873-1 (TTCN-3 core language), clause 24.1: a verdict starts at `none`; the
//! overwriting rule none < pass < inconc < fail < error is from memory of the same clause.
//! Place in the data's path: cells give verdicts, steps join their cells', the run its steps'.

use super::output::{Expected, Observed};
use serde::{Deserialize, Serialize};
use std::fmt;

/// How something came out.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Nothing has been judged.
    #[default]
    None,
    /// Everything that was judged is as expected.
    Pass,
    /// Neither right nor wrong could be shown.
    Inconc,
    /// Something is wrong with what is under test.
    Fail,
    /// The bench itself failed.
    Error,
}

impl Verdict {
    /// The two together: the worse of them, so that nothing improves a verdict.
    #[must_use]
    pub fn join(self, other: Self) -> Self {
        self.max(other)
    }

    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Pass => "pass",
            Self::Inconc => "inconc",
            Self::Fail => "fail",
            Self::Error => "error",
        }
    }

    /// The word that people read.
    #[must_use]
    pub fn spoken(self) -> &'static str {
        match self {
            Self::None => "not judged",
            Self::Pass => "pass",
            Self::Inconc => "inconclusive",
            Self::Fail => "fail",
            Self::Error => "bench error",
        }
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// The verdict on one cell. What was expected on or off and not measured, or read between the
/// bands, is at best inconclusive; `either` is satisfied by anything.
#[must_use]
pub fn judge_cell(expected: Expected, observed: Observed) -> Verdict {
    match (expected, observed) {
        (Expected::Either, _) | (Expected::On, Observed::On) | (Expected::Off, Observed::Off) => {
            Verdict::Pass
        }
        (Expected::On, Observed::Off) | (Expected::Off, Observed::On) => Verdict::Fail,
        (Expected::On | Expected::Off, Observed::Indeterminate | Observed::NotMeasured) => {
            Verdict::Inconc
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_verdict_never_improves() {
        // ES 201 873-1 clause 24.1; the matrix is from memory.
        assert_eq!(Verdict::Fail.join(Verdict::Pass), Verdict::Fail);
        assert_eq!(Verdict::Pass.join(Verdict::Inconc), Verdict::Inconc);
        assert_eq!(Verdict::Inconc.join(Verdict::Fail), Verdict::Fail);
        assert_eq!(Verdict::None.join(Verdict::Pass), Verdict::Pass);
        assert_eq!(Verdict::Error.join(Verdict::Fail), Verdict::Error);
    }

    #[test]
    fn what_was_not_measured_is_never_a_pass() {
        assert_eq!(
            judge_cell(Expected::Off, Observed::NotMeasured),
            Verdict::Inconc
        );
        assert_eq!(
            judge_cell(Expected::On, Observed::Indeterminate),
            Verdict::Inconc
        );
        assert_eq!(judge_cell(Expected::On, Observed::Off), Verdict::Fail);
        assert_eq!(judge_cell(Expected::Either, Observed::On), Verdict::Pass);
    }
}
