//! Tests of the straight on numbers alone.
use super::*;
use crate::sensor::Source;

fn axle(u_rel: f64) -> AxleSetup {
    AxleSetup {
        circumference_mm: 33.0,
        circumference_u_rel: u_rel,
        source: Source::Field { pole_pairs: 1 },
        lap: None,
    }
}

fn placed(length_mm: f64, reserve_mm: f64, u_rel: f64) -> Straight {
    let mut straight = Straight::new(length_mm, reserve_mm, axle(u_rel), 383.0);
    assert!(!straight.is_sure(), "before the person says so nobody knows where it stands");
    straight.place();
    straight
}

fn sight(at_ms: u64, way_mm: f64, speed: f64) -> Sight {
    Sight {
        now: BenchTime::from_millis(at_ms),
        way_mm,
        breaks: 0,
        sense: Some(1.0),
        facing: 1.0,
        stopped_at: None,
        speed_mm_s: Some(speed),
        newest: BenchTime::from_millis(at_ms),
        stands: false,
    }
}

#[test]
fn stopping_ways_are_taken_long_where_they_were_not_seen() {
    let mut stops = Stops::default();
    assert!((stops.way_mm(50.0) - 100.0).abs() < 1e-9, "two seconds' running before any was seen");
    // An engine that runs on for 0.1 s and then brakes at 500 mm/s2.
    let true_mm = |speed: f64| 0.1 * speed + speed * speed / 1000.0;
    for speed in [40.0, 120.0] {
        stops.learn(speed, true_mm(speed));
    }
    for speed in [5.0, 20.0, 40.0, 70.0, 100.0, 120.0, 200.0, 400.0] {
        assert!(
            stops.way_mm(speed) >= true_mm(speed),
            "{speed}: {} of {}",
            stops.way_mm(speed),
            true_mm(speed)
        );
        assert!(stops.least_mm(speed) <= stops.way_mm(speed));
    }
    stops.learn(121.0, 99.0);
    assert!(stops.way_mm(120.0) > 99.0, "the longer one of two counts");
    stops.learn(0.0, 5.0);
    stops.learn(f64::NAN, 5.0);
    assert_eq!(stops.seen.len(), 2);
}

#[test]
fn stops_seen_often_need_less_beside_them_until_the_table_changes() {
    let mut stops = Stops::default();
    stops.learn(280.0, 300.0);
    stops.learn(279.0, 309.0);
    let twice = stops.way_mm(280.0);
    stops.learn(281.0, 306.0);
    let sure = stops.way_mm(280.0);
    assert!(sure < twice - 30.0 && sure > 309.0 + 0.08 * 280.0, "{twice} {sure}");
    assert!(stops.way_mm(292.0) > sure * 1.08, "what is a little faster takes longer by the square");
    assert!(stops.way_mm(310.0) > 309.0 * 1.15, "another speed has not been seen");
    stops.doubt();
    assert!(stops.way_mm(280.0) > twice, "another table has not been seen either");
    stops.learn(280.0, 320.0);
    assert!(stops.way_mm(280.0) > 320.0 * 1.15);
}

#[test]
fn it_turns_before_the_reserve_and_stops_at_once_before_half_of_it_is_gone() {
    let mut straight = placed(3000.0, 300.0, 0.0);
    straight.learn_stop(200.0, 100.0, 0.3);
    let (mut turned, mut stopped) = (None, None);
    for mm in 0..2700_u32 {
        // The mark is at 300 mm.
        let sight = sight(u64::from(mm) * 5, f64::from(mm), 200.0);
        straight.follow(&sight);
        let place = 300.0 + f64::from(mm);
        match straight.look(&sight, 10) {
            Room::Free => assert!(turned.is_none() && stopped.is_none()),
            Room::Turn => turned = turned.or(Some(place)),
            Room::Emergency => stopped = stopped.or(Some(place)),
        }
    }
    let (turned, stopped) = (turned.expect("it turns"), stopped.expect("it is stopped"));
    // 3000 - 300 - (1.15 x 100 + 0.15 x 200) less slip of 0.05 %; 3000 - 150 - 100 less slip.
    assert!((turned - (2555.0 - 1.1)).abs() < 2.0, "{turned}");
    assert!((stopped - (2750.0 - 1.2)).abs() < 2.0, "{stopped}");
    assert!(stopped + 100.0 < 3000.0 - 100.0, "even then it stands before the end");
}

