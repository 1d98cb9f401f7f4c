//! The wanted speeds over the table entries: straight pieces.
use super::ENTRIES;
use crate::config::TargetSpec;
use thiserror::Error;

/// Entry of the last step as a place on the scale of entries.
const LAST_ENTRY: f64 = ENTRIES as f64;

/// Why points make no target.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum TargetError {
    /// The first point must be entry 1 and the last entry 28.
    #[error("a target runs from entry 1 to entry 28, not from {first} to {last}")]
    Ends {
        /// Entry of the first point.
        first: f64,
        /// Entry of the last point.
        last: f64,
    },
    /// Entries must rise from point to point; speeds may not fall, must be above 0 and finite.
    #[error("the target point at entry {entry} with {speed_mm_s} mm/s does not rise from the one before")]
    NotRising {
        /// Entry of the point.
        entry: f64,
        /// Its speed.
        speed_mm_s: f64,
    },
    /// A top below the creep speed.
    #[error("the top {top_mm_s} mm/s lies below the creep speed {creep_mm_s} mm/s")]
    TopBelowCreep {
        /// Speed at entry 1.
        creep_mm_s: f64,
        /// Speed at entry 28.
        top_mm_s: f64,
    },
}

/// The wanted speed at every entry; never falls, above 0.
#[derive(Clone, Debug, PartialEq)]
pub struct Target {
    /// (entry, mm/s), entries rising from 1 to 28.
    points: Vec<(f64, f64)>,
}

impl Target {
    /// A straight line from the creep speed at entry 1 to the top at entry 28.
    ///
    /// # Errors
    /// A speed that is not above 0 and finite, or a top below the creep speed.
    pub fn line(creep_mm_s: f64, top_mm_s: f64) -> Result<Self, TargetError> {
        Self::through(&[(1.0, creep_mm_s), (LAST_ENTRY, top_mm_s)])
    }

    /// Straight pieces through these (entry, mm/s).
    ///
    /// # Errors
    /// They don't begin at entry 1 and end at entry 28, or don't rise.
    pub fn through(points: &[(f64, f64)]) -> Result<Self, TargetError> {
        let ends = points.first().zip(points.last()).map(|(first, last)| (first.0, last.0));
        let (first, last) = ends.unwrap_or_default();
        #[expect(clippy::float_cmp, reason = "entries are whole numbers here")]
        if points.len() < 2 || first != 1.0 || last != LAST_ENTRY {
            return Err(TargetError::Ends { first, last });
        }
        let mut before = (0.0, f64::MIN_POSITIVE);
        for &(entry, speed_mm_s) in points {
            let rises = entry > before.0 && speed_mm_s >= before.1 && speed_mm_s.is_finite();
            if !rises {
                return Err(TargetError::NotRising { entry, speed_mm_s });
            }
            before = (entry, speed_mm_s);
        }
        Ok(Self { points: points.to_vec() })
    }

    /// The target of a bench file.
    ///
    /// # Errors
    /// As [`Target::line`] and [`Target::through`].
    pub fn from_spec(spec: &TargetSpec) -> Result<Self, TargetError> {
        match spec {
            TargetSpec::Line { creep_mm_s, top_mm_s } => Self::line(*creep_mm_s, *top_mm_s),
            TargetSpec::Points(points) => {
                let places: Vec<(f64, f64)> =
                    points.iter().map(|(entry, speed)| (f64::from(*entry), *speed)).collect();
                Self::through(&places)
            }
        }
    }

    /// The wanted speed at an entry, 1 to 28, or between two; outside, that of the nearer end. mm/s.
    #[must_use]
    pub fn at(&self, entry: f64) -> f64 {
        let above = self.points.partition_point(|point| point.0 <= entry);
        match (above.checked_sub(1).and_then(|below| self.points.get(below)), self.points.get(above)) {
            (Some(low), Some(high)) => low.1 + (high.1 - low.1) * ((entry - low.0) / (high.0 - low.0)),
            (Some(end), None) | (None, Some(end)) => end.1,
            (None, None) => 0.0,
        }
    }

    /// The same wanted speed at every step of a mode of `of`, for a decoder that reads its table from zero; without what lies
    /// below entry 1.
    #[must_use]
    pub fn read_from_zero(&self, of: u16) -> Self {
        let (of, last) = (f64::from(of.max(2)), LAST_ENTRY);
        let step = |entry: f64| 1.0 + (entry - 1.0) * (of - 1.0) / (last - 1.0);
        let wanted_at = |place: f64| 1.0 + (place * of / last - 1.0) * (last - 1.0) / (of - 1.0);
        let moved = self.points.iter().map(|(entry, speed)| (step(*entry) * last / of, *speed));
        let first = (1.0, self.at(wanted_at(1.0)));
        Self { points: std::iter::once(first).chain(moved.filter(|(place, _)| *place > 1.0)).collect() }
    }

