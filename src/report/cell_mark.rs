//! How a cell shows by shape and word, the same in every format that a person reads.
//!
//! Place in the data's path: a judged line in, a mark out; text, HTML and the live table lay it
//! out. A mark needs no colour to be told from another.

use super::step_view::LineView;
use crate::domain::{Expected, Observed, Verdict};
use crate::event::{LineJudged, Rule};

/// A cell's shape. The order is the legend's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum CellMark {
    /// Live, as it should be.
    On,
    /// Dead, as it should be.
    Dead,
    /// Live where either is right.
    EitherOn,
    /// Dead where either is right.
    EitherDead,
    /// Live where it should be dead.
    WrongOn,
    /// Dead where it should be live.
    WrongDead,
    /// Still live after its relay was opened.
    Held,
    /// The supply collapsed when the line was called.
    Drop,
    /// Neither right nor wrong could be shown.
    Unclear,
    /// Nothing was judged.
    NotJudged,
}

impl CellMark {
    /// The mark of a reported line.
    #[must_use]
    pub fn of(line: &LineView) -> Self {
        Self::from_parts(line.expected, line.observed, line.verdict, line.rule)
    }

    /// The mark of a line that has just been judged.
    #[must_use]
    pub fn of_judged(judged: &LineJudged) -> Self {
        let rule = Some(judged.rule);
        Self::from_parts(judged.expected, judged.observed, judged.verdict, rule)
    }

    fn from_parts(
        expected: Expected,
        observed: Observed,
        verdict: Verdict,
        rule: Option<Rule>,
    ) -> Self {
        match (verdict, rule) {
            (Verdict::None, _) => Self::NotJudged,
            (Verdict::Inconc | Verdict::Error, _) => Self::Unclear,
            (Verdict::Fail, Some(Rule::Release)) => Self::Held,
            (Verdict::Fail, Some(Rule::Supply)) => Self::Drop,
            (Verdict::Fail, _) if observed == Observed::Off => Self::WrongDead,
            (Verdict::Fail, _) => Self::WrongOn,
            (Verdict::Pass, _) => match (expected, observed) {
                (Expected::Either, Observed::On) => Self::EitherOn,
                (Expected::Either, _) => Self::EitherDead,
                (Expected::On, _) => Self::On,
                (Expected::Off, _) => Self::Dead,
            },
        }
    }

    /// The mark in plain characters; at most six of them.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::On => "on",
            Self::Dead => ".",
            Self::EitherOn => "~on",
            Self::EitherDead => "~.",
            Self::WrongOn => "[ON]",
            Self::WrongDead => "[OFF]",
            Self::Held => "[HELD]",
            Self::Drop => "[DROP]",
            Self::Unclear => "?",
            Self::NotJudged => "",
        }
    }

    /// What the mark means.
    #[must_use]
    pub fn meaning(self) -> &'static str {
        match self {
            Self::On => "live, as it should be",
            Self::Dead => "dead, as it should be",
            Self::EitherOn => "live, and either is right",
            Self::EitherDead => "dead, and either is right",
            Self::WrongOn => "WRONG: live, should be dead",
            Self::WrongDead => "WRONG: dead, should be live",
            Self::Held => "WRONG: still live after its relay was opened",
            Self::Drop => "WRONG: the supply collapsed when this line was called",
            Self::Unclear => "not clear: neither right nor wrong could be shown",
            Self::NotJudged => "the run ended before it was judged",
        }
    }

    /// Whether it marks something wrong with what is under test.
    #[must_use]
    pub fn is_wrong(self) -> bool {
        matches!(
            self,
            Self::WrongOn | Self::WrongDead | Self::Held | Self::Drop
        )
    }
}
