//! Reads keys out of the spanned tree and collects every complaint on the way.
use super::complaint::{Complaint, piece, place};
use super::key::{AnyKey, Fault, Key, Kind, Need, Node, Section};
use crate::cause::{Cause, bench_file as cause};
use std::ops::Range;
use toml::de::{DeTable, DeValue};

/// A key that may be left out.
#[derive(Debug)]
pub(super) enum Given<T> {
    /// It was left out.
    Absent,
    /// It is there but wrong; that has been complained of.
    Bad,
    /// Its value.
    Good(T),
}

impl<T> Given<T> {
    /// What stands there, if anything; none where it is wrong.
    #[expect(
        clippy::option_option,
        reason = "as everywhere in this reader, none means that it was complained of"
    )]
    pub(super) fn optional(self) -> Option<Option<T>> {
        match self {
            Self::Absent => Some(None),
            Self::Good(value) => Some(Some(value)),
            Self::Bad => None,
        }
    }
}

/// A file of keys while it is read.
pub(super) struct Reading<'t> {
    text: &'t str,
    /// The sections that this kind of file has; the keys above the first heading come first.
    pub(super) sections: &'static [&'static Section],
    pub(super) tree: &'t DeTable<'t>,
    pub(super) complaints: Vec<Complaint>,
}

impl<'t> Reading<'t> {
    /// Begins with nothing complained of.
    pub(super) fn new(sections: &'static [&'static Section], text: &'t str, tree: &'t DeTable<'t>) -> Self {
        Self { text, sections, tree, complaints: Vec::new() }
    }

    /// The section of this name and the place of its heading; the keys above the first heading have the name "".
    pub(super) fn section(&self, name: &str) -> Option<(Range<usize>, &'t DeTable<'t>)> {
        if name.is_empty() {
            return Some((0..0, self.tree));
        }
        let (key, value) = self.tree.get_key_value(name)?;
        value.get_ref().as_table().map(|table| (key.span(), table))
    }

    /// The end of the last line that holds anything.
    pub(super) fn end(&self) -> Range<usize> {
        let end = self.text.trim_end().len();
        end..end
    }

    fn node(&self, key: &dyn AnyKey) -> Option<&'t Node<'t>> {
        self.section(key.section())?.1.get(key.name())
    }

    /// Whether the key stands, right or wrong.
    pub(super) fn stands(&self, key: &dyn AnyKey) -> bool {
        self.node(key).is_some()
    }

    /// The key's value if it stands.
    pub(super) fn given<K: Kind>(&mut self, key: &Key<K>) -> Given<K::Value> {
        let Some(node) = self.node(key) else { return Given::Absent };
        match key.kind.read(node) {
            Ok(value) => Given::Good(value),
            Err(faults) => {
                for fault in faults {
                    self.fault(key, node, fault);
                }
                Given::Bad
            }
        }
    }

    /// The key's value, or its default; nothing when it is wrong or missing, which is complained of here or by
    /// the check of the structure.
    pub(super) fn value<K: Kind>(&mut self, key: &Key<K>) -> Option<K::Value> {
        match (self.given(key), key.need) {
            (Given::Good(value), _) => Some(value),
            (Given::Absent, Need::Default(toml)) => default(key, toml),
            _ => None,
        }
    }

    /// The key's value or default where it is right, without complaint.
    pub(super) fn quiet<K: Kind>(&self, key: &Key<K>) -> Option<K::Value> {
        match (self.node(key), key.need) {
            (Some(node), _) => key.kind.read(node).ok(),
            (None, Need::Default(toml)) => default(key, toml),
            (None, _) => None,
        }
    }

    /// The place to underline for a key: its value, else its section's heading.
    pub(super) fn span(&self, key: &dyn AnyKey) -> Range<usize> {
        match self.node(key) {
            Some(node) => node.span(),
            None => self.section(key.section()).map_or(0..0, |(span, _)| span),
        }
    }

    fn fault(&mut self, key: &dyn AnyKey, node: &Node<'_>, fault: Fault) {
        let span = fault.span.unwrap_or_else(|| node.span());
        self.complain(fault.cause, key.path(), span, key.expected(), fault.hint);
    }

    /// Complains of the place `span`.
    pub(super) fn complain(
        &mut self,
        cause: &'static Cause,
        key: impl Into<String>,
        span: Range<usize>,
        expected: impl Into<String>,
        hint: impl Into<String>,
    ) {
        let came = self.text.get(span.clone()).map(piece).unwrap_or_default();
        let (line, column) = place(self.text, span.start);
        let (key, expected, hint) = (key.into(), expected.into(), hint.into());
        self.complaints.push(Complaint {
            cause,
            key,
            line,
            column,
            span,
            expected,
            came,
            hint,
            also: Vec::new(),
        });
    }

    /// Complains that this key does not go together with the others, which are underlined too.
    pub(super) fn contradiction(
        &mut self,
        key: &dyn AnyKey,
        others: &[(&dyn AnyKey, &str)],
        expected: impl Into<String>,
        hint: impl Into<String>,
    ) {
        let also = others.iter().filter(|(other, _)| self.stands(*other));
        let also = also.map(|(other, why)| (self.span(*other), (*why).to_owned())).collect();
        self.complain(&cause::CONTRADICTION, key.path(), self.span(key), expected, hint);
        if let Some(complaint) = self.complaints.last_mut() {
            complaint.also = also;
        }
    }

    /// Complains that `key` is missing in a section that stands.
    pub(super) fn missing(&mut self, key: &dyn AnyKey, hint: impl Into<String>) {
        let Some((span, _)) = self.section(key.section()) else { return };
        let expected = format!("the key {}: {}", key.name(), key.expected());
        self.complain(&cause::MISSING_KEY, key.path(), span, expected, hint);
        if let Some(complaint) = self.complaints.last_mut() {
            complaint.came.clear();
        }
    }
}

/// A key's default; a test over all keys proves that each reads.
fn default<K: Kind>(key: &Key<K>, toml: &str) -> Option<K::Value> {
    DeValue::parse(toml).ok().and_then(|value| key.kind.read(&value).ok())
}
