//! How the engine is stopped, and how sure that is.
use super::hand::{DONE, Hand, refused, unknown};
use crate::run::outcome::StopGrade;
use crate::run::stopper::Stopper;
use crate::station::{Action, Direction, OrderEnd, Setting};

/// An engine under way at 40 mm/s.
fn under_way() -> Hand {
    let mut hand = Hand::new();
    let setting = Setting { value: 4, of: 28 };
    hand.cx.order(Action::Drive { setting, direction: Direction::Forward });
    hand.run_at(40.0);
    hand.answer(&DONE);
    assert!(hand.left().is_empty());
    hand
}

/// Polls a stop for so long, every order being answered by `end`; the orders and the grade.
fn play(
    hand: &mut Hand,
    stopper: &mut Stopper,
    seconds: f64,
    mut end: impl FnMut(&Action) -> OrderEnd,
) -> (Vec<Action>, Option<StopGrade>) {
    let (mut ordered, mut grade) = (Vec::new(), None);
    hand.pass(seconds, |hand| {
        if grade.is_none() {
            grade = stopper.poll(&mut hand.cx);
        }
        ordered.extend(hand.left());
        hand.answer_by(&mut end);
    });
    (ordered, grade)
}

#[test]
fn acknowledged_and_seen_to_stand_is_still_and_the_power_stays() {
    let mut hand = under_way();
    let mut stopper = Stopper::new(&hand.cx, false);
    let (ordered, grade) = play(&mut hand, &mut stopper, 1.0, |_| DONE);
    assert_eq!((ordered, grade), (vec![Action::Stop], None), "it rolls");
    hand.speed_mm_s = 0.0;
    let (ordered, grade) = play(&mut hand, &mut stopper, 2.0, |_| DONE);
    assert_eq!((ordered, grade), (vec![], Some(StopGrade::Still)));
}

#[test]
fn an_engine_that_runs_on_gets_an_emergency_stop_then_no_power_and_none_back() {
    let mut hand = under_way();
    let mut stopper = Stopper::new(&hand.cx, false);
    let (ordered, grade) = play(&mut hand, &mut stopper, 15.0, |_| DONE);
    assert_eq!((ordered, grade), (vec![Action::Stop, Action::EmergencyStop, Action::PowerOff], None));
    assert!(stopper.disobeyed);
    hand.speed_mm_s = 0.0;
    assert_eq!(play(&mut hand, &mut stopper, 2.0, |_| DONE).1, Some(StopGrade::Still));
}

#[test]
fn a_silent_sensor_is_no_standstill() {
    let mut hand = under_way();
    (hand.sensor, hand.speed_mm_s) = (false, 0.0);
    let mut stopper = Stopper::new(&hand.cx, true);
    let (ordered, grade) = play(&mut hand, &mut stopper, 12.0, |_| DONE);
    assert_eq!(ordered, [Action::EmergencyStop, Action::PowerOff]);
    assert_eq!(grade, Some(StopGrade::Acknowledged));
    assert!(!stopper.disobeyed, "nobody saw it run on");
}

#[test]
fn a_refused_stop_leads_to_power_off_at_once() {
    let mut hand = under_way();
    let mut stopper = Stopper::new(&hand.cx, false);
    let (ordered, grade) = play(&mut hand, &mut stopper, 1.0, |action| match action {
        Action::PowerOff => DONE,
        _ => refused("414"),
    });
    assert_eq!(ordered, [Action::Stop, Action::EmergencyStop, Action::PowerOff]);
    assert_eq!(grade, None, "it is watched for a while");
    hand.speed_mm_s = 0.0;
    assert_eq!(play(&mut hand, &mut stopper, 2.0, |_| DONE).1, Some(StopGrade::Still));
    assert!(!stopper.disobeyed, "it was never told to stop");
}

