//! A robust slope: the median of the slopes between all pairs of points, with the interval that Kendall's statistic
//! gives, and the test for a trend.
//!
//! Theil 1950, Sen 1968 (slope and interval); Mann 1945, Kendall 1975 (trend). A single wild value moves neither.
//! Check values in `standards/measurement.md` section 4.2.
use std::f64::consts::SQRT_2;

/// The normal quantile at 97.5 %.
const Z_975: f64 = 1.959_963_984_540_054;
/// With fewer points even the largest of the slopes between them bounds the true one at less than 95 %.
const FEWEST: usize = 5;

/// A slope with its 95 % interval, in the ordinate's unit over the abscissa's.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slope {
    /// The median slope.
    pub slope: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Ordinate at abscissa 0 of the line through the medians.
    pub intercept: f64,
}

/// Kendall's statistic of values in the order of their abscissae.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend {
    /// Rising pairs less falling pairs.
    pub s: f64,
    /// Its variance where there is no trend; pairs of equal values are allowed for.
    pub variance: f64,
}

impl Trend {
    /// The normal statistic, with the correction for continuity.
    #[must_use]
    pub fn z(&self) -> f64 {
        if self.s == 0.0 || self.variance <= 0.0 {
            return 0.0;
        }
        (self.s - self.s.signum()) / self.variance.sqrt()
    }

    /// Two-sided probability of so much trend by chance.
    #[must_use]
    pub fn p(&self) -> f64 {
        libm::erfc(self.z().abs() / SQRT_2)
    }
}

/// The slope of these (abscissa, ordinate), in any order; none with fewer than five, or fewer than two abscissae.
#[must_use]
pub fn theil_sen(points: &[(f64, f64)]) -> Option<Slope> {
    if points.len() < FEWEST {
        return None;
    }
    let mut slopes: Vec<f64> = pairs(points)
        .filter_map(|(a, b)| {
            let run = b.0 - a.0;
            (run != 0.0).then(|| (b.1 - a.1) / run)
        })
        .filter(|slope| slope.is_finite())
        .collect();
    slopes.sort_by(f64::total_cmp);
    let last = slopes.len().checked_sub(1)?;
    let count = slopes.len() as f64;
    let ties = tied(points.iter().map(|point| point.0)) + tied(points.iter().map(|point| point.1));
    let half = Z_975 * variance(points.len(), ties).max(0.0).sqrt();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "held between 0 and the last"
    )]
    let place = |at: f64| (at.max(0.0) as usize).min(last);
    let low = slopes[place(((count - half) / 2.0).round_ties_even() - 1.0)];
    let high = slopes[place(((count + half) / 2.0).round_ties_even())];
    let slope = median(&mut slopes)?;
    let x = median(&mut points.iter().map(|point| point.0).collect::<Vec<f64>>())?;
    let y = median(&mut points.iter().map(|point| point.1).collect::<Vec<f64>>())?;
    Some(Slope { slope, low, high, intercept: y - slope * x })
}

/// The trend of these (abscissa, ordinate), in rising abscissae.
#[must_use]
pub fn trend(points: &[(f64, f64)]) -> Trend {
    let sign = |a: f64, b: f64| match b.partial_cmp(&a) {
        Some(std::cmp::Ordering::Greater) => 1.0,
        Some(std::cmp::Ordering::Less) => -1.0,
        _ => 0.0,
    };
    let s = pairs(points).map(|(a, b)| sign(a.1, b.1)).sum();
    Trend { s, variance: variance(points.len(), tied(points.iter().map(|point| point.1))) }
}

/// Every pair, the earlier first.
fn pairs(points: &[(f64, f64)]) -> impl Iterator<Item = (&(f64, f64), &(f64, f64))> {
    points.iter().enumerate().flat_map(|(i, a)| points[i + 1..].iter().map(move |b| (a, b)))
}

