//! The answers file's schema.

use crate::units::json_schema::{any_of, array, document, object, text_like};
use serde_json::json;

/// Between the words of an answer.
const APART: &str = "[\\s,;]*";

/// The schema of an answers file. Which questions a run asks is the plan's to say: a name is any
/// question's.
#[must_use]
pub fn answers_schema() -> serde_json::Value {
    let done = text_like(&format!("^{APART}(done|yes|y|cannot|no|n){APART}$"));
    let some_word = text_like("[^\\s,;]");
    let each = |answer: serde_json::Value| any_of(vec![answer.clone(), array(answer)]);
    let answers = json!({
        "type": "object",
        "description": "By the question's name: one answer for every time, or answers in turn",
        "patternProperties": {
            "^(make|end|probe):": each(done),
            "^observe:": each(some_word),
        },
        "additionalProperties": false,
    });
    document(
        "coilcall answers",
        object([("answers", answers)], &["answers"]),
    )
}
