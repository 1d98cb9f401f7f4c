//! What a run left undone, case by case.
use super::*;
use crate::journal::{Pending, pending_originals, unknown_originals};

fn told(bodies: Vec<RecordBody>) -> Pending {
    pending_originals(&[], &numbered(bodies))
}

#[test]
fn nothing_was_changed() {
    assert_eq!(told(vec![]), Pending::None);
    assert_eq!(told(vec![read_cv(2, Some(9)), RecordBody::Phase(PhaseName::Sweep)]), Pending::None);
}

#[test]
fn crash_between_intention_and_written() {
    assert_eq!(told(vec![intend(2, Some(9), 1)]), Pending::Restore(vec![(2, 9)]));
}

#[test]
fn the_value_read_before_stands_in_for_a_missing_from() {
    assert_eq!(
        told(vec![read_cv(2, Some(9)), intend(2, None, 1), wrote(2, 1)]),
        Pending::Restore(vec![(2, 9)])
    );
}

#[test]
fn the_first_original_counts_and_the_first_changed_goes_back_last() {
    let bodies = vec![
        intend(29, Some(22), 6),
        wrote(29, 6),
        intend(2, Some(9), 0),
        wrote(2, 0),
        intend(2, Some(0), 1),
        wrote(2, 1),
    ];
    assert_eq!(told(bodies), Pending::Restore(vec![(2, 9), (29, 22)]));
}

#[test]
fn a_cv_seen_to_hold_its_original_again_is_closed() {
    let mut bodies = vec![intend(2, Some(9), 1), wrote(2, 1), intend(2, Some(1), 9)];
    assert_eq!(told(bodies.clone()), Pending::Restore(vec![(2, 9)]), "on its way back");
    bodies.push(RecordBody::CvWritten { cv: 2, value: 9, confirmed: false });
    assert_eq!(told(bodies.clone()), Pending::Restore(vec![(2, 9)]), "nobody saw it arrive");
    bodies.push(wrote(2, 9));
    assert_eq!(told(bodies), Pending::None);
}

#[test]
fn a_failed_write_leaves_it_open() {
    let failed = RecordBody::CvFailed { cv: 2, value: 1, why: "no answer".to_owned() };
    assert_eq!(told(vec![intend(2, Some(9), 1), failed]), Pending::Restore(vec![(2, 9)]));
}

#[test]
fn originals_back_closes_all_and_undoes_a_commit() {
    let bodies =
        vec![intend(2, Some(9), 1), wrote(2, 1), RecordBody::Commit(fit()), RecordBody::OriginalsBack];
    assert_eq!(told(bodies.clone()), Pending::None);
    let again = [bodies, vec![intend(2, Some(9), 128)]].concat();
    assert_eq!(told(again), Pending::Restore(vec![(2, 9)]), "changed anew after that");
}

#[test]
fn before_the_commit_undo_after_it_finish() {
    let before = vec![intend(29, Some(22), 6), wrote(29, 6), intend(3, Some(20), 0), wrote(3, 0)];
    assert_eq!(told(before.clone()), Pending::Restore(vec![(3, 20), (29, 22)]));
    let after = [before, vec![RecordBody::Commit(fit())]].concat();
    assert_eq!(told(after.clone()), Pending::RollForward(fit(), vec![(3, 20), (29, 22)]));
    let within = [after, vec![intend(67, Some(1), 3), wrote(67, 3), intend(68, Some(2), 12)]].concat();
    let all = vec![(68, 2), (67, 1), (3, 20), (29, 22)];
    assert_eq!(told(within.clone()), Pending::RollForward(fit(), all.clone()));
    let better = TableFit { trim_forward: 120, ..fit() };
    let corrected = [within, vec![RecordBody::Commit(better)]].concat();
    assert_eq!(told(corrected.clone()), Pending::RollForward(better, all), "the last commit counts");
    let ended = [corrected, vec![outcome(DecoderState::New, vec![])]].concat();
    assert_eq!(told(ended), Pending::None);
}

#[test]
fn the_result_wins_where_it_knows() {
    let changed = vec![intend(2, Some(9), 1), wrote(2, 1), RecordBody::Commit(fit())];
    let with = |end| told([changed.clone(), vec![end]].concat());
    assert_eq!(with(outcome(DecoderState::Original, vec![])), Pending::None);
    assert_eq!(
        with(outcome(DecoderState::Mixed, vec![(2, 9), (5, 255)])),
        Pending::Restore(vec![(2, 9), (5, 255)])
    );
    assert_eq!(with(outcome(DecoderState::New, vec![(3, 4)])), Pending::Restore(vec![(3, 4)]));
    for lost in [DecoderState::Mixed, DecoderState::Unknown] {
        assert_eq!(
            with(outcome(lost, vec![])),
            Pending::RollForward(fit(), vec![(2, 9)]),
            "{lost:?} tells nothing"
        );
    }
}

#[test]
fn what_an_earlier_run_left_is_handed_on_until_it_is_back() {
    let left = [(67, 10), (29, 22)];
    let told = |bodies| pending_originals(&left, &numbered(bodies));
    assert_eq!(told(vec![]), Pending::Restore(left.to_vec()), "broken off before it began");
    let settling = vec![intend(67, Some(3), 10), wrote(67, 10)];
    assert_eq!(told(settling.clone()), Pending::Restore(vec![(29, 22)]));
    let own = [settling, vec![intend(2, Some(9), 1)]].concat();
    assert_eq!(told(own), Pending::Restore(vec![(2, 9), (29, 22)]));
    let settled = vec![RecordBody::OriginalsBack, intend(29, Some(22), 6)];
    assert_eq!(told(settled), Pending::Restore(vec![(29, 22)]));
    assert_eq!(told(vec![intend(67, Some(3), 5)]), Pending::Restore(left.to_vec()), "3 is not its original");
}

#[test]
fn a_change_without_a_known_original_is_named() {
    let bodies = vec![read_cv(5, None), intend(5, None, 255), wrote(5, 255), intend(5, Some(255), 1)];
    assert_eq!(told(bodies.clone()), Pending::None);
    assert_eq!(unknown_originals(&[], &numbered(bodies.clone())), [5]);
    let ended = [bodies, vec![outcome(DecoderState::New, vec![])]].concat();
    assert_eq!(unknown_originals(&[], &numbered(ended)), [0_u16; 0]);
}

#[test]
fn cut_anywhere_the_whole_run_is_undone_finished_or_done() {
    let bodies = vec![
        read_cv(29, Some(22)),
        intend(29, Some(22), 6),
        wrote(29, 6),
        RecordBody::Commit(fit()),
        intend(67, Some(1), 3),
        wrote(67, 3),
        intend(29, Some(6), 22),
        wrote(29, 22),
        outcome(DecoderState::New, vec![]),
    ];
    let kinds: Vec<_> = (0..=bodies.len())
        .map(|cut| match told(bodies[..cut].to_vec()) {
            Pending::None => '-',
            Pending::Restore(_) => 'r',
            Pending::RollForward(..) => 'f',
        })
        .collect();
    assert_eq!(kinds.into_iter().collect::<String>(), "--rrfffff-");
}
