//! The ellipse that a turning magnet draws in the plane of two field axes, and the angle on it.
//!
//! Direct least-squares fit in block form: Fitzgibbon, Pilu, Fisher, IEEE TPAMI 21(5), 1999; Halir, Flusser, WSCG 1998.
//! The conversion to offsets, amplitudes and phase is derived in `standards/measurement.md` sections 1.1 and 1.3.
use nalgebra::{Matrix3, Vector3};

/// A conic a x^2 + b xy + c y^2 + d x + e y + f = 0, scaled to 4ac - b^2 = 1 with a > 0: an ellipse.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Conic {
    pub(super) a: f64,
    pub(super) b: f64,
    pub(super) c: f64,
    pub(super) d: f64,
    pub(super) e: f64,
    pub(super) f: f64,
}

/// Offsets, amplitudes and phase: x = x0 + gx cos(theta), y = y0 + gy sin(theta + phi).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Ellipse {
    pub(super) x0: f64,
    pub(super) y0: f64,
    pub(super) gx: f64,
    pub(super) gy: f64,
    pub(super) sin_phi: f64,
    pub(super) cos_phi: f64,
}

impl Conic {
    /// The ellipse of least algebraic distance to the points; none where they do not determine one.
    pub(super) fn fit(points: &[[f64; 2]]) -> Option<Self> {
        let n = points.len() as f64;
        if points.len() < 6 {
            return None;
        }
        let mean = [0, 1].map(|axis| points.iter().map(|point| point[axis]).sum::<f64>() / n);
        // Each axis is brought near one, as the authors advise; the constraint makes the fit follow any such scaling.
        let scale = [0, 1].map(|axis| {
            let square = |point: &[f64; 2]| (point[axis] - mean[axis]) * (point[axis] - mean[axis]);
            (points.iter().map(square).sum::<f64>() / n).sqrt()
        });
        if !scale.iter().all(|scale| scale.is_finite() && *scale > 0.0) {
            return None;
        }
        let unit = points.iter().map(|point| [0, 1].map(|axis| (point[axis] - mean[axis]) / scale[axis]));
        fit_near_one(unit)?.moved(mean, scale)
    }

    /// The same ellipse when every point is multiplied by `scale` and then moved by `mean`.
    #[expect(
        clippy::many_single_char_names,
        reason = "the literature's names of a conic's coefficients and scatter matrices"
    )]
    fn moved(self, mean: [f64; 2], scale: [f64; 2]) -> Option<Self> {
        let ([mx, my], [sx, sy]) = (mean, scale);
        let (a, b, c) = (self.a / (sx * sx), self.b / (sx * sy), self.c / (sy * sy));
        let (d, e) = (self.d / sx, self.e / sy);
        Self {
            a,
            b,
            c,
            d: d - 2.0 * a * mx - b * my,
            e: e - 2.0 * c * my - b * mx,
            f: self.f + a * mx * mx + b * mx * my + c * my * my - d * mx - e * my,
        }
        .scaled()
    }

    #[expect(
        clippy::many_single_char_names,
        reason = "the literature's names of a conic's coefficients and scatter matrices"
    )]
    fn scaled(self) -> Option<Self> {
        let q = 4.0 * self.a * self.c - self.b * self.b;
        if !(q.is_finite() && q > 0.0) {
            return None;
        }
        let k = if self.a < 0.0 { -1.0 } else { 1.0 } / q.sqrt();
        let [a, b, c, d, e, f] = [self.a, self.b, self.c, self.d, self.e, self.f].map(|value| value * k);
        [a, b, c, d, e, f].iter().all(|value| value.is_finite()).then_some(Self { a, b, c, d, e, f })
    }
}

/// The block form on points whose coordinates are about one.
#[expect(
    clippy::many_single_char_names,
    reason = "the literature's names of a conic's coefficients and scatter matrices"
)]
fn fit_near_one(points: impl Iterator<Item = [f64; 2]>) -> Option<Conic> {
    let (mut s1, mut s2, mut s3) = (Matrix3::zeros(), Matrix3::zeros(), Matrix3::zeros());
    for [x, y] in points {
        let (quadratic, linear) = (Vector3::new(x * x, x * y, y * y), Vector3::new(x, y, 1.0));
        s1 += quadratic * quadratic.transpose();
        s2 += quadratic * linear.transpose();
        s3 += linear * linear.transpose();
    }
    let t = -(s3.try_inverse()? * s2.transpose());
    let s = s1 + s2 * t;
    // The inverse of the constraint matrix [0 0 2; 0 -1 0; 2 0 0] swaps, halves and negates rows.
    let m = Matrix3::from_rows(&[s.row(2) / 2.0, -s.row(1), s.row(0) / 2.0]);
    let quadratic = vector_of(&m, largest_eigenvalue(&m)?)?;
    let linear = t * quadratic;
    let (a, b, c) = (quadratic[0], quadratic[1], quadratic[2]);
    Conic { a, b, c, d: linear[0], e: linear[1], f: linear[2] }.scaled()
}

