//! Monotone piecewise cubic interpolation and its inverse.
//!
//! F. N. Fritsch, R. E. Carlson, SIAM J. Numer. Anal. 17(2), 1980; derivatives by Fritsch and Butland, SIAM
//! J. Sci. Stat. Comput. 5, 300-304, 1984, with three-point ends. Check values in `standards/measurement.md`
//! section 7.

/// A cubic through points of rising `x`. Between two points it rises or falls only where they do.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Pchip {
    x: Vec<f64>,
    y: Vec<f64>,
    slope: Vec<f64>,
}

/// Halvings of an interval: more than the digits of a double.
const HALVINGS: u32 = 60;

impl Pchip {
    /// Through these points: at least two, `x` strictly rising, all finite.
    pub(super) fn new(x: Vec<f64>, y: Vec<f64>) -> Self {
        debug_assert!(x.len() >= 2 && x.len() == y.len() && x.windows(2).all(|pair| pair[0] < pair[1]));
        let slope = slopes(&x, &y);
        Self { x, y, slope }
    }

    /// The value at `at`; outside, that of the nearer end. Not a number counts as the lower end.
    pub(super) fn value(&self, at: f64) -> f64 {
        let (i, h, t) = self.locate(at);
        let (low, high) = (self.y[i], self.y[i + 1]);
        let rest = 1.0 - t;
        let cubic = low * (1.0 + 2.0 * t) * rest * rest
            + high * t * t * (3.0 - 2.0 * t)
            + h * t * rest * (self.slope[i] * rest - self.slope[i + 1] * t);
        // Rounding must not break the promise of staying between the two points.
        cubic.clamp(low.min(high), low.max(high))
    }

    /// The derivative at `at`; at and beyond the ends, that of the end.
    pub(super) fn derivative(&self, at: f64) -> f64 {
        let (i, h, t) = self.locate(at);
        let secant = (self.y[i + 1] - self.y[i]) / h;
        6.0 * secant * t * (1.0 - t)
            + self.slope[i] * (1.0 - t) * (1.0 - 3.0 * t)
            + self.slope[i + 1] * t * (3.0 * t - 2.0)
    }

    /// For values that never fall: the smallest place whose value is at least `wanted`; none where no place
    /// is.
    pub(super) fn first_at_least(&self, wanted: f64) -> Option<f64> {
        let i = self.y.iter().position(|y| *y >= wanted)?;
        let (mut below, mut enough) = (self.x[i.saturating_sub(1)], self.x[i]);
        for _ in 0..HALVINGS {
            let middle = below + (enough - below) / 2.0;
            if self.value(middle) >= wanted { enough = middle } else { below = middle }
        }
        Some(enough)
    }

    /// Left end, length and position (0 to 1) of the piece `at` lies in.
    fn locate(&self, at: f64) -> (usize, f64, f64) {
        let pieces = self.x.len() - 1;
        let i = self.x[1..pieces].partition_point(|x| *x <= at);
        let h = self.x[i + 1] - self.x[i];
        let t = (at - self.x[i]) / h;
        // No clamp: "not a number" must become the lower end.
        (i, h, if t > 0.0 { t.min(1.0) } else { 0.0 })
    }
}

/// The derivative at every point.
fn slopes(x: &[f64], y: &[f64]) -> Vec<f64> {
    let h: Vec<f64> = x.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let secant: Vec<f64> = y.windows(2).zip(&h).map(|(pair, h)| (pair[1] - pair[0]) / h).collect();
    let last = h.len() - 1;
    if last == 0 {
        return vec![secant[0]; 2];
    }
    let inner = (1..=last).map(|k| inner_slope(h[k - 1], h[k], secant[k - 1], secant[k]));
    let first_end = end_slope(h[0], h[1], secant[0], secant[1]);
    let last_end = end_slope(h[last], h[last - 1], secant[last], secant[last - 1]);
    std::iter::once(first_end).chain(inner).chain([last_end]).collect()
}

/// Weighted harmonic mean of the secants on both sides; level where they differ in sign.
fn inner_slope(h0: f64, h1: f64, s0: f64, s1: f64) -> f64 {
    if s0 == 0.0 || s1 == 0.0 || s0.is_sign_negative() != s1.is_sign_negative() {
        return 0.0;
    }
    let (w0, w1) = (2.0 * h1 + h0, h1 + 2.0 * h0);
    (w0 + w1) / (w0 / s0 + w1 / s1)
}

