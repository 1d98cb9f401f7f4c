//! Nonlinear least squares for a few parameters, by the steps of Levenberg and Marquardt.
//!
//! K. Levenberg, Q. Appl. Math. 2, 1944; D. Marquardt, J. SIAM 11, 1963 (from memory). Derivatives are central
//! differences. Checked against the certified values of NIST `StRD` sets `BoxBOD` and `Misra1a`.
use nalgebra::{SMatrix, SVector};

const MOST_STEPS: u32 = 200;
/// A step that changes no parameter by more than this, relative, ends the search.
const DONE: f64 = 1e-12;
/// Part of a parameter by which it is shifted for a derivative.
const SHIFT: f64 = 1e-6;

/// What a fit found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Squares<const N: usize> {
    pub(super) at: [f64; N],
    /// Standard deviation of each, from the residuals (degrees of freedom: points less parameters).
    pub(super) u: [f64; N],
    /// Sum of squared residuals.
    pub(super) sum: f64,
}

/// Parameters at which the squares of `residual(parameters, i)` for i below `count` sum up to the least, near `start`.
/// None where there are no more points than parameters, or they say nothing of one of them.
pub(super) fn least_squares<const N: usize>(
    start: [f64; N],
    count: usize,
    residual: impl Fn(&[f64; N], usize) -> f64,
) -> Option<Squares<N>> {
    if count <= N {
        return None;
    }
    let sum_at = |at: &[f64; N]| (0..count).map(|i| residual(at, i)).map(|r| r * r).sum::<f64>();
    let (mut at, mut sum, mut damping) = (start, sum_at(&start), 1e-3);
    if !sum.is_finite() {
        return None;
    }
    for _ in 0..MOST_STEPS {
        let (normal, slope) = normal(&at, count, &residual);
        let mut damped = normal;
        for k in 0..N {
            damped[(k, k)] += damping * normal[(k, k)];
        }
        let step = damped.cholesky()?.solve(&slope);
        let mut next = at;
        for (next, step) in next.iter_mut().zip(step.iter()) {
            *next -= step;
        }
        let better = sum_at(&next);
        if better <= sum {
            let moved = at.iter().zip(&next).any(|(old, new)| (new - old).abs() > DONE * new.abs());
            (at, sum, damping) = (next, better, damping * 0.2);
            if !moved {
                break;
            }
        } else {
            damping *= 5.0;
            if damping > 1e12 {
                break;
            }
        }
    }
    let (normal, _) = normal(&at, count, &residual);
    let inverse = normal.try_inverse()?;
    let variance = sum / (count - N) as f64;
    let mut u = [0.0; N];
    for (k, u) in u.iter_mut().enumerate() {
        *u = (variance * inverse[(k, k)]).sqrt();
    }
    let good = at.iter().chain(&u).all(|value| value.is_finite());
    good.then_some(Squares { at, u, sum })
}

/// Products of the derivatives with each other and with the residuals.
fn normal<const N: usize>(
    at: &[f64; N],
    count: usize,
    residual: impl Fn(&[f64; N], usize) -> f64,
) -> (SMatrix<f64, N, N>, SVector<f64, N>) {
    let (mut normal, mut slope) = (SMatrix::zeros(), SVector::zeros());
    for i in 0..count {
        let mut row = SVector::<f64, N>::zeros();
        for k in 0..N {
            let by = SHIFT * at[k].abs().max(1e-9);
            let (mut less, mut more) = (*at, *at);
            less[k] -= by;
            more[k] += by;
            row[k] = (residual(&more, i) - residual(&less, i)) / (more[k] - less[k]);
        }
        normal += row * row.transpose();
        slope += row * residual(at, i);
    }
    (normal, slope)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, wanted: f64, tolerance: f64) {
        assert!((found - wanted).abs() <= tolerance * wanted.abs(), "found {found}, wanted {wanted}");
    }

    /// The observations of a file of the NIST Statistical Reference Datasets: (x, y).
    fn observations(text: &str) -> Vec<(f64, f64)> {
        let rows = text.lines().skip_while(|line| !line.starts_with("Data:   y"));
        let pair = |line: &str| {
            let mut fields = line.split_whitespace().map(|field| field.parse::<f64>().expect("a number"));
            let y = fields.next()?;
            Some((fields.next()?, y))
        };
        rows.skip(1).filter_map(pair).collect()
    }

    fn saturation(data: &[(f64, f64)], start: [f64; 2]) -> Squares<2> {
        let residual = |b: &[f64; 2], i: usize| data[i].1 - b[0] * (1.0 - libm::exp(-b[1] * data[i].0));
        least_squares(start, data.len(), residual).expect("a fit")
    }

    #[test]
    fn the_published_saturation_curves() {
        // NIST StRD BoxBOD (higher level of difficulty) and Misra1a (lower), certified values; y = b1 (1 - exp(-b2 x)).
        let boxed = observations(include_str!("../../tests/reference/BoxBOD.dat"));
        assert_eq!(boxed.len(), 6);
        for start in [[1.0, 1.0], [100.0, 0.75]] {
            let fit = saturation(&boxed, start);
            near(fit.at[0], 2.138_094_088_9e2, 1e-7);
            near(fit.at[1], 5.472_374_854_2e-1, 1e-7);
            near(fit.u[0], 1.235_451_517_6e1, 1e-6);
            near(fit.u[1], 1.045_599_323_7e-1, 1e-6);
            near(fit.sum, 1.168_008_876_6e3, 1e-9);
        }
        let misra = observations(include_str!("../../tests/reference/Misra1a.dat"));
        assert_eq!(misra.len(), 14);
        for start in [[500.0, 1e-4], [250.0, 5e-4]] {
            let fit = saturation(&misra, start);
            near(fit.at[0], 2.389_421_291_8e2, 1e-7);
            near(fit.at[1], 5.501_564_318_1e-4, 1e-7);
            near(fit.u[0], 2.707_007_524_1, 1e-6);
            near(fit.u[1], 7.266_868_843_6e-6, 1e-6);
        }
    }

    #[test]
    fn the_settling_series() {
        // `standards/measurement.md` 4.2: v - d exp(-i / tau) on all 60 values, scipy 1.17.1 curve_fit.
        let text = include_str!("../../tests/reference/settle60.csv");
        let rows = text.lines().filter(|line| !line.starts_with(['#', 'i']));
        let data: Vec<f64> =
            rows.map(|line| line.split(',').nth(1).expect("a column").parse().expect("a number")).collect();
        let residual = |b: &[f64; 3], i: usize| data[i] - b[0] + b[1] * libm::exp(-(i as f64) / b[2]);
        let fit = least_squares([100.0, 10.0, 3.0], data.len(), residual).expect("a fit");
        near(fit.at[0], 99.943_229_427, 1e-7);
        near(fit.at[1], 8.038_507_072, 1e-6);
        near(fit.at[2], 6.087_860_559, 1e-6);
        near(fit.u[0], 0.035_370, 1e-4);
        near(fit.u[1], 0.146_839, 1e-4);
        near(fit.u[2], 0.196_878, 1e-4);
    }

    #[test]
    fn what_says_nothing_is_no_fit() {
        assert!(least_squares([1.0, 1.0], 2, |b, _| b[0]).is_none());
        assert!(least_squares([1.0, 1.0], 9, |b, _| b[0] - 2.0).is_none());
    }
}
