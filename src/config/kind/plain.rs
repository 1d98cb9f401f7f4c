//! Texts, words, whole numbers, flags, scales.
use super::{text, whole};
use crate::cause::bench_file as cause;
use crate::config::key::{Fault, Kind, Node};
use crate::config::near::nearest;
use crate::dcc::scale;
use serde_json::{Value, json};

/// Any text that is not empty.
#[derive(Debug)]
pub(in crate::config) struct Text;

impl Kind for Text {
    type Value = String;
    fn expected(&self) -> String {
        "a text in quotes".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<String, Vec<Fault>> {
        let text = text(value, "put it in quotes")?.trim();
        if text.is_empty() {
            return Err(vec![Fault::new(&cause::WRONG_FORM, "write something between the quotes")]);
        }
        if text.contains(char::is_control) {
            let hint = "it holds a line end, a tab or the like, often because a backslash in double quotes begins a sign of \
                        its own: write / for it, or put the text in single quotes";
            return Err(vec![Fault::new(&cause::WRONG_FORM, hint)]);
        }
        Ok(text.to_owned())
    }
    fn schema(&self) -> Value {
        json!({ "type": "string", "minLength": 1 })
    }
}

/// The name of a file, seen from the folder of the bench file.
#[derive(Debug)]
pub(in crate::config) struct FileName;

impl Kind for FileName {
    type Value = String;
    fn expected(&self) -> String {
        "the name of a file, in quotes".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<String, Vec<Fault>> {
        text(value, "name the file here, in quotes; what it holds stands in the file itself")?;
        Text.read(value)
    }
    fn schema(&self) -> Value {
        Text.schema()
    }
}

/// Yes or no.
#[derive(Debug)]
pub(in crate::config) struct Flag;

impl Kind for Flag {
    type Value = bool;
    fn expected(&self) -> String {
        "true or false".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<bool, Vec<Fault>> {
        let hint = "write true or false, without quotes";
        value.get_ref().as_bool().ok_or_else(|| vec![Fault::new(&cause::WRONG_TYPE, hint)])
    }
    fn schema(&self) -> Value {
        json!({ "type": "boolean" })
    }
}

/// A whole number within limits.
#[derive(Debug)]
pub(in crate::config) struct Whole {
    /// The least.
    pub(in crate::config) least: u16,
    /// The most.
    pub(in crate::config) most: u16,
}

impl Kind for Whole {
    type Value = u16;
    fn expected(&self) -> String {
        format!("a whole number from {} to {}", self.least, self.most)
    }
    fn read(&self, value: &Node<'_>) -> Result<u16, Vec<Fault>> {
        let number = whole(value).map_err(|fault| vec![fault])?;
        u16::try_from(number).ok().filter(|n| (self.least..=self.most).contains(n)).ok_or_else(|| {
            let limit = if number < i64::from(self.least) { self.least } else { self.most };
            let side = if number < i64::from(self.least) { "smallest" } else { "largest" };
            vec![Fault::new(&cause::OUT_OF_RANGE, format!("the {side} that can stand here is {limit}"))]
        })
    }
    fn schema(&self) -> Value {
        json!({ "type": "integer", "minimum": self.least, "maximum": self.most })
    }
}

/// One of a few whole numbers.
#[derive(Debug)]
pub(in crate::config) struct OneOf(pub(in crate::config) &'static [u16]);

impl Kind for OneOf {
    type Value = u16;
    fn expected(&self) -> String {
        let numbers: Vec<String> = self.0.iter().map(u16::to_string).collect();
        numbers.join(" or ")
    }
    fn read(&self, value: &Node<'_>) -> Result<u16, Vec<Fault>> {
        let number = whole(value).map_err(|fault| vec![fault])?;
        self.0
            .iter()
            .copied()
            .find(|known| i64::from(*known) == number)
            .ok_or_else(|| vec![Fault::new(&cause::UNKNOWN_CHOICE, format!("choose {}", self.expected()))])
    }
    fn schema(&self) -> Value {
        json!({ "type": "integer", "enum": self.0 })
    }
}

/// The version of the format: the one number this program reads.
#[derive(Debug)]
pub(in crate::config) struct Version(pub(in crate::config) u16);

impl Kind for Version {
    type Value = u16;
    fn expected(&self) -> String {
        format!("{}, the version this program reads", self.0)
    }
    fn read(&self, value: &Node<'_>) -> Result<u16, Vec<Fault>> {
        let number = whole(value).map_err(|fault| vec![fault])?;
        let wrong = || vec![Fault::new(&cause::SCHEMA, "compare the file with `pacewright template`")];
        u16::try_from(number).ok().filter(|number| *number == self.0).ok_or_else(wrong)
    }
    fn schema(&self) -> Value {
        json!({ "type": "integer", "enum": [self.0] })
    }
}

/// One of a few words, each with what it stands for.
#[derive(Debug)]
pub(in crate::config) struct Choice<T: 'static>(pub(in crate::config) &'static [(&'static str, T)]);

impl<T: Copy + Sync> Kind for Choice<T> {
    type Value = T;
    fn expected(&self) -> String {
        let words: Vec<String> = self.0.iter().map(|(word, _)| format!("\"{word}\"")).collect();
        words.join(" or ")
    }
    fn read(&self, value: &Node<'_>) -> Result<T, Vec<Fault>> {
        let word = text(value, "write one of the words, in quotes")?;
        let known = self.0.iter().find(|(known, _)| *known == word.trim());
        known.map(|(_, meant)| *meant).ok_or_else(|| {
            let hint = match nearest(word, self.0.iter().map(|(known, _)| *known)) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("choose {}", self.expected()),
            };
            vec![Fault::new(&cause::UNKNOWN_CHOICE, hint)]
        })
    }
    fn schema(&self) -> Value {
        let words: Vec<&str> = self.0.iter().map(|(word, _)| *word).collect();
        json!({ "type": "string", "enum": words })
    }
}

/// A list of texts, none of them empty, at least one.
#[derive(Debug)]
pub(in crate::config) struct Texts;

impl Kind for Texts {
    type Value = Vec<String>;
    fn expected(&self) -> String {
        "a list of texts, at least one".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<Vec<String>, Vec<Fault>> {
        let list = value.get_ref().as_array().filter(|list| !list.is_empty()).ok_or_else(|| {
            let hint = "write each word in quotes, all of them in square brackets";
            vec![Fault::new(&cause::WRONG_TYPE, hint)]
        })?;
        let (mut texts, mut faults) = (Vec::new(), Vec::new());
        for item in list {
            match Text.read(item) {
                Ok(text) => texts.push(text),
                Err(found) => faults.extend(found.into_iter().map(|fault| fault.at(item.span()))),
            }
        }
        if faults.is_empty() { Ok(texts) } else { Err(faults) }
    }
    fn schema(&self) -> Value {
        json!({ "type": "array", "items": Text.schema(), "minItems": 1 })
    }
}

/// A list of words of a choice, at least one; a word may come again.
#[derive(Debug)]
pub(in crate::config) struct Words<T: 'static>(pub(in crate::config) Choice<T>);

impl<T: Copy + Sync> Kind for Words<T> {
    type Value = Vec<T>;
    fn expected(&self) -> String {
        format!("a list of {}", self.0.expected())
    }
    fn read(&self, value: &Node<'_>) -> Result<Vec<T>, Vec<Fault>> {
        let list = value.get_ref().as_array().filter(|list| !list.is_empty()).ok_or_else(|| {
            let hint = "write the words in quotes and in square brackets, at least one";
            vec![Fault::new(&cause::WRONG_TYPE, hint)]
        })?;
        let (mut words, mut faults) = (Vec::new(), Vec::new());
        for item in list {
            match self.0.read(item) {
                Ok(word) => words.push(word),
                Err(found) => faults.extend(found.into_iter().map(|fault| fault.at(item.span()))),
            }
        }
        if faults.is_empty() { Ok(words) } else { Err(faults) }
    }
    fn schema(&self) -> Value {
        json!({ "type": "array", "items": self.0.schema(), "minItems": 1 })
    }
}

/// A scale by name.
#[derive(Debug)]
pub(in crate::config) struct Scale;

impl Kind for Scale {
    type Value = (String, f64);
    fn expected(&self) -> String {
        "the name of a scale".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<(String, f64), Vec<Fault>> {
        let name = text(value, "put the name in quotes, as \"H0\"; a ratio goes into `ratio`")?;
        if let Some((name, ratio)) = scale::named(name) {
            return Ok((name.to_owned(), ratio));
        }
        let known = scale::names().collect::<Vec<_>>().join(", ");
        let hint = match nearest(name, scale::names()) {
            _ if name.contains(':') => {
                let ratio = name.find("1:").map_or(name, |at| &name[at..]).trim();
                format!("a ratio goes into `ratio`: write ratio = \"{ratio}\" instead")
            }
            Some(near) => format!("did you mean \"{near}\"? Known are {known}; any other goes by `ratio`"),
            None => format!("known are {known}; any other goes by `ratio`, as ratio = \"1:43.5\""),
        };
        Err(vec![Fault::new(&cause::UNKNOWN_CHOICE, hint)])
    }
    fn schema(&self) -> Value {
        json!({ "type": "string", "examples": scale::names().collect::<Vec<_>>() })
    }
}

/// A scale by ratio, written `"1:87"` or as its number.
#[derive(Debug)]
pub(in crate::config) struct Ratio;

/// The smallest and largest number of a ratio; NEM 010 goes from 5.5 to 220 (`standards/dcc.md` section 1.1).
const RATIOS: std::ops::RangeInclusive<f64> = 2.0..=1000.0;

impl Kind for Ratio {
    type Value = (String, f64);
    fn expected(&self) -> String {
        format!("a ratio, \"1:87\" or its number, from {} to {}", RATIOS.start(), RATIOS.end())
    }
    fn read(&self, value: &Node<'_>) -> Result<(String, f64), Vec<Fault>> {
        let fault = |cause, hint: &str| vec![Fault::new(cause, hint)];
        let hint = "write \"1:87\", or the bare number 87";
        let number = match value.get_ref() {
            toml::de::DeValue::String(text) => match text.trim().split_once(':') {
                Some((one, number)) if one.trim() == "1" => number.trim().parse().ok(),
                _ => None,
            },
            toml::de::DeValue::Integer(_) | toml::de::DeValue::Float(_) => bare_number(value),
            _ => return Err(fault(&cause::WRONG_TYPE, hint)),
        };
        match number {
            None => Err(fault(&cause::WRONG_FORM, hint)),
            Some(ratio) if RATIOS.contains(&ratio) => Ok((format!("1:{ratio}"), ratio)),
            Some(_) => Err(fault(&cause::OUT_OF_RANGE, "a ratio is how many times smaller the model is")),
        }
    }
    fn schema(&self) -> Value {
        json!({ "anyOf": [
            { "type": "number", "minimum": RATIOS.start(), "maximum": RATIOS.end() },
            { "type": "string", "pattern": "^1\\s*:\\s*[0-9]+(\\.[0-9]+)?$" },
        ] })
    }
}

fn bare_number(value: &Node<'_>) -> Option<f64> {
    match value.get_ref().as_float() {
        Some(float) => float.as_str().parse().ok(),
        // A whole number of up to a thousand is exact.
        None => whole(value).ok().map(|number| number as f64),
    }
}
