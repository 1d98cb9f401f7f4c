//! What a key of the bench file is: its name, meaning, kind, need and default. Reader, template and schema all go
//! by this one description, so that none of them can know a key that the others do not.
use crate::cause::Cause;
use std::ops::Range;
use toml::Spanned;
use toml::de::DeValue;

/// A value with its place in the file.
pub(super) type Node<'t> = Spanned<DeValue<'t>>;

/// What is wrong with a value, in the view of its kind.
#[derive(Debug)]
pub(super) struct Fault {
    /// The cause.
    pub(super) cause: &'static Cause,
    /// What to write instead.
    pub(super) hint: String,
    /// The place, where it is not the whole value.
    pub(super) span: Option<Range<usize>>,
}

impl Fault {
    /// A fault of the whole value.
    pub(super) fn new(cause: &'static Cause, hint: impl Into<String>) -> Self {
        Self { cause, hint: hint.into(), span: None }
    }

    /// A fault of a part of the value.
    pub(super) fn at(mut self, span: Range<usize>) -> Self {
        self.span = Some(span);
        self
    }
}

/// A kind of value: how it is read, described and written in a schema.
pub(super) trait Kind: Sync {
    /// What reading gives.
    type Value;
    /// The form in words, with limits and units.
    fn expected(&self) -> String;
    /// Reads a value; all that is wrong with it at once.
    fn read(&self, value: &Node<'_>) -> Result<Self::Value, Vec<Fault>>;
    /// Its JSON Schema.
    fn schema(&self) -> serde_json::Value;
}

/// Whether a key must stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Need {
    /// It must.
    Required,
    /// It may be left out and then has this value, as TOML.
    Default(&'static str),
    /// It may be left out; this is what that means.
    Free(&'static str),
}

/// A known key.
#[derive(Debug)]
pub(super) struct Key<K> {
    /// Its section.
    pub(super) section: &'static str,
    /// Its name.
    pub(super) name: &'static str,
    /// The kind of its value.
    pub(super) kind: K,
    /// Whether it must stand.
    pub(super) need: Need,
    /// An example value, as TOML.
    pub(super) example: &'static str,
    /// Its meaning, whole sentences.
    pub(super) about: &'static str,
}

/// A key of any kind, for the table of all keys.
pub(super) trait AnyKey: Sync {
    /// Its section.
    fn section(&self) -> &'static str;
    /// Its name.
    fn name(&self) -> &'static str;
    /// Whether it must stand.
    fn need(&self) -> Need;
    /// An example value, as TOML.
    fn example(&self) -> &'static str;
    /// Its meaning.
    fn about(&self) -> &'static str;
    /// The form in words.
    fn expected(&self) -> String;
    /// Its JSON Schema.
    fn schema(&self) -> serde_json::Value;
    /// Whether this TOML value reads.
    #[cfg(test)]
    fn accepts(&self, toml: &str) -> bool;
    /// The key as a person names it: section and name.
    fn path(&self) -> String {
        if self.section().is_empty() {
            self.name().to_owned()
        } else {
            format!("{}.{}", self.section(), self.name())
        }
    }
}

impl<K: Kind> AnyKey for Key<K> {
    fn section(&self) -> &'static str {
        self.section
    }
    fn name(&self) -> &'static str {
        self.name
    }
    fn need(&self) -> Need {
        self.need
    }
    fn example(&self) -> &'static str {
        self.example
    }
    fn about(&self) -> &'static str {
        self.about
    }
    fn expected(&self) -> String {
        self.kind.expected()
    }
    fn schema(&self) -> serde_json::Value {
        self.kind.schema()
    }
    #[cfg(test)]
    fn accepts(&self, toml: &str) -> bool {
        DeValue::parse(toml).is_ok_and(|value| self.kind.read(&value).is_ok())
    }
}

/// A section of the bench file.
pub(super) struct Section {
    /// Its name; the keys above the first heading have none.
    pub(super) name: &'static str,
    /// Whether it must stand.
    pub(super) required: bool,
    /// What it describes, whole sentences.
    pub(super) about: &'static str,
    /// Cautions that belong at this place.
    pub(super) cautions: &'static [&'static str],
    /// Its keys, in the order of the template.
    pub(super) keys: &'static [&'static dyn AnyKey],
    /// Keys of which exactly one group must stand: each inner list is a group.
    pub(super) either: &'static [&'static [&'static str]],
}

impl Section {
    /// The key of this name.
    pub(super) fn key(&self, name: &str) -> Option<&'static dyn AnyKey> {
        self.keys.iter().copied().find(|key| key.name() == name)
    }

    /// Lines that make a section of this name complete: its heading and what must stand in it.
    pub(super) fn example(&self) -> String {
        let first_group = self.either.first().copied().unwrap_or_default();
        // A default that the example differs from would be refused beside the other examples.
        let must = |key: &&&dyn AnyKey| match key.need() {
            Need::Required => true,
            Need::Default(toml) => toml != key.example(),
            Need::Free(_) => first_group.contains(&key.name()),
        };
        let lines = self.keys.iter().filter(must).map(|key| format!("\n{} = {}", key.name(), key.example()));
        format!("[{}]{}", self.name, lines.collect::<String>())
    }
}
