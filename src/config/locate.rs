//! From a key's path to its place in the text.
//!
//! Place in the data's path: domain rules name a key (`equipment.tied[0][1]`) and know no text;
//! this finds where the key stands, or the nearest table above it where the key is not there.

use super::source::Span;
use toml::de::{DeTable, DeValue};

/// The span of the value at a path, else of the nearest part of the path that exists. An empty
/// span at the start of the text where not even the first part does.
pub(super) fn locate(document: &DeTable<'_>, path: &str) -> Span {
    let mut parts = path
        .split(['.', '['])
        .map(|part| part.trim_end_matches(']'));
    let Some((mut span, mut value)) = parts
        .next()
        .and_then(|first| document.get(first))
        .map(|found| (found.span(), found.get_ref()))
    else {
        return 0..0;
    };
    for part in parts {
        let inner = match (value, part.parse::<usize>()) {
            (DeValue::Array(items), Ok(index)) => items.get(index),
            (DeValue::Table(table), _) => table.get(part),
            _ => None,
        };
        let Some(inner) = inner else { break };
        span = inner.span();
        value = inner.get_ref();
    }
    span
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "[equipment]\ntied = [[\"W2\", \"E\"]]\n[[accessory]]\non_in = [\"idle\"]\n";

    fn at(path: &str) -> &'static str {
        let document = DeTable::parse(TEXT).expect("the text is TOML");
        &TEXT[locate(document.get_ref(), path)]
    }

    #[test]
    fn a_path_leads_to_its_value_or_to_the_nearest_table_above() {
        assert_eq!(at("equipment.tied[0][1]"), "\"E\"");
        assert_eq!(at("accessory[0].on_in[0]"), "\"idle\"");
        assert_eq!(at("equipment.tied[7]"), "[[\"W2\", \"E\"]]");
        assert_eq!(at("equipment.kind"), "[equipment]");
        assert_eq!(at("accessory[0].terminal"), "[[accessory]]");
        assert_eq!(at("name"), "");
    }
}
