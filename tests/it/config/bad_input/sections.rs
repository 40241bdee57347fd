//! A TOML text by its tables, so that one key of one of them can be set.

/// A table's header, with its comment where several are alike, and the lines below it.
struct Section<'t> {
    header: &'t str,
    body: Vec<&'t str>,
}

/// The tables of a text, its top first under an empty header.
pub(super) struct Sections<'t>(Vec<Section<'t>>);

/// The path that a header names: `[[line.sense]] # meter` is `line.sense`.
pub(super) fn path_of(header: &str) -> &str {
    let name = header.split(" #").next().expect("a first part");
    name.trim_matches(['[', ']'])
}

impl<'t> Sections<'t> {
    pub(super) fn of(text: &'t str) -> Self {
        let mut sections = vec![Section {
            header: "",
            body: Vec::new(),
        }];
        for line in text.lines() {
            if line.starts_with('[') {
                sections.push(Section {
                    header: line,
                    body: Vec::new(),
                });
            } else {
                sections.last_mut().expect("the top").body.push(line);
            }
        }
        Self(sections)
    }

    /// The table of this header; one that is not there is put at the end.
    fn at(&mut self, header: &'t str) -> usize {
        let found = self.0.iter().position(|section| section.header == header);
        found.unwrap_or_else(|| {
            self.0.push(Section {
                header,
                body: Vec::new(),
            });
            self.0.len() - 1
        })
    }

    /// The text with this line first in the table, in place of whatever the key was; and the line's
    /// number, from 1.
    pub(super) fn with(mut self, header: &'t str, key: &str, line: &'t str) -> (String, usize) {
        let at = self.at(header);
        let own = format!("{key} = ");
        self.0[at].body.retain(|known| !known.starts_with(&own));
        let below = match path_of(header) {
            "" => key.to_owned(),
            path => format!("{path}.{key}"),
        };
        let is_below = |section: &Section<'_>| {
            let rest = path_of(section.header).strip_prefix(&below);
            rest.is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
        };
        // The tables inside an item of an array are those up to the next item.
        let of_an_item = header.starts_with("[[");
        let next = self.0[at + 1..]
            .iter()
            .position(|section| of_an_item && path_of(section.header) == path_of(header));
        let end = next.map_or(self.0.len(), |found| at + 1 + found);
        let start = if of_an_item { at + 1 } else { 0 };
        let mut index = 0;
        self.0.retain(|section| {
            let inside = (start..end).contains(&index) && index != at;
            index += 1;
            !(inside && is_below(section))
        });
        self.beside(header, line)
    }

    /// The text with this line first in the table, and the line's number, from 1.
    pub(super) fn beside(mut self, header: &'t str, line: &'t str) -> (String, usize) {
        let at = self.at(header);
        self.0[at].body.insert(0, line);
        let mut text = Vec::new();
        let mut number = 0;
        for (index, section) in self.0.iter().enumerate() {
            if !section.header.is_empty() {
                text.push(section.header);
            }
            if index == at {
                number = text.len() + 1;
            }
            text.extend(&section.body);
        }
        (text.join("\n") + "\n", number)
    }
}
