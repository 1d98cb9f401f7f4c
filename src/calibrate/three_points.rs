//! Decoders without a speed table: the best CV 2, 6 and 5.
//!
//! The drive runs straight from CV 2 at step 1 to CV 6 at the middle step and on to CV 5 at the top (S-9.2.2; the lines between
//! and the middle step are common practice, no source: `standards/dcc.md` section 4.2). Once the middle is given, the lower
//! half hangs on CV 2 alone and the upper half on CV 5 alone, so that all three are found by trying every value of each.
use super::fit::{FitError, TableTask, check_top};
use super::{ENTRIES, TableFit, TableReading, predict};
use crate::dcc::drive::UNITY_TRIM;
use crate::station::Direction;
use serde::{Deserialize, Serialize};

/// Values of CV 5 and CV 6 that count: 0 and 1 mean that they are not used (S-9.2.2).
const USED: std::ops::RangeInclusive<u8> = 2..=255;

/// CV 2, 6 and 5, and the step mode that says where the middle lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ThreePoints {
    /// CV 2: drive at step 1.
    pub start: u8,
    /// CV 6: drive at the middle step.
    pub middle: u8,
    /// CV 5: drive at the top step.
    pub top: u8,
    /// Moving steps of the mode.
    pub of: u16,
}

impl ThreePoints {
    /// The middle step as a place on the scale of the 28 entries.
    fn middle_place(self) -> f64 {
        TableReading::EndToEnd.entry(self.of / 2, self.of)
    }

    /// Drive at a place on the scale of the 28 entries, 1 to 28.
    #[must_use]
    pub fn drive(self, entry: f64) -> f64 {
        let place = entry.max(1.0).min(ENTRIES as f64);
        let [start, middle, top] = [self.start, self.middle, self.top].map(f64::from);
        let at = self.middle_place();
        if place <= at {
            start + (middle - start) * (place - 1.0) / (at - 1.0)
        } else {
            middle + (top - middle) * (place - at) / (ENTRIES as f64 - at)
        }
    }
}

impl TableTask<'_> {
    /// The three values that keep the worst deviation over all steps and both directions smallest, measured in tolerances.
    ///
    /// # Errors
    /// The top is out of reach, or no values move the engine in both directions.
    pub fn three_points(&self) -> Result<TableFit, FitError> {
        check_top(self.target.top(), self.curves[0], self.curves[1], 0.0)?;
        let moves = self.curves.iter().map(|curve| curve.slowest_drive()).fold(0.0, f64::max);
        let known = self.curves.iter().map(|curve| curve.last_drive()).fold(f64::INFINITY, f64::min);
        let usable = |value: &u8| (moves..=known).contains(&f64::from(*value));
        let of = self.of;
        let (lower, upper) = (1..=of / 2, of / 2..=of);
        let mut best: Option<(f64, ThreePoints)> = None;
        for middle in USED.filter(usable) {
            let limit = best.map_or(f64::INFINITY, |best| best.0);
            let starts =
                (1..=middle).filter(usable).map(|start| ThreePoints { start, middle, top: middle, of });
            let Some((low, points)) = self.smallest(starts, lower.clone(), limit) else { continue };
            let tops = (middle..=u8::MAX).filter(usable).map(|top| ThreePoints { top, ..points });
            let Some((high, points)) = self.smallest(tops, upper.clone(), limit) else { continue };
            let worst = f64::max(low, high);
            if worst < limit {
                best = Some((worst, points));
            }
        }
        let points = best.ok_or(FitError::DirectionsTooUnlike)?.1;
        Ok(of_points(points))
    }

    /// The best of these over these steps, where it is better than `limit`; the first of equals.
    fn smallest(
        &self,
        choices: impl Iterator<Item = ThreePoints>,
        steps: std::ops::RangeInclusive<u16>,
        limit: f64,
    ) -> Option<(f64, ThreePoints)> {
        let mut best: Option<(f64, ThreePoints)> = None;
        for points in choices {
            let limit = best.map_or(limit, |best| best.0);
            let fit = of_points(points);
            let mut worst = 0.0_f64;
            let serves = steps.clone().all(|step| {
                worst = worst.max(self.deviation(&fit, step));
                worst < limit
            });
            if serves {
                best = Some((worst, points));
            }
        }
        best
    }

    /// The worse deviation of both directions at a step, in tolerances.
    fn deviation(&self, fit: &TableFit, step: u16) -> f64 {
        let entry = TableReading::EndToEnd.entry(step, self.of);
        let wanted = self.target.at(entry);
        let both = Direction::BOTH.into_iter().zip(self.curves).map(|(direction, curve)| {
            (predict(fit, curve, self.habits, direction, entry).speed_mm_s - wanted).abs()
        });
        both.fold(0.0, f64::max) / self.tolerance.allowed(wanted, 0.0).max(f64::EPSILON)
    }
}

