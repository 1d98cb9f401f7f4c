//! Tests of the speed curve.
use super::*;
use proptest::prelude::*;

fn points(rows: &[(f64, f64, f64)]) -> Vec<CurvePoint> {
    rows.iter().map(|&(drive, speed_mm_s, u_mm_s)| CurvePoint { drive, speed_mm_s, u_mm_s }).collect()
}

/// The speed-like curve of `standards/measurement.md` section 7, each point known to 0.1 mm/s.
fn speed_like() -> SpeedCurve {
    let x = [0.0, 20.0, 40.0, 64.0, 96.0, 128.0, 160.0, 192.0, 224.0, 255.0];
    let v = [0.0, 0.0, 6.1, 31.0, 78.4, 131.9, 190.2, 252.5, 317.8, 382.7];
    let rows: Vec<(f64, f64, f64)> = x.into_iter().zip(v).map(|(x, v)| (x, v, 0.1)).collect();
    SpeedCurve::fit(&points(&rows)).unwrap()
}

/// `standards/measurement.md` section 7 (scipy's values and inverse).
#[test]
fn reads_as_the_published_interpolant() {
    let curve = speed_like();
    assert!((curve.speed_at(200.0).speed_mm_s - 268.569_708_742_6).abs() < 1e-7);
    assert!((curve.drive_for(300.0).unwrap() - 215.376_324_551_0).abs() < 1e-9);
    assert_eq!(curve.drive_for(382.8), None, "above the top there is no drive");
    assert!((curve.top().speed_mm_s - 382.7).abs() < 1e-12);
    assert!(curve.speed_at(12.0).speed_mm_s.abs() < 1e-12, "standing in the dead zone");
    assert!((curve.slowest_drive() - 30.0).abs() < 1e-12, "between standing at 20 and moving at 40");
}

#[test]
fn order_of_the_points_does_not_matter() {
    let mut rows = speed_like().knots().to_vec();
    rows.reverse();
    rows.swap(2, 6);
    assert_eq!(SpeedCurve::fit(&rows).unwrap(), speed_like());
}

#[test]
fn drive_zero_stands_whether_measured_or_not() {
    let curve =
        SpeedCurve::fit(&points(&[(0.0, 7.0, 0.1), (10.0, 20.0, 0.1), (20.0, 40.0, 0.1), (30.0, 60.0, 0.1)]))
            .unwrap();
    assert!(curve.speed_at(0.0).speed_mm_s.abs() < 1e-12);
    assert!((curve.speed_at(5.0).speed_mm_s - 10.0).abs() < 1e-9);
    assert!((curve.slowest_drive() - 5.0).abs() < 1e-12);
}

#[test]
fn a_drive_measured_twice_is_averaged_by_weight() {
    let rows = [(10.0, 0.0, 0.0), (20.0, 40.0, 1.0), (20.0, 50.0, 2.0), (30.0, 60.0, 0.1), (40.0, 70.0, 0.1)];
    let at_20 = SpeedCurve::fit(&points(&rows)).unwrap().speed_at(20.0);
    assert!((at_20.speed_mm_s - 42.0).abs() < 1e-9, "weights 1 and 1/4");
    assert!((at_20.u_mm_s - 4.0).abs() < 1e-9, "they disagree by more than their doubt: {at_20:?}");
}

#[test]
fn a_dip_is_pooled_and_its_doubt_grows() {
    let rows = [(50.0, 50.0, 0.5), (60.0, 62.0, 0.5), (70.0, 58.0, 0.5), (80.0, 80.0, 0.5)];
    let curve = SpeedCurve::fit(&points(&rows)).unwrap();
    let middle = curve.speed_at(65.0);
    assert!((middle.speed_mm_s - 60.0).abs() < 1e-9);
    assert!((middle.u_mm_s - 2.0).abs() < 1e-9, "half the gap of 4, not 0.35: {middle:?}");
}

#[test]
fn standing_outweighs_a_twitch_below_it() {
    let rows = [
        (10.0, 0.0, 0.0),
        (12.0, 3.0, 0.5),
        (15.0, 0.0, 0.0),
        (20.0, 8.0, 0.1),
        (30.0, 30.0, 0.1),
        (40.0, 50.0, 0.1),
    ];
    let curve = SpeedCurve::fit(&points(&rows)).unwrap();
    assert!(curve.speed_at(15.0).speed_mm_s < 1e-4);
    assert!((curve.slowest_drive() - 17.5).abs() < 1e-3);
}

#[test]
fn doubt_lies_between_those_of_the_neighbours() {
    let rows = [(50.0, 50.0, 0.1), (100.0, 100.0, 0.2), (200.0, 200.0, 0.6)];
    let curve = SpeedCurve::fit(&points(&rows)).unwrap();
    for (drive, u) in [(100.0, 0.2), (150.0, 0.4), (200.0, 0.6), (255.0, 0.6)] {
        assert!((curve.speed_at(drive).u_mm_s - u).abs() < 1e-9, "{drive}");
    }
    assert!((curve.slope_at(150.0) - 1.0).abs() < 1e-9);
    assert!(curve.slope_at(201.0).abs() < 1e-12 && curve.slope_at(-1.0).abs() < 1e-12);
}

