//! The low end of an engine: where it starts from rest, and down to where it keeps going.
use super::hand::{DONE, Hand};
use crate::run::low_end::LowEndSearch;
use crate::run::mover::Mover;
use crate::station::Direction;

/// An engine that starts from rest at one step and keeps going down to another, 8 mm/s a step.
struct Engine {
    starts: u16,
    keeps_going: u16,
}

impl Engine {
    fn obey(&self, hand: &mut Hand) {
        let value = hand.cx.ordered.0.value;
        let least = if hand.speed_mm_s > 0.0 { self.keeps_going } else { self.starts };
        hand.speed_mm_s = if value >= least { 8.0 * f64::from(value) } else { 0.0 };
    }

    /// Plays a search for at most so many seconds; what it found, and for how long it stood with the motor driven.
    fn play(&self, hand: &mut Hand, search: &mut LowEndSearch, seconds: f64) -> (Option<u16>, f64) {
        let (mut found, mut stalled_s) = (None, 0.0);
        hand.pass(seconds, |hand| {
            self.obey(hand);
            if found.is_none() && hand.speed_mm_s == 0.0 && hand.cx.ordered.0.value > 0 {
                stalled_s += 0.01;
            }
            if found.is_none() {
                found = search.poll(&mut hand.cx).unwrap();
            }
            hand.left();
            hand.answer(&DONE);
        });
        (found, stalled_s)
    }

    fn run(&self, hand: &mut Hand, value: u16) {
        let mut mover = Mover::to(value, Direction::Forward);
        hand.pass(8.0, |hand| {
            self.obey(hand);
            mover.poll(&mut hand.cx).unwrap();
            hand.left();
            hand.answer(&DONE);
        });
        assert!(hand.speed_mm_s > 0.0);
    }
}

#[test]
fn it_goes_down_to_the_step_that_keeps_going_and_stalls_for_seconds_only() {
    let (engine, mut hand) = (Engine { starts: 5, keeps_going: 3 }, Hand::new());
    engine.run(&mut hand, 7);
    let mut search = LowEndSearch::down(Direction::Forward, 7, (5, 1), 9);
    let (found, stalled_s) = engine.play(&mut hand, &mut search, 40.0);
    assert_eq!(found, Some(3));
    assert!(stalled_s < 6.0 && hand.cx.ordered.0.value == 2, "{stalled_s}");
}

#[test]
fn a_step_that_is_the_last_needs_no_look_below() {
    let (engine, mut hand) = (Engine { starts: 2, keeps_going: 2 }, Hand::new());
    engine.run(&mut hand, 5);
    let mut search = LowEndSearch::down(Direction::Forward, 5, (4, 3), 9);
    assert_eq!(engine.play(&mut hand, &mut search, 40.0).0, Some(3));
}

#[test]
fn it_goes_up_from_rest_until_it_starts() {
    let (engine, mut hand) = (Engine { starts: 5, keeps_going: 3 }, Hand::new());
    let mut search = LowEndSearch::up(&hand.cx, Direction::Forward, 3, 9);
    let (found, stalled_s) = engine.play(&mut hand, &mut search, 40.0);
    assert_eq!(found, Some(5));
    // Two steps below, a look at standstill each.
    assert!((4.0..8.0).contains(&stalled_s), "{stalled_s}");
}

#[test]
fn an_engine_that_never_starts_is_told_by_zero() {
    let (engine, mut hand) = (Engine { starts: 20, keeps_going: 20 }, Hand::new());
    let mut search = LowEndSearch::up(&hand.cx, Direction::Forward, 3, 6);
    assert_eq!(engine.play(&mut hand, &mut search, 60.0).0, Some(0));
}

/// An engine that went down from step 7 to its search, and was stopped by a pause then; the search begins again.
fn after_a_pause(engine: &Engine, moved: u16) -> (Hand, LowEndSearch) {
    let mut hand = Hand::new();
    engine.run(&mut hand, 7);
    let mut search = LowEndSearch::down(Direction::Forward, moved, (moved - 1, 1), 9);
    engine.play(&mut hand, &mut search, 1.0);
    let mut rest = Mover::stand(&hand.cx);
    hand.pass(5.0, |hand| {
        engine.obey(hand);
        rest.poll(&mut hand.cx).unwrap();
        hand.left();
        hand.answer(&DONE);
    });
    assert!(hand.speed_mm_s == 0.0);
    search.rewind(&hand.cx);
    (hand, search)
}

#[test]
fn after_a_pause_it_starts_again_where_it_can_and_goes_on_from_there() {
    // From rest it starts above the step at which it went on.
    let engine = Engine { starts: 7, keeps_going: 3 };
    let (mut hand, mut search) = after_a_pause(&engine, 5);
    assert_eq!(engine.play(&mut hand, &mut search, 90.0).0, Some(3));
}

#[test]
fn an_engine_that_jams_in_a_pause_is_driven_no_higher_than_it_ran_and_let_go_between() {
    let (mut hand, mut search) = after_a_pause(&Engine { starts: 5, keeps_going: 3 }, 5);
    let jammed = Engine { starts: 99, keeps_going: 99 };
    let (mut highest, mut let_go, mut found) = (0, false, None);
    hand.pass(90.0, |hand| {
        jammed.obey(hand);
        let value = hand.cx.ordered.0.value;
        let_go |= highest > 0 && value == 0;
        highest = highest.max(value);
        if found.is_none() {
            found = search.poll(&mut hand.cx).unwrap();
        }
        hand.left();
        hand.answer(&DONE);
    });
    assert_eq!((found, highest, let_go), (Some(0), 9, true));
}
