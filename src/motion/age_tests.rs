//! Tests of the age of data: stalls, stores emptied late, repeats and leaps.
use super::super::testing::{CIRCUMFERENCE, Lines, Rig, Told, motion, whole};
use super::*;
use crate::sensor::{Reading, Source, Stamp};

/// A sample of a counter of twenty pulses a turn: taken at `t_s`, arrived at `at_s`, the axle `turns` far.
fn give(motion: &mut Motion, t_s: f64, at_s: f64, turns: f64) {
    let at = BenchTime::ZERO + Duration::from_secs_f64(at_s);
    let stamp = Stamp::ClockUs(whole(t_s * 1e6 + 0.5));
    motion.take(at, Sample { stamp, reading: Reading::Pulses(whole(turns * 20.0)) });
}

fn counter() -> Motion {
    motion(Source::Pulses { a_turn: 20 })
}

#[test]
fn three_days_kept_in_a_store_are_not_now() {
    // Lines of ten a second, sent a hundred times as fast; the axle stood for a day, turned for one, stood for one.
    let mut motion = counter();
    let (day, start) = (86_400.0, 1000.0);
    let turns = |t_s: f64| 2.0 * (t_s - day).clamp(0.0, day);
    let (mut t_s, mut at_s) = (0.0, start);
    while t_s < 3.0 * day {
        give(&mut motion, t_s, at_s, turns(t_s));
        if t_s > 3.0 {
            assert_eq!(motion.standing(), Standing::No, "{t_s}");
            assert!(motion.glance().is_none() && motion.measured().is_none());
            assert!(motion.lateness().as_secs_f64() >= 0.98 * t_s - 0.2, "{t_s}: {:?}", motion.lateness());
        }
        assert!(!matches!(motion.standing(), Standing::For(span) if span.as_secs_f64() > 0.6), "{t_s}");
        // A few of the lines are enough for this test.
        t_s += if t_s < 100.0 { 0.1 } else { 10.0 };
        at_s = start + t_s / 100.0;
    }
    motion.begin_measure();
    assert!(motion.distance_mm() < 1e-9 && !motion.has_seen_turning(), "{}", motion.distance_mm());
    // From now on samples are of now.
    for k in 0..100 {
        let now_s = f64::from(k) * 0.1;
        give(&mut motion, t_s + now_s, at_s + now_s, turns(t_s));
        if now_s < 1.9 {
            assert_eq!(motion.standing(), Standing::No);
            assert!(motion.lateness() > Duration::from_secs(3600));
        }
    }
    assert!(matches!(motion.standing(), Standing::For(span) if span > Duration::from_secs(7)));
    assert!(motion.lateness() < Duration::from_millis(10) && !motion.clock_rate().corrected);
    assert!(motion.distance_mm() < 1e-9 && !motion.has_seen_turning());
}

#[test]
fn a_sample_that_tells_its_age_is_as_old_as_it_says() {
    let mut motion = counter();
    let since = |motion: &mut Motion, at_s: f64, age_s: f64, turns: f64| {
        let at = BenchTime::ZERO + Duration::from_secs_f64(at_s);
        let stamp = Stamp::SinceSendingUs(-whole(age_s * 1e6));
        motion.take(at, Sample { stamp, reading: Reading::Pulses(whole(turns * 20.0)) });
    };
    // A store of an hour, emptied within half a minute.
    for k in 0..3600 {
        let age_s = 3600.0 * (1.0 - f64::from(k) / 3600.0);
        since(&mut motion, 10.0 + f64::from(k) * 0.01, age_s, f64::from(k.min(3500)));
        assert!((motion.lateness().as_secs_f64() - age_s).abs() < 1e-3);
        assert!(age_s <= 2.0 || motion.standing() == Standing::No && motion.glance().is_none());
    }
    assert!(motion.distance_mm() < 1e-9 && !motion.has_seen_turning());
    for k in 0..200 {
        since(&mut motion, 50.0 + f64::from(k) * 0.05, 0.1, 3500.0);
    }
    assert!(matches!(motion.standing(), Standing::For(span) if span > Duration::from_secs(8)));
    // Packets of a second are not a store.
    for k in 0..400 {
        let packet = f64::from(k / 20) + 61.0;
        let t_s = 60.0 + f64::from(k) * 0.05;
        since(&mut motion, packet, packet - t_s, 3500.0 + (t_s - 60.0) * 3.0);
    }
    let glance = motion.glance().expect("a glance");
    assert!((glance.speed_mm_s - 3.0 * CIRCUMFERENCE).abs() < 2.0 && motion.has_seen_turning(), "{glance:?}");
}

