//! When what is told in steps counts as standing: a running engine never does, a noisy speed at rest does.
use super::super::testing::{CIRCUMFERENCE, Lines, Random, Told, motion, whole};
use super::*;
use crate::sensor::{Reading, Source, Stamp};

#[derive(Clone, Copy, Debug)]
enum Trouble {
    Gap,
    Leap,
    Restart,
}

/// Seconds by which a running engine was called standing, at most, after a trouble in its samples, polled at 50 Hz.
fn called_standing(a_turn: u16, speed: f64, trouble: Trouble, seed: u64) -> f64 {
    let (mut told, mut motion) =
        (Told::new(Source::Pulses { a_turn }, Lines::Polled(50.0), seed), motion(Source::Pulses { a_turn }));
    told.run(&mut motion, 0.0, 5.0);
    let more = told.random.unit() * CIRCUMFERENCE / speed;
    told.run(&mut motion, speed, 20.0 + more);
    let mut back_us = 0;
    match trouble {
        Trouble::Gap => {
            told.time_s += 3.0;
            told.turns += 3.0 * speed / CIRCUMFERENCE;
        }
        Trouble::Leap => told.counted += 4000,
        Trouble::Restart => back_us = whole(told.time_s * 1e6) - 40_000,
    }
    let mut longest: f64 = 0.0;
    for _ in 0..600 {
        let (at, mut sample) = told.next();
        if let Stamp::ClockUs(us) = &mut sample.stamp {
            *us -= back_us;
        }
        motion.take(at, sample);
        if let Standing::For(span) = motion.standing() {
            longest = longest.max(span.as_secs_f64());
        }
    }
    assert_eq!(motion.counts().restarts, u64::from(!matches!(trouble, Trouble::Gap)), "{trouble:?}");
    longest
}

#[test]
fn a_running_engine_never_stands_after_a_gap_a_leap_or_a_restart() {
    for (a_turn, speeds) in [
        (1, &[9.0, 16.0, 25.0, 40.0, 60.0][..]),
        (4, &[5.0, 7.0, 16.0, 60.0][..]),
        (20, &[5.0, 16.0, 60.0][..]),
    ] {
        for speed in speeds {
            for trouble in [Trouble::Gap, Trouble::Leap, Trouble::Restart] {
                for seed in 0..12 {
                    let longest = called_standing(a_turn, *speed, trouble, seed);
                    assert!(longest <= 0.0, "{a_turn} a turn, {speed} mm/s, {trouble:?}: {longest} s");
                }
            }
        }
    }
}

#[test]
fn a_first_step_is_no_standstill_of_an_engine_that_goes_on() {
    for (a_turn, speed) in [(1, 9.0), (1, 16.0), (4, 5.0), (20, 3.0)] {
        for seed in 0..12 {
            let source = Source::Pulses { a_turn };
            let (mut told, mut motion) = (Told::new(source, Lines::Polled(50.0), seed), motion(source));
            told.run(&mut motion, 0.0, 6.0);
            told.run(&mut motion, speed, 0.3);
            while matches!(motion.standing(), Standing::For(_)) {
                told.run(&mut motion, speed, 0.02);
            }
            for _ in 0..600 {
                told.run(&mut motion, speed, 0.02);
                assert_eq!(motion.standing(), Standing::No, "{a_turn} a turn, {speed} mm/s");
            }
            told.run(&mut motion, 0.0, 3.2 * CIRCUMFERENCE / f64::from(a_turn) / speed + 1.0);
            assert!(matches!(motion.standing(), Standing::For(_)), "{a_turn} a turn, {speed} mm/s");
        }
    }
}

/// A speed told in steps of 0.1 mm/s at 50 Hz, with noise and an offset.
struct Noisy {
    random: Random,
    sd: f64,
    offset: f64,
    k: u32,
}

impl Noisy {
    fn run(&mut self, motion: &mut Motion, speed: f64, seconds: f64) {
        for _ in 0..whole(seconds * 50.0) {
            let mm_s = speed + self.offset + self.sd * self.random.normal();
            let reading = Reading::SpeedMS((mm_s / 0.1).round() * 0.1e-3);
            let at = BenchTime::from_millis(20 * u64::from(self.k));
            motion.take(at, Sample { stamp: Stamp::ClockUs(20_000 * i64::from(self.k)), reading });
            self.k += 1;
        }
    }
}

#[test]
fn a_speed_noisier_than_its_step_stands_and_makes_no_way() {
    for (sd, offset) in [(0.2, 0.0), (0.3, 0.1), (1.0, 0.0), (0.0, 0.3), (2.0, 0.0)] {
        let mut motion = motion(Source::Speed { resolution_mm_s: 0.1 });
        let mut noisy = Noisy { random: Random::new(11), sd, offset, k: 0 };
        noisy.run(&mut motion, 0.0, 10.0);
        let before = motion.distance_mm();
        noisy.run(&mut motion, 0.0, 600.0);
        let stood = matches!(motion.standing(), Standing::For(span) if span.as_secs_f64() >= 600.0);
        assert!(stood && !motion.has_seen_turning(), "{sd}, {offset}: {:?}", motion.standing());
        assert!(motion.distance_mm() - before < 1e-9, "{sd}, {offset}: {}", motion.distance_mm() - before);
        // A creep is none of it.
        noisy.run(&mut motion, 4.0, 2.0);
        for _ in 0..200 {
            noisy.run(&mut motion, 4.0, 0.1);
            assert!(!matches!(motion.standing(), Standing::For(_)), "{sd}, {offset}");
        }
        noisy.run(&mut motion, 100.0, 2.0);
        assert!(motion.has_seen_turning());
        noisy.run(&mut motion, 0.0, 3.0);
        let stood = matches!(motion.standing(), Standing::For(span) if span.as_secs_f64() >= 2.0);
        assert!(stood, "{sd}, {offset}: {:?}", motion.standing());
    }
}

#[test]
fn an_offset_that_looks_like_a_creep_is_no_proof_of_turning() {
    let mut motion = motion(Source::Speed { resolution_mm_s: 0.1 });
    let mut noisy = Noisy { random: Random::new(12), sd: 0.0, offset: 1.0, k: 0 };
    noisy.run(&mut motion, 0.0, 300.0);
    assert!(!motion.has_seen_turning() && motion.standing() == Standing::No, "{:?}", motion.standing());
}