/// `standards/measurement.md` section 7: drives as scipy's `brentq` finds them; each speed known to 0.1 mm/s, which the
/// slope there turns into counts.
#[test]
fn a_drive_has_its_doubt_in_counts() {
    let curve = speed_like();
    for (speed, drive) in [
        (13.67, 49.591_088_397_8),
        (100.0, 109.333_052_869_8),
        (191.35, 160.610_440_452_5),
        (300.0, 215.376_324_551_0),
    ] {
        let found = curve.drive_with_doubt(speed).unwrap();
        assert!((found.drive - drive).abs() < 1e-9, "{found:?}");
        let u = curve.speed_at(drive).u_mm_s / curve.slope_at(drive);
        assert!((found.u_counts / u - 1.0).abs() < 0.02, "{found:?} {u}");
        assert!(found.u_counts > 0.1 / 2.2 && found.u_counts < 2.0, "{found:?}");
    }
    assert_eq!(curve.drive_with_doubt(383.0), None);
    let level = SpeedCurve::fit(&points(&[
        (20.0, 40.0, 0.5),
        (30.0, 60.0, 0.5),
        (40.0, 60.0, 0.5),
        (50.0, 60.0, 0.5),
        (60.0, 90.0, 0.5),
    ]))
    .unwrap();
    assert!(
        (level.drive_with_doubt(60.0).unwrap().drive - 30.0).abs() < 1e-6,
        "the smallest that reaches it"
    );
}

/// The doubt between points covers what the cubic misses of curves that are known.
#[test]
fn doubt_between_points_covers_the_bend() {
    let (mut inside, mut count) = (0, 0);
    for power in [0.8, 1.0, 1.1, 1.25, 1.5] {
        for dead in [0.0, 10.0, 40.0] {
            let truth = |drive: f64| 400.0 * libm::pow(((drive - dead) / (255.0 - dead)).max(0.0), power);
            let drives = [0.0, dead, dead + 8.0, 64.0, 96.0, 128.0, 160.0, 192.0, 224.0, 255.0];
            let rows = drives.map(|drive| (drive, truth(drive), 0.0));
            let curve = SpeedCurve::fit(&points(&rows)).unwrap();
            for drive in (0..255).map(|count| f64::from(count) + 0.5) {
                let found = curve.speed_at(drive);
                count += 1;
                inside += u32::from((found.speed_mm_s - truth(drive)).abs() <= 2.0 * found.u_mm_s + 1e-3);
            }
        }
    }
    assert!(f64::from(inside) >= 0.95 * f64::from(count), "{inside} of {count}");
}

#[test]
fn garbage_is_named() {
    let good = (50.0, 10.0, 0.1);
    for bad in [
        (f64::NAN, 1.0, 0.1),
        (-1.0, 1.0, 0.1),
        (256.0, 1.0, 0.1),
        (10.0, f64::INFINITY, 0.1),
        (10.0, -0.5, 0.1),
        (10.0, 1e9, 0.1),
        (10.0, 1.0, f64::NAN),
        (10.0, 1.0, -0.1),
    ] {
        let error = SpeedCurve::fit(&points(&[good, bad, (90.0, 20.0, 0.1)])).unwrap_err();
        assert!(matches!(error, CurveError::OutOfRange { .. }), "{bad:?}: {error}");
    }
    assert_eq!(SpeedCurve::fit(&[]), Err(CurveError::NeverMoves));
    let standing = points(&[(50.0, 0.0, 0.0), (100.0, 0.0, 0.0), (255.0, 0.01, 0.0)]);
    assert_eq!(SpeedCurve::fit(&standing), Err(CurveError::NeverMoves));
    let two = points(&[(50.0, 10.0, 0.1), (100.0, 20.0, 0.1)]);
    assert_eq!(SpeedCurve::fit(&two), Err(CurveError::TooFewPoints { moving: 2 }));
    let falling = points(&[(50.0, 30.0, 0.1), (100.0, 20.0, 0.1), (150.0, 10.0, 0.1)]);
    assert_eq!(SpeedCurve::fit(&falling), Err(CurveError::TooFewPoints { moving: 1 }));
}

proptest! {
    #[test]
    fn any_points_give_a_curve_that_never_falls_or_an_error(
        rows in prop::collection::vec((0.0..=255.0_f64, 0.0..1000.0_f64, 0.0..20.0_f64), 0..40),
        drives in prop::collection::vec(-10.0..300.0_f64, 2..40)
    ) {
        if let Ok(curve) = SpeedCurve::fit(&points(&rows)) {
            let mut drives = drives;
            drives.sort_by(f64::total_cmp);
            let speeds: Vec<SpeedEstimate> = drives.iter().map(|drive| curve.speed_at(*drive)).collect();
            for pair in speeds.windows(2) {
                prop_assert!(pair[0].speed_mm_s <= pair[1].speed_mm_s + 1e-9);
            }
            for speed in speeds {
                prop_assert!(speed.u_mm_s.is_finite() && speed.u_mm_s >= 0.0);
                let drive = curve.drive_for(speed.speed_mm_s);
                prop_assert!(drive.is_some_and(|drive| curve.speed_at(drive).speed_mm_s >= speed.speed_mm_s));
            }
            prop_assert!((0.0..=255.0).contains(&curve.slowest_drive()));
        }
    }

    #[test]
    fn any_numbers_at_all_never_panic(
        rows in prop::collection::vec((any::<f64>(), any::<f64>(), any::<f64>()), 0..10),
        at in any::<f64>()
    ) {
        if let Ok(curve) = SpeedCurve::fit(&points(&rows)) {
            let _ = (curve.speed_at(at), curve.drive_for(at), curve.slope_at(at));
        }
    }
}