#[test]
fn a_blind_sensor_counts_as_way_gone() {
    let mut straight = placed(3000.0, 300.0, 0.0);
    straight.learn_stop(200.0, 100.0, 0.3);
    straight.follow(&sight(0, 0.0, 200.0));
    straight.follow(&sight(1000, 200.0, 200.0));
    let blind = |at_ms: u64| Sight {
        now: BenchTime::from_millis(at_ms),
        newest: BenchTime::from_millis(1000),
        speed_mm_s: None,
        ..sight(at_ms, 200.0, 0.0)
    };
    assert_eq!(straight.look(&blind(2000), 10), Room::Free);
    // From 500 mm on at 200 mm/s: 2555 mm are reached 10.3 s later.
    assert_eq!(straight.look(&blind(11_000), 10), Room::Free);
    assert_eq!(straight.look(&blind(11_400), 10), Room::Turn);
    assert_eq!(straight.look(&blind(12_400), 10), Room::Emergency);
    // Stopped 1 s after it was last seen, it went 200 mm and what a stop takes, at most.
    let back =
        Sight { breaks: 1, stopped_at: Some(BenchTime::from_millis(2000)), stands: true, ..blind(60_000) };
    straight.follow(&back);
    let (place, doubt) = straight.place_mm();
    assert!((place - (500.0 + 172.5)).abs() < 1.0 && (doubt - 172.5).abs() < 1.0, "{place} +- {doubt}");
    assert!(!straight.is_sure(), "more than two fifths of the reserve");
    straight.place();
    assert!(straight.is_sure());
}

#[test]
fn doubt_grows_with_every_pass_until_it_must_be_put_back() {
    let mut straight = placed(3000.0, 300.0, 0.002);
    let mut passes = 0;
    while straight.is_sure() && passes < 1000 {
        for (facing, from, to) in [(1.0, 0.0, 2400.0), (-1.0, 2400.0, 0.0)] {
            for way_mm in [from, to] {
                straight.follow(&Sight { facing, ..sight(0, way_mm, 100.0) });
            }
            passes += 1;
        }
    }
    // 0.05 % of 2.4 m a pass; 0.4 x 300 mm are used up after 100 passes.
    assert!((100..=104).contains(&passes), "{passes}");
    let far = placed(3000.0, 300.0, 0.002);
    assert!(far.room_mm(1.0) > 2390.0 && far.room_mm(-1.0).abs() < 1e-9);
}

#[test]
fn what_does_not_fit_is_known_with_the_length_it_would_need() {
    let straight = placed(1300.0, 250.0, 0.002);
    let fastest = straight.fastest_mm_s();
    assert!(fastest < 383.0, "120 km/h in 1:87 do not fit on 1.3 m: {fastest}");
    assert!((straight.length_for_mm(fastest, 0.0) - 1300.0).abs() < 1e-6);
    let length = straight.length_for_mm(430.0, 0.0);
    let longer = placed(length * 1.01, 250.0, 0.002);
    assert!(longer.fastest_mm_s() >= 430.0, "{length}");
    // A momentum of 10 s needs more.
    let with = longer.fastest_with_mm_s(10.0);
    let mut slow = longer;
    slow.forget(10.0);
    assert!((slow.fastest_mm_s() - with).abs() < 1e-6 && with < 300.0, "{with}");
}

#[test]
fn passes_that_bring_nothing_end() {
    let mut straight = placed(3000.0, 300.0, 0.0);
    assert!(!(0..IDLE_PASSES).any(|_| straight.is_too_short(20.0, 100.0)));
    assert!(!straight.is_too_short(200.0, 100.0));
    assert!((0..=IDLE_PASSES).any(|_| straight.is_too_short(20.0, 100.0)));
}

#[test]
fn with_another_table_stops_count_as_longer_until_they_are_seen_again() {
    let mut stops = Stops::default();
    stops.learn(200.0, 100.0);
    let before = stops.way_mm(200.0);
    stops.doubt();
    stops.doubt();
    assert!((stops.way_mm(200.0) - before - LONGER * 200.0 * RAMP_S / 2.0).abs() < 1e-9, "once, not twice");
    assert!((stops.least_mm(200.0) - 20.0).abs() < 1e-9, "how short it may be nobody knows");
    stops.learn(201.0, 80.0);
    assert!((stops.likely_mm(200.0).unwrap() - 80.0).abs() < 1e-9, "what is seen now counts alone");
}

#[test]
fn what_was_measured_on_it_fits() {
    let mut straight = placed(1300.0, 250.0, 0.002);
    let reckoned = straight.fastest_mm_s();
    assert!(!straight.is_too_short(300.0, 400.0));
    assert!(reckoned < 400.0 && (straight.fastest_mm_s() - 400.0).abs() < 1e-9);
    straight.forget(5.0);
    assert!(straight.fastest_mm_s() < 400.0, "with another momentum nothing is proven");
}
