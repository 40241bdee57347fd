//! A configuration file's text, its document, and the way from a span to a problem.
//!
//! Place in the data's path: the first thing that both readers do. A file that is not there, too
//! long, not UTF-8 or not TOML ends here; after a syntax error nothing else is reported, for
//! nothing else is certain.

use super::nearest::nearest;
use super::problem::{ConfigErrors, ConfigProblem, Excerpt};
use std::cell::RefCell;
use std::io::Read;
use std::ops::Range;
use std::path::Path;
use toml::de::DeTable;

/// Bytes of the text, from a start up to an end.
pub(super) type Span = Range<usize>;

/// The longest file that is read: far beyond 64 lines, yet soon said of a wrong file.
const LONGEST: u64 = 1 << 20;

/// One thing that is wrong, at a place in the text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Finding {
    /// Where.
    pub(super) span: Span,
    /// The key's path.
    pub(super) key: String,
    /// What is wrong and what was expected.
    pub(super) message: String,
    /// What to do.
    pub(super) help: Option<String>,
    /// A second place that belongs to it, with its label.
    pub(super) other: Option<(Span, &'static str)>,
}

impl Finding {
    /// A finding without help and without a second place.
    pub(super) fn new(span: Span, key: impl Into<String>, message: impl Into<String>) -> Self {
        Self {
            span,
            key: key.into(),
            message: message.into(),
            help: None,
            other: None,
        }
    }

    /// The same with a help line.
    #[must_use]
    pub(super) fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// The same with a help line where there is one.
    #[must_use]
    pub(super) fn help_where_known(mut self, help: Option<String>) -> Self {
        self.help = help;
        self
    }

    /// The same with a second place.
    #[must_use]
    pub(super) fn other(mut self, span: Span, label: &'static str) -> Self {
        self.other = Some((span, label));
        self
    }
}

/// What was found so far. Shared by all readers of one document, so that none stops another.
#[derive(Debug, Default)]
pub(super) struct Findings(RefCell<Vec<Finding>>);

impl Findings {
    /// Adds one.
    pub(super) fn add(&self, finding: Finding) {
        self.0.borrow_mut().push(finding);
    }

    /// Whether a finding about this very key, or about one inside it, is there already.
    pub(super) fn has(&self, key: &str) -> bool {
        self.0.borrow().iter().any(|finding| {
            let inner = finding.key.strip_prefix(key);
            inner.is_some_and(|rest| rest.is_empty() || rest.starts_with(['.', '[']))
        })
    }

    /// Whether a finding about this very key is there already.
    pub(super) fn has_exactly(&self, key: &str) -> bool {
        self.0.borrow().iter().any(|finding| finding.key == key)
    }

    /// Whether there is any.
    pub(super) fn any(&self) -> bool {
        !self.0.borrow().is_empty()
    }

    /// All of them.
    pub(super) fn into_vec(self) -> Vec<Finding> {
        self.0.into_inner()
    }
}

/// A named text.
#[derive(Debug, Clone)]
pub(super) struct Source<'t> {
    /// The file's name as given.
    pub(super) file: &'t str,
    /// Its text.
    pub(super) text: &'t str,
}

impl<'t> Source<'t> {
    /// The text as a document with spans.
    pub(super) fn document(&self) -> Result<DeTable<'t>, ConfigErrors> {
        DeTable::parse(self.text)
            .map(toml::Spanned::into_inner)
            .map_err(|error| self.errors(vec![self.syntax_finding(&error)]))
    }

    fn syntax_finding(&self, error: &toml::de::Error) -> Finding {
        let span = error.span().unwrap_or(0..0);
        let at = self.text.get(span.clone()).unwrap_or_default().trim();
        if error.message().starts_with("duplicate key") {
            return Finding::new(span, at, format!("`{at}` is given twice"))
                .help("keep one of the two; a table may be opened only once");
        }
        let message = format!("not valid TOML: {}", error.message().replace('\n', "; "));
        Finding::new(span, "", message).help("nothing else was checked; mend this first")
    }

    /// Findings as problems with line, column and source line, in the order of the text.
    pub(super) fn errors(&self, mut findings: Vec<Finding>) -> ConfigErrors {
        findings.sort_by(|a, b| (a.span.start, &a.key).cmp(&(b.span.start, &b.key)));
        findings.dedup();
        let problems = findings.into_iter().map(|finding| {
            let place = Excerpt::of(self.text, &finding.span);
            let other_place = finding
                .other
                .map(|(span, label)| (Excerpt::of(self.text, &span), label.to_owned()));
            ConfigProblem {
                file: self.file.to_owned(),
                line: Some(place.line),
                column: Some(place.column),
                key: Some(finding.key).filter(|key| !key.is_empty()),
                message: finding.message,
                help: finding.help,
                place: Some(place),
                other_place,
            }
        });
        ConfigErrors::new(problems.collect())
    }
}

/// A file's text, or the one problem that says why it cannot be had.
pub(super) fn read_text(path: &Path) -> Result<String, ConfigErrors> {
    let file = path.display().to_string();
    let refuse = |message: String, help: Option<String>| {
        ConfigErrors::new(vec![ConfigProblem::of_file(&file, message, help)])
    };
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|opened| opened.take(LONGEST + 1).read_to_end(&mut bytes))
        .map_err(|error| match error.kind() {
            std::io::ErrorKind::NotFound => refuse("there is no such file".into(), sibling(path)),
            std::io::ErrorKind::PermissionDenied => refuse(
                "the file exists but may not be read by this user".into(),
                None,
            ),
            std::io::ErrorKind::IsADirectory => {
                refuse("this is a directory; a file was expected".into(), None)
            }
            _ => refuse(format!("the file cannot be read: {error}"), None),
        })?;
    if bytes.len() as u64 > LONGEST {
        return Err(refuse(
            format!("the file is longer than {LONGEST} bytes"),
            None,
        ));
    }
    String::from_utf8(bytes).map_err(|error| {
        let good = error.utf8_error().valid_up_to();
        let before = String::from_utf8_lossy(&error.as_bytes()[..good]).into_owned();
        let byte = error.as_bytes()[good];
        let message = format!("the file is not UTF-8 text: byte 0x{byte:02x} is not part of it");
        let finding = Finding::new(good..good, "", message).help("save the file as UTF-8");
        let source = Source {
            file: &file,
            text: &before,
        };
        source.errors(vec![finding])
    })
}

/// The nearest name among the files of the same directory.
fn sibling(path: &Path) -> Option<String> {
    let given = path.file_name()?.to_str()?;
    let directory = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let Ok(entries) = std::fs::read_dir(directory) else {
        return Some(format!("there is no directory {}", directory.display()));
    };
    let mut names: Vec<String> = entries
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .collect();
    names.sort();
    nearest(given, names.iter().map(String::as_str))
        .map(|name| format!("did you mean `{}`?", path.with_file_name(name).display()))
}
