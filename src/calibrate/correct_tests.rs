//! Tests of the correction.
use super::*;
use crate::calibrate::testing::{KEPT, fit_table};
use crate::calibrate::{Target, Tolerance, predict, predicted_worst};
use proptest::prelude::*;

/// A curve with a dead zone of 20 counts, measured at 28 even drives; `factor` is speed over the plain law.
fn measured(factor: impl Fn(f64) -> f64) -> SpeedCurve {
    let points: Vec<CurvePoint> = (1..=28)
        .map(|step| 255.0 * f64::from(step) / 28.0)
        .map(|drive| CurvePoint {
            drive,
            speed_mm_s: factor(drive) * (2.0 * (drive - 20.0)).max(0.0),
            u_mm_s: 0.2,
        })
        .collect();
    SpeedCurve::fit(&points).unwrap()
}

fn target() -> Target {
    Target::line(10.0, 380.0).unwrap()
}

fn tolerance() -> Tolerance {
    Tolerance::new(0.02, 1.6)
}

fn point(entry: f64, direction: Direction, speed_mm_s: f64) -> VerifyPoint {
    VerifyPoint { entry, direction, measured: SpeedEstimate { speed_mm_s, u_mm_s: 0.3 } }
}

/// What `truth` gives at these entries of a fit.
fn verify(truth: &SpeedCurve, fit: &TableFit, direction: Direction, entries: &[f64]) -> Vec<VerifyPoint> {
    let seen = |entry: &f64| predict(fit, truth, &KEPT, direction, *entry).speed_mm_s;
    entries.iter().map(|entry| point(*entry, direction, seen(entry))).collect()
}

#[test]
fn nothing_verified_changes_nothing() {
    let curve = measured(|_| 1.0);
    let fit = fit_table(&curve, &curve, &KEPT, &target(), &tolerance()).unwrap();
    let other_way = [point(9.0, Direction::Reverse, 150.0)];
    let impossible = [
        point(9.0, Direction::Forward, f64::NAN),
        point(9.0, Direction::Forward, -4.0),
        point(f64::NAN, Direction::Forward, 4.0),
    ];
    for verified in [&[][..], &other_way, &impossible] {
        assert_eq!(correct(&curve, &fit, &KEPT, Direction::Forward, verified), curve);
    }
}

#[test]
fn the_corrected_curve_is_what_was_seen_at_the_verified_entries() {
    let curve = measured(|_| 1.0);
    let fit = fit_table(&curve, &curve, &KEPT, &target(), &tolerance()).unwrap();
    let seen = [(4.0, 55.0), (14.0, 180.0), (28.0, 384.0)];
    let verified = seen.map(|(entry, speed)| point(entry, Direction::Forward, speed));
    let corrected = correct(&curve, &fit, &KEPT, Direction::Forward, &verified);
    for (entry, speed) in seen {
        let now = predict(&fit, &corrected, &KEPT, Direction::Forward, entry);
        assert!((now.speed_mm_s - speed).abs() < 1e-9 && (now.u_mm_s - 0.3).abs() < 1e-9, "{entry}: {now:?}");
    }
}

/// An engine 3 % faster than it was in the sweep (warmed up): seven entries show it, and one correction mends
/// all 28.
#[test]
fn a_smooth_change_is_mended_at_entries_that_were_not_verified() {
    let swept = measured(|_| 1.0);
    let truth = measured(|drive| 1.03 + 0.01 * drive / 255.0);
    let fit = fit_table(&swept, &swept, &KEPT, &target(), &tolerance()).unwrap();
    let before = predicted_worst(&fit, &truth, &truth, &KEPT, &target());
    let entries = [1.0, 5.0, 10.0, 14.0, 19.0, 24.0, 28.0];
    let mend =
        |direction| correct(&swept, &fit, &KEPT, direction, &verify(&truth, &fit, direction, &entries));
    let mended =
        fit_table(&mend(Direction::Forward), &mend(Direction::Reverse), &KEPT, &target(), &tolerance())
            .unwrap();
    let after = predicted_worst(&mended, &truth, &truth, &KEPT, &target());
    assert!(before > 10.0, "{before}");
    assert!(after < 1.6, "within the tolerance everywhere, where half a count alone is 1.04 mm/s: {after}");
}

