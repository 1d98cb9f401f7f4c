//! What verify saw, folded into the curve: the curve is moved along the drive.
//!
//! At a verified entry the engine went as fast as the old curve says it should at some other drive. That
//! distance in drive, straight between the verified drives and constant outside, moves the whole curve. Both
//! of what changes an engine is straight in drive: less friction moves the curve by a constant, a stronger
//! motor by a part of the drive above the dead zone. A factor on the speed instead would carry a wrong guess
//! of the dead zone's end, large against a creep speed, far up the curve. The old curve is taken over count
//! by count, so that it keeps its shape between its points; speeds then stay between those that were
//! verified, which keeps the curve from falling. One correction is meant, not a loop.
use super::curve::{DeadZone, SAME_DRIVE, as_point, in_range, pooled};
use super::{CurvePoint, Habits, SpeedCurve, SpeedEstimate, TableFit, VerifyPoint};
use crate::station::Direction;

/// A shift beyond this many counts, or beyond [`LARGEST_PART`] of the drive where that is more, is no small
/// residual: the measured speed holds at the verified drive, but isn't carried to other drives.
const LARGEST_SHIFT: f64 = 10.0;
/// See [`LARGEST_SHIFT`].
const LARGEST_PART: f64 = 0.2;

/// The curve of `direction`, corrected by the verified points of that direction (others, and those that no
/// engine can give, are passed over). Without any, the curve as it was. At a verified drive the corrected
/// curve is what was measured there, doubt included; verified points that contradict each other are pooled.
#[must_use]
pub fn correct(
    curve: &SpeedCurve,
    fit: &TableFit,
    habits: &Habits,
    direction: Direction,
    verified: &[VerifyPoint],
) -> SpeedCurve {
    let points: Vec<CurvePoint> = verified
        .iter()
        .filter(|point| point.direction == direction && point.entry.is_finite())
        .map(|point| {
            let SpeedEstimate { speed_mm_s, u_mm_s } = point.measured;
            CurvePoint { drive: habits.used(fit.drive(direction, point.entry)), speed_mm_s, u_mm_s }
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

/// What was measured at a verified drive, and how far the curve must move for it.
#[derive(Clone, Copy, Debug)]
struct Seen {
    point: CurvePoint,
    /// The drive at which the old curve has the measured speed, less the verified drive; 0 where it is not to
    /// be carried to other drives.
    shift: f64,
    /// Its standard uncertainty.
    u_shift: f64,
}

impl Seen {
    fn new(curve: &SpeedCurve, point: CurvePoint) -> Self {
        let slope = slope(curve, point.drive);
        let stands = point.speed_mm_s <= curve.standing_mm_s();
        let shift = drive_for(curve, point.speed_mm_s) - point.drive;
        if stands || slope <= 0.0 || shift.abs() > LARGEST_SHIFT.max(LARGEST_PART * point.drive) {
            Self { point, shift: 0.0, u_shift: 0.0 }
        } else {
            Self { point, shift, u_shift: point.u_mm_s / slope }
        }
    }
}

/// The slope at a drive, going on straight above the last point.
fn slope(curve: &SpeedCurve, drive: f64) -> f64 {
    curve.slope_at(drive.min(curve.last_drive()))
}

/// The speed at a drive, going on straight above the last point (by less than a small residual).
fn speed_at(curve: &SpeedCurve, drive: f64) -> f64 {
    let above = (drive - curve.last_drive()).max(0.0);
    curve.speed_at(drive).speed_mm_s + above * slope(curve, drive)
}

/// The smallest drive that reaches a speed, going on straight above the last point.
fn drive_for(curve: &SpeedCurve, speed_mm_s: f64) -> f64 {
    curve.drive_for(speed_mm_s).unwrap_or_else(|| {
        let last = curve.last_drive();
        last + (speed_mm_s - curve.top().speed_mm_s) / slope(curve, last)
    })
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

/// The old curve at a drive, moved by the shift there, between the verified speeds on both sides. The doubts
/// of curve and shift add in squares.
fn carry(curve: &SpeedCurve, seen: &[Seen], drive: f64) -> CurvePoint {
    let above = seen.partition_point(|seen| seen.point.drive <= drive);
    let (low, high) = (above.checked_sub(1).and_then(|below| seen.get(below)), seen.get(above));
    let (shift, u_shift) = match (low, high) {
        (Some(low), Some(high)) => {
            let part = (drive - low.point.drive) / (high.point.drive - low.point.drive);
            let between = |low: f64, high: f64| low + (high - low) * part;
            (between(low.shift, high.shift), between(low.u_shift, high.u_shift))
        }
        (Some(end), None) | (None, Some(end)) => (end.shift, end.u_shift),
        (None, None) => (0.0, 0.0),
    };
    let place = (drive + shift).max(0.0);
    let (own, added) = (curve.speed_at(place).u_mm_s, slope(curve, place) * u_shift);
    let speed_mm_s = speed_at(curve, place)
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
