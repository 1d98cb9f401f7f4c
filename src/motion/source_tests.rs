//! Tests of what is told in steps: rest, creep, restarts, leaps, and samples of any kind.
use super::super::testing::{CIRCUMFERENCE, Lines, Random, Told, motion, whole};
use super::*;
use crate::sensor::{Reading, Source, Stamp};
use proptest::prelude::*;

const SOURCES: [(Source, Lines); 6] = [
    (Source::Pulses { a_turn: 1 }, Lines::EachPulse(0.4)),
    (Source::Pulses { a_turn: 20 }, Lines::EachPulse(0.4)),
    (Source::Pulses { a_turn: 500 }, Lines::Polled(50.0)),
    (Source::Distance { resolution_mm: 1.0 }, Lines::Polled(20.0)),
    (Source::Angle { resolution_rad: TURN / 360.0 }, Lines::Polled(50.0)),
    (Source::Speed { resolution_mm_s: 1.0 }, Lines::Polled(10.0)),
];

fn stands(motion: &Motion, least_s: f64) -> bool {
    matches!(motion.standing(), Standing::For(span) if span.as_secs_f64() >= least_s)
}

fn field_only(motion: &Motion) {
    assert!(motion.quality().is_none());
}

#[test]
fn rest_and_motion_of_every_source() {
    for (source, lines) in SOURCES {
        let (mut told, mut motion) = (Told::new(source, lines, 3), motion(source));
        told.run(&mut motion, 0.0, 5.0);
        assert!(stands(&motion, 4.0) && !motion.has_seen_turning(), "{source:?}: {:?}", motion.standing());
        assert!(motion.distance_mm() < 1e-9);
        let began = told.turns;
        for speed in [120.0, 40.0, 200.0] {
            told.run(&mut motion, speed, 3.0);
            assert_eq!(motion.standing(), Standing::No, "{source:?}");
            let glance = motion.glance().expect("a glance");
            let off = (glance.speed_mm_s - speed).abs();
            assert!(off < 0.02 * speed + 3.0 * glance.u_mm_s && off < 0.2 * speed, "{source:?}: {glance:?}");
        }
        assert!(motion.has_seen_turning(), "{source:?}");
        field_only(&motion);
        let way = (told.turns - began) * CIRCUMFERENCE;
        let found = motion.distance_mm();
        assert!((found - way).abs() < 0.005 * way + CIRCUMFERENCE, "{source:?}: {way} {found}");
        told.run(&mut motion, 0.0, 4.0);
        assert!(stands(&motion, 2.0), "{source:?}: {:?}", motion.standing());
        let glance = motion.glance().expect("a glance");
        assert!(glance.speed_mm_s.abs() <= 4.0 * glance.u_mm_s, "{source:?}: {glance:?}");
        // At rest all is alike, for ever: that is never a frozen sensor.
        let before = motion.distance_mm();
        told.run(&mut motion, 0.0, 600.0);
        assert!(stands(&motion, 600.0) && (motion.distance_mm() - before).abs() < 1e-9, "{source:?}");
        let counts = motion.counts();
        assert_eq!((counts.restarts, counts.repeated), (0, 0), "{source:?}");
    }
}

#[test]
fn both_senses_of_what_tells_them() {
    for (source, lines) in SOURCES.into_iter().skip(2) {
        let (mut told, mut motion) = (Told::new(source, lines, 4), motion(source));
        told.run(&mut motion, 0.0, 2.0);
        for speed in [-90.0, 150.0] {
            told.run(&mut motion, 0.0, 2.0);
            told.run(&mut motion, speed, 2.0);
            motion.begin_measure();
            told.run(&mut motion, speed, 5.0);
            let found = motion.measured().expect("blocks").speed_mm_s;
            assert!((found - speed).abs() < 0.01 * speed.abs(), "{source:?}: {found}");
            assert!(motion.glance().expect("a glance").speed_mm_s * speed > 0.0);
        }
        assert_eq!(motion.counts().restarts, 0, "{source:?}");
    }
}