/// Friction falls while an engine warms up (`standards/measurement.md` section 10: 10 to 40 %), and with it
/// the dead zone: 1.5 counts here, a quarter of the creep speed but nothing at the top.
#[test]
fn a_smaller_dead_zone_is_mended_from_creep_to_top() {
    let swept = measured(|_| 1.0);
    let truth = measured(|drive| (drive - 18.5).max(0.0) / (drive - 20.0).max(1e-9));
    let fit = fit_table(&swept, &swept, &KEPT, &target(), &tolerance()).unwrap();
    let before = predicted_worst(&fit, &truth, &truth, &KEPT, &target());
    let entries = [1.0, 5.0, 10.0, 14.0, 19.0, 24.0, 28.0];
    let verified = verify(&truth, &fit, Direction::Forward, &entries);
    let mended = correct(&swept, &fit, &KEPT, Direction::Forward, &verified);
    let after = fit_table(&mended, &mended, &KEPT, &target(), &tolerance()).unwrap();
    let after = predicted_worst(&after, &truth, &truth, &KEPT, &target());
    assert!(before > 3.0, "{before}");
    assert!(after < 1.6, "within the tolerance, where half a count alone is 1.0 mm/s: {after}");
}

#[test]
fn an_engine_that_stood_at_a_verified_entry_is_told_so_there_and_nowhere_else() {
    let curve = measured(|_| 1.0);
    let fit = fit_table(&curve, &curve, &KEPT, &target(), &tolerance()).unwrap();
    let stood = VerifyPoint {
        entry: 1.0,
        direction: Direction::Forward,
        measured: SpeedEstimate { speed_mm_s: 0.0, u_mm_s: 0.0 },
    };
    let corrected = correct(&curve, &fit, &KEPT, Direction::Forward, &[stood]);
    let drive = fit.drive(Direction::Forward, 1.0);
    assert!(corrected.speed_at(drive).speed_mm_s < 1e-3);
    assert!(corrected.slowest_drive() > drive);
    assert!((corrected.speed_at(200.0).speed_mm_s - 360.0).abs() < 1e-6);
}

#[test]
fn the_same_entry_verified_twice_counts_once() {
    let curve = measured(|_| 1.0);
    let fit = fit_table(&curve, &curve, &KEPT, &target(), &tolerance()).unwrap();
    let verified = [point(14.0, Direction::Forward, 188.0), point(14.0, Direction::Forward, 190.0)];
    let corrected = correct(&curve, &fit, &KEPT, Direction::Forward, &verified);
    let now = predict(&fit, &corrected, &KEPT, Direction::Forward, 14.0);
    assert!((now.speed_mm_s - 189.0).abs() < 1e-9, "{now:?}");
}

proptest! {
    #[test]
    fn whatever_was_seen_the_curve_never_falls(
        seen in prop::collection::vec((0.0..30.0_f64, 0.0..900.0_f64, 0.0..9.0_f64), 0..12)
    ) {
        let curve = measured(|_| 1.0);
        let fit = fit_table(&curve, &curve, &KEPT, &target(), &tolerance()).unwrap();
        let verified: Vec<VerifyPoint> = seen
            .into_iter()
            .map(|(entry, speed_mm_s, u_mm_s)| VerifyPoint {
                entry,
                direction: Direction::Forward,
                measured: SpeedEstimate { speed_mm_s, u_mm_s },
            })
            .collect();
        let corrected = correct(&curve, &fit, &KEPT, Direction::Forward, &verified);
        let speeds: Vec<f64> = (0..=255).map(|drive| corrected.speed_at(drive.into()).speed_mm_s).collect();
        prop_assert!(speeds.windows(2).all(|pair| pair[0] <= pair[1] + 1e-9));
        prop_assert!(speeds.iter().all(|speed| speed.is_finite()));
    }
}
