//! Reads one table of a document, key by key, and goes on after a mistake.
//!
//! Place in the data's path: between the TOML document and the file readers. Each getter gives
//! the value with its place, or adds a finding and gives nothing; [`TableReader::finish`] then
//! names the keys that nobody asked for. It knows types, ranges and words, and no rule between
//! two keys.

use super::nearest::{help_for, listed};
use super::source::{Finding, Findings, Span};
use crate::units::Terminal;
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::ops::RangeInclusive;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A value with its place and the path of its key.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Located<T> {
    /// The value.
    pub(super) value: T,
    /// Where it stands.
    pub(super) span: Span,
    /// Its key's path.
    pub(super) key: String,
}

impl<T> Located<T> {
    /// The same place with another value.
    pub(super) fn map<U>(self, change: impl FnOnce(T) -> U) -> Located<U> {
        Located {
            value: change(self.value),
            span: self.span,
            key: self.key,
        }
    }

    /// A finding about this value.
    pub(super) fn finding(&self, message: impl Into<String>) -> Finding {
        Finding::new(self.span.clone(), self.key.clone(), message)
    }
}

/// Which real numbers a key takes.
#[derive(Debug, Clone, Copy)]
pub(super) enum Reals {
    /// Above 0, finite.
    Positive,
    /// 0 or above, finite.
    NotNegative,
    /// Above 0, at most 1.
    Fraction,
    /// Any, finite.
    Any,
}

impl Reals {
    fn take(self, value: f64) -> bool {
        value.is_finite()
            && match self {
                Self::Positive => value > 0.0,
                Self::NotNegative => value >= 0.0,
                Self::Fraction => value > 0.0 && value <= 1.0,
                Self::Any => true,
            }
    }

    fn words(self) -> &'static str {
        match self {
            Self::Positive => "a number above 0",
            Self::NotNegative => "a number of 0 or above",
            Self::Fraction => "a number above 0 and at most 1",
            Self::Any => "a number",
        }
    }
}

/// A value of the document with its key's path.
type Entry<'d> = Located<&'d DeValue<'d>>;

/// One table, its place, and the keys asked for so far.
pub(super) struct TableReader<'d> {
    table: &'d DeTable<'d>,
    span: Span,
    path: String,
    findings: &'d Findings,
    asked: RefCell<BTreeSet<&'static str>>,
}

impl<'d> TableReader<'d> {
    /// The whole document.
    pub(super) fn root(document: &'d DeTable<'d>, findings: &'d Findings) -> Self {
        Self::new(document, 0..0, String::new(), findings)
    }

    fn new(table: &'d DeTable<'d>, span: Span, path: String, findings: &'d Findings) -> Self {
        Self {
            table,
            span,
            path,
            findings,
            asked: RefCell::default(),
        }
    }

    /// The path of a key of this table.
    pub(super) fn path_of(&self, key: &str) -> String {
        if self.path.is_empty() {
            key.to_owned()
        } else {
            format!("{}.{key}", self.path)
        }
    }

    /// The table as a place without a value.
    pub(super) fn place(&self) -> Located<()> {
        Located {
            value: (),
            span: self.span.clone(),
            key: self.path.clone(),
        }
    }

