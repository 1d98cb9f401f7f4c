//! From the points of a sweep to the curve of each direction.
//!
//! Points are pooled until speed never falls, then a smooth curve is laid through those that move ([`super::spline`]): near
//! points help each other, and between points the doubt grows with the gap and with how much this engine's curve bends.
//! A decoder may round the drive of a step to a whole count (`standards/dcc.md` section 4.2 leaves rounding open): then a
//! point lies up to half a count beside its nominal drive, far more than its speed is in doubt. What this decoder does is
//! read from the points themselves, those of both directions together: under the right habit they lie on a smoother
//! curve. Neither that nor the bend is chosen: every value counts as much as the points speak for it (a mean over the values,
//! by their evidence).
use super::curve::SpeedCurve;
use super::habit::{Habit, Habits};
use super::spline::{Seen, Weave, Woven};
use super::{CurveError, CurvePoint};

/// Full drive, counts.
const FULL: f64 = 255.0;
/// How much the slope may wander, as its standard deviation over the whole range, of the mean slope: from as good as
/// straight to a strong bend. Each is as likely as the others beforehand.
const WANDERS: [f64; 9] = [0.03, 0.06, 0.12, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0];
/// The smallest doubt of a point, as a part of the top speed.
const SMALLEST_U: f64 = 1e-6;

/// The curves of both directions, over the drive that the motor gets.
#[derive(Clone, Debug, PartialEq)]
pub struct Drawn {
    /// Forward and reverse.
    pub curves: [SpeedCurve; 2],
    /// What the decoder makes of a drive that is no whole count.
    pub habits: Habits,
    fits: [Fit; 2],
    weights: Vec<Row>,
}

/// A bend and a habit with their weight; the weights sum to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Row {
    wander: f64,
    habit: Habit,
    weight: f64,
}

/// The points of a direction as the spline sees them.
#[derive(Clone, Debug, PartialEq)]
struct Fit {
    points: Vec<CurvePoint>,
    top: f64,
}

impl Drawn {
    /// The curves through these points, forward and reverse, each in any order; points that stand are welcome.
    ///
    /// # Errors
    /// See [`CurveError`].
    pub fn through(points: [&[CurvePoint]; 2]) -> Result<Self, CurveError> {
        let pooled = [SpeedCurve::fit(points[0])?, SpeedCurve::fit(points[1])?];
        let fits = pooled.each_ref().map(|curve| Fit {
            points: curve
                .knots()
                .iter()
                .filter(|knot| knot.speed_mm_s > curve.standing_mm_s())
                .copied()
                .collect(),
            top: curve.top().speed_mm_s,
        });
        let weights = weights(&fits);
        let habits =
            Habits::by(|habit| weights.iter().filter(|row| row.habit == habit).map(|row| row.weight).sum());
        let [forward, reverse] = pooled.each_ref();
        let curves = [dense(forward, &fits[0], &weights), dense(reverse, &fits[1], &weights)];
        Ok(Self { curves, habits, fits, weights })
    }

    /// Standard uncertainty of the curve of a side (0 forward, 1 reverse) at a drive if there were points at these drives
    /// as well, each as well known as its neighbours are; what the decoder's habit leaves open is not in it. mm/s.
    pub(super) fn u_with(&self, side: usize, more: &[f64], drive: f64) -> f64 {
        let Fit { points, top } = &self.fits[side];
        let mut all = points.clone();
        all.extend(more.iter().map(|drive| {
            let speed_mm_s = self.curves[side].speed_at(*drive).speed_mm_s;
            CurvePoint { drive: *drive, speed_mm_s, u_mm_s: u_near(points, *drive) }
        }));
        all.sort_by(|a, b| a.drive.total_cmp(&b.drive));
        let wander: f64 = self.weights.iter().map(|row| row.weight * row.wander * row.wander).sum();
        let seen = seen(&all, *top, Habit::Exact, self.habits.beside * Habit::Beside.u_counts());
        let woven = Weave { seen: &seen, wander: wander * slope_squared(&all, *top) }.at(&[drive / FULL]);
        woven.first().map_or(0.0, |woven| woven.variance.sqrt() * top)
    }
}

/// Doubt of a point at a drive by those beside it.
fn u_near(points: &[CurvePoint], drive: f64) -> f64 {
    let above = points.partition_point(|point| point.drive <= drive);
    let beside = [above.checked_sub(1).and_then(|below| points.get(below)), points.get(above)];
    let (sum, count) = beside
        .into_iter()
        .flatten()
        .fold((0.0, 0.0), |(sum, count), point| (sum + point.u_mm_s, count + 1.0));
    if count > 0.0 { sum / count } else { 0.0 }
}

