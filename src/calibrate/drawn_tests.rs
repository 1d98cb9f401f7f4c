//! Tests of the curves through a sweep's points, against curves that are known.
use super::*;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// Sum of twelve uniform numbers less six: near enough to normal.
fn normal(rng: &mut ChaCha8Rng) -> f64 {
    (0..12).map(|_| f64::from(rng.next_u32()) / f64::from(u32::MAX)).sum::<f64>() - 6.0
}

/// Speed at a drive, above a dead zone.
fn truth(top: f64, dead: f64, power: f64) -> impl Fn(f64) -> f64 {
    move |drive| top * libm::pow(((drive - dead) / (255.0 - dead)).max(0.0), power)
}

/// Points at these drives, the decoder using `used` of each, known to 0.15 % or 0.1 mm/s.
fn points(
    drives: &[f64],
    speed: &impl Fn(f64) -> f64,
    used: impl Fn(f64) -> f64,
    rng: &mut ChaCha8Rng,
) -> Vec<CurvePoint> {
    let one = |drive: &f64| {
        let true_mm_s = speed(used(*drive));
        let u_mm_s = (0.0015 * true_mm_s).max(0.1);
        CurvePoint { drive: *drive, speed_mm_s: (true_mm_s + u_mm_s * normal(rng)).max(0.0), u_mm_s }
    };
    drives.iter().map(one).collect()
}

fn steps_of_28() -> Vec<f64> {
    (6..=28).map(|step| f64::from(step) * 255.0 / 28.0).collect()
}

/// A whole sweep tells what the decoder makes of fractions, and the curve is then one over the drive that the motor gets.
#[test]
fn the_habit_of_a_decoder_is_found_out() {
    let speed = truth(480.0, 20.0, 1.1);
    let exact: fn(f64) -> f64 = std::convert::identity;
    for seed in 0..12 {
        for (i, used) in [exact, libm::round, libm::floor].into_iter().enumerate() {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            let sides = [(); 2].map(|()| points(&steps_of_28(), &speed, used, &mut rng));
            let drawn = Drawn::through([&sides[0], &sides[1]]).unwrap();
            let Habits { exact, nearest, down, .. } = drawn.habits;
            assert!([exact, nearest, down][i] > 0.95, "{i}, seed {seed}: {:?}", drawn.habits);
            assert!(drawn.habits.is_clear());
            for drive in [80.0, 120.0, 200.0] {
                let found = drawn.curves[0].speed_at(drive);
                let off = (found.speed_mm_s - speed(drive)).abs();
                assert!(off <= 4.0 * found.u_mm_s, "{i}, seed {seed}, {drive}: {off} {found:?}");
                assert!(found.u_mm_s < 0.5, "{found:?}");
            }
        }
    }
}

/// Few points may leave it open: that is said, and the doubt of the curve holds all the same.
#[test]
fn few_points_may_leave_the_habit_open_but_not_the_doubt() {
    let sparse: Vec<f64> = [3.0, 5.0, 8.0, 12.0, 16.0, 20.0, 24.0, 27.0].map(|step| 9.444 * step).to_vec();
    let speed = truth(480.0, 20.0, 1.1);
    let (mut inside, mut count) = (0, 0);
    for seed in 0..20 {
        for used in [libm::round as fn(f64) -> f64, libm::floor] {
            let mut rng = ChaCha8Rng::seed_from_u64(500 + seed);
            let sides = [(); 2].map(|()| points(&sparse, &speed, used, &mut rng));
            let drawn = Drawn::through([&sides[0], &sides[1]]).unwrap();
            assert!(drawn.habits.exact < 0.9, "{:?}", drawn.habits);
            for drive in (60..250).step_by(19).map(f64::from) {
                let found = drawn.curves[0].speed_at(drive);
                let u =
                    libm::hypot(found.u_mm_s, drawn.curves[0].slope_at(drive) * drawn.habits.u_counts(drive));
                count += 1;
                inside += u32::from((found.speed_mm_s - speed(drive)).abs() <= 1.96 * u);
            }
        }
    }
    assert!(f64::from(inside) >= 0.93 * f64::from(count), "{inside} of {count}");
}

