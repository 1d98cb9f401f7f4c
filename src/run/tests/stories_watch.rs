//! What the guards and the watch for other throttles notice, and what they let pass.
use super::hand::{DONE, Hand};
use crate::run::cx::Failure;
use crate::run::guards::Guards;
use crate::run::throttle_watch::ThrottleWatch;
use crate::station::{Action, Direction, Setting};

fn order(hand: &mut Hand, value: u16, direction: Direction) {
    hand.cx.order(Action::Drive { setting: Setting { value, of: 28 }, direction });
    hand.pass(0.02, |_| {});
    hand.answer(&DONE);
}

/// An engine under way forward at this speed.
fn under_way(speed_mm_s: f64) -> Hand {
    let mut hand = Hand::new();
    order(&mut hand, 4, Direction::Forward);
    hand.cx.sense = Some(1.0);
    hand.run_at(speed_mm_s);
    hand
}

/// Looks for so long; the first failure's code, and whether it is an emergency.
fn look(hand: &mut Hand, seconds: f64) -> Option<(String, bool)> {
    let (mut guards, mut found) = (Guards::default(), None);
    hand.pass(seconds, |hand| {
        if found.is_none() {
            found = guards.look(&mut hand.cx).err();
        }
    });
    found.map(|failure: Failure| (failure.reason.code, failure.emergency))
}

fn emergency(code: &str) -> (String, bool) {
    (code.to_owned(), true)
}

#[test]
fn an_engine_that_does_as_told_passes() {
    assert_eq!(look(&mut under_way(40.0), 20.0), None);
    assert_eq!(look(&mut Hand::new(), 20.0), None, "nor does one at rest trip anything");
}

#[test]
fn each_guard_finds_its_fault() {
    let mut silent = under_way(40.0);
    silent.sensor = false;
    assert_eq!(look(&mut silent, 3.0), Some(emergency("sensor-silent")));

    let mut mute = under_way(40.0);
    mute.station = false;
    assert_eq!(look(&mut mute, 8.0), Some(emergency("station-silent")));

    // The bench file names no limit: 1.25 times what the target needs, 200 / 0.9 mm/s.
    let mut fast = under_way(250.0);
    fast.run_at(290.0);
    assert_eq!(look(&mut fast, 1.0), Some(emergency("engine-too-fast")));

    let mut backwards = under_way(40.0);
    backwards.run_at(-40.0);
    assert_eq!(look(&mut backwards, 3.0), Some(emergency("engine-wrong-way")));

    let mut unasked = under_way(40.0);
    order(&mut unasked, 0, Direction::Forward);
    assert_eq!(look(&mut unasked, 20.0), Some(emergency("engine-moves-unasked")));

    let mut jammed = under_way(40.0);
    jammed.speed_mm_s = 0.0;
    assert_eq!(look(&mut jammed, 20.0), Some(("engine-not-moving".to_owned(), false)));

    let mut programmed = under_way(40.0);
    programmed.cx.station.programming = true;
    assert_eq!(look(&mut programmed, 3.0), Some(emergency("engine-moves-unasked")));

    // Too slow for that, but it goes on and on.
    let mut creeping = under_way(40.0);
    creeping.speed_mm_s = 14.0;
    creeping.cx.station.programming = true;
    assert_eq!(look(&mut creeping, 12.0), Some(emergency("engine-moves-unasked")));

    let mut late = under_way(40.0);
    late.journal = false;
    let setting = Setting { value: 5, of: 28 };
    late.cx.order(Action::Drive { setting, direction: Direction::Forward });
    assert_eq!(look(&mut late, 12.0), Some(("disk-lagging".to_owned(), false)));
}

