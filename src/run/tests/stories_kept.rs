//! How the list that the person keeps stands in for what cannot be read, and where it is refused.
use super::hand::{DONE, Hand, refused};
use crate::config::ProgrammingPlace;
use crate::dcc::Address;
use crate::run::cv_job::{CvJob, CvOp};
use crate::run::input::Output;
use crate::run::kept;
use crate::run::record::RecordBody;
use crate::run::snapshot;
use crate::station::{Action, OrderEnd};
use std::collections::BTreeMap;

/// A decoder's CVs, as read or as kept: short address 7.
fn held() -> BTreeMap<u16, u8> {
    let mut cvs =
        BTreeMap::from([(1, 7), (2, 3), (3, 12), (4, 9), (5, 0), (6, 90), (7, 10), (8, 13), (29, 6)]);
    cvs.extend((66..=95).map(|cv| (cv, 128)));
    cvs
}

/// A run that has read this and keeps that.
fn hand(read: &BTreeMap<u16, u8>, kept: &BTreeMap<u16, u8>) -> Hand {
    let mut hand = Hand::new();
    hand.cx.cvs.known.clone_from(read);
    hand.cx.plan.kept = kept.iter().map(|(cv, value)| (*cv, *value)).collect();
    hand
}

/// The same on the main, without consent to losing anything.
fn on_the_main(kept: &BTreeMap<u16, u8>) -> Hand {
    let mut hand = hand(&BTreeMap::new(), kept);
    hand.cx.plan.spec.programming.place = ProgrammingPlace::Main;
    hand.cx.plan.spec.programming.no_way_back = false;
    hand
}

fn without(cvs: &[u16]) -> BTreeMap<u16, u8> {
    held().into_iter().filter(|(cv, _)| !cvs.contains(cv)).collect()
}

fn with(cv: u16, value: u8) -> BTreeMap<u16, u8> {
    let mut cvs = held();
    cvs.insert(cv, value);
    cvs
}

/// Code and evidence.
type Told = (String, String);

/// What judging says: its notes, and how it ends.
fn judged(hand: &mut Hand) -> (Vec<Told>, Result<(), Told>) {
    let end = snapshot::judge(&mut hand.cx).map_err(|failure| (failure.reason.code, failure.reason.evidence));
    let mut notes = Vec::new();
    while let Some(output) = hand.cx.outbox.poll_output() {
        if let Output::Record(record) = output
            && let RecordBody::Noted(reason) = record.body
        {
            notes.push((reason.code, reason.evidence));
        }
    }
    (notes, end)
}

#[test]
fn what_does_not_answer_is_taken_from_the_list() {
    let mut plain = hand(&without(&[3, 70, 71, 72]), &BTreeMap::new());
    let (_, end) = judged(&mut plain);
    assert_eq!(end, Err(("decoder-cv-unreadable".to_owned(), "CV 3, 70 to 72".to_owned())));

    let mut hand = hand(&without(&[3, 70, 71, 72]), &held());
    let (notes, end) = judged(&mut hand);
    assert_eq!(end, Ok(()));
    assert_eq!(notes, [("cv-list-stands-in".to_owned(), "CV 3, 70 to 72".to_owned())]);
    assert_eq!(hand.cx.cvs.originals.get(&3), Some(&12));
    assert!(!hand.cx.cvs.known.contains_key(&3), "nobody has seen it");
    assert!(hand.cx.identified);
}

#[test]
fn what_is_read_counts_and_a_difference_is_said() {
    let mut hand = hand(&held(), &with(3, 40));
    let (notes, end) = judged(&mut hand);
    assert_eq!(end, Ok(()));
    assert_eq!(notes, [("cv-list-differs".to_owned(), "CV 3 is 12, the list says 40".to_owned())]);
    assert_eq!(hand.cx.cvs.known.get(&3), Some(&12));
    assert!(hand.cx.cvs.originals.is_empty());
}

#[test]
fn a_list_of_another_decoder_or_engine_is_refused() {
    for (kept, evidence) in [
        (with(7, 11), "CV 7 is 11 in the list and 10 in the decoder"),
        (with(8, 14), "CV 8 is 14 in the list and 13 in the decoder"),
        (with(1, 4), "CV 1 is 4 in the list and must be 7"),
        (with(29, 0x26), "CV 29 is 38 in the list"),
    ] {
        let mut hand = hand(&held(), &kept);
        let (code, found) = judged(&mut hand).1.unwrap_err();
        assert_eq!(code, "cv-list-of-another");
        assert!(found.starts_with(evidence), "{found}");
        assert!(!hand.cx.identified, "nothing is written after that");
    }
    // Long 1203 is 192 + 4 and 179 (S-9.2.2 CV 17 and 18: 1203 = 4 * 256 + 179).
    for (low, fits) in [(179, true), (180, false)] {
        let mut kept = with(29, 0x26);
        kept.extend([(17, 196), (18, low)]);
        let mut hand = on_the_main(&kept);
        hand.cx.plan.spec.engine.address = Address::long(1203).unwrap();
        assert_eq!(judged(&mut hand).1.is_ok(), fits, "{low}");
    }
}

