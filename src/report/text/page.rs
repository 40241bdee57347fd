//! Lines on a page of fixed width: wrapping, headings, boxes.
//!
//! Place in the data's path: every part of the text report writes through here, so that no line
//! is longer than the page and nothing from a file or a wire (a name, a device's own words) can
//! move the cursor or ring the bell.

use std::io::{self, Write};

/// Columns of a page.
pub(super) const WIDTH: usize = 80;

/// A page under way.
pub(super) struct Page<'w> {
    out: &'w mut dyn Write,
}

/// The text with control characters shown as `?`.
fn plain(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { '?' } else { c })
        .collect()
}

/// The text in lines of at most `width` characters, broken at spaces; a longer word is cut.
fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    let mut used = 0;
    for word in plain(text).split_whitespace() {
        let mut rest: Vec<char> = word.chars().collect();
        loop {
            let gap = usize::from(used > 0);
            if used + gap + rest.len() <= width {
                if gap == 1 {
                    line.push(' ');
                }
                line.extend(&rest);
                used += gap + rest.len();
                break;
            }
            if used > 0 {
                lines.push(std::mem::take(&mut line));
                used = 0;
                continue;
            }
            lines.push(rest.drain(..width).collect());
        }
    }
    if used > 0 || lines.is_empty() {
        lines.push(line);
    }
    lines
}

impl<'w> Page<'w> {
    /// A page on a writer.
    pub(super) fn new(out: &'w mut dyn Write) -> Self {
        Self { out }
    }

    /// One line as it is, without spaces at its end.
    pub(super) fn line(&mut self, text: &str) -> io::Result<()> {
        writeln!(self.out, "{}", plain(text).trim_end())
    }

    /// An empty line.
    pub(super) fn gap(&mut self) -> io::Result<()> {
        writeln!(self.out)
    }

    /// A part's heading.
    pub(super) fn heading(&mut self, text: &str) -> io::Result<()> {
        self.gap()?;
        self.line(text)?;
        self.line(&"-".repeat(text.chars().count().min(WIDTH)))
    }

    /// Text after a lead-in, wrapped, its further lines under its first.
    pub(super) fn hanging(&mut self, lead_in: &str, text: &str) -> io::Result<()> {
        let indent = lead_in.chars().count();
        let mut lead = lead_in.to_owned();
        for part in wrap(text, WIDTH.saturating_sub(indent).max(20)) {
            self.line(&format!("{lead}{part}"))?;
            lead = " ".repeat(indent);
        }
        Ok(())
    }

    /// Paragraphs in a box of one character, to be seen from afar; a title stands in its middle.
    pub(super) fn boxed(
        &mut self,
        mark: char,
        title: &str,
        paragraphs: &[String],
    ) -> io::Result<()> {
        let edge = mark.to_string().repeat(WIDTH);
        let side = mark.to_string().repeat(3);
        let inside = WIDTH - 2 * side.len() - 2;
        self.line(&edge)?;
        self.line(&format!("{side} {title:^inside$} {side}"))?;
        for paragraph in paragraphs {
            for part in wrap(paragraph, inside) {
                self.line(&format!("{side} {part:<inside$} {side}"))?;
            }
        }
        self.line(&edge)
    }
}

#[cfg(test)]
mod tests {
    use super::wrap;

    #[test]
    fn lines_break_at_spaces_and_long_words_are_cut() {
        assert_eq!(wrap("aa bb cc", 5), ["aa bb", "cc"]);
        assert_eq!(wrap("a bbbbbbbb c", 3), ["a", "bbb", "bbb", "bb", "c"]);
        assert_eq!(wrap("", 5), [""]);
    }

    #[test]
    fn control_characters_do_not_reach_the_page() {
        assert_eq!(wrap("a\u{1b}[2Jb\u{7}", 20), ["a?[2Jb?"]);
    }
}
