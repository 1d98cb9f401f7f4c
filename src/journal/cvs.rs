//! What a run's record says of the decoder's CVs: what they held before the run, and what they hold after it. Pure.
use super::header::Header;
use crate::dcc::cv;
use crate::run::{Record, RecordBody};
use std::collections::BTreeMap;

/// Which content of the CVs is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CvsOf {
    /// Before the run, or before the earlier run that left originals for this one.
    Before,
    /// At the end of the record.
    After,
}

/// What the record says.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct CvContents {
    /// Number and value, numbers rising.
    pub values: Vec<(u16, u8)>,
    /// CVs that the run had to do with and whose content the record does not say, rising.
    pub uncertain: Vec<u16>,
}

/// Goes through the records of a run.
#[must_use]
pub fn cv_contents(header: &Header, records: &[Record], of: CvsOf) -> CvContents {
    let found = match of {
        CvsOf::Before => before(header, records),
        CvsOf::After => after(records),
    };
    let mut contents = CvContents::default();
    for (cv, value) in found {
        match value {
            Some(value) => contents.values.push((cv, value)),
            None => contents.uncertain.push(cv),
        }
    }
    contents
}

/// The first word on a CV is about its original: handed on, read before a change, or said with the first intention.
fn before(header: &Header, records: &[Record]) -> BTreeMap<u16, Option<u8>> {
    let mut found: BTreeMap<u16, Option<u8>> = BTreeMap::new();
    found.extend(header.pending.iter().map(|(cv, value)| (*cv, Some(*value))));
    for record in records {
        match record.body {
            RecordBody::CvRead { cv, value: Some(value), .. } => {
                found.entry(cv).or_insert(Some(value));
            }
            RecordBody::CvIntention { cv, from, .. } => {
                found.entry(cv).or_insert(from);
            }
            _ => {}
        }
    }
    for (cv, value) in &header.kept {
        found.entry(*cv).or_insert(Some(*value));
    }
    found
}

/// The last word on a CV counts; an intention alone leaves it open.
fn after(records: &[Record]) -> BTreeMap<u16, Option<u8>> {
    let mut found = BTreeMap::new();
    for record in records {
        match record.body {
            RecordBody::CvRead { cv, value: Some(value), .. } | RecordBody::CvWritten { cv, value, .. } => {
                found.insert(cv, Some(value));
            }
            RecordBody::CvIntention { cv, .. } if cv::writable(cv).is_ok() => {
                found.insert(cv, None);
            }
            _ => {}
        }
    }
    found
}