#[test]
fn a_stall_of_ten_seconds_shows_as_lateness_and_ends_with_it() {
    let (mut rig, mut motion) = (Rig::new(31), Rig::motion());
    rig.ready(&mut motion, 100.0);
    let before = (motion.distance_mm(), rig.time_s);
    // Ten seconds of samples arrive at once, after them.
    let came_s = rig.time_s + 10.0;
    for k in 0..2000 {
        let (_, sample) = rig.next(100.0);
        let late_s = came_s - rig.time_s;
        motion.take(rig.at(late_s), sample);
        assert!(
            (motion.lateness().as_secs_f64() - late_s).abs() < 0.35,
            "{k}: {late_s} {:?}",
            motion.lateness()
        );
        assert!(late_s < 2.5 || motion.standing() == Standing::No);
    }
    rig.run(&mut motion, 100.0, 3.0);
    assert!(motion.lateness() < Duration::from_millis(200) && motion.has_seen_turning());
    // All of it was path, and is: nothing was lost.
    let way = 100.0 * (rig.time_s - before.1);
    assert!((motion.distance_mm() - before.0 - way).abs() < 2.0, "{} {way}", motion.distance_mm() - before.0);
}

/// What was prompt and is late from some moment on stays late: a buffer that filled up holds the same stretch for ever.
#[test]
fn a_delay_that_begins_and_stays_is_not_forgotten() {
    // Before anything is known of the sensor's clock, and when it is.
    for prompt_s in [1.5, 30.0] {
        let (mut rig, mut motion) = (Rig::new(33), Rig::motion());
        rig.run(&mut motion, 100.0, prompt_s);
        for _ in 0..200 * 900 {
            let (_, sample) = rig.next(100.0);
            motion.take(rig.at(4.0), sample);
        }
        let late = motion.lateness();
        assert!(late > Duration::from_secs(3), "{prompt_s} s, then a quarter of an hour: {late:?}");
        assert_eq!(motion.standing(), Standing::No);
    }
}

#[test]
fn bursts_of_a_scaled_bench_are_no_backlog() {
    // A second of bench time at each wake, of which the first may come at any time.
    for phase in 0..10 {
        let (mut rig, mut motion) = (Rig::new(32), Rig::motion());
        let mut feed = |motion: &mut Motion, speed: f64, seconds: f64| {
            let until = rig.time_s + seconds;
            while rig.time_s < until - 1e-9 {
                let (_, sample) = rig.next(speed);
                let wake = (rig.time_s + 0.1 * f64::from(phase)).floor() + 1.0 - 0.1 * f64::from(phase);
                motion.take(rig.at(wake - rig.time_s), sample);
            }
        };
        feed(&mut motion, 0.0, 5.0);
        assert!(matches!(motion.standing(), Standing::For(span) if span > Duration::from_secs(3)));
        feed(&mut motion, 100.0, 5.0);
        motion.begin_measure();
        feed(&mut motion, 100.0, 5.0);
        let measured = motion.measured().expect("blocks");
        assert!((measured.speed_mm_s.abs() - 100.0).abs() < 0.5 && measured.turns >= 13, "{measured:?}");
        assert!(motion.lateness() < Duration::from_millis(1100) && motion.has_seen_turning());
        feed(&mut motion, 0.0, 4.0);
        assert!(matches!(motion.standing(), Standing::For(span) if span > Duration::from_secs(2)));
    }
}

