//! The JSON Schema of the bench file (draft 2020-12), made from the table of keys.
use super::key::{AnyKey, Need, Section};
use super::keys::SECTIONS;
use serde_json::{Map, Value, json};

/// The JSON Schema of the bench file, as text. It holds for the TOML file read as JSON.
#[must_use]
pub fn schema() -> String {
    format!("{:#}", document())
}

fn document() -> Value {
    let (top, sections) = (SECTIONS[0], &SECTIONS[1..]);
    let mut document = object(top);
    if let Some(Value::Object(properties)) = document.get_mut("properties") {
        properties.extend(sections.iter().map(|section| (section.name.to_owned(), object(section))));
    }
    if let Some(Value::Array(required)) = document.get_mut("required") {
        required
            .extend(sections.iter().filter(|section| section.required).map(|section| section.name.into()));
    }
    document["$schema"] = "https://json-schema.org/draft/2020-12/schema".into();
    document["title"] = "Pacewright bench file".into();
    document
}

/// A section as an object that has no other keys.
fn object(section: &Section) -> Value {
    let required = section.keys.iter().filter(|key| key.need() == Need::Required);
    let required: Vec<&str> = required.map(|key| key.name()).collect();
    let properties: Map<String, Value> =
        section.keys.iter().map(|key| (key.name().to_owned(), property(*key))).collect();
    let mut object = json!({
        "type": "object",
        "description": section.about,
        "additionalProperties": false,
        "required": required,
        "properties": properties,
    });
    if !section.either.is_empty() {
        let groups: Vec<Value> = section.either.iter().map(|group| json!({ "required": group })).collect();
        object["oneOf"] = groups.into();
    }
    object
}

fn property(key: &dyn AnyKey) -> Value {
    let mut property = key.schema();
    property["description"] = format!("{} Form: {}.", key.about(), key.expected()).into();
    if let Need::Default(toml) = key.need() {
        property["default"] = json_of(toml);
    }
    let examples = [json_of(key.example())];
    if property.get("examples").is_none() {
        property["examples"] = examples.to_vec().into();
    }
    property
}

/// A TOML value as JSON; null if it is none, which the test of the table of keys excludes.
fn json_of(toml: &str) -> Value {
    let value: Option<toml::Value> = toml.parse().ok();
    value.and_then(|value| serde_json::to_value(value).ok()).unwrap_or_default()
}
