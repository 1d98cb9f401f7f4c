//! What a record says of the decoder's CVs before and after the run.
use super::*;
use crate::journal::{CvContents, CvsOf, cv_contents};

fn told(header: &Header, bodies: Vec<RecordBody>, of: CvsOf) -> CvContents {
    cv_contents(header, &numbered(bodies), of)
}

/// Read, changed, changed again, intended, written unread, left unanswered.
fn bodies() -> Vec<RecordBody> {
    vec![
        read_cv(8, Some(13)),
        read_cv(2, Some(9)),
        read_cv(5, None),
        read_cv(3, Some(12)),
        intend(2, Some(9), 0),
        wrote(2, 0),
        intend(2, Some(0), 1),
        wrote(2, 1),
        intend(3, Some(12), 0),
        intend(6, None, 128),
        RecordBody::CvWritten { cv: 6, value: 128, confirmed: false },
        read_cv(2, Some(1)),
    ]
}

#[test]
fn the_first_word_is_the_original_and_the_last_the_present() {
    let before = told(&header(), bodies(), CvsOf::Before);
    assert_eq!(before.values, [(2, 9), (3, 12), (8, 13)]);
    assert_eq!(before.uncertain, [6], "changed, and nobody knew its value");
    let after = told(&header(), bodies(), CvsOf::After);
    assert_eq!(after.values, [(2, 1), (6, 128), (8, 13)]);
    assert_eq!(after.uncertain, [3], "nobody knows whether the order got through");
}

#[test]
fn what_an_earlier_run_left_is_older_and_a_list_fills_what_was_not_read() {
    let header = Header { pending: vec![(2, 77)], kept: vec![(2, 5), (4, 6), (8, 99)], ..header() };
    let before = told(&header, bodies(), CvsOf::Before);
    assert_eq!(before.values, [(2, 77), (3, 12), (4, 6), (8, 13)]);
    assert_eq!(told(&header, vec![], CvsOf::After), CvContents::default());
}

#[test]
fn a_header_without_a_list_is_written_as_before_and_one_with_it_is_read_again() {
    let plain = serde_json::to_string(&header()).unwrap();
    assert!(!plain.contains("kept"), "older journals say nothing of it");
    assert_eq!(serde_json::from_str::<Header>(&plain).unwrap(), header());
    let kept = Header { kept: vec![(3, 12)], ..header() };
    assert_eq!(serde_json::from_str::<Header>(&serde_json::to_string(&kept).unwrap()).unwrap(), kept);
}