#[test]
fn pulses_said_to_tell_the_direction_that_only_count_up_are_against_an_order_back() {
    let mut hand = Hand::with_pulses(20);
    hand.cx.learn_sense(60.0);
    hand.run_at(60.0);
    order(&mut hand, 4, Direction::Reverse);
    assert_eq!(look(&mut hand, 5.0), Some(emergency("engine-wrong-way")));

    let mut unsigned = Hand::with_pulses(20);
    unsigned.cx.plan.spec.sensor.sees_direction = false;
    unsigned.cx.learn_sense(60.0);
    unsigned.run_at(60.0);
    order(&mut unsigned, 4, Direction::Reverse);
    assert_eq!(look(&mut unsigned, 40.0), None, "nothing can be said against it");
}

#[test]
fn a_jammed_engine_in_its_dead_zone_and_a_jerk_while_programming_pass() {
    let mut dead = under_way(40.0);
    (dead.speed_mm_s, dead.cx.may_stand) = (0.0, true);
    assert_eq!(look(&mut dead, 20.0), None);

    let mut jerked = Hand::new();
    jerked.run_at(40.0);
    jerked.speed_mm_s = 0.0;
    jerked.pass(2.0, |_| {});
    jerked.cx.station.programming = true;
    for _ in 0..20 {
        // 6 ms or more of load (S-9.2.3) turn the axle for a moment.
        jerked.speed_mm_s = 40.0;
        assert_eq!(look(&mut jerked, 0.02), None);
        jerked.speed_mm_s = 0.0;
        assert_eq!(look(&mut jerked, 0.2), None);
    }
}

#[test]
fn power_off_counts_when_asking_confirms_it() {
    for (back, code) in [(false, Some("power-lost")), (true, None)] {
        let mut hand = Hand::new();
        (hand.cx.station.power_wanted, hand.cx.station.power) = (true, Some(false));
        let mut guards = Guards::default();
        assert_eq!(guards.look(&mut hand.cx), Ok(()));
        assert_eq!(hand.left(), [Action::AskPower]);
        hand.cx.station.power = Some(back);
        hand.answer(&DONE);
        assert_eq!(guards.look(&mut hand.cx).err().map(|failure| failure.reason.code).as_deref(), code);
    }
}

/// Another setting is told, and so or so when asked; what comes of it.
fn told_another(asked: Option<f64>) -> Option<String> {
    let mut hand = under_way(40.0);
    let mut watch = ThrottleWatch::default();
    watch.told(&hand.cx, 0.8, Some(Direction::Forward), false);
    let mut found = None;
    hand.pass(0.9, |hand| found = found.take().or(watch.look(&mut hand.cx).err()));
    assert_eq!((hand.left(), &found), (vec![], &None), "it may be the echo of an earlier order");
    hand.pass(0.2, |hand| found = found.take().or(watch.look(&mut hand.cx).err()));
    assert_eq!(hand.left(), [Action::AskEngine]);
    if let Some(ratio) = asked {
        watch.told(&hand.cx, ratio, Some(Direction::Forward), true);
    }
    hand.answer(&DONE);
    hand.pass(0.2, |hand| found = found.take().or(watch.look(&mut hand.cx).err()));
    // It asks once more before it blames anybody.
    if hand.left() == [Action::AskEngine] {
        assert_eq!(found, None);
        watch.told(&hand.cx, asked.unwrap(), Some(Direction::Forward), true);
        hand.answer(&DONE);
    }
    hand.pass(3.0, |hand| found = found.take().or(watch.look(&mut hand.cx).err()));
    found.map(|failure| failure.reason.code)
}

#[test]
fn another_throttle_counts_when_asking_confirms_it() {
    assert_eq!(told_another(Some(0.8)).as_deref(), Some("another-throttle"));
    assert_eq!(told_another(Some(4.0 / 28.0)), None, "the report was old");
    assert_eq!(told_another(None), None, "the answer named no setting");
}

#[test]
fn what_a_first_dump_tells_is_no_disagreement() {
    let mut hand = under_way(40.0);
    let mut watch = ThrottleWatch::default();
    watch.told(&hand.cx, 0.8, Some(Direction::Forward), true);
    hand.pass(5.0, |hand| assert_eq!(watch.look(&mut hand.cx), Ok(())));
    assert_eq!(hand.left(), []);
}
