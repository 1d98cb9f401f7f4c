//! Whether an engine stays as it was: a control chart of its re-checks.
//!
//! An exponentially weighted moving average (EWMA): `z_i = lambda x_i + (1 - lambda) z_(i-1)`, `z_0` the level that it is to keep, with
//! limits `z_0 +- L s sqrt(lambda / (2 - lambda) (1 - (1 - lambda)^(2 i)))`. Source: NIST/SEMATECH e-Handbook of Statistical Methods,
//! 6.3.2.4 (with the limits that the handbook's example uses: those of large i); the limits at small i are Lucas and Saccucci's
//! (Technometrics 32, 1990; from memory). Small lasting changes show there long before a single value does.
use serde::Serialize;

/// Weight of the newest value (the handbook's: 0.2 to 0.3).
pub const LAMBDA: f64 = 0.3;
/// Limits lie so many standard deviations of the average away.
pub const LIMIT: f64 = 3.0;
/// Re-checks that set the level: fewer say nothing.
pub const FEWEST: usize = 3;

/// One value of the chart.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Average {
    /// The value.
    pub value: f64,
    /// The weighted average up to it.
    pub average: f64,
    /// Half the distance of its limits.
    pub limit: f64,
    /// It left them.
    pub outside: bool,
}

/// The chart of values around a level, each with the standard deviation `s` of a single value.
#[must_use]
pub fn chart(level: f64, s: f64, lambda: f64, values: &[f64]) -> Vec<Average> {
    let mut average = level;
    let mut kept = 1.0;
    values
        .iter()
        .map(|value| {
            average = lambda * value + (1.0 - lambda) * average;
            kept *= (1.0 - lambda) * (1.0 - lambda);
            let limit = LIMIT * s * libm::sqrt(lambda / (2.0 - lambda) * (1.0 - kept));
            Average { value: *value, average, limit, outside: (average - level).abs() > limit }
        })
        .collect()
}

/// A re-check: how far the engine's speeds lay from its curve.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Seen {
    /// Mean deviation over its figures, percent.
    pub percent: f64,
    /// Its doubt, k = 1.
    pub u_percent: f64,
}

/// What there is to say.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Holding {
    /// Too few re-checks.
    TooFew,
    /// It runs as it did.
    Holds,
    /// It slowly becomes another; still within what is allowed.
    Drifting,
    /// It has become another.
    CalibrateAgain,
}

impl Holding {
    /// In a sentence without its stop.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::TooFew => "too few re-checks to say whether it stays as it is",
            Self::Holds => "it runs as it did when it was calibrated",
            Self::Drifting => "it is slowly becoming another; still within what is allowed",
            Self::CalibrateAgain => "it has become another: calibrate it again",
        }
    }
}

/// The chart of an engine's re-checks since it was calibrated.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Control {
    /// Its level: the mean of the first re-checks, percent. They are taken alike, after a short warm-up, so that it is not nought
    /// without the engine having changed.
    pub level: f64,
    /// Standard deviation of a single value, percent.
    pub s: f64,
    /// The values.
    pub averages: Vec<Average>,
    /// What there is to say.
    pub holding: Holding,
}

/// Judges re-checks, the oldest first. `tolerance_percent` is how far an engine may be from where it was.
///
/// The standard deviation of a value is not that of its repetition alone: an engine is placed anew each time. It is the larger of the
/// doubts' mean square and the scatter of the re-checks that set the level, widened for their small number by Student's t.
#[must_use]
pub fn control(seen: &[Seen], tolerance_percent: f64) -> Control {
    let first = &seen[..FEWEST.min(seen.len())];
    let count = first.len() as f64;
    let level = first.iter().map(|one| one.percent).sum::<f64>() / count.max(1.0);
    let doubt =
        libm::sqrt(first.iter().map(|one| one.u_percent * one.u_percent).sum::<f64>() / count.max(1.0));
    let scatter = if first.len() > 1 {
        let squares: f64 = first.iter().map(|one| (one.percent - level) * (one.percent - level)).sum();
        libm::sqrt(squares / (count - 1.0))
    } else {
        0.0
    };
    let s = doubt.max(scatter);
    let values: Vec<f64> = seen.iter().map(|one| one.percent).collect();
    let averages = chart(level, s, LAMBDA, &values);
    let holding = match (seen.last(), averages.last()) {
        _ if seen.len() < FEWEST => Holding::TooFew,
        (Some(last), Some(average)) => {
            let moved = (last.percent - level).abs();
            if moved - 2.0 * s > tolerance_percent || (average.average - level).abs() > tolerance_percent {
                Holding::CalibrateAgain
            } else if average.outside {
                Holding::Drifting
            } else {
                Holding::Holds
            }
        }
        _ => Holding::TooFew,
    };
    Control { level, s, averages, holding }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4, its data and its averages (both from memory): level 50, standard
    /// deviation 2.0539, lambda 0.3, limits 50 +- 2.5884.
    const DATA: [f64; 20] = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6,
        52.4, 53.6, 52.1,
    ];
    const AVERAGES: [f64; 20] = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05,
        49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ];

    #[test]
    fn averages_and_limits_are_those_of_the_handbook() {
        let chart = chart(50.0, 2.0539, 0.3, &DATA);
        for (seen, expected) in chart.iter().zip(AVERAGES) {
            // Its averages are rounded to two decimals, each from the rounded one before.
            assert!((seen.average - expected).abs() < 0.012, "{} and {expected}", seen.average);
            assert!(!seen.outside, "the handbook finds the process in control");
        }
        let last = chart.last().unwrap();
        assert!((50.0 + last.limit - 52.5884).abs() < 2e-4, "{}", last.limit);
        assert!((50.0 - last.limit - 47.4115).abs() < 2e-4, "{}", last.limit);
        let first = chart[0].limit;
        assert!((first - 3.0 * 2.0539 * 0.3).abs() < 1e-9, "the first average is 0.3 of one value: {first}");
    }

    fn seen(percents: &[f64]) -> Vec<Seen> {
        percents.iter().map(|percent| Seen { percent: *percent, u_percent: 0.2 }).collect()
    }

    #[test]
    fn what_stays_holds_what_creeps_drifts_what_leaves_is_calibrated_again() {
        let of = |percents: &[f64]| control(&seen(percents), 2.0).holding;
        assert_eq!(of(&[]), Holding::TooFew);
        assert_eq!(of(&[1.0, 1.1]), Holding::TooFew);
        assert_eq!(
            of(&[-1.6, -1.5, -1.4, -1.6, -1.3, -1.5]),
            Holding::Holds,
            "a level of its own is no drift"
        );
        assert_eq!(of(&[0.1, -0.1, 0.0, 0.5, 0.6, 0.7, 0.8]), Holding::Drifting);
        assert_eq!(of(&[0.1, -0.1, 0.0, 3.5]), Holding::CalibrateAgain, "at once where it is far");
        assert_eq!(of(&[0.1, -0.1, 0.0, 1.6, 2.2, 2.4, 2.3, 2.4, 2.4]), Holding::CalibrateAgain);
    }

    #[test]
    fn a_small_lasting_change_shows_though_no_value_is_far() {
        let control = control(&seen(&[0.0, 0.1, -0.1, 0.45, 0.5, 0.4, 0.45]), 2.0);
        assert!(control.averages.iter().all(|one| (one.value - control.level).abs() < LIMIT * control.s));
        assert_eq!(control.holding, Holding::Drifting);
    }
}
