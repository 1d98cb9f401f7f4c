//! What verify saw, folded into the curve: the curve is multiplied by measured over predicted.
//!
//! The factor is known at the drives of the verified entries, straight between them over drive, and constant
//! outside. The old curve is taken over count by count, so that it keeps its shape between its points; speeds
//! then stay between those that were verified, which keeps the curve from falling. One correction is meant,
//! not a loop.
use super::curve::{DeadZone, SAME_DRIVE, as_point, in_range, pooled};
use super::{CurvePoint, SpeedCurve, SpeedEstimate, TableFit, VerifyPoint};
use crate::station::Direction;

/// A factor beyond this (or below its inverse) is no small residual: it holds at the verified drive itself,
/// but isn't carried to other drives.
const LARGEST_FACTOR: f64 = 1.5;

/// The curve of `direction`, corrected by the verified points of that direction (others, and those that no
/// engine can give, are passed over). Without any, the curve as it was. At a verified drive the corrected
/// curve is what was measured there, doubt included; verified points that contradict each other are pooled.
#[must_use]
pub fn correct(
    curve: &SpeedCurve,
    fit: &TableFit,
    direction: Direction,
    verified: &[VerifyPoint],
) -> SpeedCurve {
    let points: Vec<CurvePoint> = verified
        .iter()
        .filter(|point| point.direction == direction && point.entry.is_finite())
        .map(|point| {
            let SpeedEstimate { speed_mm_s, u_mm_s } = point.measured;
            CurvePoint { drive: fit.drive(direction, point.entry), speed_mm_s, u_mm_s }
        })
        .filter(in_range)
        .collect();
    let top = points.iter().fold(curve.top().speed_mm_s, |top, point| top.max(point.speed_mm_s));
    let seen: Vec<Seen> =
        pooled(&points, top).iter().map(|block| Seen::new(curve, as_point(block))).collect();
    if seen.is_empty() {
        return curve.clone();
    }
    SpeedCurve::through(knots(curve, &seen), dead_zone(curve, &seen))
}

/// What was measured at a verified drive, beside what the curve says there.
#[derive(Clone, Copy, Debug)]
struct Seen {
    point: CurvePoint,
    /// Measured over predicted; 1 where it is not to be carried to other drives.
    factor: f64,
    /// Its standard uncertainty.
    u_factor: f64,
}

impl Seen {
    fn new(curve: &SpeedCurve, point: CurvePoint) -> Self {
        let predicted = curve.speed_at(point.drive).speed_mm_s;
        let factor = point.speed_mm_s / predicted;
        if predicted > 0.0 && (1.0 / LARGEST_FACTOR..=LARGEST_FACTOR).contains(&factor) {
            Self { point, factor, u_factor: point.u_mm_s / predicted }
        } else {
            Self { point, factor: 1.0, u_factor: 0.0 }
        }
    }
}

/// The corrected curve's points: every whole count, every point of the old curve, every verified drive.
fn knots(curve: &SpeedCurve, seen: &[Seen]) -> Vec<CurvePoint> {
    let counts = (1..=u8::MAX).map(f64::from).take_while(|count| *count <= curve.last_drive());
    let mut drives: Vec<f64> = curve.knots().iter().map(|knot| knot.drive).chain(counts).collect();
    drives.retain(|drive| seen.iter().all(|seen| (seen.point.drive - drive).abs() >= SAME_DRIVE));
    let carried = drives.into_iter().map(|drive| carry(curve, seen, drive));
    let mut knots: Vec<CurvePoint> = carried.chain(seen.iter().map(|seen| seen.point)).collect();
    knots.sort_by(|a, b| a.drive.total_cmp(&b.drive));
    knots.dedup_by(|next, kept| next.drive - kept.drive < SAME_DRIVE / 2.0);
    let mut highest = 0.0_f64;
    for knot in &mut knots {
        highest = highest.max(knot.speed_mm_s);
        knot.speed_mm_s = highest;
    }
    knots
}

/// The old curve at a drive under the factor there, between the verified speeds on both sides. The doubts of
/// curve and factor add in squares.
fn carry(curve: &SpeedCurve, seen: &[Seen], drive: f64) -> CurvePoint {
    let above = seen.partition_point(|seen| seen.point.drive <= drive);
    let (low, high) = (above.checked_sub(1).and_then(|below| seen.get(below)), seen.get(above));
    let (factor, u_factor) = match (low, high) {
        (Some(low), Some(high)) => {
            let part = (drive - low.point.drive) / (high.point.drive - low.point.drive);
            let between = |low: f64, high: f64| low + (high - low) * part;
            (between(low.factor, high.factor), between(low.u_factor, high.u_factor))
        }
        (Some(end), None) | (None, Some(end)) => (end.factor, end.u_factor),
        (None, None) => (1.0, 0.0),
    };
    let old = curve.speed_at(drive);
    let (own, added) = (old.u_mm_s * factor, old.speed_mm_s * u_factor);
    let speed_mm_s = (old.speed_mm_s * factor)
        .max(low.map_or(0.0, |low| low.point.speed_mm_s))
        .min(high.map_or(f64::INFINITY, |high| high.point.speed_mm_s));
    CurvePoint { drive, speed_mm_s, u_mm_s: (own * own + added * added).sqrt() }
}

/// The end of the dead zone, closer by what verify saw.
fn dead_zone(curve: &SpeedCurve, seen: &[Seen]) -> DeadZone {
    let DeadZone { stood_at, moved_at } = curve.dead_zone();
    let stands = |seen: &&Seen| seen.point.speed_mm_s <= curve.standing_mm_s();
    let stood_at = seen.iter().filter(stands).map(|seen| seen.point.drive).fold(stood_at, f64::max);
    let moved = seen.iter().filter(|seen| !stands(seen)).map(|seen| seen.point.drive).chain([moved_at]);
    // Where even the old point lies below, nothing is known but that it moves above.
    let moved_at = moved.filter(|drive| *drive > stood_at).fold(f64::INFINITY, f64::min);
    DeadZone { stood_at, moved_at: if moved_at.is_finite() { moved_at } else { stood_at } }
}

#[cfg(test)]
#[path = "correct_tests.rs"]
mod tests;
