//! What a run left undone in the decoder, told from its records alone. Pure.
//!
//! A CV's original is the value an earlier run handed on, else the value before its first change. The CV is open
//! from the intention to change it until it is seen to hold its original again; an intention alone opens it, for
//! nobody knows whether the order got through. `OriginalsBack` closes all. A commit turns undoing into finishing.
//! The result's own word comes last and wins.
use crate::calibrate::TableFit;
use crate::dcc::cv;
use crate::run::{DecoderState, Record, RecordBody, RunOutcome};
use std::collections::BTreeMap;

/// What a run left undone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Pending {
    /// Nothing.
    None,
    /// These CVs (number, original) must go back, in this order: the one changed first goes last.
    Restore(Vec<(u16, u8)>),
    /// This table was committed and must be finished. Beside it the originals of all CVs still changed, as in
    /// `Restore`, for those that do not belong to the table.
    RollForward(TableFit, Vec<(u16, u8)>),
}

impl Pending {
    /// The originals of all CVs still changed.
    #[must_use]
    pub fn originals(&self) -> &[(u16, u8)] {
        match self {
            Self::None => &[],
            Self::Restore(originals) | Self::RollForward(_, originals) => originals,
        }
    }
}

/// The books kept while going through the records.
#[derive(Debug, Default)]
struct Books {
    /// Last value known to be in the decoder.
    holds: BTreeMap<u16, u8>,
    /// Originals of CVs changed at any time; none: not on record.
    originals: BTreeMap<u16, Option<u8>>,
    /// CVs that may not hold their original, in the order of their first change.
    open: Vec<u16>,
    /// Originals handed on by an earlier run, in the order given.
    inherited: Vec<u16>,
    commit: Option<TableFit>,
    /// The result's own word.
    word: Option<Vec<(u16, u8)>>,
}

impl Books {
    fn of(inherited: &[(u16, u8)], records: &[Record]) -> Self {
        let mut books = Self::default();
        for (cv, value) in inherited.iter().filter(|(cv, _)| !WHO.contains(cv)) {
            books.originals.insert(*cv, Some(*value));
            books.inherited.push(*cv);
        }
        for record in records {
            books.enter(&record.body);
        }
        books
    }

    fn enter(&mut self, body: &RecordBody) {
        match body {
            RecordBody::CvRead { cv, value: Some(value), .. } => {
                self.holds.insert(*cv, *value);
            }
            RecordBody::CvIntention { cv, from, .. } => self.intend(*cv, *from),
            RecordBody::CvWritten { cv, value, confirmed } => self.written(*cv, *value, *confirmed),
            RecordBody::Commit(fit) => self.commit = Some(*fit),
            RecordBody::OriginalsBack => {
                self.open.clear();
                self.inherited.clear();
                self.commit = None;
            }
            RecordBody::Outcome(outcome) => self.word = word_of(outcome),
            _ => {}
        }
    }

    fn intend(&mut self, cv: u16, from: Option<u8>) {
        let before = from.or_else(|| self.holds.get(&cv).copied());
        let original = self.originals.entry(cv).or_insert(before);
        *original = original.or(before.filter(|_| !self.open.contains(&cv)));
        self.holds.remove(&cv);
        self.word = None;
        if !self.open.contains(&cv) && !self.inherited.contains(&cv) {
            self.open.push(cv);
        }
    }

    fn written(&mut self, cv: u16, value: u8, confirmed: bool) {
        if confirmed {
            self.holds.insert(cv, value);
        }
        // A write without its intention comes of a damaged journal only; it counts all the same.
        self.originals.entry(cv).or_insert(None);
        if confirmed && self.originals.get(&cv) == Some(&Some(value)) {
            self.open.retain(|other| *other != cv);
            self.inherited.retain(|other| *other != cv);
        } else if !self.open.contains(&cv) && !self.inherited.contains(&cv) {
            self.open.push(cv);
        }
    }

    fn original(&self, cv: u16) -> Option<(u16, u8)> {
        Some((cv, self.originals.get(&cv).copied().flatten()?))
    }

    fn pending(&self) -> Pending {
        if let Some(word) = &self.word {
            return if word.is_empty() { Pending::None } else { Pending::Restore(word.clone()) };
        }
        let order = self.open.iter().rev().chain(&self.inherited);
        let originals: Vec<_> = order.filter_map(|cv| self.original(*cv)).collect();
        match self.commit {
            Some(fit) => Pending::RollForward(fit, originals),
            None if originals.is_empty() => Pending::None,
            None => Pending::Restore(originals),
        }
    }
}

/// What the result says is still to be put back. None: it cannot say.
fn word_of(outcome: &RunOutcome) -> Option<Vec<(u16, u8)>> {
    let settled = matches!(outcome.decoder_state, DecoderState::Original | DecoderState::New);
    (settled || !outcome.restore_pending.is_empty()).then(|| outcome.restore_pending.clone())
}

/// CVs that tell one decoder from another; never written, so never pending.
const WHO: [u16; 2] = [cv::VERSION, cv::MAKER];

/// CV 7 and CV 8 of the decoder whose originals a run left pending: as handed on with them, else as the run read them.
/// What a run read beside inherited originals may be another decoder.
#[must_use]
pub fn identity(inherited: &[(u16, u8)], records: &[Record]) -> Vec<(u16, u8)> {
    let handed_on: Vec<_> = inherited.iter().filter(|(cv, _)| WHO.contains(cv)).copied().collect();
    if !handed_on.is_empty() {
        return handed_on;
    }
    let mut read = BTreeMap::new();
    for record in records {
        if let RecordBody::CvRead { cv, value: Some(value), .. } = record.body
            && WHO.contains(&cv)
        {
            read.entry(cv).or_insert(value);
        }
    }
    read.into_iter().collect()
}

/// What a run left undone: `inherited` is what its header handed on from an earlier run.
#[must_use]
pub fn pending_originals(inherited: &[(u16, u8)], records: &[Record]) -> Pending {
    Books::of(inherited, records).pending()
}

/// CVs still changed whose original is not on record: nobody can put them back.
#[must_use]
pub fn unknown_originals(inherited: &[(u16, u8)], records: &[Record]) -> Vec<u16> {
    let books = Books::of(inherited, records);
    if books.word.as_ref().is_some_and(Vec::is_empty) {
        return Vec::new();
    }
    books.open.iter().copied().filter(|cv| books.original(*cv).is_none()).collect()
}

/// The run had to do with the decoder's CVs, so what it says replaces what older runs said.
#[must_use]
pub fn touches_cvs(inherited: &[(u16, u8)], records: &[Record]) -> bool {
    !inherited.is_empty()
        || records.iter().any(|record| match &record.body {
            RecordBody::CvIntention { .. }
            | RecordBody::CvWritten { .. }
            | RecordBody::Commit(_)
            | RecordBody::OriginalsBack => true,
            RecordBody::Outcome(outcome) => !outcome.restore_pending.is_empty(),
            _ => false,
        })
}
