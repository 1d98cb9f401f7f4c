//! Any mounting, any good magnet: places of the sensor, ways it is turned, strengths, offsets, two axes and three, uneven
//! sampling; the speed that is found against the true one.
use super::super::testing::{CIRCUMFERENCE, Random, Rig};
use super::*;
use crate::sensor::Stamp;

/// Field at angle 0 and at 90 degrees of a point dipole across the axle, `polar_deg` off the axle's line: radial,
/// tangential, axial (`standards/measurement.md` 2.1).
fn dipole(polar_deg: f64) -> [[f64; 3]; 2] {
    let (sin, cos) = libm::sincos(polar_deg.to_radians());
    [[3.0 * sin * sin - 1.0, 0.0, 3.0 * sin * cos], [0.0, -1.0, 0.0]]
}

/// A rotation, all equally likely, of a random unit quaternion (K. Shoemake, Graphics Gems III, 1992, from memory).
fn rotation(random: &mut Random) -> [[f64; 3]; 3] {
    let drawn = [0; 4].map(|_: i32| random.normal());
    let length = drawn.iter().map(|part| part * part).sum::<f64>().sqrt();
    let [w, x, y, z] = drawn.map(|part| part / length);
    [
        [1.0 - 2.0 * (y * y + z * z), 2.0 * (x * y - w * z), 2.0 * (x * z + w * y)],
        [2.0 * (x * y + w * z), 1.0 - 2.0 * (x * x + z * z), 2.0 * (y * z - w * x)],
        [2.0 * (x * z - w * y), 2.0 * (y * z + w * x), 1.0 - 2.0 * (x * x + y * y)],
    ]
}

fn turned(rows: &[[f64; 3]; 3], field: [f64; 3]) -> [f64; 3] {
    [0, 1, 2].map(|axis: usize| (0..3).map(|part| rows[axis][part] * field[part]).sum())
}

/// Feeds `seconds` at `speed` with what the way does to the samples: each may be late or early, lost, or come twice.
fn feed(rig: &mut Rig, motion: &mut Motion, random: &mut Random, (speed, seconds): (f64, f64), uneven: bool) {
    let until = rig.time_s + seconds;
    let interval_s = 1.0 / rig.rate_hz;
    let mut nominal_s = rig.time_s;
    while nominal_s < until - 1e-9 {
        nominal_s += interval_s;
        let off = if uneven { 0.24 * (2.0 * random.unit() - 1.0) } else { 0.0 };
        let at_s = nominal_s + off * interval_s;
        rig.turns += speed / CIRCUMFERENCE * (at_s - rig.time_s);
        rig.turns -= rig.turns.floor();
        rig.time_s = at_s;
        if uneven && random.unit() < 0.1 {
            continue;
        }
        let sample = rig.sample();
        motion.take(rig.at(0.0), sample);
        if uneven && random.unit() < 0.1 {
            motion.take(rig.at(0.0), sample);
        }
    }
}

/// Relative error of a speed measured over about twenty turns, and the glance's sign.
fn measured(rig: &mut Rig, axes: u8, uneven: bool, speed: f64, seed: u64) -> (f64, f64, SampleCounts, usize) {
    let (mut motion, mut random) = (Rig::motion(), Random::new(seed));
    motion.set_layout(Quantity::Field { axes });
    feed(rig, &mut motion, &mut random, (0.0, 2.0), uneven);
    feed(rig, &mut motion, &mut random, (speed, 4.0 * CIRCUMFERENCE / speed.abs() + 0.5), uneven);
    motion.begin_measure();
    feed(rig, &mut motion, &mut random, (speed, 20.5 * CIRCUMFERENCE / speed.abs()), uneven);
    let found = motion.measured().map_or(f64::NAN, |measured| measured.speed_mm_s);
    (found.abs() / speed.abs() - 1.0, found.signum(), motion.counts(), motion.troubles().count())
}

