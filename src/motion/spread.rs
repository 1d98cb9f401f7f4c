//! How the field spreads over a stretch of samples: size, covariance, and how often each axis told its extremes. A few
//! sums a sample; what they mean is in `verdict`.
use nalgebra::Matrix3;

/// An extreme of an axis and how often it was told.
#[derive(Clone, Copy, Debug, Default)]
struct Extreme {
    value: f64,
    times: u32,
}

/// Sums of a stretch of samples, about its first one.
#[derive(Debug, Default)]
pub(super) struct Spread {
    samples: u32,
    first_us: i64,
    last_us: i64,
    origin: [f64; 3],
    sum: [f64; 3],
    /// Of xx, yy, zz, xy, xz, yz.
    products: [f64; 6],
    low: [Extreme; 3],
    high: [Extreme; 3],
}

impl Spread {
    pub(super) fn add(&mut self, t_us: i64, field: [f64; 3]) {
        if self.samples == 0 {
            let only = field.map(|value| Extreme { value, times: 0 });
            *self = Self { first_us: t_us, origin: field, low: only, high: only, ..Self::default() };
        }
        self.samples += 1;
        self.last_us = t_us;
        let off = [0, 1, 2].map(|axis: usize| field[axis] - self.origin[axis]);
        for axis in 0..3 {
            self.sum[axis] += off[axis];
            self.products[axis] += off[axis] * off[axis];
            if field[axis] >= self.high[axis].value {
                let more = field[axis] > self.high[axis].value;
                let times = if more { 1 } else { self.high[axis].times + 1 };
                self.high[axis] = Extreme { value: field[axis], times };
            }
            if field[axis] <= self.low[axis].value {
                let more = field[axis] < self.low[axis].value;
                let times = if more { 1 } else { self.low[axis].times + 1 };
                self.low[axis] = Extreme { value: field[axis], times };
            }
        }
        self.products[3] += off[0] * off[1];
        self.products[4] += off[0] * off[2];
        self.products[5] += off[1] * off[2];
    }

    pub(super) fn samples(&self) -> u32 {
        self.samples
    }

    pub(super) fn lasted_us(&self) -> i64 {
        self.last_us - self.first_us
    }

    /// Mean field.
    pub(super) fn mean(&self) -> [f64; 3] {
        let n = f64::from(self.samples.max(1));
        [0, 1, 2].map(|axis: usize| self.origin[axis] + self.sum[axis] / n)
    }

    /// Amplitudes along the principal directions, largest first, that a swing of a sine would need to spread so far
    /// beyond noise of `sigma` in each axis.
    pub(super) fn swings(&self, sigma: f64) -> [f64; 3] {
        let n = f64::from(self.samples.max(1));
        let [x, y, z] = self.sum.map(|sum| sum / n);
        let [xx, yy, zz, xy, xz, yz] = self.products.map(|product| product / n);
        let (xy, xz, yz) = (xy - x * y, xz - x * z, yz - y * z);
        let covariance = Matrix3::new(xx - x * x, xy, xz, xy, yy - y * y, yz, xz, yz, zz - z * z);
        if !covariance.iter().all(|value| value.is_finite()) {
            return [0.0; 3];
        }
        let mut found: [f64; 3] = covariance.symmetric_eigenvalues().into();
        found.sort_unstable_by(|a, b| b.total_cmp(a));
        found.map(|variance| (2.0 * (variance - sigma * sigma)).max(0.0).sqrt())
    }

    /// The axis told a value other than its extremes in most samples.
    pub(super) fn lives(&self, axis: usize) -> bool {
        2 * (self.low[axis].times + self.high[axis].times) < self.samples
    }

    /// Largest value of an axis, whatever its sign.
    pub(super) fn largest(&self, axis: usize) -> f64 {
        self.low[axis].value.abs().max(self.high[axis].value.abs())
    }

    /// Half of what lies between an axis's extremes.
    pub(super) fn half_width(&self, axis: usize) -> f64 {
        0.5 * (self.high[axis].value - self.low[axis].value)
    }

    /// The extreme of an axis that was told more often: its value, how often, and the part of all samples.
    pub(super) fn rail(&self, axis: usize) -> (f64, u32, f64) {
        let (low, high) = (self.low[axis], self.high[axis]);
        let more = if low.times > high.times { low } else { high };
        (more.value, more.times, f64::from(more.times) / f64::from(self.samples.max(1)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn swings_are_the_amplitudes_of_the_ellipse() {
        let mut spread = Spread::default();
        for nth in 0..400 {
            let (sin, cos) = libm::sincos(core::f64::consts::TAU * f64::from(nth) / 100.0);
            spread.add(
                i64::from(nth) * 5_000,
                [1000.0 + 40.0 * cos + 9.0 * sin, -300.0 + 30.0 * cos - 12.0 * sin, 7.0],
            );
        }
        // The two directions (40, 30) and (9, -12) are at right angles: lengths 50 and 15.
        let [first, second, third] = spread.swings(0.0);
        assert!((first - 50.0).abs() < 1e-6 && (second - 15.0).abs() < 1e-6 && third < 1e-3);
        assert!((spread.mean()[0] - 1000.0).abs() < 1e-9 && (spread.mean()[1] + 300.0).abs() < 1e-9);
        assert_eq!((spread.lives(0), spread.lives(2)), (true, false));
        assert!((spread.largest(1) - 332.0).abs() < 1.0 && spread.half_width(2) < 1e-9);
        // Noise of 10 in each axis makes a variance of 100 of its own.
        let beyond = spread.swings(10.0)[0];
        assert!((beyond - (2500.0_f64 - 200.0).sqrt()).abs() < 1e-6, "{beyond}");
    }

    #[test]
    fn a_rail_is_told_again_and_again() {
        // `standards/measurement.md` 2.4: clipping at 0.95 of the amplitude holds 20.22 % of an axis's samples, both ends
        // together.
        let mut spread = Spread::default();
        for nth in 0..10_000 {
            let cos = libm::cos(core::f64::consts::TAU * f64::from(nth) * 0.618_034);
            spread.add(i64::from(nth) * 5_000, [cos.clamp(-0.95, 0.95), cos, 0.0]);
        }
        let (value, times, part) = spread.rail(0);
        assert!((value.abs() - 0.95).abs() < 1e-12 && times > 900 && (part - 0.1011).abs() < 0.002, "{part}");
        assert!(spread.rail(1).1 < 10, "an axis within its range has no rail");
    }
}
