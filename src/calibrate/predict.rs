//! What a fit does with an engine: drive, speed and the table's own limit at every entry.
//!
//! The standards say nothing about the rounding of the product entry x trim / 128 (`standards/dcc.md` section 4.2): it is
//! rounded as the sweep showed, where that is clear, and taken as exact else.
use super::curve::SAME_DRIVE;
use super::{ENTRIES, Habits, SpeedCurve, SpeedEstimate, TableFit, Target};
use crate::dcc::drive::trimmed;
use crate::station::Direction;

impl TableFit {
    /// The trim of a direction.
    #[must_use]
    pub const fn trim(&self, direction: Direction) -> u8 {
        match direction {
            Direction::Forward => self.trim_forward,
            Direction::Reverse => self.trim_reverse,
        }
    }

    /// The table's value at an entry, 1 to 28, or on the straight line between two; outside, that of the
    /// nearer end.
    #[must_use]
    pub fn value(&self, entry: f64) -> f64 {
        if let Some(points) = self.points {
            return points.drive(entry);
        }
        // `max` first: it turns "not a number" into the first entry.
        let place = (entry - 1.0).max(0.0).min((ENTRIES - 1) as f64);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to 27 by the line above"
        )]
        let below = place as usize;
        let low = f64::from(self.table[below]);
        let high = f64::from(self.table[(below + 1).min(ENTRIES - 1)]);
        low + (high - low) * (place - below as f64)
    }

    /// Motor drive (0 to 255) at an entry; the product of value and trim is taken as exact.
    #[must_use]
    pub fn drive(&self, direction: Direction, entry: f64) -> f64 {
        trimmed(self.value(entry), self.trim(direction))
    }
}

/// The speed that `fit` gives at an entry, by the curve of that direction.
#[must_use]
pub fn predict(
    fit: &TableFit,
    curve: &SpeedCurve,
    habits: &Habits,
    direction: Direction,
    entry: f64,
) -> SpeedEstimate {
    curve.speed_at(habits.used(fit.drive(direction, entry)))
}

/// The best that any table with this trim can do at an entry: half the larger of the two speed steps to the
/// neighbouring values, mm/s. A wanted speed half-way between two values misses both by that
/// (`standards/measurement.md` section 9). A neighbour at which the engine is not known to move is none: a table must
/// not stand where it should creep, so half the way down to a standstill excuses nothing.
#[must_use]
pub fn table_limit(fit: &TableFit, curve: &SpeedCurve, direction: Direction, entry: f64) -> f64 {
    let value = fit.value(entry);
    let drive = |value: f64| trimmed(value.clamp(0.0, 255.0), fit.trim(direction));
    let step = |slower: f64, faster: f64| {
        let moves = drive(slower) > curve.dead_zone().moved_at - SAME_DRIVE;
        let speed = |value: f64| curve.speed_at(drive(value)).speed_mm_s;
        if moves { speed(faster) - speed(slower) } else { 0.0 }
    };
    f64::max(step(value, value + 1.0), step(value - 1.0, value)) / 2.0
}

/// How many of the last entries are alike, and so give one speed, although the target rises over them by more than a part in a
/// hundred; 0 where there are none. The table has run into full drive or into the end of what was measured there, or its
/// whole numbers are too coarse.
#[must_use]
pub fn flat_top(fit: &TableFit, target: &Target) -> usize {
    let last = fit.table[ENTRIES - 1];
    let alike = fit.table.iter().rev().take_while(|value| **value == last).count();
    let first = (ENTRIES - alike + 1) as f64;
    let rises = fit.points.is_none() && alike > 1 && target.top() > 1.01 * target.at(first);
    if rises { alike } else { 0 }
}

