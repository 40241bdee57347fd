//! What is wrong with a file, where, and what to do about it.
//!
//! Place in the data's path: everything in `config` that refuses says so with a
//! [`ConfigProblem`]; the command line prints [`ConfigErrors`] to people or, as JSON, to
//! programs. A problem holds the source lines that it shows, so that it outlives the text.

use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use serde::Serialize;
use std::fmt;
use std::ops::Range;

/// One source line with the part of it that is meant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Excerpt {
    /// The line's number, from 1.
    pub(super) line: usize,
    /// The first marked character's number in its line, from 1.
    pub(super) column: usize,
    /// The line's text.
    pub(super) text: String,
    /// The bytes of it that are marked.
    pub(super) marked: Range<usize>,
}

impl Excerpt {
    /// The line on which a span of the text begins; the mark ends with that line.
    pub(super) fn of(text: &str, span: &Range<usize>) -> Self {
        let mut start = span.start.min(text.len());
        while !text.is_char_boundary(start) {
            start -= 1;
        }
        let line_start = text[..start].rfind('\n').map_or(0, |at| at + 1);
        let line_end = text[start..].find('\n').map_or(text.len(), |at| start + at);
        let line = text[line_start..line_end].trim_end_matches('\r');
        let first = (start - line_start).min(line.len());
        let mut last = span.end.saturating_sub(line_start).clamp(first, line.len());
        while !line.is_char_boundary(last) {
            last += 1;
        }
        Self {
            line: text[..line_start].matches('\n').count() + 1,
            column: line[..first].chars().count() + 1,
            text: line.to_owned(),
            marked: first..last,
        }
    }
}

/// One problem of one file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ConfigProblem {
    /// The file, as it was named.
    pub file: String,
    /// The line, from 1; `None` where the file could not be read at all.
    pub line: Option<usize>,
    /// The character in its line, from 1.
    pub column: Option<usize>,
    /// The key's path, such as `line[2].drive.coil`; `None` where no key is meant.
    pub key: Option<String>,
    /// What is wrong, and what was expected.
    pub message: String,
    /// What to do, such as the nearest valid name.
    pub help: Option<String>,
    #[serde(skip)]
    pub(super) place: Option<Excerpt>,
    #[serde(skip)]
    pub(super) other_place: Option<(Excerpt, String)>,
}

impl ConfigProblem {
    /// A problem with the file as a whole.
    pub(super) fn of_file(file: &str, message: String, help: Option<String>) -> Self {
        Self {
            file: file.to_owned(),
            line: None,
            column: None,
            key: None,
            message,
            help,
            place: None,
            other_place: None,
        }
    }

    fn render(&self, renderer: &Renderer) -> String {
        let mut group = match &self.place {
            None => Group::with_title(
                Level::ERROR.primary_title(format!("{}: {}", self.file, self.message)),
            ),
            Some(place) => Group::with_title(Level::ERROR.primary_title(&self.message))
                .element(self.snippet(place, AnnotationKind::Primary, None)),
        };
        if let Some((place, label)) = &self.other_place {
            group = group.element(self.snippet(place, AnnotationKind::Context, Some(label)));
        }
        if let Some(help) = &self.help {
            group = group.element(Level::HELP.message(help));
        }
        renderer.render(&[group])
    }

    fn snippet<'a>(
        &'a self,
        place: &'a Excerpt,
        kind: AnnotationKind,
        label: Option<&'a str>,
    ) -> Snippet<'a, annotate_snippets::Annotation<'a>> {
        let mark = kind.span(place.marked.clone()).label(label);
        Snippet::source(place.text.as_str())
            .line_start(place.line)
            .path(self.file.as_str())
            .annotation(mark)
    }
}

/// Everything that is wrong, in the order of the files and of their lines; never empty.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(transparent)]
pub struct ConfigErrors(Vec<ConfigProblem>);

impl ConfigErrors {
    /// Takes one problem or more.
    ///
    /// # Panics
    /// Where there is none: nothing wrong is no error.
    pub(super) fn new(problems: Vec<ConfigProblem>) -> Self {
        assert!(!problems.is_empty(), "an error has at least one problem");
        Self(problems)
    }

    /// The problems, in order.
    #[must_use]
    pub fn problems(&self) -> &[ConfigProblem] {
        &self.0
    }

    /// Both files' problems as one.
    #[must_use]
    pub fn and(mut self, other: Self) -> Self {
        self.0.extend(other.0);
        self
    }

    /// Each problem with its source line underlined and its help; in colour where asked for.
    #[must_use]
    pub fn render(&self, colour: bool) -> String {
        let renderer = if colour {
            Renderer::styled()
        } else {
            Renderer::plain()
        };
        let shown: Vec<String> = self.0.iter().map(|p| p.render(&renderer)).collect();
        shown.join("\n\n")
    }

    /// The problems as a JSON array of `file`, `line`, `column`, `key`, `message`, `help`.
    #[must_use]
    pub fn to_json(&self) -> serde_json::Value {
        serde_json::to_value(&self.0).expect("texts and numbers always serialise")
    }
}

impl fmt::Display for ConfigErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render(false))
    }
}

impl std::error::Error for ConfigErrors {}

#[cfg(test)]
mod tests {
    use super::*;

    fn excerpt(text: &str, span: Range<usize>) -> (usize, usize, String, Range<usize>) {
        let found = Excerpt::of(text, &span);
        (found.line, found.column, found.text, found.marked)
    }

    #[test]
    fn a_span_is_found_by_line_and_character() {
        let text = "a = 1\r\nμ = \"ü\" # x\nend";
        assert_eq!(excerpt(text, 0..1), (1, 1, "a = 1".into(), 0..1));
        // `μ` and `ü` take two bytes each: the columns count characters.
        assert_eq!(excerpt(text, 12..16), (2, 5, "μ = \"ü\" # x".into(), 5..9));
        assert_eq!(excerpt(text, 22..22), (3, 2, "end".into(), 1..1));
    }

    #[test]
    fn spans_outside_the_text_or_inside_a_character_are_moved_to_its_edge() {
        assert_eq!(excerpt("ü", 1..1), (1, 1, "ü".into(), 0..2));
        assert_eq!(excerpt("ab\n", 90..99), (2, 1, String::new(), 0..0));
        assert_eq!(excerpt("ab\ncd", 1..5), (1, 2, "ab".into(), 1..2));
    }
}