#[test]
fn a_station_that_is_gone_is_tried_for_a_minute_then_nobody_knows() {
    let mut hand = under_way();
    let mut stopper = Stopper::new(&hand.cx, false);
    let (ordered, grade) = play(&mut hand, &mut stopper, 55.0, |_| unknown());
    assert_eq!(grade, None);
    let tries = ordered.iter().filter(|action| **action == Action::PowerOff).count();
    assert!((20..=30).contains(&tries), "{tries}");
    let (_, grade) = play(&mut hand, &mut stopper, 10.0, |_| unknown());
    assert_eq!(grade, Some(StopGrade::Unconfirmed));
}

#[test]
fn a_station_that_comes_back_stops_the_engine_after_all() {
    let mut hand = under_way();
    let mut stopper = Stopper::new(&hand.cx, false);
    play(&mut hand, &mut stopper, 20.0, |_| unknown());
    let (ordered, grade) = play(&mut hand, &mut stopper, 3.0, |_| DONE);
    assert_eq!((ordered, grade), (vec![Action::EmergencyStop], None));
    hand.speed_mm_s = 0.0;
    let (ordered, grade) = play(&mut hand, &mut stopper, 3.0, |_| DONE);
    assert_eq!((ordered, grade), (vec![Action::PowerOff], Some(StopGrade::Still)));
}

#[test]
fn a_stop_does_not_wait_for_the_journal_and_takes_waiting_orders_back() {
    let mut hand = under_way();
    hand.journal = false;
    let setting = Setting { value: 6, of: 28 };
    let rise = hand.cx.order(Action::Drive { setting, direction: Direction::Forward });
    assert_eq!(hand.left(), [], "a rise waits for its record");
    let mut stopper = Stopper::new(&hand.cx, false);
    assert_eq!(stopper.poll(&mut hand.cx), None);
    assert_eq!(hand.left(), [Action::Stop]);
    hand.write_down();
    assert_eq!(hand.left(), [], "the rise never leaves");
    assert!(matches!(hand.cx.ended(rise), Some(OrderEnd::Refused { code, .. }) if code == "superseded"));
}

#[test]
fn an_engine_that_runs_on_past_a_gap_in_coarse_pulses_is_never_still() {
    for (a_turn, speed_mm_s) in [(1, 7.0), (1, 16.0), (1, 25.0), (4, 7.0), (20, 7.0)] {
        for parts in 0..5 {
            let mut hand = Hand::with_pulses(a_turn);
            let setting = Setting { value: 4, of: 28 };
            hand.cx.order(Action::Drive { setting, direction: Direction::Forward });
            hand.speed_mm_s = speed_mm_s;
            hand.pass(20.0 + 0.9 * f64::from(parts), |_| {});
            hand.answer(&DONE);
            hand.sensor = false;
            hand.pass(3.0, |_| {});
            hand.sensor = true;
            let mut stopper = Stopper::new(&hand.cx, false);
            let (ordered, grade) = play(&mut hand, &mut stopper, 60.0, |_| DONE);
            assert_eq!(
                ordered,
                [Action::Stop, Action::EmergencyStop, Action::PowerOff],
                "{a_turn} {speed_mm_s}"
            );
            assert_eq!(grade, Some(StopGrade::Acknowledged), "{a_turn} a turn, {speed_mm_s} mm/s");
        }
    }
}

#[test]
fn an_engine_that_stops_is_seen_to_stand_by_coarse_pulses_before_the_power_goes() {
    for (a_turn, speed_mm_s) in [(1, 16.0), (1, 60.0), (4, 7.0), (20, 7.0)] {
        let mut hand = Hand::with_pulses(a_turn);
        let setting = Setting { value: 4, of: 28 };
        hand.cx.order(Action::Drive { setting, direction: Direction::Forward });
        hand.speed_mm_s = speed_mm_s;
        hand.pass(20.0, |_| {});
        hand.answer(&DONE);
        hand.speed_mm_s = 0.0;
        let mut stopper = Stopper::new(&hand.cx, false);
        let (ordered, grade) = play(&mut hand, &mut stopper, 20.0, |_| DONE);
        assert_eq!((ordered, grade), (vec![Action::Stop], Some(StopGrade::Still)), "{a_turn} {speed_mm_s}");
    }
}