#[test]
fn a_burst_proves_no_long_rest() {
    // A store of less than what is called one: the rest in it is believed once it is clear that nothing follows it.
    let mut motion = counter();
    for k in 0..70 {
        give(&mut motion, f64::from(k) * 0.02, 5.0 + f64::from(k) * 1e-4, 1.0);
    }
    assert!(matches!(motion.standing(), Standing::For(span) if span < Duration::from_millis(520)));
    for k in 0..150 {
        give(&mut motion, 1.4 + f64::from(k) * 0.02, 5.007 + f64::from(k) * 0.02, 1.0);
    }
    assert!(matches!(motion.standing(), Standing::For(span) if span > Duration::from_secs(4)));
}

#[test]
fn a_buffer_that_always_holds_five_seconds_can_not_be_seen_by_stamps() {
    // The limit of what stamps tell: only the reaction to orders shows it, five seconds late.
    let (mut told, mut motion) =
        (Told::new(Source::Pulses { a_turn: 20 }, Lines::Polled(50.0), 1), counter());
    let mut held = std::collections::VecDeque::new();
    for k in 0..1000 {
        told.speed = if k < 500 { 0.0 } else { 100.0 };
        let (at, sample) = told.next();
        held.push_back(sample);
        if held.len() > 250
            && let Some(sample) = held.pop_front()
        {
            motion.take(at, sample);
        }
        if k > 300 && k < 745 {
            assert!(matches!(motion.standing(), Standing::For(_)), "{k}");
            assert!(motion.lateness() < Duration::from_millis(50));
        }
    }
    assert_eq!(motion.standing(), Standing::No);
}

#[test]
fn a_block_sent_again_is_not_now() {
    let mut motion = counter();
    let turns = |t_s: f64| 3.0 * t_s;
    let at = |t_s: f64| t_s + 100.0;
    for k in 0..1000 {
        let t_s = f64::from(k) * 0.02;
        give(&mut motion, t_s, at(t_s), turns(t_s));
    }
    motion.begin_measure();
    for k in 1000..1300 {
        let t_s = f64::from(k) * 0.02;
        give(&mut motion, t_s, at(t_s), turns(t_s));
    }
    let before = motion.distance_mm();
    assert!(motion.measured().expect("blocks").turns > 12);
    // The last five seconds come once more at once; then it goes on.
    for k in 1050..1300 {
        give(&mut motion, f64::from(k) * 0.02, at(26.0), turns(f64::from(k) * 0.02));
    }
    assert_eq!((motion.counts().restarts, motion.standing()), (1, Standing::No));
    assert!(motion.lateness() > Duration::from_secs(4) && motion.measured().is_none());
    assert!((motion.distance_mm() - before).abs() < 0.25 * 3.0 * CIRCUMFERENCE);
    for k in 1301..1500 {
        let t_s = f64::from(k) * 0.02;
        give(&mut motion, t_s, at(t_s), turns(t_s));
    }
    let glance = motion.glance().expect("a glance");
    assert!((glance.speed_mm_s - 3.0 * CIRCUMFERENCE).abs() < 2.0, "{glance:?}");
    assert!(motion.lateness() < Duration::from_millis(50));
    // A few samples again are ignored.
    let repeated = motion.counts().repeated;
    for k in 1480..1500 {
        give(&mut motion, f64::from(k) * 0.02, at(30.0), turns(f64::from(k) * 0.02));
    }
    assert_eq!((motion.counts().repeated, motion.counts().restarts), (repeated + 20, 1));
}

#[test]
fn stamps_that_leap_ahead_are_seen() {
    for (leap_s, restarts) in [(5.0, 0), (300.0, 1)] {
        let mut motion = counter();
        for k in 0..500 {
            let t_s = f64::from(k) * 0.02;
            give(&mut motion, t_s, t_s, 3.0 * t_s);
        }
        let before = motion.distance_mm();
        motion.begin_measure();
        for k in 500..600 {
            let t_s = f64::from(k) * 0.02;
            give(&mut motion, t_s + leap_s, t_s, 3.0 * t_s);
            if restarts == 0 && k < 599 {
                assert!(
                    motion.lateness() > Duration::from_secs(4) && motion.standing() == Standing::No,
                    "{k}"
                );
            }
        }
        assert_eq!(motion.counts().restarts, restarts);
        for k in 600..800 {
            let t_s = f64::from(k) * 0.02;
            give(&mut motion, t_s + leap_s, t_s, 3.0 * t_s);
        }
        assert!((motion.glance().expect("a glance").speed_mm_s - 3.0 * CIRCUMFERENCE).abs() < 2.0);
        let way = motion.distance_mm() - before;
        assert!(way > 350.0 && way < 6.1 * 3.0 * CIRCUMFERENCE, "{way}");
    }
}