/// 95 % intervals of predicted speeds, as the result tells them, over engines of many kinds and few uneven points: they
/// hold, and are not absurdly wide.
#[test]
fn prediction_intervals_hold_and_are_not_absurdly_wide() {
    let sparse: Vec<f64> = [3.0, 5.0, 8.0, 12.0, 16.0, 20.0, 24.0, 27.0].map(|step| 9.444 * step).to_vec();
    let (mut inside, mut count, mut squares) = (0_u32, 0_u32, 0.0);
    for seed in 0..60 {
        let mut rng = ChaCha8Rng::seed_from_u64(1000 + seed);
        let part = f64::from(u32::try_from(seed).unwrap()) / 60.0;
        let speed = truth(350.0 + 350.0 * part, 25.0 * part, 1.0 + 0.3 * part);
        let drives = if seed % 2 == 0 { &sparse } else { &steps_of_28() };
        let sides = [(); 2].map(|()| points(drives, &speed, std::convert::identity, &mut rng));
        let drawn = Drawn::through([&sides[0], &sides[1]]).unwrap();
        for drive in (60..250).step_by(7).map(f64::from) {
            let found = drawn.curves[0].speed_at(drive);
            let u = libm::hypot(found.u_mm_s, drawn.curves[0].slope_at(drive) * drawn.habits.u_counts(drive));
            let off = (found.speed_mm_s - speed(drive)) / u;
            inside += u32::from(off.abs() <= 1.96);
            count += 1;
            squares += off * off;
        }
    }
    let rate = f64::from(inside) / f64::from(count);
    let rms = (squares / f64::from(count)).sqrt();
    assert!(rate >= 0.93, "{inside} of {count}");
    assert!(rms >= 0.5, "the stated doubts are {:.1} times what they need be", 1.0 / rms);
}

#[test]
fn doubt_grows_in_a_gap_and_more_where_the_curve_bends() {
    let at = |speed: &dyn Fn(f64) -> f64, drives: &[f64]| -> Vec<CurvePoint> {
        drives
            .iter()
            .map(|drive| CurvePoint { drive: *drive, speed_mm_s: speed(*drive), u_mm_s: 0.1 })
            .collect()
    };
    let drives = [40.0, 60.0, 80.0, 140.0, 200.0, 255.0];
    let straight = at(&|drive| 1.5 * drive, &drives);
    let bent = at(&truth(380.0, 20.0, 1.5), &drives);
    let straight = Drawn::through([&straight, &straight]).unwrap();
    let bent = Drawn::through([&bent, &bent]).unwrap();
    let u = |drawn: &Drawn, drive| drawn.curves[0].speed_at(drive).u_mm_s;
    assert!(u(&straight, 110.0) > u(&straight, 80.0));
    assert!(u(&bent, 110.0) > 2.0 * u(&straight, 110.0), "{} {}", u(&bent, 110.0), u(&straight, 110.0));
    // A point in the gap would help there, and is foreseen to.
    assert!(bent.u_with(0, &[110.0], 110.0) < 0.5 * bent.u_with(0, &[], 110.0));
    assert!((bent.u_with(0, &[], 110.0) / u(&bent, 110.0) - 1.0).abs() < 0.7);
}

#[test]
fn the_low_end_and_what_stands_are_kept() {
    let rows = [(18.0, 0.0), (27.0, 9.0), (45.0, 36.0), (90.0, 110.0), (180.0, 265.0), (255.0, 400.0)];
    let points: Vec<CurvePoint> =
        rows.iter().map(|&(drive, speed_mm_s)| CurvePoint { drive, speed_mm_s, u_mm_s: 0.1 }).collect();
    let drawn = Drawn::through([&points, &points]).unwrap();
    let curve = &drawn.curves[0];
    assert!(curve.speed_at(18.0).speed_mm_s < 1e-6);
    assert!((curve.slowest_drive() - 22.5).abs() < 1e-9);
    assert!((curve.speed_at(27.0).speed_mm_s - 9.0).abs() < 0.3, "{:?}", curve.speed_at(27.0));
    assert!((curve.top().speed_mm_s - 400.0).abs() < 0.5);
}
