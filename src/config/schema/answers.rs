//! The answers file's schema.

use crate::domain::{Check, Warmth};
use crate::units::json_schema::{any_of, array, document, object, text_like};
use serde_json::{Value, json};

/// Between the words of an answer.
const APART: &str = "[\\s,;]*";

/// The schema of an answers file. Which questions a run asks is the plan's to say: a name is any
/// question's.
#[must_use]
pub fn answers_schema() -> Value {
    let one_of = |words: &str| text_like(&format!("^{APART}({words}){APART}$"));
    let some_word = || text_like("[^\\s,;]");
    let each = |answer: Value| any_of(vec![answer.clone(), array(answer)]);
    let alternatives = |words: &[&str]| words.join("|");
    let checks: Vec<&str> = Check::ALL.iter().map(|check| check.word()).collect();
    let confirm = format!("^confirm:({})$", alternatives(&checks));
    let warmths: Vec<&str> = Warmth::ALL.iter().map(|warmth| warmth.word()).collect();
    let mut patterns = serde_json::Map::new();
    let mut add = |name: &str, answer: Value| patterns.insert(name.to_owned(), each(answer));
    add("^(make|end|probe):", one_of("done|yes|y|cannot|no|n"));
    add("^(observe|machines):", some_word());
    add("^air:", one_of("yes|y|no|n"));
    add(&confirm, one_of("yes|y|no|n"));
    add("^warmth:", one_of(&alternatives(&warmths)));
    add("^(volts|amps|ohms):", some_word());
    let answers = json!({
        "type": "object",
        "description": "By the question's name: one answer for every time, or answers in turn. \
                        With loads = \"real\" or \"disconnected\" only a person at the keyboard \
                        answers confirm, air, machines, warmth, volts, amps, ohms and observe, \
                        unless the run is simulated",
        "patternProperties": patterns,
        "additionalProperties": false,
    });
    document(
        "coilcall answers",
        object([("answers", answers)], &["answers"]),
    )
}