/// The one eigenvalue that is not negative. All three are real, so Newton's iteration from above comes down to it.
fn largest_eigenvalue(m: &Matrix3<f64>) -> Option<f64> {
    let trace = m.trace();
    let minors = m[(0, 0)] * m[(1, 1)] - m[(0, 1)] * m[(1, 0)] + m[(0, 0)] * m[(2, 2)]
        - m[(0, 2)] * m[(2, 0)]
        + m[(1, 1)] * m[(2, 2)]
        - m[(1, 2)] * m[(2, 1)];
    let det = m.determinant();
    let mut root = m.row_iter().map(|row| row.abs().sum()).fold(0.0, f64::max);
    for _ in 0..200 {
        let value = ((root - trace) * root + minors) * root - det;
        let slope = (3.0 * root - 2.0 * trace) * root + minors;
        let next = root - value / slope;
        if !next.is_finite() {
            return None;
        }
        if next >= root {
            break;
        }
        root = next;
    }
    Some(root)
}

/// The vector that `m` only stretches by `eigenvalue`: square to two rows of m - eigenvalue, the best pair of three.
fn vector_of(m: &Matrix3<f64>, eigenvalue: f64) -> Option<Vector3<f64>> {
    let rest = m - Matrix3::identity() * eigenvalue;
    let rows = [rest.row(0).transpose(), rest.row(1).transpose(), rest.row(2).transpose()];
    let candidates = [rows[0].cross(&rows[1]), rows[0].cross(&rows[2]), rows[1].cross(&rows[2])];
    let best = candidates
        .into_iter()
        .fold(Vector3::zeros(), |a, b| if b.norm_squared() > a.norm_squared() { b } else { a });
    best.try_normalize(0.0)
}

impl Ellipse {
    /// Encoder parameters of a conic; none where it has no real points.
    pub(super) fn of(conic: &Conic) -> Option<Self> {
        let Conic { a, b, c, d, e, f } = *conic;
        let (x0, y0) = (b * e - 2.0 * c * d, b * d - 2.0 * a * e);
        let k = -(f + 0.5 * (d * x0 + e * y0));
        let sin_phi = -b / (2.0 * (a * c).sqrt());
        let ellipse = Self {
            x0,
            y0,
            gx: (4.0 * c * k).sqrt(),
            gy: (4.0 * a * k).sqrt(),
            sin_phi,
            cos_phi: (1.0 - sin_phi * sin_phi).sqrt(),
        };
        let good =
            [ellipse.gx, ellipse.gy, ellipse.cos_phi].iter().all(|value| value.is_finite() && *value > 0.0);
        good.then_some(ellipse)
    }

    /// The point as it would lie on the unit circle, without the ellipse's faults.
    pub(super) fn corrected(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let (u, w) = ((x - self.x0) / self.gx, (y - self.y0) / self.gy);
        [u, (w - u * self.sin_phi) / self.cos_phi]
    }

    /// Larger and smaller half axis.
    pub(super) fn half_axes(&self) -> [f64; 2] {
        // The point is M (cos, sin) with M = [gx 0; gy sin_phi, gy cos_phi]: its singular values.
        let sum = self.gx * self.gx + self.gy * self.gy;
        let product = self.gx * self.gy * self.cos_phi;
        let root = (sum * sum / 4.0 - product * product).max(0.0).sqrt();
        let larger = (sum / 2.0 + root).sqrt();
        [larger, product / larger]
    }

    /// Standard deviation of the angle at `theta`, in rad, for noise of `sigma` in each axis.
    pub(super) fn angle_noise(&self, theta: f64, sigma: f64) -> f64 {
        let (sin, cos) = libm::sincos(theta);
        self.noise_at([cos, sin], sigma)
    }

    /// The same in the direction of a corrected point, however far out it lies.
    pub(super) fn noise_at(&self, [u, w]: [f64; 2], sigma: f64) -> f64 {
        let by_y = u / (self.gy * self.cos_phi);
        let by_x = (w + u * self.sin_phi / self.cos_phi) / self.gx;
        sigma * ((by_x * by_x + by_y * by_y) / (u * u + w * w)).sqrt()
    }
}

#[cfg(test)]
#[path = "ellipse_tests.rs"]
mod tests;