    /// Where findings go.
    pub(super) fn findings(&self) -> &'d Findings {
        self.findings
    }

    /// Whether the table has the key, whatever its value.
    pub(super) fn has(&self, key: &'static str) -> bool {
        self.asked.borrow_mut().insert(key);
        self.table.contains_key(key)
    }

    /// Leaves keys as they are: they may be here, but nothing can be said of them.
    pub(super) fn leave(&self, keys: &[&'static str]) {
        self.asked.borrow_mut().extend(keys);
    }

    /// Whether the table has the key; where not, that is a problem. `what` says what is missing.
    pub(super) fn require(&self, key: &'static str, what: &str) -> bool {
        let there = self.has(key);
        if !there {
            let message = format!("missing `{key}`: {what}");
            let finding = Finding::new(self.span.clone(), self.path_of(key), message);
            self.findings.add(finding);
        }
        there
    }

    /// The one key of several that the table has; none and more than one are problems.
    pub(super) fn one_of(&self, keys: &[&'static str], what: &str) -> Option<&'static str> {
        let given: Vec<&'static str> = keys.iter().copied().filter(|key| self.has(key)).collect();
        match given.as_slice() {
            [one] => Some(one),
            [] => {
                let message = format!("missing {what}: one of {}", listed(keys.iter().copied()));
                self.findings.add(self.place().finding(message));
                None
            }
            [first, second, ..] => {
                let message = format!("`{first}` and `{second}` exclude each other: {what}");
                let finding = Finding::new(self.key_span(second), self.path_of(second), message)
                    .other(self.key_span(first), "the other one");
                self.findings.add(finding);
                None
            }
        }
    }

    /// Where a key's name stands, else the table.
    pub(super) fn key_span(&self, key: &str) -> Span {
        self.table
            .get_key_value(key)
            .map_or_else(|| self.span.clone(), |(name, _)| name.span())
    }

    fn entry(&self, key: &'static str) -> Option<Entry<'d>> {
        self.asked.borrow_mut().insert(key);
        self.table
            .get(key)
            .map(|found| entry(found, self.path_of(key)))
    }

    fn refuse(&self, found: &Entry<'_>, expected: &str) {
        let message = format!("expected {expected}, found {}", described(found.value));
        self.findings.add(found.finding(message));
    }

    /// A text that is not empty and holds no control character.
    pub(super) fn string(&self, key: &'static str) -> Option<Located<String>> {
        self.text(self.entry(key)?, "a text")
    }

    fn text(&self, found: Entry<'d>, expected: &str) -> Option<Located<String>> {
        let Some(text) = found.value.as_str() else {
            self.refuse(&found, &format!("{expected} in quotes"));
            return None;
        };
        if text.trim().is_empty() {
            let message = format!("expected {expected}, found an empty one");
            self.findings.add(found.finding(message));
            return None;
        }
        if text.chars().any(char::is_control) {
            let message = "control characters, line ends among them, are not allowed here";
            self.findings.add(found.finding(message));
            return None;
        }
        let text = text.to_owned();
        Some(found.map(|_| text))
    }

    /// `true` or `false`.
    pub(super) fn boolean(&self, key: &'static str) -> Option<Located<bool>> {
        let found = self.entry(key)?;
        let value = found.value.as_bool();
        if value.is_none() {
            self.refuse(&found, "true or false");
        }
        value.map(|value| found.map(|_| value))
    }

    /// A whole number within a range.
    pub(super) fn integer(
        &self,
        key: &'static str,
        range: RangeInclusive<u64>,
    ) -> Option<Located<u64>> {
        let found = self.entry(key)?;
        let expected = format!("a whole number from {} to {}", range.start(), range.end());
        let Some(number) = found.value.as_integer() else {
            self.refuse(&found, &expected);
            return None;
        };
        let value = u64::from_str_radix(number.as_str().trim_start_matches('+'), number.radix());
        match value {
            Ok(value) if range.contains(&value) => Some(found.map(|_| value)),
            _ => {
                self.refuse(&found, &expected);
                None
            }
        }
    }

    /// A whole number within a range whose upper end fits the smaller type.
    pub(super) fn small<T: TryFrom<u64>>(
        &self,
        key: &'static str,
        range: RangeInclusive<u64>,
    ) -> Option<Located<T>> {
        let found = self.integer(key, range)?;
        let value = T::try_from(found.value);
        let value = value.unwrap_or_else(|_| panic!("the range of `{key}` fits its type"));
        Some(found.map(|_| value))
    }

    /// A number, whole or not.
    pub(super) fn number(&self, key: &'static str, reals: Reals) -> Option<Located<f64>> {
        let found = self.entry(key)?;
        let value = match found.value {
            DeValue::Float(float) => float.as_str().parse().ok(),
            DeValue::Integer(number) if number.radix() == 10 => number.as_str().parse().ok(),
            _ => None,
        };
        match value {
            Some(value) if reals.take(value) => Some(found.map(|_| value)),
            _ => {
                self.refuse(&found, reals.words());
                None
            }
        }
    }

    /// One of a type's words.
    pub(super) fn word<W: Copy>(
        &self,
        key: &'static str,
        all: &[W],
        word: impl Fn(W) -> &'static str,
    ) -> Option<Located<W>> {
        let found = self.entry(key)?;
        let words: Vec<&str> = all.iter().map(|value| word(*value)).collect();
        let Some(text) = found.value.as_str() else {
            self.refuse(&found, &format!("one of {}", listed(words)));
            return None;
        };
        if let Some(value) = all.iter().find(|value| word(**value) == text) {
            return Some(found.map(|_| *value));
        }
        let message = format!("`{text}` is not one of {}", listed(words.iter().copied()));
        let help = help_for(text, &words).filter(|help| help.starts_with("did"));
        self.findings
            .add(found.finding(message).help_where_known(help));
        None
    }

    /// A terminal's name, aliases as `resolve` has them.
    pub(super) fn terminal(
        &self,
        key: &'static str,
        resolve: &Resolve<'_>,
    ) -> Option<Located<Terminal>> {
        self.terminal_of(self.entry(key)?, resolve)
    }

    fn terminal_of(&self, found: Entry<'d>, resolve: &Resolve<'_>) -> Option<Located<Terminal>> {
        let text = self.text(found, "a terminal's name")?;
        match resolve(&text.value) {
            Ok(terminal) => Some(text.map(|_| terminal)),
            Err(message) => {
                self.findings.add(text.finding(message));
                None
            }
        }
    }

    /// An array of terminals' names.
    pub(super) fn terminals(
        &self,
        key: &'static str,
        resolve: &Resolve<'_>,
    ) -> Option<Located<Vec<Terminal>>> {
        self.terminals_of(self.entry(key)?, resolve)
    }

    fn terminals_of(
        &self,
        found: Entry<'d>,
        resolve: &Resolve<'_>,
    ) -> Option<Located<Vec<Terminal>>> {
        let items = self.items(&found, "an array of terminals' names")?;
        let terminals = all_of(
            items
                .into_iter()
                .map(|item| self.terminal_of(item, resolve).map(|t| t.value)),
        )?;
        Some(found.map(|_| terminals))
    }

    /// An array of arrays of terminals' names.
    pub(super) fn terminal_groups(
        &self,
        key: &'static str,
        resolve: &Resolve<'_>,
    ) -> Option<Located<Vec<Vec<Terminal>>>> {
        let found = self.entry(key)?;
        let items = self.items(&found, "an array of arrays of terminals' names")?;
        let groups = all_of(
            items
                .into_iter()
                .map(|item| self.terminals_of(item, resolve).map(|t| t.value)),
        )?;
        Some(found.map(|_| groups))
    }

    /// An array of texts.
    pub(super) fn strings(&self, key: &'static str) -> Option<Vec<Located<String>>> {
        let found = self.entry(key)?;
        let items = self.items(&found, "an array of texts")?;
        all_of(items.into_iter().map(|item| self.text(item, "a text")))
    }

    fn items(&self, found: &Entry<'d>, expected: &str) -> Option<Vec<Entry<'d>>> {
        let Some(array) = found.value.as_array() else {
            self.refuse(found, expected);
            return None;
        };
        let inner = array.iter().enumerate();
        Some(
            inner
                .map(|(index, item)| entry(item, format!("{}[{index}]", found.key)))
                .collect(),
        )
    }

    fn reader(&self, found: Entry<'d>) -> Option<TableReader<'d>> {
        let Some(table) = found.value.as_table() else {
            self.refuse(&found, "a table");
            return None;
        };
        Some(Self::new(table, found.span, found.key, self.findings))
    }

    /// A table.
    pub(super) fn table(&self, key: &'static str) -> Option<TableReader<'d>> {
        self.reader(self.entry(key)?)
    }

    /// An array of tables; empty where the key is not there.
    pub(super) fn tables(&self, key: &'static str) -> Vec<TableReader<'d>> {
        let Some(found) = self.entry(key) else {
            return Vec::new();
        };
        if found.value.as_array().is_some_and(|array| array.is_empty()) {
            let message = "expected at least one table, found an empty array";
            self.findings.add(found.finding(message));
        }
        let items = self.items(&found, &format!("tables headed [[{}]]", self.path_of(key)));
        let items = items.unwrap_or_default().into_iter();
        items.filter_map(|item| self.reader(item)).collect()
    }

    /// One table or an array of them; empty where the key is not there.
    pub(super) fn one_or_more(&self, key: &'static str) -> Vec<TableReader<'d>> {
        match self.entry(key) {
            Some(found) if found.value.is_table() => self.reader(found).into_iter().collect(),
            Some(found) if found.value.is_array() => self.tables(key),
            Some(found) => {
                self.refuse(&found, "a table or an array of tables");
                Vec::new()
            }
            None => Vec::new(),
        }
    }

    /// The tables inside a table, `[key.NAME]`, with their names and where these stand.
    pub(super) fn named_tables(
        &self,
        key: &'static str,
    ) -> Vec<(Located<String>, TableReader<'d>)> {
        let Some(outer) = self.table(key) else {
            return Vec::new();
        };
        let mut inner = Vec::new();
        for (name, value) in outer.table {
            let path = outer.path_of(name.get_ref());
            let located = Located {
                value: name.get_ref().to_string(),
                span: name.span(),
                key: path.clone(),
            };
            if let Some(reader) = outer.reader(entry(value, path)) {
                inner.push((located, reader));
            }
        }
        inner
    }

    /// The names in a table, `[key.NAME]`, whatever stands under them; none where the key is not
    /// there, and nothing where it is no table.
    pub(super) fn names(&self, key: &'static str) -> Option<Vec<String>> {
        match self.entry(key) {
            None => Some(Vec::new()),
            Some(found) => {
                let table = found.value.as_table()?;
                Some(
                    table
                        .keys()
                        .map(|name| name.get_ref().to_string())
                        .collect(),
                )
            }
        }
    }

    /// Names every key that was not asked for.
    pub(super) fn finish(self) {
        let asked = self.asked.into_inner();
        let known: Vec<&str> = asked.into_iter().collect();
        for (name, _) in self.table {
            let key = name.get_ref();
            if known.contains(&key.as_ref()) {
                continue;
            }
            let path = if self.path.is_empty() {
                key.to_string()
            } else {
                format!("{}.{key}", self.path)
            };
            let finding = Finding::new(name.span(), path, format!("unknown key `{key}`"))
                .help_where_known(help_for(key, &known));
            self.findings.add(finding);
        }
    }
}

/// From a name to its terminal, or to what is wrong with it.
pub(super) type Resolve<'a> = dyn Fn(&str) -> Result<Terminal, String> + 'a;

fn entry<'d>(found: &'d Spanned<DeValue<'d>>, key: String) -> Entry<'d> {
    Located {
        value: found.get_ref(),
        span: found.span(),
        key,
    }
}

/// Every item, or nothing where one is missing; all are looked at either way, so that each says
/// what is wrong with it.
fn all_of<T>(items: impl Iterator<Item = Option<T>>) -> Option<Vec<T>> {
    let looked_at: Vec<Option<T>> = items.collect();
    looked_at.into_iter().collect()
}

fn described(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("the text {text:?}"),
        DeValue::Integer(number) => number.to_string(),
        DeValue::Float(number) => number.to_string(),
        DeValue::Boolean(value) => value.to_string(),
        DeValue::Datetime(moment) => format!("the date or time {moment}"),
        DeValue::Array(_) => "an array".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}
