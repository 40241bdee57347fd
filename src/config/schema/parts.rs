//! Parts that both files use: texts, names, calls, numbers.

use crate::config::table::Reals;
use crate::domain::Call;
use crate::units::json_schema::{text_like, words};
use serde_json::{Value, json};

/// A link's or a device's name, as [`DeviceName`](crate::units::DeviceName) takes it.
pub(super) const NAME: &str = "^[A-Za-z0-9_-]{1,32}$";

/// A terminal's name, as [`Terminal`](crate::units::Terminal) takes it.
pub(super) const TERMINAL: &str = "^[A-Za-z][A-Za-z0-9_/-]{0,11}$";

/// A terminal's name as a text.
pub(super) fn terminal() -> Value {
    text_like(TERMINAL)
}

/// A text with more in it than blanks, and without control characters.
pub(super) fn line_of_text() -> Value {
    let mut schema = text_like("\\S");
    schema["not"] = json!({ "pattern": "[\\u0000-\\u001f\\u007f-\\u009f]" });
    schema
}

/// A text that holds a mark exactly once.
pub(super) fn marked(mark: &str) -> Value {
    let escaped = mark.replace('{', "\\{").replace('}', "\\}");
    let mut schema = line_of_text();
    schema["allOf"] = json!([
        { "pattern": escaped },
        { "not": { "pattern": format!("{escaped}.*{escaped}") } },
    ]);
    schema
}

/// A number of this kind.
pub(super) fn real(reals: Reals) -> Value {
    match reals {
        Reals::Positive => json!({ "type": "number", "exclusiveMinimum": 0 }),
        Reals::NotNegative => json!({ "type": "number", "minimum": 0 }),
        Reals::Fraction => json!({ "type": "number", "exclusiveMinimum": 0, "maximum": 1 }),
        Reals::Any => json!({ "type": "number" }),
    }
}

/// A call in which an accessory may act.
pub(super) fn accessory_call() -> Value {
    let mut names: Vec<String> = Call::TABLE.iter().map(ToString::to_string).collect();
    names.push(Call::Defrost.to_string());
    words(names.iter().map(String::as_str))
}
