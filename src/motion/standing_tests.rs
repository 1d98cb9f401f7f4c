//! Tests of standstill and of a dead, late or lost signal, on a turning magnet made for them.
use super::super::testing::Rig;
use super::*;
use crate::sensor::Reading;
use std::time::Duration;

fn near(found: f64, wanted: f64, relative: f64) {
    assert!((found - wanted).abs() <= relative * wanted.abs(), "found {found}, wanted {wanted}");
}

#[test]
fn standing_is_seen_against_noise_and_a_creep_is_not_standing() {
    let (mut rig, mut motion) = (Rig::new(8), Rig::motion());
    rig.run(&mut motion, 0.0, 5.0);
    // Before any turn: standing is known, speed is not.
    assert!(matches!(motion.standing(), Standing::For(time) if time > Duration::from_secs(4)));
    assert!(motion.glance().is_none() && motion.quality().is_none());
    // First movement is seen long before a turn is complete.
    rig.run(&mut motion, 10.0, 0.3);
    assert_eq!(motion.standing(), Standing::No);
    // A creep of half a millimetre a second never stands for as long as a second.
    let mut longest = Duration::ZERO;
    for _ in 0..2_000 {
        rig.run(&mut motion, 0.5, 0.005);
        if let Standing::For(time) = motion.standing() {
            longest = longest.max(time);
        }
    }
    assert!(longest < Duration::from_secs(1), "{longest:?}");
    // After running, standing is seen again soon, and the glance is about nothing.
    rig.ready(&mut motion, 200.0);
    assert_eq!(motion.standing(), Standing::No);
    rig.run(&mut motion, 0.0, 1.0);
    assert!(matches!(motion.standing(), Standing::For(time) if time >= Duration::from_millis(700)));
    let glance = motion.glance().expect("a glance");
    assert!(glance.speed_mm_s.abs() <= 4.0 * glance.u_mm_s && glance.u_mm_s < 0.1, "{glance:?}");
}

#[test]
fn standing_is_rarely_missed_and_never_seen_while_turning() {
    for (rate, noise) in [(50.0, 1.0), (200.0, 3.0), (1000.0, 0.3), (2000.0, 5.0)] {
        let (mut rig, mut motion) = (Rig::new(9), Rig::motion());
        (rig.rate_hz, rig.noise) = (rate, noise);
        rig.ready(&mut motion, 150.0);
        rig.run(&mut motion, 0.0, 0.5);
        let mut unsure = 0;
        for _ in 0..600 {
            rig.run(&mut motion, 0.0, 0.1);
            unsure += u32::from(!matches!(motion.standing(), Standing::For(_)));
        }
        assert!(unsure <= 3, "{rate} Hz, noise {noise}: {unsure} of 600");
        for speed in [2.0, 5.0, 20.0, 80.0, 165.0, 260.0, 330.0] {
            // The last two pass 90 degrees a sample at 50 Hz, where turning is not to be measured; but it is no rest.
            rig.run(&mut motion, speed, 0.5);
            for _ in 0..100 {
                rig.run(&mut motion, speed, 0.02);
                let standing = motion.standing();
                let fits = match standing {
                    Standing::No => true,
                    Standing::For(time) => time.as_secs_f64() * speed < 2.0,
                    Standing::Frozen => false,
                };
                assert!(fits, "{rate} Hz, noise {noise}, {speed} mm/s: {standing:?}");
            }
        }
    }
}

#[test]
fn a_digital_sensor_stands_and_turns() {
    // Whole counts, noise below one of them.
    let (mut rig, mut motion) = (Rig::new(18), Rig::motion());
    rig.noise = 0.7;
    let mut feed = |motion: &mut Motion, speed: f64, seconds: f64| {
        let until = rig.time_s + seconds;
        while rig.time_s < until - 1e-9 {
            let (at, sample) = rig.next(speed);
            motion.take(at, rounded(sample));
        }
    };
    for _ in 0..3 {
        feed(&mut motion, 0.0, 3.0);
        assert!(matches!(motion.standing(), Standing::For(time) if time > Duration::from_secs(1)));
        feed(&mut motion, 20.0, 4.0);
        assert_eq!(motion.standing(), Standing::No);
    }
    near(motion.glance().expect("a glance").speed_mm_s.abs(), 20.0, 0.02);
}

#[test]
fn a_frozen_sensor_is_no_standstill() {
    let (mut rig, mut motion) = (Rig::new(10), Rig::motion());
    rig.ready(&mut motion, 100.0);
    let (_, last) = rig.next(100.0);
    for _ in 0..400 {
        let (at, sample) = rig.next(100.0);
        motion.take(at, Sample { reading: last.reading, ..sample });
    }
    assert_eq!(motion.standing(), Standing::Frozen);
    rig.run(&mut motion, 100.0, 0.5);
    assert_eq!(motion.standing(), Standing::No);
}

#[test]
fn old_data_and_a_lost_magnet_prove_no_standstill() {
    let (mut rig, mut motion) = (Rig::new(11), Rig::motion());
    rig.run(&mut motion, 0.0, 30.0);
    for _ in 0..400 {
        let (_, sample) = rig.next(0.0);
        motion.take(rig.at(3.0), sample);
    }
    assert_eq!(motion.standing(), Standing::No);

    let (mut rig, mut motion) = (Rig::new(12), Rig::motion());
    rig.ready(&mut motion, 100.0);
    (rig.cosine, rig.sine) = ([0.0; 3], [0.0; 3]);
    for _ in 0..20 {
        rig.run(&mut motion, 100.0, 0.1);
        assert_eq!(motion.standing(), Standing::No);
    }
    assert!(motion.glance().is_none() && motion.quality().is_none());
}

fn rounded(sample: Sample) -> Sample {
    let Reading::Field(field) = sample.reading else { return sample };
    Sample { reading: Reading::Field(field.map(f64::round)), ..sample }
}
