//! Student t, for the few places where motion needs it.
//!
//! GUM (JCGM 100:2008) 4.2 for type A; B. L. Welch, Biometrika 34, 1947 for two groups of unequal variance. The
//! distribution comes from a crate that calls the platform's logarithm and exponential: its results are rounded to nine
//! decimals, so that a last digit that differs between machines seldom changes what is stored or decided. Seldom, not
//! never: a value that lies on the edge between two ninth decimals may still be rounded up on one machine and down on
//! another.
use statrs::distribution::{ContinuousCDF, FisherSnedecor, StudentsT};

/// From so many degrees of freedom on the quantile comes from its series about the normal one: the crate's search takes
/// without end for very many.
const MANY: f64 = 150.0;
/// The normal quantile at 97.5 % (scipy 1.17.1, norm.ppf(0.975)), and the factors of 1/n, 1/n^2, ... that follow from it by
/// Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.5 (from memory; checked against scipy 1.17.1 to 1e-11).
const SERIES: [f64; 5] = [
    1.959_963_984_540_054,
    2.372_271_230_298_562,
    2.822_498_615_739_611,
    2.555_849_679_507_722,
    1.589_534_053_393_823,
];

fn nine_decimals(value: f64) -> f64 {
    (value * 1e9).round() / 1e9
}

/// The quantile of Student's t at 97.5 %, the factor of a two-sided 95 % interval; infinite below one degree of freedom.
pub(crate) fn t_975(degrees: f64) -> f64 {
    if degrees.is_nan() || degrees < 1.0 {
        return f64::INFINITY;
    }
    if degrees > MANY {
        return nine_decimals(SERIES.iter().rev().fold(0.0, |sum, factor| sum / degrees + factor));
    }
    StudentsT::new(0.0, 1.0, degrees).map_or(f64::INFINITY, |t| nine_decimals(t.inverse_cdf(0.975)))
}

/// The root of the sum of squares: what independent doubts come to (GUM 5.1.2).
pub(crate) fn root_of_squares(doubts: impl IntoIterator<Item = f64>) -> f64 {
    doubts.into_iter().map(|u| u * u).sum::<f64>().sqrt()
}

/// Welch's test of two means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Welch {
    /// Mean of the second group minus that of the first.
    pub(super) difference: f64,
    /// The statistic, of the first minus the second.
    pub(super) t: f64,
    pub(super) degrees: f64,
    /// Two-sided.
    pub(super) p: f64,
}

/// Welch's test; none where a group has fewer than two values or neither has any scatter.
pub(super) fn welch(first: &[f64], second: &[f64]) -> Option<Welch> {
    let ((mean1, u1), (mean2, u2)) = (mean_and_variance(first)?, mean_and_variance(second)?);
    let (n1, n2) = (first.len() as f64, second.len() as f64);
    let (u1, u2) = (u1 / n1, u2 / n2);
    let t = (mean1 - mean2) / (u1 + u2).sqrt();
    let degrees = (u1 + u2) * (u1 + u2) / (u1 * u1 / (n1 - 1.0) + u2 * u2 / (n2 - 1.0));
    if !(t.is_finite() && degrees.is_finite()) {
        return None;
    }
    let distribution = StudentsT::new(0.0, 1.0, degrees).ok()?;
    let p = nine_decimals(2.0 * distribution.cdf(-t.abs()));
    Some(Welch { difference: mean2 - mean1, t, degrees, p })
}

/// Probability that a quotient of two variances with these degrees of freedom is above `f`; 1 where it can't be told.
pub(super) fn f_above(f: f64, above: f64, below: f64) -> f64 {
    if !(f.is_finite() && f > 0.0 && above >= 1.0 && below >= 1.0) {
        return 1.0;
    }
    FisherSnedecor::new(above, below).map_or(1.0, |distribution| nine_decimals(distribution.sf(f)))
}

/// Mean and variance (n - 1) in two passes; none below two values.
pub(crate) fn mean_and_variance(values: &[f64]) -> Option<(f64, f64)> {
    if values.len() < 2 {
        return None;
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares = values.iter().map(|value| (value - mean) * (value - mean)).sum::<f64>();
    Some((mean, squares / (n - 1.0)))
}

/// A straight line through points by least squares.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Line {
    /// Mean of the abscissae.
    pub(super) t_mean: f64,
    /// Mean of the ordinates.
    pub(super) y_mean: f64,
    pub(super) slope: f64,
    /// Sum of squares of the abscissae about their mean.
    pub(super) s_tt: f64,
    /// Standard deviation of the residuals (n - 2).
    pub(super) residual: f64,
}

impl Line {
    /// The line; none below three points or where all abscissae are the same.
    pub(super) fn fit(points: impl Iterator<Item = (f64, f64)> + Clone) -> Option<Self> {
        let (mut n, mut t_mean, mut y_mean) = (0.0, 0.0, 0.0);
        for (t, y) in points.clone() {
            n += 1.0;
            t_mean += (t - t_mean) / n;
            y_mean += (y - y_mean) / n;
        }
        let (mut s_tt, mut s_ty) = (0.0, 0.0);
        for (t, y) in points.clone() {
            let (t, y) = (t - t_mean, y - y_mean);
            s_tt += t * t;
            s_ty += t * y;
        }
        if n < 3.0 || s_tt.is_nan() || s_tt <= 0.0 {
            return None;
        }
        let slope = s_ty / s_tt;
        let line = Self { t_mean, y_mean, slope, s_tt, residual: 0.0 };
        // From the residuals themselves: the difference of two large sums would lose most of its digits.
        let squares = points.map(|(t, y)| line.above(t, y)).map(|above| above * above).sum::<f64>();
        Some(Self { residual: (squares / (n - 2.0)).sqrt(), ..line })
    }