/// Variance of Kendall's S for `n` values, `ties` taken off.
fn variance(n: usize, ties: f64) -> f64 {
    let n = n as f64;
    (n * (n - 1.0) * (2.0 * n + 5.0) - ties) / 18.0
}

/// What groups of equal values take off: the sum of k (k - 1) (2 k + 5) over groups of k.
fn tied(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    #[expect(clippy::float_cmp, reason = "a tie is equality to the last digit")]
    let groups = sorted.chunk_by(|a, b| a == b);
    groups
        .map(|group| {
            let k = group.len() as f64;
            k * (k - 1.0) * (2.0 * k + 5.0)
        })
        .sum()
}

/// The median; none of nothing. Leaves the values sorted.
fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    let upper = *values.get(middle)?;
    if values.len() % 2 == 1 { Some(upper) } else { Some(f64::midpoint(values[middle - 1], upper)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The project's own test series, numbered from 0.
    fn settle60() -> Vec<(f64, f64)> {
        let text = include_str!("../../tests/reference/settle60.csv");
        let rows = text.lines().filter(|line| !line.starts_with(['#', 'i']));
        rows.map(|line| {
            let (i, speed) = line.split_once(',').unwrap();
            (i.parse().unwrap(), speed.parse().unwrap())
        })
        .collect()
    }

    fn near(found: f64, wanted: f64) {
        assert!((found - wanted).abs() <= 1e-10 * wanted.abs().max(1.0), "found {found}, wanted {wanted}");
    }

    /// `standards/measurement.md` section 4.2: `scipy.stats.theilslopes` on data made for this project.
    #[test]
    fn slopes_and_intervals_as_scipy_computes_them() {
        let series = settle60();
        for (range, slope, low, high, intercept) in [
            (0..20, 0.32375, 0.248_181_818_182, 0.412_727_272_727, 95.169_375),
            (20..40, 0.004_879_807_692_31, -0.017_272_727_272_7, 0.034_285_714_285_7, 99.691_045_673_1),
            (40..60, 0.002_678_571_428_57, -0.011_764_705_882_4, 0.02, 99.742_410_714_3),
        ] {
            let found = theil_sen(&series[range]).unwrap();
            near(found.slope, slope);
            near(found.low, low);
            near(found.high, high);
            near(found.intercept, intercept);
        }
    }

    /// The same section: Mann-Kendall, S and its variance exact, Z and p as pymannkendall 1.4.3 computes them.
    #[test]
    #[expect(clippy::float_cmp, reason = "S and its variance are whole numbers")]
    fn trends_as_published() {
        let series = settle60();
        for (range, s, variance, z, p) in [
            (0..20, 178.0, 950.0, 5.742_638_308_0, 9.3e-9),
            (20..40, 10.0, 948.0, 0.292_306_411_1, 0.770_052_357_4),
            (40..60, 16.0, 948.0, 0.487_177_351_8, 0.626_132_653_8),
        ] {
            let found = trend(&series[range]);
            assert_eq!((found.s, found.variance), (s, variance));
            assert!((found.z() - z).abs() < 1e-9, "{}", found.z());
            assert!((found.p() - p).abs() < 1e-9, "{}", found.p());
        }
    }

    #[test]
    fn one_wild_value_moves_nothing() {
        let mut points: Vec<(f64, f64)> = (0..9).map(|i| (f64::from(i), 2.0 * f64::from(i) + 1.0)).collect();
        points[4].1 = 1000.0;
        let found = theil_sen(&points).unwrap();
        near(found.slope, 2.0);
        assert!(found.low <= 2.0 && found.high >= 2.0);
    }

    #[test]
    fn too_little_gives_no_slope() {
        assert_eq!(theil_sen(&[(0.0, 1.0), (1.0, 2.0), (2.0, 3.0), (3.0, 4.0)]), None);
        assert_eq!(theil_sen(&[(1.0, 2.0); 6]), None);
        assert!((trend(&[]).p() - 1.0).abs() < 1e-12);
    }
}