    /// The speed at entry 28, mm/s.
    #[must_use]
    pub fn top(&self) -> f64 {
        self.at(LAST_ENTRY)
    }

    /// The same target, but nowhere slower than this. mm/s.
    #[must_use]
    pub fn raised_to(&self, creep_mm_s: f64) -> Self {
        let raised = self.points.iter().map(|(entry, speed)| (*entry, speed.max(creep_mm_s)));
        Self { points: raised.collect() }
    }

    /// The same shape with another top. The creep speed at entry 1 stays; all between moves in proportion.
    ///
    /// # Errors
    /// The new top lies below the creep speed, or is no number.
    pub fn scaled_to_top(&self, top_mm_s: f64) -> Result<Self, TargetError> {
        let (creep_mm_s, old_top) = (self.at(1.0), self.top());
        if !(top_mm_s.is_finite() && top_mm_s >= creep_mm_s) {
            return Err(TargetError::TopBelowCreep { creep_mm_s, top_mm_s });
        }
        let factor =
            if old_top > creep_mm_s { (top_mm_s - creep_mm_s) / (old_top - creep_mm_s) } else { 0.0 };
        let mut points: Vec<(f64, f64)> = self
            .points
            .iter()
            .map(|(entry, speed)| (*entry, creep_mm_s + (speed - creep_mm_s) * factor))
            .collect();
        if let Some(last) = points.last_mut() {
            last.1 = top_mm_s;
        }
        Self::through(&points)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_runs_straight_from_creep_to_top() {
        let target = Target::line(14.0, 284.0).unwrap();
        for (entry, speed) in
            [(1.0, 14.0), (2.0, 24.0), (14.5, 149.0), (28.0, 284.0), (0.0, 14.0), (40.0, 284.0)]
        {
            assert!((target.at(entry) - speed).abs() < 1e-9, "{entry}");
        }
    }

    #[test]
    fn points_are_joined_by_straight_pieces() {
        let spec = TargetSpec::Points(vec![(1, 10.0), (14, 75.0), (28, 355.0)]);
        let target = Target::from_spec(&spec).unwrap();
        for (entry, speed) in [(1.0, 10.0), (2.0, 15.0), (14.0, 75.0), (15.0, 95.0), (28.0, 355.0)] {
            assert!((target.at(entry) - speed).abs() < 1e-9, "{entry}");
        }
        let line = TargetSpec::Line { creep_mm_s: 5.0, top_mm_s: 300.0 };
        assert_eq!(Target::from_spec(&line), Target::line(5.0, 300.0));
    }

    #[test]
    fn a_lower_top_keeps_the_creep_speed() {
        let target = Target::through(&[(1.0, 10.0), (14.0, 75.0), (28.0, 310.0)]).unwrap();
        let lower = target.scaled_to_top(160.0).unwrap();
        for (entry, speed) in [(1.0, 10.0), (14.0, 42.5), (28.0, 160.0)] {
            assert!((lower.at(entry) - speed).abs() < 1e-9, "{entry}");
        }
        assert!(matches!(target.scaled_to_top(9.0), Err(TargetError::TopBelowCreep { .. })));
        assert!(matches!(target.scaled_to_top(f64::NAN), Err(TargetError::TopBelowCreep { .. })));
    }

    #[test]
    fn what_does_not_rise_is_refused() {
        assert_eq!(Target::through(&[]), Err(TargetError::Ends { first: 0.0, last: 0.0 }));
        assert_eq!(
            Target::through(&[(2.0, 5.0), (28.0, 9.0)]),
            Err(TargetError::Ends { first: 2.0, last: 28.0 })
        );
        for (creep, top) in [(0.0, 10.0), (-1.0, 10.0), (20.0, 10.0), (f64::NAN, 10.0), (1.0, f64::INFINITY)]
        {
            assert!(matches!(Target::line(creep, top), Err(TargetError::NotRising { .. })), "{creep} {top}");
        }
        let twice = [(1.0, 5.0), (9.0, 6.0), (9.0, 7.0), (28.0, 9.0)];
        assert!(matches!(Target::through(&twice), Err(TargetError::NotRising { .. })));
    }
}