    /// How far `y` lies above the line at `t`.
    pub(super) fn above(&self, t: f64, y: f64) -> f64 {
        y - self.y_mean - self.slope * (t - self.t_mean)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, wanted: f64, tolerance: f64) {
        assert!((found - wanted).abs() <= tolerance * wanted.abs(), "found {found}, wanted {wanted}");
    }

    #[test]
    fn student_quantiles_are_the_published_ones() {
        // NIST/SEMATECH e-Handbook 1.3.6.7.2, as in `standards/measurement.md` section 5.
        for (degrees, wanted) in [
            (1.0, 12.706_204_736),
            (2.0, 4.302_652_730),
            (3.0, 3.182_446_305),
            (4.0, 2.776_445_105),
            (5.0, 2.570_581_836),
            (9.0, 2.262_157_163),
            (10.0, 2.228_138_852),
            (19.0, 2.093_024_054),
            (30.0, 2.042_272_456),
            (60.0, 2.000_297_822),
            (100.0, 1.983_971_519),
        ] {
            near(t_975(degrees), wanted, 1e-9);
        }
        assert!(t_975(0.0).is_infinite() && t_975(f64::NAN).is_infinite());
        // scipy 1.17.1, t.ppf(0.975, n), on both sides of where the series begins.
        for (degrees, wanted) in [
            (149.0, 1.976_013_178),
            (151.0, 1.975_798_924),
            (165.839_154_869, 1.974_371_825),
            (1000.0, 1.962_339_081),
            (1e5, 1.959_987_708),
            (f64::INFINITY, 1.959_963_985),
        ] {
            near(t_975(degrees), wanted, 1e-9);
        }
    }

    #[test]
    fn quotients_of_variances_are_the_published_ones() {
        // Upper 1 % and 5 % points of F: NIST/SEMATECH e-Handbook 1.3.6.7.3 (from memory, three decimals there).
        for (above, below, f, p) in [
            (2.0, 10.0, 7.559, 0.01),
            (4.0, 20.0, 4.431, 0.01),
            (5.0, 10.0, 3.326, 0.05),
            (10.0, 10.0, 2.978, 0.05),
        ] {
            near(f_above(f, above, below), p, 2e-3);
        }
        assert!(f_above(f64::NAN, 2.0, 2.0) >= 1.0 && f_above(3.0, 0.0, 2.0) >= 1.0);
    }

    fn settle60() -> Vec<f64> {
        let text = include_str!("../../tests/reference/settle60.csv");
        let rows = text.lines().filter(|line| !line.starts_with(['#', 'i']));
        rows.map(|line| line.split(',').nth(1).expect("a column").parse().expect("a number")).collect()
    }

    #[test]
    fn welch_on_the_settling_series() {
        // `standards/measurement.md` section 4.2: scipy 1.17.1 ttest_ind(equal_var=False) on data made for this project.
        let series = settle60();
        assert_eq!(series.len(), 60);
        let late = welch(&series[20..40], &series[40..]).expect("scatter");
        near(late.t, -0.355_741_375_515, 1e-9);
        near(late.degrees, 35.499_291_550_1, 1e-9);
        near(late.p, 0.724_139_595_766, 1e-8);
        near(late.difference, 0.025, 1e-9);
        let early = welch(&series[..20], &series[40..]).expect("scatter");
        near(early.t, -4.856_604_450_814, 1e-9);
        near(early.degrees, 19.259_087_778_4, 1e-9);
        near(early.p, 0.000_105_709, 1e-5);
    }

    #[test]
    fn welch_on_published_data() {
        // NIST StRD AtmWtAgt (data and groups certified); t and degrees from `standards/measurement.md` section 4.2.
        let text = include_str!("../../tests/reference/AtmWtAgt.dat");
        let (mut first, mut second) = (Vec::new(), Vec::new());
        for line in text.lines().filter(|line| line.starts_with("107.")) {
            let mut fields = line.split_whitespace().map(|field| field.parse::<f64>().expect("a number"));
            first.push(fields.next().expect("first"));
            second.push(fields.next().expect("second"));
        }
        assert_eq!((first.len(), second.len()), (24, 24));
        let test = welch(&first, &second).expect("scatter");
        // The data carry ten digits of which eight are common: 1e-6 is what is left for the quotient.
        near(test.t, 3.993_336_151_6, 1e-6);
        near(test.degrees, 43.251_834_28, 1e-6);
    }

    #[test]
    fn line_slope_on_the_checked_angles() {
        // `standards/measurement.md` section 3.1 (scipy.stats.linregress), unwrapped by hand.
        let turn = 2.0 * core::f64::consts::PI;
        let angles = [
            2.90,
            3.10,
            -2.98 + turn,
            -2.79 + turn,
            -2.56 + turn,
            -2.38 + turn,
            -2.15 + turn,
            -1.97 + turn,
            -1.74 + turn,
            -1.56 + turn,
            -1.33 + turn,
            -1.14 + turn,
        ];
        let line = Line::fit(angles.iter().enumerate().map(|(i, y)| (0.005 * i as f64, *y))).expect("a line");
        near(line.slope, 40.939_654_645_9, 1e-9);
        near(line.residual / line.s_tt.sqrt(), 0.193_559_335_18, 1e-9);
        near(line.residual, 0.011_573_164_996_7, 1e-9);
        near(line.slope * 33.0 / turn, 215.019_697_377, 1e-9);
        near(line.y_mean - line.slope * line.t_mean, 2.893_480_586_55, 1e-9);
    }
}

#[cfg(test)]
#[path = "strd_tests.rs"]
mod strd_tests;
