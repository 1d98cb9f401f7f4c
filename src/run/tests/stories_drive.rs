//! How the engine is brought to a setting.
use super::hand::{DONE, Hand, refused};
use crate::run::cx::Failure;
use crate::run::mover::Mover;
use crate::station::{Action, Direction, OrderEnd, Setting};

fn drive(value: u16, direction: Direction) -> Action {
    Action::Drive { setting: Setting { value, of: 28 }, direction }
}

/// Polls a move for so long, the station obliging; what was ordered, and how it ended if it did.
fn play(hand: &mut Hand, mover: &mut Mover, seconds: f64) -> (Vec<Action>, Option<Result<(), Failure>>) {
    let (mut ordered, mut end) = (Vec::new(), None);
    hand.pass(seconds, |hand| {
        if end.is_none() {
            end = mover.poll(&mut hand.cx).transpose();
        }
        ordered.extend(hand.left());
        hand.answer(&DONE);
    });
    (ordered, end)
}

#[test]
fn a_move_climbs_by_tenths_of_the_range() {
    let mut hand = Hand::new();
    let (ordered, end) = play(&mut hand, &mut Mover::to(7, Direction::Forward), 2.0);
    let forward = |value| drive(value, Direction::Forward);
    assert_eq!(ordered, [forward(2), forward(4), forward(6), forward(7)]);
    assert_eq!(end, Some(Ok(())));
}

#[test]
fn direction_changes_only_after_standstill_was_seen() {
    let mut hand = Hand::new();
    play(&mut hand, &mut Mover::to(2, Direction::Forward), 1.0);
    hand.run_at(40.0);
    let mut mover = Mover::to(2, Direction::Reverse);
    let (ordered, end) = play(&mut hand, &mut mover, 5.0);
    // It rolls on: the order is given, nothing else.
    assert_eq!((ordered, end), (vec![drive(0, Direction::Forward)], None));
    hand.speed_mm_s = 0.0;
    let (ordered, end) = play(&mut hand, &mut mover, 3.0);
    assert_eq!(ordered, [drive(0, Direction::Reverse), drive(2, Direction::Reverse)]);
    assert_eq!(end, Some(Ok(())));
}

#[test]
fn an_engine_that_does_not_stand_is_out_of_hand() {
    let mut hand = Hand::new();
    play(&mut hand, &mut Mover::to(2, Direction::Forward), 1.0);
    hand.run_at(40.0);
    let (_, end) = play(&mut hand, &mut Mover::to(0, Direction::Forward), 11.0);
    let failure = end.unwrap().unwrap_err();
    assert_eq!((failure.reason.code.as_str(), failure.emergency), ("engine-no-standstill", true));
}

#[test]
fn without_samples_nothing_is_set_in_motion() {
    let mut hand = Hand::new();
    hand.sensor = false;
    hand.pass(2.0, |_| {});
    let mut mover = Mover::to(2, Direction::Forward);
    let (ordered, end) = play(&mut hand, &mut mover, 19.0);
    assert_eq!((ordered, end), (vec![], None));
    let (ordered, end) = play(&mut hand, &mut mover, 2.0);
    assert_eq!(ordered, []);
    assert_eq!(end.unwrap().unwrap_err().reason.code, "sensor-silent");
}

#[test]
fn samples_that_come_in_time_let_the_move_begin() {
    let mut hand = Hand::new();
    hand.sensor = false;
    hand.pass(2.0, |_| {});
    let mut mover = Mover::to(2, Direction::Forward);
    play(&mut hand, &mut mover, 10.0);
    hand.sensor = true;
    let (ordered, end) = play(&mut hand, &mut mover, 1.0);
    assert_eq!((ordered, end), (vec![drive(2, Direction::Forward)], Some(Ok(()))));
}

#[test]
fn a_refused_order_ends_the_move_and_a_lock_is_called_a_lock() {
    for (end, code) in [
        (refused("414"), "engine-locked"),
        (refused("499"), "station-refused"),
        (OrderEnd::Unknown { why: "no answer".to_owned() }, "station-silent"),
    ] {
        let mut hand = Hand::new();
        let mut mover = Mover::to(2, Direction::Forward);
        assert_eq!(mover.poll(&mut hand.cx), Ok(None));
        hand.answer_by(|_| unreachable!("a rise of speed waits for its record"));
        hand.pass(0.05, |_| {});
        hand.answer(&end);
        assert_eq!(mover.poll(&mut hand.cx).unwrap_err().reason.code, code);
    }
}
