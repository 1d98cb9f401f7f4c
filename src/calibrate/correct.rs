//! What verify saw, folded into the curve: the curve is multiplied by measured over predicted.
//!
//! The factor is known at the drives of the verified entries, straight between them over drive, and constant
//! outside; then the curve is made non-decreasing again. One correction is meant, not a loop.
use super::curve::{SAME_DRIVE, in_range};
use super::{CurvePoint, SpeedCurve, SpeedEstimate, TableFit, VerifyPoint};
use crate::station::Direction;

/// A factor beyond this (or below its inverse) is no small residual: it holds at the verified drive itself,
/// but isn't carried to other drives.
const LARGEST_FACTOR: f64 = 1.5;

/// A verified drive.
#[derive(Clone, Copy, Debug)]
struct Residual {
    drive: f64,
    measured: SpeedEstimate,
    /// Measured over predicted, limited.
    factor: f64,
    /// Its standard uncertainty.
    u_factor: f64,
}

/// The curve of `direction`, corrected by the verified points of that direction (others are passed over).
/// Without any, the curve as it was. At a verified drive the corrected curve is what was measured there,
/// doubt included, unless points must be pooled to keep it from falling.
#[must_use]
pub fn correct(
    curve: &SpeedCurve,
    fit: &TableFit,
    direction: Direction,
    verified: &[VerifyPoint],
) -> SpeedCurve {
    let residuals = residuals(curve, fit, direction, verified);
    if residuals.is_empty() {
        return curve.clone();
    }
    let near = |drive: f64| residuals.iter().any(|residual| (residual.drive - drive).abs() < SAME_DRIVE);
    let carried = curve.knots().iter().filter(|knot| !near(knot.drive)).map(|knot| carry(&residuals, knot));
    let seen = residuals.iter().map(|residual| CurvePoint {
        drive: residual.drive,
        speed_mm_s: residual.measured.speed_mm_s,
        u_mm_s: residual.measured.u_mm_s,
    });
    SpeedCurve::refit(&carried.chain(seen).collect::<Vec<_>>()).unwrap_or_else(|| curve.clone())
}

/// The verified drives of a direction in rising drive. A point that no engine can give is passed over.
fn residuals(
    curve: &SpeedCurve,
    fit: &TableFit,
    direction: Direction,
    verified: &[VerifyPoint],
) -> Vec<Residual> {
    let mut residuals: Vec<Residual> = verified
        .iter()
        .filter(|point| point.direction == direction && point.entry.is_finite())
        .map(|point| (fit.drive(direction, point.entry), point.measured))
        .filter(|(drive, SpeedEstimate { speed_mm_s, u_mm_s })| {
            in_range(&CurvePoint { drive: *drive, speed_mm_s: *speed_mm_s, u_mm_s: *u_mm_s })
        })
        .map(|(drive, measured)| residual(curve, drive, measured))
        .collect();
    residuals.sort_by(|a, b| a.drive.total_cmp(&b.drive));
    residuals
}

/// What was measured against the curve at a drive.
fn residual(curve: &SpeedCurve, drive: f64, measured: SpeedEstimate) -> Residual {
    let predicted = curve.speed_at(drive).speed_mm_s;
    let carries = predicted > 0.0
        && (1.0 / LARGEST_FACTOR..=LARGEST_FACTOR).contains(&(measured.speed_mm_s / predicted));
    let (factor, u_factor) =
        if carries { (measured.speed_mm_s / predicted, measured.u_mm_s / predicted) } else { (1.0, 0.0) };
    Residual { drive, measured, factor, u_factor }
}

/// A knot of the old curve under the factor at its drive; the doubts of both add in squares.
fn carry(residuals: &[Residual], knot: &CurvePoint) -> CurvePoint {
    let (factor, u_factor) = factor_at(residuals, knot.drive);
    let (own, added) = (knot.u_mm_s * factor, knot.speed_mm_s * u_factor);
    CurvePoint {
        drive: knot.drive,
        speed_mm_s: knot.speed_mm_s * factor,
        u_mm_s: (own * own + added * added).sqrt(),
    }
}

/// Factor and its doubt at a drive.
fn factor_at(residuals: &[Residual], drive: f64) -> (f64, f64) {
    let above = residuals.partition_point(|residual| residual.drive <= drive);
    match (above.checked_sub(1).and_then(|below| residuals.get(below)), residuals.get(above)) {
        (Some(low), Some(high)) => {
            let part = (drive - low.drive) / (high.drive - low.drive);
            (
                low.factor + (high.factor - low.factor) * part,
                low.u_factor + (high.u_factor - low.u_factor) * part,
            )
        }
        (Some(end), None) | (None, Some(end)) => (end.factor, end.u_factor),
        (None, None) => (1.0, 0.0),
    }
}

#[cfg(test)]
#[path = "correct_tests.rs"]
mod tests;