/// Three points in place of a table.
fn of_points(points: ThreePoints) -> TableFit {
    TableFit { table: [0; ENTRIES], trim_forward: UNITY_TRIM, trim_reverse: UNITY_TRIM, points: Some(points) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::{CurvePoint, Habits, SpeedCurve, Target, Tolerance};

    fn curve(slower: f64, bend: f64) -> SpeedCurve {
        let points: Vec<CurvePoint> = (0..=255_u8)
            .map(f64::from)
            .map(|drive| {
                let part = ((drive - 12.0) / 243.0).max(0.0);
                CurvePoint { drive, speed_mm_s: slower * 480.0 * libm::pow(part, bend), u_mm_s: 0.05 }
            })
            .collect();
        SpeedCurve::fit(&points).unwrap()
    }

    /// `standards/dcc.md` section 10 rows 67 to 70, as in the linear baseline: CV 2 at step 1, CV 6 in the middle, CV 5 on top.
    #[test]
    fn three_points_lie_at_the_first_the_middle_and_the_last_step() {
        for of in [28, 126] {
            let points = ThreePoints { start: 10, middle: 100, top: 240, of };
            let at = |step: u16| points.drive(TableReading::EndToEnd.entry(step, of));
            for (step, drive) in [(1, 10.0), (of / 2, 100.0), (of, 240.0)] {
                assert!((at(step) - drive).abs() < 1e-9, "{step} of {of}: {}", at(step));
            }
        }
        let whole = ThreePoints { start: 1, middle: 128, top: 255, of: 28 };
        assert!((whole.drive(7.5) - 64.5).abs() < 1e-9 && (whole.drive(21.0) - 191.5).abs() < 1e-9);
    }

    /// Every value of each of the three on a coarse target, nothing left out.
    #[test]
    fn no_other_three_values_are_better() {
        let (target, tolerance) = (Target::line(20.0, 200.0).unwrap(), Tolerance::new(0.02, 1.6));
        let habits = Habits { exact: 1.0, ..Habits::default() };
        let (forward, reverse) = (curve(1.0, 1.1), curve(0.97, 1.15));
        let task = TableTask {
            curves: [&forward, &reverse],
            habits: &habits,
            target: &target,
            tolerance: &tolerance,
            of: 28,
            reading: TableReading::EndToEnd,
        };
        let found = task.three_points().unwrap();
        let worst = |points: ThreePoints| {
            (1..=28).map(|step| task.deviation(&of_points(points), step)).fold(0.0, f64::max)
        };
        let best = worst(found.points.unwrap());
        // All that lie near, each by itself and together, and a coarse grid over everything.
        let ThreePoints { start, middle, top, .. } = found.points.unwrap();
        let near = |value: u8| value.saturating_sub(4)..=value.saturating_add(4);
        for start in near(start) {
            for middle in near(middle) {
                for top in near(top) {
                    let off = worst(ThreePoints { start, middle, top, of: 28 });
                    assert!(off >= best - 1e-9, "{start} {middle} {top}: {off} {best}");
                }
            }
        }
        for start in (1..=250).step_by(9) {
            for middle in (2..=250).step_by(9) {
                for top in (2..=250).step_by(9) {
                    let off = worst(ThreePoints { start, middle, top, of: 28 });
                    assert!(off >= best - 1e-9, "{start} {middle} {top}: {off} {best}");
                }
            }
        }
        let whole = task.best().unwrap();
        assert!(task.quality(&whole).worst < best, "a table has more to give");
    }
}