#[test]
fn an_angle_noisier_than_its_steps_stands_too() {
    let source = Source::Angle { resolution_rad: 0.0015 };
    let (mut random, mut motion) = (Random::new(8), motion(source));
    let (mut k, mut angle) = (0_u32, 0.0);
    let mut run = |motion: &mut Motion, rad_per_s: f64, samples: u32| {
        for _ in 0..samples {
            angle += rad_per_s * 0.005;
            let noisy = ((angle + 0.002 * random.normal()) / 0.0015).round() * 0.0015;
            let told = noisy - TURN * (noisy / TURN).floor();
            let sample =
                Sample { stamp: Stamp::ClockUs(i64::from(k) * 5_000), reading: Reading::AngleRad(told) };
            motion.take(BenchTime::from_millis(u64::from(k) * 5), sample);
            k += 1;
        }
    };
    run(&mut motion, 0.0, 1000);
    assert!(stands(&motion, 1.0), "{:?}", motion.standing());
    run(&mut motion, 3.0, 2000);
    assert_eq!(motion.standing(), Standing::No);
    let before = motion.distance_mm();
    run(&mut motion, 0.0, 4000);
    assert!(stands(&motion, 15.0), "{:?}", motion.standing());
    assert!(motion.distance_mm() - before < 0.1, "noise is no way");
    // A tenth of a turn a minute: slower than any engine.
    run(&mut motion, 0.0105, 4000);
    assert!((motion.distance_mm() - before - 0.21 / TURN * CIRCUMFERENCE).abs() < 0.3);
}

#[test]
fn jitter_between_two_neighbours_is_rest_and_a_creep_is_not() {
    for (source, low, high) in [
        (Source::Pulses { a_turn: 20 }, Reading::Pulses(41), Reading::Pulses(42)),
        (Source::Distance { resolution_mm: 1.0 }, Reading::DistanceM(0.203), Reading::DistanceM(0.204)),
        (Source::Angle { resolution_rad: 0.1 }, Reading::AngleRad(0.0), Reading::AngleRad(TURN - 0.1)),
        (Source::Speed { resolution_mm_s: 1.0 }, Reading::SpeedMS(0.0), Reading::SpeedMS(-0.001)),
    ] {
        let mut motion = motion(source);
        for k in 0..500_u32 {
            let reading = if k % 7 % 3 == 0 { high } else { low };
            let at = BenchTime::from_millis(u64::from(k) * 20);
            motion.take(at, Sample { stamp: Stamp::ClockUs(i64::from(k) * 20_000), reading });
        }
        assert!(stands(&motion, 9.0), "{source:?}: {:?}", motion.standing());
        assert!(!motion.has_seen_turning() && motion.distance_mm() < 1.0);
    }
    // Twenty pulses of 1.65 mm, a second or three apart: that is no rest, and its speed is known to a tenth.
    for speed in [1.65, 0.55] {
        let source = Source::Pulses { a_turn: 20 };
        let (mut told, mut motion) = (Told::new(source, Lines::EachPulse(0.25), 6), motion(source));
        told.run(&mut motion, 0.0, 2.0);
        told.run(&mut motion, speed, 20.0);
        for _ in 0..200 {
            told.run(&mut motion, speed, 0.1);
            assert_eq!(motion.standing(), Standing::No, "{speed}");
            let glance = motion.glance().expect("a glance");
            assert!((glance.speed_mm_s - speed).abs() < 0.1 * speed, "{speed}: {glance:?}");
        }
        // Once it stops, three intervals later at most it is known to.
        told.run(&mut motion, 0.0, 3.3 * 1.65 / speed);
        assert!(stands(&motion, 2.0), "{:?}", motion.standing());
    }
}