/// The largest deviation predicted over all entries and both directions, mm/s.
#[must_use]
pub fn predicted_worst(
    fit: &TableFit,
    forward: &SpeedCurve,
    reverse: &SpeedCurve,
    habits: &Habits,
    target: &Target,
) -> f64 {
    let deviation = |curve, direction, entry| {
        (predict(fit, curve, habits, direction, entry).speed_mm_s - target.at(entry)).abs()
    };
    (1..=ENTRIES).map(|entry| entry as f64).fold(0.0, |worst: f64, entry| {
        worst.max(deviation(forward, Direction::Forward, entry)).max(deviation(
            reverse,
            Direction::Reverse,
            entry,
        ))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::CurvePoint;

    /// 2 mm/s a count above a dead zone of 20 counts.
    fn straight() -> SpeedCurve {
        let points: Vec<CurvePoint> = [(0.0, 0.0), (20.0, 0.0), (21.0, 2.0), (100.0, 160.0), (255.0, 470.0)]
            .map(|(drive, speed_mm_s)| CurvePoint { drive, speed_mm_s, u_mm_s: 0.2 })
            .to_vec();
        SpeedCurve::fit(&points).unwrap()
    }

    fn fit(trim_forward: u8, trim_reverse: u8) -> TableFit {
        let mut table = [0; ENTRIES];
        for (entry, value) in (1_u8..).zip(&mut table) {
            *value = 9 * entry;
        }
        TableFit { table, trim_forward, trim_reverse, points: None }
    }

    /// `standards/dcc.md` section 10 rows 73 and 75: trim 0 and 128 change nothing, 200 under 120 is 187.5.
    /// Entries lie on straight lines between the table's values (section 10.1; no standard gives it).
    #[test]
    fn drive_is_entry_times_trim() {
        let fit = fit(120, 0);
        assert!((fit.drive(Direction::Reverse, 10.5) - 94.5).abs() < 1e-12);
        assert!((fit.drive(Direction::Forward, 200.0 / 9.0) - 187.5).abs() < 1e-9);
        for (entry, value) in [(0.0, 9.0), (1.0, 9.0), (28.0, 252.0), (50.0, 252.0), (f64::NAN, 9.0)] {
            assert!((fit.value(entry) - value).abs() < 1e-12, "{entry}");
        }
    }

    #[test]
    fn speed_and_doubt_come_from_the_curve_at_that_drive() {
        let found = predict(&fit(128, 64), &straight(), &Habits::default(), Direction::Reverse, 20.0);
        assert!((found.speed_mm_s - 140.0).abs() < 0.1, "{found:?}");
        assert!((found.u_mm_s - 0.2).abs() < 1e-9);
    }

    /// `standards/measurement.md` section 9: half the local step.
    #[test]
    fn table_limit_is_half_the_step_to_the_next_value() {
        let curve = straight();
        let limit = |trim, entry| table_limit(&fit(trim, 128), &curve, Direction::Forward, entry);
        assert!((limit(128, 20.0) - 1.0).abs() < 1e-6);
        assert!((limit(64, 20.0) - 0.5).abs() < 1e-6, "a finer step under half the trim");
        assert!(limit(128, 1.0).abs() < 1e-12, "standing on both sides");
    }

    #[test]
    fn half_the_way_down_to_a_standstill_excuses_nothing() {
        // Moves from 21 at 12 mm/s on, 2 mm/s a count: a dead start.
        let points: Vec<CurvePoint> = [(20.0, 0.0), (21.0, 12.0), (22.0, 14.0), (255.0, 480.0)]
            .map(|(drive, speed_mm_s)| CurvePoint { drive, speed_mm_s, u_mm_s: 0.2 })
            .to_vec();
        let curve = SpeedCurve::fit(&points).unwrap();
        let table = |first: u8| {
            let mut fit = fit(128, 128);
            fit.table[0] = first;
            fit
        };
        let limit = |first| table_limit(&table(first), &curve, Direction::Forward, 1.0);
        assert!((limit(21) - 1.0).abs() < 0.1, "{}", limit(21));
        assert!((limit(22) - 1.0).abs() < 0.1, "{}", limit(22));
        assert!(limit(20).abs() < 1e-12, "{}", limit(20));
    }

    #[test]
    fn a_flat_top_is_counted_where_the_target_rises() {
        let mut fit = fit(128, 128);
        let (rising, level) = (
            Target::line(10.0, 464.0).unwrap(),
            Target::through(&[(1.0, 10.0), (26.0, 400.0), (28.0, 400.0)]).unwrap(),
        );
        assert_eq!(flat_top(&fit, &rising), 0);
        fit.table[25..].fill(255);
        assert_eq!((flat_top(&fit, &rising), flat_top(&fit, &level)), (3, 0));
    }

    #[test]
    fn the_worst_is_looked_for_in_both_directions() {
        let target = Target::line(10.0, 464.0).unwrap();
        let curve = straight();
        let even = predicted_worst(&fit(128, 128), &curve, &curve, &Habits::default(), &target);
        let slow_reverse = predicted_worst(&fit(128, 100), &curve, &curve, &Habits::default(), &target);
        let slow_forward = predicted_worst(&fit(100, 128), &curve, &curve, &Habits::default(), &target);
        assert!(slow_reverse > even + 50.0);
        assert!((slow_reverse - slow_forward).abs() < 1e-9);
    }
}
