//! Which reading of the table explains what verify saw in 126-step operation.
//!
//! The readings differ by up to three quarters of an entry at the low end, far beyond any doubt of a measurement there. So
//! the first verify tells them apart by squares, and no measurement is made for it alone.
use super::{SpeedCurve, SpeedEstimate, TableFit, TableReading};
use crate::dcc::drive::trimmed;
use crate::station::Direction;

/// The other reading must leave squares smaller by this factor.
const FAR_BETTER: f64 = 3.0;
/// And no more than this on average, in doubts squared: else neither is right. An engine that has cooled by a percent since
/// the sweep must pass.
const GOOD: f64 = 50.0;
/// What a decoder makes of a drive between two counts is not known better than this (k = 1), counts.
const COUNT_U: f64 = 0.5;

/// A verified step: direction, speed with its doubt; nought where it stood.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeenStep {
    /// Step of the mode.
    pub step: u16,
    /// Direction.
    pub direction: Direction,
    /// What was measured, its doubt k = 1.
    pub measured: SpeedEstimate,
}

/// Whether these steps, in a mode of `of`, say that the decoder reads its table from zero and not from end to end, as the
/// table was made for.
#[must_use]
pub fn read_from_zero(
    seen: &[SeenStep],
    fit: &TableFit,
    [forward, reverse]: [&SpeedCurve; 2],
    of: u16,
) -> bool {
    let squares = |reading: TableReading| -> f64 {
        let each = seen.iter().map(|one| {
            let curve = if one.direction == Direction::Forward { forward } else { reverse };
            let drive = drive(fit, one.direction, reading.entry(one.step, of));
            let predicted = curve.speed_at(drive);
            let by_count = COUNT_U * curve.slope_at(drive.min(curve.last_drive()));
            let variance = one.measured.u_mm_s * one.measured.u_mm_s
                + predicted.u_mm_s * predicted.u_mm_s
                + by_count * by_count;
            let off = one.measured.speed_mm_s - predicted.speed_mm_s;
            off * off / variance.max(1e-6)
        });
        each.sum::<f64>() / seen.len().max(1) as f64
    };
    let (ends, zero) = (squares(TableReading::EndToEnd), squares(TableReading::FromZero));
    seen.len() > 2 && zero * FAR_BETTER < ends && zero < GOOD
}

/// Drive at a place of the table; below entry 1 on the line down to nothing.
fn drive(fit: &TableFit, direction: Direction, entry: f64) -> f64 {
    let below = entry.clamp(0.0, 1.0);
    trimmed(fit.value(entry) * below, fit.trim(direction))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::CurvePoint;

    /// 2 mm/s a count above a dead zone of 10 counts.
    fn curve() -> SpeedCurve {
        let points = [(0.0, 0.0), (10.0, 0.0), (11.0, 2.0), (100.0, 180.0), (255.0, 490.0)];
        let points = points.map(|(drive, speed_mm_s)| CurvePoint { drive, speed_mm_s, u_mm_s: 0.2 });
        SpeedCurve::fit(&points).unwrap()
    }

    fn nines() -> TableFit {
        let mut table = [0; 28];
        for (entry, value) in (1_u8..).zip(&mut table) {
            *value = 9 * entry;
        }
        TableFit { table, trim_forward: 128, trim_reverse: 120 }
    }

    /// Steps of a decoder with this drive at each, in counts; `by` is an error of the speed in parts.
    fn seen(counts: impl Fn(u16) -> f64, by: f64) -> Vec<SeenStep> {
        let steps = [1, 20, 38, 57, 75, 94, 112, 126];
        let each = steps.into_iter().flat_map(|step| Direction::BOTH.map(|direction| (step, direction)));
        let trim = |direction| if direction == Direction::Forward { 1.0 } else { 120.0 / 128.0 };
        each.map(|(step, direction)| {
            let speed_mm_s = (2.0 * (counts(step) * trim(direction) - 10.0)).max(0.0) * (1.0 + by);
            SeenStep { step, direction, measured: SpeedEstimate { speed_mm_s, u_mm_s: 0.3 } }
        })
        .collect()
    }

    #[test]
    fn each_reading_is_told_from_the_other() {
        let ends = |step: u16| 9.0 + f64::from(step - 1) * 243.0 / 125.0;
        let zero = |step: u16| 2.0 * f64::from(step);
        let curve = curve();
        let found = |seen: &[SeenStep]| read_from_zero(seen, &nines(), [&curve, &curve], 126);
        for by in [-0.01, 0.0, 0.01] {
            assert!(!found(&seen(ends, by)), "{by}");
            assert!(found(&seen(zero, by)), "{by}");
        }
        assert!(!found(&seen(zero, 0.0)[..2]), "two figures say nothing");
        assert!(!found(&seen(|step| 40.0 + f64::from(step), 0.0)), "neither of both");
    }
}