/// Points in parts, at the drives that the motor got by this habit; each may lie beside it by `beside` counts (k = 1).
fn seen(points: &[CurvePoint], top: f64, habit: Habit, beside: f64) -> Vec<Seen> {
    let slope = |i: usize| {
        let (low, high) = (i.saturating_sub(1), (i + 1).min(points.len() - 1));
        let (low, high) = (&points[low], &points[high]);
        (high.speed_mm_s - low.speed_mm_s) / (high.drive - low.drive).max(1.0)
    };
    let one = |(i, point): (usize, &CurvePoint)| {
        let (u, off) = (point.u_mm_s.max(top * SMALLEST_U) / top, beside * slope(i) / top);
        Seen { x: habit.used(point.drive) / FULL, y: point.speed_mm_s / top, variance: u * u + off * off }
    };
    points.iter().enumerate().map(one).collect()
}

/// Square of the mean slope, in parts.
fn slope_squared(points: &[CurvePoint], top: f64) -> f64 {
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return 1.0 };
    let slope = (last.speed_mm_s - first.speed_mm_s) / top / ((last.drive - first.drive) / FULL).max(0.01);
    slope * slope
}

/// Every bend and habit with its weight.
fn weights(fits: &[Fit; 2]) -> Vec<Row> {
    let mut rows: Vec<Row> = Vec::new();
    for habit in Habit::ALL {
        let sides = fits.each_ref().map(|fit| seen(&fit.points, fit.top, habit, habit.u_counts()));
        for wander in WANDERS {
            let evidence: f64 = sides
                .iter()
                .zip(fits)
                .map(|(seen, fit)| {
                    Weave { seen, wander: wander * wander * slope_squared(&fit.points, fit.top) }.evidence()
                })
                .sum();
            rows.push(Row { wander, habit, weight: evidence + libm::log(habit.prior()) });
        }
    }
    let best = rows.iter().fold(f64::NEG_INFINITY, |best, row| best.max(row.weight));
    for row in &mut rows {
        row.weight = libm::exp(row.weight - best);
    }
    let sum: f64 = rows.iter().map(|row| row.weight).sum();
    for row in &mut rows {
        row.weight /= sum;
    }
    rows
}

/// The curve with a knot at every whole count between the first and the last point that moved.
fn dense(pooled: &SpeedCurve, fit: &Fit, weights: &[Row]) -> SpeedCurve {
    let standing = pooled.knots().iter().filter(|knot| knot.speed_mm_s <= pooled.standing_mm_s());
    let drives = places(&fit.points);
    let xs: Vec<f64> = drives.iter().map(|drive| drive / FULL).collect();
    let mut mixed = vec![(0.0, 0.0); xs.len()];
    for row in weights.iter().filter(|row| row.weight > 1e-6) {
        let seen = seen(&fit.points, fit.top, row.habit, row.habit.u_counts());
        let wander = row.wander * row.wander * slope_squared(&fit.points, fit.top);
        for (sum, Woven { y, variance }) in mixed.iter_mut().zip(Weave { seen: &seen, wander }.at(&xs)) {
            *sum = (sum.0 + row.weight * y, sum.1 + row.weight * (variance + y * y));
        }
    }
    let mut highest = 0.0_f64;
    let woven = drives.iter().zip(&mixed).map(|(drive, (mean, square))| {
        highest = highest.max(mean * fit.top);
        let u_mm_s = (square - mean * mean).max(0.0).sqrt() * fit.top;
        CurvePoint { drive: *drive, speed_mm_s: highest, u_mm_s }
    });
    SpeedCurve::through(standing.copied().chain(woven).collect(), pooled.dead_zone())
}

/// Whole counts and measured drives, rising, no two alike.
fn places(points: &[CurvePoint]) -> Vec<f64> {
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return Vec::new() };
    let counts = (0..=u8::MAX).map(f64::from).filter(|count| *count > first.drive && *count < last.drive);
    let mut drives: Vec<f64> = points.iter().map(|point| point.drive).collect();
    drives.extend(counts.filter(|count| points.iter().all(|point| (point.drive - count).abs() > 0.1)));
    drives.sort_by(f64::total_cmp);
    drives
}

#[cfg(test)]
#[path = "drawn_tests.rs"]
mod tests;