/// Three-point formula at an end (`h0` and `s0` belong to the piece at the end), limited so that nothing
/// overshoots.
fn end_slope(h0: f64, h1: f64, s0: f64, s1: f64) -> f64 {
    let slope = ((2.0 * h0 + h1) * s0 - h0 * s1) / (h0 + h1);
    if s0 == 0.0 || slope.is_sign_negative() != s0.is_sign_negative() {
        0.0
    } else if s0.is_sign_negative() != s1.is_sign_negative() && slope.abs() > 3.0 * s0.abs() {
        3.0 * s0
    } else {
        slope
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const RPN14_X: [f64; 9] = [7.99, 8.09, 8.19, 8.7, 9.2, 10.0, 12.0, 15.0, 20.0];
    /// Data set RPN 14 of Fritsch and Carlson 1980.
    const RPN14_Y: [f64; 9] =
        [0.0, 2.76429e-5, 4.37498e-2, 0.169_183, 0.469_428, 0.943_740, 0.998_636, 0.999_919, 0.999_994];
    /// The same to five digits, as the NAG example of e01be prints it.
    const NAG_Y: [f64; 9] =
        [0.0, 0.27643e-4, 0.43750e-1, 0.16918, 0.46943, 0.94374, 0.99864, 0.99992, 0.99999];

    fn rpn14(y: &[f64]) -> Pchip {
        Pchip::new(RPN14_X.to_vec(), y.to_vec())
    }

    fn speed_like() -> Pchip {
        Pchip::new(
            vec![0.0, 20.0, 40.0, 64.0, 96.0, 128.0, 160.0, 192.0, 224.0, 255.0],
            vec![0.0, 0.0, 6.1, 31.0, 78.4, 131.9, 190.2, 252.5, 317.8, 382.7],
        )
    }

    /// `standards/measurement.md` section 7: `scipy.interpolate.PchipInterpolator` on RPN 14.
    #[test]
    fn derivatives_and_values_as_scipy_computes_them() {
        let curve = rpn14(&RPN14_Y);
        let derivatives = [
            0.0,
            0.000_552_508_681_868,
            0.335_876_834_608,
            0.349_449_167_686,
            0.596_958_238_927,
            0.060_321_845_523,
            0.000_900_395_382_769,
            3.142_468_363_04e-5,
            0.0,
        ];
        for (found, wanted) in curve.slope.iter().zip(derivatives) {
            assert!((found - wanted).abs() <= 1e-9 * wanted.max(1e-3), "{found} {wanted}");
        }
        for (at, wanted) in [
            (8.0, 2.76743e-7),
            (8.14, 0.017_697_167_376),
            (8.5, 0.116_632_576_939),
            (9.0, 0.337_534_326_846),
            (9.5, 0.685_217_945_111),
            (11.0, 0.986_043_362_535),
            (13.0, 0.999_361_822_092),
            (18.0, 0.999_982_683_848),
        ] {
            assert!((curve.value(at) - wanted).abs() < 1e-12, "{at}: {}", curve.value(at));
        }
    }

    /// The same section: values at 7.99 (1.201) 20 printed in the NAG example of e01be, and scipy's on that
    /// data.
    #[test]
    fn values_as_nag_prints_them() {
        let curve = rpn14(&NAG_Y);
        let printed = [0.0000, 0.4640, 0.9645, 0.9965, 0.9992, 0.9998, 0.9999, 1.0, 1.0, 1.0, 1.0];
        for (i, wanted) in (0_u8..).zip(printed) {
            let value = curve.value(7.99 + 1.201 * f64::from(i));
            assert!((value - wanted).abs() < 5.1e-5, "{i}: {value}");
        }
        let scipy = [0.464_016_263_7, 0.964_471_183_4, 0.996_492_463_7, 0.999_242_658_2, 0.999_773_357_1];
        for (i, wanted) in (1_u8..).zip(scipy) {
            let value = curve.value(7.99 + 1.201 * f64::from(i));
            assert!((value - wanted).abs() < 1e-9, "{i}: {value}");
        }
    }

    /// The same section: derivatives published with the NAG example of e01bf, to the digits its own rounded
    /// data carry.
    #[test]
    fn derivatives_as_nag_prints_them() {
        let printed = [0.0, 5.52510e-4, 0.33587, 0.34944, 0.59696, 6.03260e-2, 8.98335e-4, 2.93954e-5, 0.0];
        for (found, wanted) in rpn14(&NAG_Y).slope.iter().zip(printed) {
            assert!((found - wanted).abs() <= 5e-4 * wanted, "{found} {wanted}");
        }
    }

    /// The same section: a curve like a locomotive's, scipy's values.
    #[test]
    fn speed_like_curve_as_scipy_computes_it() {
        let curve = speed_like();
        for (drive, speed) in [
            (30.0, 1.890_630_898_2),
            (50.0, 14.103_054_131_0),
            (100.0, 84.746_554_988_7),
            (200.0, 268.569_708_742_6),
            (250.0, 372.122_632_545_1),
        ] {
            assert!((curve.value(drive) - speed).abs() < 1e-9 * speed, "{drive}: {}", curve.value(drive));
        }
    }

    /// The same section: scipy's `brentq` on it, and the nearest whole number by speed.
    #[test]
    fn inverse_as_scipy_computes_it() {
        let curve = speed_like();
        for (speed, drive, nearest, deviation) in [
            (1.00, 27.075_377_814_1, 27.0, -0.019_843_12),
            (13.67, 49.591_088_397_8, 50.0, 0.433_054_13),
            (100.0, 109.333_052_869_8, 109.0, -0.553_934_61),
            (191.35, 160.610_440_452_5, 161.0, 0.734_889_08),
            (300.0, 215.376_324_551_0, 215.0, -0.775_018_71),
        ] {
            let found = curve.first_at_least(speed).unwrap();
            assert!((found - drive).abs() < 1e-9, "{speed}: {found}");
            assert!((curve.value(nearest) - speed - deviation).abs() < 5e-9);
        }
        assert!((curve.first_at_least(382.7).unwrap() - 255.0).abs() < 1e-9);
        assert_eq!(curve.first_at_least(382.71), None, "not reachable above the last point");
        let foot = curve.first_at_least(1e-9).unwrap();
        assert!((20.0..20.01).contains(&foot), "the flat stretch has no inverse: {foot}");
    }

    #[test]
    #[expect(clippy::float_cmp, reason = "the ends are taken over as they stand")]
    fn outside_the_points_the_ends_hold() {
        let curve = speed_like();
        for (at, wanted) in
            [(-1.0, 0.0), (255.0, 382.7), (1e9, 382.7), (f64::NAN, 0.0), (f64::INFINITY, 382.7)]
        {
            assert_eq!(curve.value(at), wanted, "{at}");
        }
        assert_eq!(Pchip::new(vec![0.0, 2.0], vec![1.0, 5.0]).value(0.5), 2.0, "two points make a line");
    }

    proptest! {
        #[test]
        fn never_falls_where_the_points_do_not(
            steps in prop::collection::vec((0.01..30.0_f64, 0.0..50.0_f64), 2..20),
            places in prop::collection::vec(0.0..1.0_f64, 2..50)
        ) {
            let mut sum = (0.0, 0.0);
            let (x, y): (Vec<f64>, Vec<f64>) = steps
                .iter()
                .map(|(run, rise)| {
                    sum = (sum.0 + run, sum.1 + rise);
                    sum
                })
                .unzip();
            let (low, high) = (x[0], x[x.len() - 1]);
            let curve = Pchip::new(x, y);
            let mut at: Vec<f64> = places.iter().map(|p| low + (high - low) * p).collect();
            at.sort_by(f64::total_cmp);
            for pair in at.windows(2) {
                prop_assert!(curve.value(pair[0]) <= curve.value(pair[1]) + 1e-9);
                prop_assert!(curve.derivative(pair[0]) >= -1e-9);
            }
        }

        #[test]
        fn derivative_is_that_of_the_value(at in 1.0..254.0_f64) {
            let curve = speed_like();
            let (below, above) = (at - 1e-4, at + 1e-4);
            let secant = (curve.value(above) - curve.value(below)) / (above - below);
            prop_assert!((secant - curve.derivative(at)).abs() < 1e-3, "{} {}", secant, curve.derivative(at));
        }
    }
}