#[test]
fn a_count_that_starts_anew_is_no_speed() {
    for (source, lines) in [
        (Source::Pulses { a_turn: 20 }, Lines::EachPulse(0.4)),
        (Source::Pulses { a_turn: 500 }, Lines::Polled(50.0)),
    ] {
        for standing in [false, true] {
            let (mut told, mut motion) = (Told::new(source, lines, 7), motion(source));
            told.run(&mut motion, 0.0, 2.0);
            told.run(&mut motion, 100.0, 3.0);
            motion.begin_measure();
            told.run(&mut motion, if standing { 0.0 } else { 100.0 }, 4.0);
            let before = motion.distance_mm();
            let Source::Pulses { a_turn } = source else { unreachable!("pulses") };
            told.counted = told.pulses(told.turns, a_turn);
            for _ in 0..20 {
                let (at, sample) = told.next();
                motion.take(at, sample);
                let glance = motion.glance();
                let wrong = |glance: Glance| !(-0.1..=120.0).contains(&glance.speed_mm_s);
                assert!(!glance.is_some_and(wrong), "{source:?}: {glance:?}");
            }
            assert_eq!(motion.counts().restarts, 1, "{source:?}");
            assert!(motion.measured().is_none() && motion.has_seen_turning());
            assert!((motion.distance_mm() - before) < 60.0, "{} {before}", motion.distance_mm());
        }
    }
    // Started anew in a silence, and some way on since.
    // A leap ahead, and one back, by more than an engine can do.
    let source = Source::Distance { resolution_mm: 1.0 };
    let (mut told, mut motion) = (Told::new(source, Lines::Polled(20.0), 8), motion(source));
    told.run(&mut motion, 100.0, 5.0);
    for leaps in [40.0, -30.0] {
        motion.begin_measure();
        told.run(&mut motion, 100.0, 2.0);
        let before = (motion.distance_mm(), motion.counts().restarts);
        told.turns += leaps;
        told.run(&mut motion, 100.0, 0.2);
        assert_eq!(motion.counts().restarts, before.1 + 1);
        assert!(motion.measured().is_none() && motion.distance_mm() - before.0 < 40.0);
        told.run(&mut motion, 100.0, 2.0);
        assert!((motion.measured().expect("blocks").speed_mm_s - 100.0).abs() < 2.0);
    }
}

#[test]
fn a_count_that_starts_anew_in_a_silence_is_no_way() {
    let (source, lines) = SOURCES[1];
    let (mut told, mut motion) = (Told::new(source, lines, 7), motion(source));
    told.run(&mut motion, 100.0, 5.0);
    let before = motion.distance_mm();
    told.time_s += 3.0;
    told.line_s = told.time_s;
    // It has counted on since.
    told.counted = told.pulses(told.turns, 20) - 12;
    told.run(&mut motion, 0.0, 2.0);
    assert_eq!(motion.counts().restarts, 1);
    assert!(motion.distance_mm() - before < 2.0, "{before} {}", motion.distance_mm());
}

#[test]
fn an_angle_may_count_turns_or_not_and_half_a_turn_unseen_is_a_gap() {
    let degree = TURN / 360.0;
    let source = Source::Angle { resolution_rad: degree };
    for counts in [false, true] {
        let (mut told, mut motion) = (Told::new(source, Lines::Polled(50.0), 9), motion(source));
        let mut feed = |told: &mut Told, seconds: f64| {
            for _ in 0..whole(seconds * 50.0) {
                let (at, mut sample) = told.next();
                if counts {
                    sample.reading = Reading::AngleRad((told.turns * 360.0).round() * degree);
                }
                motion.take(at, sample);
            }
            motion.begin_measure();
            for _ in 0..200 {
                let (at, mut sample) = told.next();
                if counts {
                    sample.reading = Reading::AngleRad((told.turns * 360.0).round() * degree);
                }
                motion.take(at, sample);
            }
            (motion.measured().map_or(0.0, |measured| measured.speed_mm_s), motion.distance_mm())
        };
        told.speed = 100.0;
        let (speed, way) = feed(&mut told, 4.0);
        assert!((speed - 100.0).abs() < 0.5 && (way - 798.0).abs() < 3.0, "{speed} {way}");
        // Two tenths of a second are six tenths of a turn: the way is taken from the speed before.
        told.time_s += 0.2;
        told.turns += 20.0 / CIRCUMFERENCE;
        let (speed, longer) = feed(&mut told, 1.0);
        assert!(
            (speed - 100.0).abs() < 0.5 && (longer - way - 520.0).abs() < 4.0,
            "{counts}: {speed} {}",
            longer - way
        );
        // An angle that comes round needs samples enough to be followed; one that counts turns does not.
        let sampling = motion.sampling();
        assert_eq!(sampling.is_none(), counts);
        assert!(sampling.is_none_or(|of| (of.rate_hz - 50.0).abs() < 0.5));
        assert!(sampling.is_none_or(|of| (of.periods_hz - 100.0 / CIRCUMFERENCE).abs() < 0.1));
    }
}

