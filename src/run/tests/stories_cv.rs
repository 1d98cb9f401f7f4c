//! How CVs are read and changed.
use super::hand::{DONE, Hand, refused, unknown};
use crate::run::cv_job::{CvJob, CvOp};
use crate::run::cx::Failure;
use crate::station::{Action, CvPlace, OrderEnd};
use std::collections::BTreeMap;

/// A decoder on the programming output.
struct Decoder {
    cvs: BTreeMap<u16, u8>,
    /// Writes to it change nothing.
    stubborn: Option<u16>,
    /// So many writes are carried out without anybody hearing of it.
    unheard: u32,
}

impl Decoder {
    fn new(cvs: impl IntoIterator<Item = (u16, u8)>) -> Self {
        Self { cvs: cvs.into_iter().collect(), stubborn: None, unheard: 0 }
    }

    fn carry_out(&mut self, action: &Action) -> OrderEnd {
        match *action {
            Action::ReadCv { cv, .. } => OrderEnd::Done { value: self.cvs.get(&cv).copied() },
            Action::WriteCv { cv, value, .. } => {
                if self.stubborn != Some(cv) {
                    self.cvs.insert(cv, value);
                }
                if self.unheard > 0 {
                    self.unheard -= 1;
                    return unknown();
                }
                DONE
            }
            Action::VerifyCv { cv, value, .. } if self.cvs.get(&cv) == Some(&value) => DONE,
            Action::VerifyCv { .. } => refused("416"),
            _ => DONE,
        }
    }
}

/// Polls a job until it ends; what was ordered, and how it ended.
fn play(
    hand: &mut Hand,
    decoder: &mut Decoder,
    job: &mut CvJob,
) -> (Vec<Action>, Option<Result<(), Failure>>) {
    let (mut ordered, mut end) = (Vec::new(), None);
    hand.pass(15.0, |hand| {
        if end.is_none() {
            end = job.poll(&mut hand.cx).transpose();
        }
        ordered.extend(hand.left());
        hand.answer_by(|action| decoder.carry_out(action));
    });
    (ordered, end)
}

const PLACE: CvPlace = CvPlace::ProgrammingTrack;

fn writes(ordered: &[Action]) -> usize {
    ordered.iter().filter(|action| matches!(action, Action::WriteCv { .. })).count()
}

#[test]
fn a_change_is_read_back_and_its_original_kept() {
    let (mut hand, mut decoder) = (Hand::new(), Decoder::new([(3, 12)]));
    let mut job = CvJob::new(&hand.cx, [CvOp::Read(3), CvOp::Write(3, 0)]);
    let (ordered, end) = play(&mut hand, &mut decoder, &mut job);
    assert_eq!(end, Some(Ok(())));
    let wanted = [
        Action::BeginProgramming,
        Action::ReadCv { place: PLACE, cv: 3 },
        Action::WriteCv { place: PLACE, cv: 3, value: 0 },
        Action::VerifyCv { place: PLACE, cv: 3, value: 0 },
        Action::EndProgramming,
    ];
    assert_eq!(ordered, wanted);
    assert_eq!(hand.cx.cvs.to_restore(), [(3, 12)]);
    // Put back, nothing is left to restore.
    let mut job = CvJob::new(&hand.cx, [CvOp::Write(3, 12)]);
    assert_eq!(play(&mut hand, &mut decoder, &mut job).1, Some(Ok(())));
    assert_eq!(hand.cx.cvs.to_restore(), []);
}

#[test]
fn a_write_waits_for_its_record_on_disk_and_not_for_ever() {
    let (mut hand, mut decoder) = (Hand::new(), Decoder::new([(3, 12)]));
    hand.journal = false;
    let mut job = CvJob::new(&hand.cx, [CvOp::Read(3), CvOp::Write(3, 0)]);
    let (ordered, end) = play(&mut hand, &mut decoder, &mut job);
    assert_eq!(writes(&ordered), 0, "{ordered:?}");
    assert_eq!(end.unwrap().unwrap_err().reason.code, "disk-lagging");
}

#[test]
fn nothing_is_written_to_another_engine() {
    let (mut hand, mut decoder) = (Hand::new(), Decoder::new([(1, 9), (3, 12)]));
    hand.cx.cvs.known.extend([(1, 7), (3, 12)]);
    let mut job = CvJob::checked(&hand.cx, [CvOp::Write(3, 0)]);
    let (ordered, end) = play(&mut hand, &mut decoder, &mut job);
    assert_eq!(end.unwrap().unwrap_err().reason.code, "another-engine");
    assert_eq!(writes(&ordered), 0, "{ordered:?}");
}

#[test]
fn a_value_that_is_not_taken_is_tried_three_times() {
    for (op, code) in [(CvOp::Write(2, 0), Some("decoder-cv-refused")), (CvOp::TryWrite(2, 0), None)] {
        let (mut hand, mut decoder) = (Hand::new(), Decoder::new([(2, 3)]));
        decoder.stubborn = Some(2);
        hand.cx.cvs.known.insert(2, 3);
        let mut job = CvJob::new(&hand.cx, [op]);
        let (ordered, end) = play(&mut hand, &mut decoder, &mut job);
        assert_eq!(end.unwrap().err().map(|failure| failure.reason.code).as_deref(), code);
        assert_eq!(writes(&ordered), 3);
        assert_eq!(hand.cx.cvs.to_restore(), [], "it was seen to hold its original");
    }
}

#[test]
fn after_a_write_that_nobody_heard_of_programming_is_entered_anew() {
    let (mut hand, mut decoder) = (Hand::new(), Decoder::new([(3, 12)]));
    decoder.unheard = 1;
    hand.cx.cvs.known.insert(3, 12);
    let mut job = CvJob::new(&hand.cx, [CvOp::Write(3, 0)]);
    let (ordered, end) = play(&mut hand, &mut decoder, &mut job);
    assert_eq!(end, Some(Ok(())));
    assert_eq!(ordered.iter().filter(|action| **action == Action::BeginProgramming).count(), 2);
    assert!(hand.cx.cvs.doubtful.is_empty());
    assert_eq!(hand.cx.cvs.to_restore(), [(3, 12)]);
}

#[test]
fn a_write_that_is_never_heard_of_leaves_doubt() {
    let (mut hand, mut decoder) = (Hand::new(), Decoder::new([(3, 12)]));
    decoder.unheard = u32::MAX;
    hand.cx.cvs.known.insert(3, 12);
    let mut job = CvJob::new(&hand.cx, [CvOp::Write(3, 0)]);
    let (_, end) = play(&mut hand, &mut decoder, &mut job);
    assert_eq!(end.unwrap().unwrap_err().reason.code, "programming-no-answer");
    assert!(hand.cx.cvs.doubtful.contains(&3));
    assert_eq!(hand.cx.cvs.to_restore(), [(3, 12)]);
}