#[test]
fn on_the_main_the_list_must_hold_all_that_changes() {
    let mut hand = on_the_main(&held());
    let (notes, end) = judged(&mut hand);
    assert_eq!(end, Ok(()));
    assert_eq!(notes, [("cv-list-stands-in".to_owned(), "CV 2 to 6, 29, 66 to 95".to_owned())]);
    assert_eq!(hand.cx.cvs.settings().value(), 6, "CV 29 as the list has it");

    let mut lacking = on_the_main(&without(&[4, 80]));
    let (_, end) = judged(&mut lacking);
    assert_eq!(end, Err(("cv-list-incomplete".to_owned(), "missing: CV 4, 80".to_owned())));
    assert!(!lacking.cx.identified);

    let mut accepted = on_the_main(&without(&[4, 80]));
    accepted.cx.plan.spec.programming.no_way_back = true;
    assert_eq!(judged(&mut accepted).1, Ok(()));
    assert_eq!((accepted.cx.cvs.originals.get(&3), accepted.cx.cvs.originals.get(&4)), (Some(&12), None));
}

#[test]
fn momentum_beside_the_usual_is_taken_where_it_is_set() {
    let mut kept = held();
    kept.extend([(23, 5), (24, 0)]);
    let mut hand = on_the_main(&kept);
    assert_eq!(judged(&mut hand).1, Ok(()));
    assert_eq!((hand.cx.cvs.originals.get(&23), hand.cx.cvs.originals.get(&24)), (Some(&5), None));
}

#[test]
fn an_older_original_wins_over_the_list() {
    let mut hand = on_the_main(&held());
    hand.cx.cvs.originals.insert(3, 77);
    assert_eq!(judged(&mut hand).1, Ok(()));
    assert_eq!(hand.cx.cvs.originals.get(&3), Some(&77));
}

/// Polls a job on a decoder that takes every write and answers no question.
fn play(hand: &mut Hand, ops: impl IntoIterator<Item = CvOp>) -> Vec<Action> {
    let mut job = CvJob::new(&hand.cx, ops);
    let (mut ordered, mut end) = (Vec::new(), None);
    hand.pass(10.0, |hand| {
        if end.is_none() {
            end = job.poll(&mut hand.cx).transpose();
        }
        ordered.extend(hand.left());
        hand.answer_by(|action| match action {
            Action::ReadCv { .. } => OrderEnd::Done { value: None },
            Action::VerifyCv { .. } => refused("412"),
            _ => DONE,
        });
    });
    assert_eq!(end, Some(Ok(())));
    ordered
}

#[test]
fn a_cv_that_does_not_answer_is_written_on_its_acknowledgement_and_goes_back() {
    let mut hand = hand(&without(&[3]), &held());
    assert_eq!(judged(&mut hand).1, Ok(()));
    let ordered = play(&mut hand, [CvOp::Write(3, 0), CvOp::ReadBack(3)]);
    let about_3 = |action: &&Action| {
        matches!(action, Action::WriteCv { .. } | Action::ReadCv { .. } | Action::VerifyCv { .. })
    };
    assert_eq!(ordered.iter().filter(about_3).count(), 1, "{ordered:?}");
    assert_eq!(hand.cx.cvs.to_restore(), [(3, 12)]);
    assert_eq!(kept::unread(&hand.cx, &[(3, 12), (4, 9)]), [3]);
    play(&mut hand, [CvOp::Write(3, 12)]);
    assert_eq!(hand.cx.cvs.to_restore(), []);
    assert!(hand.cx.cvs.doubtful.contains(&3), "sent back, and nobody has read it");
}

#[test]
fn numbers_are_told_in_ranges() {
    assert_eq!(kept::ranges(&[]), "");
    assert_eq!(kept::ranges(&[7]), "7");
    assert_eq!(kept::ranges(&[2, 3, 5, 6, 7, 9]), "2, 3, 5 to 7, 9");
}
