//! Smoothing of a sweep before the curve is drawn through it.
//!
//! A decoder may round the drive of a baseline step to a whole count (`standards/dcc.md` section 4.2 leaves rounding
//! open), so a point can lie up to half a count beside its nominal drive: far more than its speed is in doubt. The
//! engine's own curve is smooth, so each point is replaced by the value of a parabola fitted to its neighbourhood
//! (local least squares, as in W. S. Cleveland, JASA 74, 829-836, 1979; from memory). The lowest points stay as they
//! are: there the curve truly bends.
use super::CurvePoint;

/// Points of a neighbourhood.
const NEAR: usize = 7;
/// Moving points at the low end that are left alone.
const LEFT_ALONE: usize = 2;

/// The points with their speeds smoothed, in the same order; points must rise in drive.
#[must_use]
pub fn smoothed(points: &[CurvePoint]) -> Vec<CurvePoint> {
    let first = points.iter().position(|point| point.speed_mm_s > 0.0).unwrap_or(points.len());
    let moving = points.get(first..).unwrap_or_default();
    let kept = first + LEFT_ALONE;
    points
        .iter()
        .enumerate()
        .map(|(i, point)| match i.checked_sub(kept) {
            Some(_) if moving.len() >= NEAR => local(moving, i - first),
            _ => *point,
        })
        .collect()
}

/// The parabola's value at point `i` from its nearest neighbours, by equal weights.
fn local(points: &[CurvePoint], i: usize) -> CurvePoint {
    let from = i.saturating_sub(NEAR / 2).min(points.len() - NEAR);
    let near = &points[from..from + NEAR];
    let here = points[i];
    let value = parabola_at_zero(near.iter().map(|point| (point.drive - here.drive, point.speed_mm_s)));
    let speed_mm_s = value.filter(|value| value.is_finite() && *value > 0.0).unwrap_or(here.speed_mm_s);
    CurvePoint { speed_mm_s, ..here }
}

/// Least-squares parabola through (x, y), its value at x = 0; none where the points do not determine one.
fn parabola_at_zero(points: impl Iterator<Item = (f64, f64)>) -> Option<f64> {
    let mut normal = nalgebra::Matrix3::<f64>::zeros();
    let mut right = nalgebra::Vector3::<f64>::zeros();
    for (x, y) in points {
        let row = nalgebra::Vector3::new(1.0, x, x * x);
        normal += row * row.transpose();
        right += row * y;
    }
    let solved = normal.cholesky()?.solve(&right);
    Some(solved[0])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sweep(drive_used: impl Fn(f64) -> f64) -> Vec<CurvePoint> {
        let speed = |drive: f64| 480.0 * libm::pow(((drive - 10.0) / 245.0).max(0.0), 1.1);
        (1..=28)
            .map(|step| f64::from(step) * 255.0 / 28.0)
            .map(|drive| CurvePoint { drive, speed_mm_s: speed(drive_used(drive)), u_mm_s: 0.1 })
            .collect()
    }

    #[test]
    fn a_smooth_curve_stays_and_rounding_noise_shrinks() {
        let exact = sweep(|drive| drive);
        let kept = smoothed(&exact);
        for (before, after) in exact.iter().zip(&kept) {
            assert!((before.speed_mm_s - after.speed_mm_s).abs() < 0.3, "{before:?} {after:?}");
        }
        let rounded = sweep(libm::round);
        // Beyond the points that are left alone.
        let rms = |points: &[CurvePoint]| {
            let off = points.iter().zip(&exact).skip(5).map(|(a, b)| a.speed_mm_s - b.speed_mm_s);
            let (sum, count) = off.fold((0.0, 0.0), |(sum, count), d| (sum + d * d, count + 1.0));
            (sum / count).sqrt()
        };
        let (before, after) = (rms(&rounded), rms(&smoothed(&rounded)));
        assert!(after < 0.8 * before, "{before} {after}");
    }

    #[test]
    fn few_points_are_left_alone() {
        let few: Vec<CurvePoint> = sweep(libm::round).into_iter().take(6).collect();
        assert_eq!(smoothed(&few), few);
    }
}