#[test]
fn a_stream_that_skips_is_a_gap_and_goes_on() {
    let mut motion = counter();
    for k in 0..1500 {
        let t_s = f64::from(k) * 0.02;
        // Nothing from the tenth second to the thirteenth.
        if (500..650).contains(&k) {
            continue;
        }
        give(&mut motion, t_s, t_s, 3.0 * t_s);
        assert!(motion.lateness() < Duration::from_millis(50));
        assert!(motion.glance().is_none_or(|glance| (glance.speed_mm_s - 99.0).abs() < 4.0 * glance.u_mm_s));
    }
    assert_eq!((motion.counts().gaps, motion.counts().restarts), (1, 0));
    // A count knows its way across; an angle would not.
    assert!((motion.distance_mm() - 29.98 * 3.0 * CIRCUMFERENCE).abs() < 5.0, "{}", motion.distance_mm());
}

#[test]
fn a_field_from_a_store_calibrates_nothing() {
    let (mut rig, mut motion) = (Rig::new(33), Rig::motion());
    // Five minutes at 300 mm/s, sent within three seconds, after which it is told that the axle stands.
    for k in 0..60_000 {
        let (_, sample) = rig.next(300.0);
        let at = BenchTime::ZERO + Duration::from_secs_f64(400.0 + f64::from(k) * 5e-5);
        motion.take(at, sample);
        assert!(k < 400 || (motion.glance().is_none() && motion.standing() == Standing::No), "{k}");
    }
    assert!(motion.lateness() > Duration::from_secs(290) && !motion.has_seen_turning());
    let late_s = 403.0 - rig.time_s;
    for _ in 0..1200 {
        let (_, sample) = rig.next(0.0);
        motion.take(rig.at(late_s), sample);
    }
    assert!(matches!(motion.standing(), Standing::For(span) if span > Duration::from_secs(3)));
    assert!(!motion.has_seen_turning() && motion.quality().is_none() && motion.distance_mm() < 1e-9);
    assert!(motion.lateness() < Duration::from_millis(50) && !motion.clock_rate().corrected);
    // From here on it is a sensor like any other.
    for _ in 0..600 {
        let (_, sample) = rig.next(100.0);
        motion.take(rig.at(late_s), sample);
    }
    assert!((motion.glance().expect("a glance").speed_mm_s.abs() - 100.0).abs() < 2.0);
}

#[test]
fn a_slow_link_that_is_prompt_again_is_no_backlog() {
    let (mut rig, mut motion) = (Rig::new(34), Rig::motion());
    rig.ready(&mut motion, 100.0);
    // For a minute all comes three seconds late.
    for _ in 0..12_000 {
        let (_, sample) = rig.next(100.0);
        motion.take(rig.at(3.0), sample);
    }
    for k in 0..600 {
        // It catches up within a second.
        let (_, sample) = rig.next(100.0);
        motion.take(rig.at((3.0 - f64::from(k) * 0.005 * 3.0).max(0.0)), sample);
        assert!(motion.has_seen_turning() && motion.glance().is_some(), "{k}");
    }
}

#[test]
fn sensors_clocks_of_two_percent_are_no_backlog() {
    for slow in [-0.02, 0.02] {
        let (mut rig, mut motion) = (Rig::new(35), Rig::motion());
        (rig.slow, rig.rate_hz) = (slow, 50.0);
        rig.ready(&mut motion, 100.0);
        for _ in 0..600 {
            rig.run(&mut motion, 100.0, 1.0);
            assert!(motion.has_seen_turning() && motion.glance().is_some());
            assert!(motion.lateness() < Duration::from_millis(300), "{:?}", motion.lateness());
        }
    }
}
