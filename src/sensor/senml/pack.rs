//! A `SenML` pack resolved: base fields applied to the records after them (RFC 8428 section 4.6). Times stay as they are,
//! since nobody here knows what time it is.
use crate::cause::sensor as cause;
use crate::sensor::told::{Fault, shown};
use serde_json::{Map, Value as Json};

/// The version of the format that RFC 8428 describes, and the default (section 4.1).
const VERSION: u64 = 10;
/// Fields of a record (section 5, table 1), but for `bver`.
const TEXTS: [&str; 5] = ["bn", "bu", "n", "u", "vs"];
const NUMBERS: [&str; 7] = ["bt", "bv", "bs", "v", "s", "t", "ut"];
/// Of these a record has one at most (section 4.2).
const VALUES: [&str; 4] = ["v", "vs", "vb", "vd"];

/// A record's value.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Value {
    /// None, as where there is only a sum.
    None,
    /// A number, with its base value.
    Number(f64),
    /// A text.
    Text(String),
    /// True or false.
    Flag(bool),
    /// Data in base64.
    Data(String),
}

/// A resolved record.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Record {
    /// Base name and name.
    pub(super) name: String,
    /// Its unit, or the base unit.
    pub(super) unit: Option<String>,
    /// Its value.
    pub(super) value: Value,
    /// Base sum and sum.
    pub(super) sum: Option<f64>,
    /// Base time and time, in s.
    pub(super) time_s: f64,
}

/// Base fields so far.
#[derive(Debug, Default)]
struct Base {
    /// Of the records before, if there are any.
    version: Option<u64>,
    name: String,
    time_s: f64,
    unit: Option<String>,
    value: Option<f64>,
    sum: Option<f64>,
}

/// The records of a pack that say something; a record of nothing but base fields says nothing itself.
pub(super) fn resolve(text: &str) -> Result<Vec<Record>, Fault> {
    // Nesting is bounded by the parser, length by the caller.
    let json: Json = serde_json::from_str(text).map_err(|error| {
        let came = shown(text.as_bytes());
        let what = if error.is_eof() { "the line ends too early" } else { "no JSON" };
        (&cause::SENML_JSON, format!("{what} at character {} of {came}", error.column()))
    })?;
    let Json::Array(items) = &json else {
        return Err(no_pack(&format!("came {}", shown(text.as_bytes()))));
    };
    if items.is_empty() {
        return Err(no_pack("came an empty array"));
    }
    let mut base = Base::default();
    let mut records = Vec::new();
    for (index, item) in items.iter().enumerate() {
        let Json::Object(fields) = item else {
            return Err(no_pack(&format!("record {} is {}", index + 1, shown(item.to_string().as_bytes()))));
        };
        let record = fit(fields)
            .and_then(|()| base.apply(fields))
            .map_err(|(cause, evidence)| (cause, format!("record {}: {evidence}", index + 1)))?;
        records.extend(record);
    }
    Ok(records)
}

fn no_pack(came: &str) -> Fault {
    (&cause::SENML_PACK, format!("{came}, expected an array of records"))
}

fn unfit(evidence: String) -> Fault {
    (&cause::SENML_RECORD, evidence)
}

/// Whether the fields are those of a record that we understand.
fn fit(fields: &Map<String, Json>) -> Result<(), Fault> {
    for (field, value) in fields {
        let (right, expected) = match field.as_str() {
            field if TEXTS.contains(&field) || field == "vd" => (value.is_string(), "a text in quotes"),
            field if NUMBERS.contains(&field) => (value.is_number(), "a number without quotes"),
            "vb" => (value.is_boolean(), "true or false"),
            "bver" => (value.as_u64().is_some_and(|version| version > 0), "a whole number"),
            field if field.ends_with('_') => {
                let evidence = format!("has the field {}", shown(field.as_bytes()));
                return Err((&cause::SENML_FIELD, evidence));
            }
            _ => (true, ""),
        };
        if !right {
            let came = value.to_string();
            return Err(unfit(format!("{field} is {}, expected {expected}", shown(came.as_bytes()))));
        }
    }
    let values: Vec<&str> = VALUES.into_iter().filter(|field| fields.contains_key(*field)).collect();
    if values.len() > 1 {
        return Err(unfit(format!("has {}, expected one value", values.join(" and "))));
    }
    Ok(())
}

impl Base {
    /// All records of a pack have one version (section 4.4); that of the first is the default if it states none.
    fn version(&mut self, own: Option<u64>) -> Result<(), Fault> {
        let before = *self.version.get_or_insert(own.unwrap_or(VERSION));
        let version = own.unwrap_or(before);
        if version > VERSION {
            return Err((&cause::SENML_VERSION, format!("bver is {version}, expected {VERSION} at most")));
        }
        if version != before {
            return Err(unfit(format!("bver is {version}, expected {before} as before")));
        }
        Ok(())
    }

    /// Takes the base fields of a record over and resolves it. The types of the fields are right.
    fn apply(&mut self, fields: &Map<String, Json>) -> Result<Option<Record>, Fault> {
        let text = |field: &str| fields.get(field).and_then(Json::as_str).map(str::to_owned);
        let number = |field: &str| fields.get(field).and_then(Json::as_f64);
        self.version(fields.get("bver").and_then(Json::as_u64))?;
        self.name = text("bn").unwrap_or(std::mem::take(&mut self.name));
        self.time_s = number("bt").unwrap_or(self.time_s);
        self.unit = text("bu").or(self.unit.take());
        self.value = number("bv").or(self.value);
        self.sum = number("bs").or(self.sum);
        if !fields.keys().any(|field| field == "n" || field == "u" || field == "t" || field == "s")
            && !VALUES.iter().any(|field| fields.contains_key(*field))
        {
            return Ok(None);
        }
        let name = format!("{}{}", self.name, text("n").unwrap_or_default());
        if !is_name(&name) {
            let expected = "letters, digits and - : . / _ only, a letter or digit first";
            return Err(unfit(format!("the name is {}, expected {expected}", shown(name.as_bytes()))));
        }
        let sum = added(self.sum, number("s"));
        let value = if let Some(text) = text("vs") {
            Value::Text(text)
        } else if let Some(data) = text("vd") {
            Value::Data(data)
        } else if let Some(flag) = fields.get("vb").and_then(Json::as_bool) {
            Value::Flag(flag)
        } else {
            added(self.value, number("v")).map_or(Value::None, Value::Number)
        };
        let time_s = self.time_s + number("t").unwrap_or(0.0);
        Ok(Some(Record { name, unit: text("u").or_else(|| self.unit.clone()), value, sum, time_s }))
    }
}

/// A base and what is added to it; what is missing counts as zero, unless both are (section 4.5.4).
fn added(base: Option<f64>, own: Option<f64>) -> Option<f64> {
    (base.is_some() || own.is_some()).then(|| base.unwrap_or(0.0) + own.unwrap_or(0.0))
}

/// The characters of a name (section 4.5.1).
fn is_name(name: &str) -> bool {
    name.starts_with(|c: char| c.is_ascii_alphanumeric())
        && name.chars().all(|c| c.is_ascii_alphanumeric() || "-:./_".contains(c))
}

#[cfg(test)]
#[path = "pack_tests.rs"]
mod tests;
