//! JSON Schema (draft-07) in the few forms that this program's files need.
//!
//! Place in the data's path: `config` states the shape of the files that it reads and `report` the
//! shape of what it writes; both build it from these parts. Subschemas stand where they are used,
//! so that an editor needs no second file, and every object is closed. Nothing is validated here.

use serde::Serialize;
use serde_json::{Map, Value, json};
use std::ops::RangeInclusive;

/// A whole document.
#[must_use]
pub fn document(title: &str, schema: Value) -> Value {
    let mut schema = schema;
    schema["$schema"] = json!("http://json-schema.org/draft-07/schema#");
    schema["title"] = json!(title);
    schema
}

/// An object with these properties and no others.
#[must_use]
pub fn object<const N: usize>(properties: [(&str, Value); N], required: &[&str]) -> Value {
    let properties: Map<String, Value> = properties
        .into_iter()
        .map(|(key, schema)| (key.to_owned(), schema))
        .collect();
    json!({
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": false,
    })
}

/// An object whose keys are names of this pattern.
#[must_use]
pub fn named(pattern: &str, each: Value) -> Value {
    let mut patterns = Map::new();
    patterns.insert(pattern.to_owned(), each);
    json!({ "type": "object", "patternProperties": patterns, "additionalProperties": false })
}

/// The same schema with words for the person at the editor.
#[must_use]
pub fn about(words: &str, schema: Value) -> Value {
    let mut schema = schema;
    schema["description"] = json!(words);
    schema
}

/// The same schema with conditions beside it.
#[must_use]
pub fn with_all(schema: Value, conditions: Vec<Value>) -> Value {
    let mut schema = schema;
    schema["allOf"] = Value::Array(conditions);
    schema
}

/// One of these.
#[must_use]
pub fn any_of(choices: Vec<Value>) -> Value {
    json!({ "anyOf": choices })
}

/// The schema's value, or null.
#[must_use]
pub fn or_null(schema: Value) -> Value {
    any_of(vec![schema, json!({ "type": "null" })])
}

/// One of these words.
#[must_use]
pub fn words<'a>(all: impl IntoIterator<Item = &'a str>) -> Value {
    let all: Vec<&str> = all.into_iter().collect();
    json!({ "enum": all })
}

/// One of these values, as they are written.
///
/// # Panics
/// Where a value cannot be written as JSON.
#[must_use]
pub fn written<T: Serialize>(all: &[T]) -> Value {
    let all: Vec<Value> = all
        .iter()
        .map(|value| serde_json::to_value(value).expect("a word is written as a text"))
        .collect();
    json!({ "enum": all })
}

/// This very value.
#[must_use]
pub fn exactly(value: impl Into<Value>) -> Value {
    json!({ "const": value.into() })
}

/// A whole number within a range.
#[must_use]
pub fn whole(range: &RangeInclusive<u64>) -> Value {
    json!({ "type": "integer", "minimum": range.start(), "maximum": range.end() })
}

/// A whole number of 0 or above.
#[must_use]
pub fn count() -> Value {
    json!({ "type": "integer", "minimum": 0 })
}

/// A number, whole or not.
#[must_use]
pub fn number() -> Value {
    json!({ "type": "number" })
}

/// Any text.
#[must_use]
pub fn text() -> Value {
    json!({ "type": "string" })
}

/// A text of this pattern.
#[must_use]
pub fn text_like(pattern: &str) -> Value {
    json!({ "type": "string", "pattern": pattern })
}

/// True or false.
#[must_use]
pub fn boolean() -> Value {
    json!({ "type": "boolean" })
}

/// Any number of these.
#[must_use]
pub fn array(each: Value) -> Value {
    json!({ "type": "array", "items": each })
}

/// Where the first holds, the second must.
#[must_use]
pub fn where_then(condition: Value, then: Value) -> Value {
    json!({ "if": condition, "then": then })
}

/// All of these keys are there.
#[must_use]
pub fn has(keys: &[&str]) -> Value {
    json!({ "required": keys })
}

/// None of these keys is there.
#[must_use]
pub fn lacks(keys: &[&str]) -> Value {
    let each: Vec<Value> = keys.iter().map(|key| has(&[key])).collect();
    json!({ "not": { "anyOf": each } })
}

/// The key is there, and its value is of this schema.
#[must_use]
pub fn has_value(key: &str, schema: Value) -> Value {
    json!({ "properties": { key: schema }, "required": [key] })
}

/// The first key needs the second.
#[must_use]
pub fn needs(key: &str, other: &str) -> Value {
    where_then(has(&[key]), has(&[other]))
}