#[test]
fn readings_of_another_kind_are_ignored() {
    let mut motion = motion(Source::Pulses { a_turn: 20 });
    for (k, reading) in [
        Reading::Field([1.0; 3]),
        Reading::AngleRad(1.0),
        Reading::DistanceM(1.0),
        Reading::SpeedMS(1.0),
        Reading::Pulses(i64::MAX),
    ]
    .into_iter()
    .enumerate()
    {
        let at = BenchTime::from_millis(20 * k as u64);
        motion.take(at, Sample { stamp: Stamp::SinceSendingUs(0), reading });
    }
    assert_eq!((motion.counts(), motion.newest()), (SampleCounts::default(), None));
}

fn any_stamp() -> impl Strategy<Value = Stamp> {
    prop_oneof![
        any::<u32>().prop_map(Stamp::CountUs),
        any::<i64>().prop_map(Stamp::ClockUs),
        (0..100_000_000_i64).prop_map(Stamp::ClockUs),
        any::<i64>().prop_map(Stamp::SinceSendingUs),
        (-2_000_000..1_i64).prop_map(Stamp::SinceSendingUs),
    ]
}

fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![any::<f64>(), -1.0..1.0_f64, 0.0..1e3_f64, Just(0.0), Just(1e100), Just(f64::NAN)]
}

fn any_reading() -> impl Strategy<Value = Reading> {
    prop_oneof![
        prop::array::uniform3(any_number()).prop_map(Reading::Field),
        any_number().prop_map(Reading::AngleRad),
        any_number().prop_map(Reading::DistanceM),
        any_number().prop_map(Reading::SpeedMS),
        any::<i64>().prop_map(Reading::Pulses),
        (0..200_i64).prop_map(Reading::Pulses),
    ]
}

fn any_source() -> impl Strategy<Value = Source> {
    prop_oneof![
        any::<u16>().prop_map(|pole_pairs| Source::Field { pole_pairs }),
        any_number().prop_map(|resolution_rad| Source::Angle { resolution_rad }),
        any_number().prop_map(|resolution_mm| Source::Distance { resolution_mm }),
        any_number().prop_map(|resolution_mm_s| Source::Speed { resolution_mm_s }),
        any::<u16>().prop_map(|a_turn| Source::Pulses { a_turn }),
        Just(Source::Pulses { a_turn: 1 }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(192))]
    #[test]
    fn no_samples_of_any_kind_make_it_panic(
        source in any_source(),
        near in any::<bool>(),
        samples in prop::collection::vec((any::<u64>(), any_stamp(), any_reading(), 0_u8..30), 0..400),
    ) {
        let mut motion = motion(source);
        let mut time = 0_u64;
        for (nanos, stamp, reading, act) in samples {
            match act {
                0 => motion.begin_measure(),
                1 => motion.end_measure(),
                2 => motion.overrun(),
                3 => motion.set_layout(Quantity::Field { axes: 2 }),
                4 => motion.set_layout(Quantity::Pulses),
                _ => {}
            }
            time = if near { time + nanos % 100_000_000 } else { nanos };
            motion.take(BenchTime::from_nanos(time), Sample { stamp, reading });
            let distance = motion.distance_mm();
            prop_assert!(distance >= 0.0 && distance.is_finite());
            prop_assert!(motion.glance().is_none_or(|g| g.speed_mm_s.is_finite() && g.u_mm_s >= 0.0));
            prop_assert!(motion.measured().is_none_or(|m| m.speed_mm_s.is_finite() && m.u_mm_s >= 0.0));
            prop_assert!(motion.u_resolution_mm_s().is_finite());
            let _ = (motion.standing(), motion.quality(), motion.sampling(), motion.clock_rate(), motion.lateness());
        }
    }
}