#[test]
fn any_mounting_of_three_axes_gives_the_true_speed() {
    let mut random = Random::new(60);
    let mut wrong = Vec::new();
    for polar_deg in [0.0, 30.0, 45.0, 60.0, 90.0] {
        for (turn, amplitude) in [0.03, 40.0, 900.0, 40.0].into_iter().enumerate() {
            let rows = rotation(&mut random);
            let [cosine, sine] =
                dipole(polar_deg).map(|field| turned(&rows, field.map(|part| part * amplitude)));
            // Offsets up to the amplitude in each axis, and noise of 1 %.
            let offset = [0; 3].map(|_: i32| amplitude * (2.0 * random.unit() - 1.0));
            for (speed, uneven) in [(120.0, false), (-120.0, true), (15.0, true)] {
                let rig = Rig { cosine, sine, offset, noise: 0.01 * amplitude, ..Rig::new(61 + turn as u64) };
                let (off, _, _, troubles) = measured(&mut rig.clone(), 3, uneven, speed, 62);
                if off.abs() > 1e-3 || off.is_nan() || troubles > 0 {
                    wrong.push(format!("{polar_deg} deg, {amplitude}, {speed}, {uneven}: {off} {troubles}"));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn two_axes_give_the_true_speed_wherever_both_see_the_magnet() {
    // Radial and tangential. The turning sense seen is with the magnet below 35.264 degrees and against it beyond, and
    // near that the radial one sees nothing (`standards/measurement.md` 2.1).
    let mut senses = Vec::new();
    for polar_deg in [0.0, 30.0, 45.0, 60.0, 90.0] {
        let [cosine, sine] = dipole(polar_deg).map(|field| field.map(|part| 100.0 * part));
        for (speed, uneven) in [(120.0, false), (120.0, true)] {
            let offset = [60.0, -90.0, 0.0];
            let mut rig = Rig { cosine, sine, offset, noise: 0.5, ..Rig::new(63) };
            let (off, sense, ..) = measured(&mut rig, 2, uneven, speed, 64);
            assert!(off.abs() < 1e-3, "{polar_deg} deg, {uneven}: {off}");
            if !uneven {
                senses.push(sense);
            }
        }
    }
    assert_eq!(senses, [senses[0], senses[0], -senses[0], -senses[0], -senses[0]]);
    let [cosine, sine] = dipole(35.264_39).map(|field| field.map(|part| 100.0 * part));
    let mut rig = Rig { cosine, sine, offset: [0.0; 3], noise: 0.5, ..Rig::new(65) };
    assert!(measured(&mut rig, 2, false, 120.0, 66).0.is_nan(), "one axis that sees nothing shows no turn");
}

#[test]
fn uneven_lost_and_repeated_samples_are_counted() {
    let mut rig = Rig::new(67);
    let (off, _, counts, _) = measured(&mut rig, 3, true, 100.0, 68);
    assert!(off.abs() < 1e-3, "{off}");
    // About 2000 samples, of which a tenth is lost and a tenth of the rest comes twice.
    let (taken, repeated, gaps) = (counts.taken as f64, counts.repeated as f64, counts.gaps as f64);
    assert!((repeated / taken - 0.1).abs() < 0.03, "{counts:?}");
    // One lost sample makes a gap of two intervals, a little more or less as each is late or early.
    assert!(gaps > 0.05 * taken && gaps < 0.15 * taken, "{counts:?}");
    assert_eq!(counts.restarts, 0);
}

#[test]
fn stamps_decide_and_not_arrival() {
    // The same samples, held back on the way by up to 50 ms each: the same speed.
    let (mut rig, mut motion, mut random) = (Rig::new(69), Rig::motion(), Random::new(70));
    let mut late = |motion: &mut Motion, speed: f64, seconds: f64| {
        let (until, mut arrival_s) = (rig.time_s + seconds, 0.0_f64);
        while rig.time_s < until {
            let (_, sample) = rig.next(speed);
            assert!(matches!(sample.stamp, Stamp::CountUs(_)));
            arrival_s = arrival_s.max(rig.time_s + 0.05 * random.unit());
            motion.take(rig.at(arrival_s - rig.time_s), sample);
        }
    };
    late(&mut motion, 0.0, 2.0);
    late(&mut motion, 100.0, 3.0);
    motion.begin_measure();
    late(&mut motion, 100.0, 7.0);
    let found = motion.measured().expect("blocks");
    assert!((found.speed_mm_s.abs() / 100.0 - 1.0).abs() < 1e-3, "{found:?}");
}

#[test]
fn the_fastest_speed_that_can_be_followed_is_a_quarter_period_a_sample() {
    // `standards/measurement.md` 2.5, for 33 mm: 165 mm/s at 20 Hz, 412.5 at 50, 825 at 100, 1650 at 200.
    for (rate_hz, mm_s) in [(20.0, 165.0), (50.0, 412.5), (100.0, 825.0), (200.0, 1650.0)] {
        let (mut rig, mut motion) = (Rig { rate_hz, ..Rig::new(71) }, Rig::motion());
        assert_eq!(motion.fastest_mm_s(), None);
        rig.run(&mut motion, 0.0, 5.0);
        let found = motion.fastest_mm_s().expect("a rate");
        assert!((found / mm_s - 1.0).abs() < 1e-3, "{rate_hz}: {found}");
    }
}
