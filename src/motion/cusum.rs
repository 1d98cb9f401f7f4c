//! CUSUM of standardised values: notices a small lasting change sooner than single values can.
//!
//! E. S. Page, Biometrika 41, 1954; NIST/SEMATECH e-Handbook 6.3.2.3. Allowance 0.5 and limit 5 standard deviations: on
//! average 465 independent values to a false alarm, 10.4 to notice a shift of one standard deviation
//! (`standards/measurement.md` 4.5).

const ALLOWANCE: f64 = 0.5;
const LIMIT: f64 = 5.0;

/// Two one-sided sums, and what they are made of.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Cusum {
    high: Side,
    low: Side,
}

/// A sum since it was last nought.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Side {
    sum: f64,
    total: f64,
    count: f64,
}

/// An alarm: the mean of the values since the sum left nought.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Run {
    pub(super) mean: f64,
}

impl Side {
    fn add(&mut self, value: f64) {
        self.sum += value - ALLOWANCE;
        if self.sum <= 0.0 {
            *self = Self::default();
        } else {
            (self.total, self.count) = (self.total + value, self.count + 1.0);
        }
    }
}

impl Cusum {
    /// A value that should be 0 with standard deviation 1; the alarm, if this one gives it.
    pub(super) fn add(&mut self, value: f64) -> Option<Run> {
        self.high.add(value);
        self.low.add(-value);
        let run = |side: &Side, sign: f64| Run { mean: sign * side.total / side.count };
        if self.high.sum > LIMIT {
            return Some(run(&self.high, 1.0));
        }
        (self.low.sum > LIMIT).then(|| run(&self.low, -1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motion::testing::Random;

    #[test]
    fn the_published_example() {
        // NIST/SEMATECH e-Handbook 6.3.2.3: mean 325, k 0.3175, h 4.1959 in the data's unit; first alarm at the 14th value.
        // Scaled so that its allowance is ours: one unit here is 0.635 there, and its limit 6.6077.
        let text = include_str!("../../tests/reference/nist_cusum20.csv");
        let mut cusum = Cusum::default();
        let mut sums = Vec::new();
        for line in text.lines().filter(|line| line.starts_with(|c: char| c.is_ascii_digit())) {
            let value: f64 = line.split(',').next_back().expect("a column").trim().parse().expect("a number");
            cusum.high.add((value - 325.0) / 0.635);
            sums.push(cusum.high.sum * 0.635);
        }
        assert_eq!(sums.len(), 20);
        let published = [3.0075, 4.9400, 7.4475, 10.6300, 11.9875, 14.4450, 16.0025, 19.0350];
        assert!((sums[4] - 0.0325).abs() < 1e-9, "{sums:?}");
        for (found, wanted) in sums[12..].iter().zip(published) {
            assert!((found - wanted).abs() < 1e-9, "{sums:?}");
        }
        assert_eq!(sums.iter().position(|sum| *sum > 4.1959), Some(13));
    }

    #[test]
    fn values_to_an_alarm_are_the_published_mean() {
        // `standards/measurement.md` 4.5, by integral equation: 465.4435 without a shift, 10.3760 at one standard deviation.
        for (shift, wanted, runs) in [(0.0, 465.4435, 1500), (1.0, 10.3760, 6000), (2.0, 4.0089, 6000)] {
            let mut random = Random::new(8);
            let mut values = 0_u32;
            for _ in 0..runs {
                let mut cusum = Cusum::default();
                while cusum.add(shift + random.normal()).is_none() {
                    values += 1;
                }
                values += 1;
            }
            let mean = f64::from(values) / f64::from(runs);
            // The spread of such a length is about its mean: 4 standard errors.
            assert!((mean / wanted - 1.0).abs() < 4.0 / f64::from(runs).sqrt(), "{shift}: {mean}");
        }
    }
}
