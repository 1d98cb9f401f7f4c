//! One pair of trims on trial: what values of the table may be used, and how well each wanted speed is met.
use super::SpeedCurve;
use crate::dcc::drive::trim_factor;

/// Two curves under two trims.
#[derive(Clone, Copy, Debug)]
pub(super) struct Trial<'a> {
    forward: &'a SpeedCurve,
    reverse: &'a SpeedCurve,
    forward_factor: f64,
    reverse_factor: f64,
    /// Smallest value that moves both directions.
    first: u8,
    /// Largest value at which both curves still say something.
    last: u8,
}

impl<'a> Trial<'a> {
    /// A trial; none where no value of the table moves both directions within their curves.
    pub(super) fn new(
        forward: &'a SpeedCurve,
        reverse: &'a SpeedCurve,
        trim_forward: u8,
        trim_reverse: u8,
    ) -> Option<Self> {
        let (forward_factor, reverse_factor) = (trim_factor(trim_forward), trim_factor(trim_reverse));
        let moves =
            f64::max(forward.slowest_drive() / forward_factor, reverse.slowest_drive() / reverse_factor);
        let known = f64::min(forward.last_drive() / forward_factor, reverse.last_drive() / reverse_factor);
        let mut values =
            (1..=u8::MAX).filter(|value| f64::from(*value) >= moves && f64::from(*value) <= known);
        let first = values.next()?;
        let last = values.next_back().unwrap_or(first);
        Some(Self { forward, reverse, forward_factor, reverse_factor, first, last })
    }

    /// The table's value that meets a wanted speed best: the smallest worse deviation of both directions; the
    /// lower one of two equals.
    pub(super) fn best_value(&self, speed_mm_s: f64) -> u8 {
        // Bisection for the first value at which the mean of both speeds reaches the wanted one.
        let (mut below, mut enough) = (self.first, self.last);
        while below < enough {
            let middle = below.midpoint(enough);
            if self.surplus(f64::from(middle), speed_mm_s) >= 0.0 {
                enough = middle;
            } else {
                below = middle + 1;
            }
        }
        let lower = enough.saturating_sub(1).max(self.first);
        let deviation = |value: u8| self.deviation(f64::from(value), speed_mm_s);
        if deviation(lower) <= deviation(enough) { lower } else { enough }
    }

    /// The worse deviation of both directions at the best value, mm/s.
    pub(super) fn best_deviation(&self, speed_mm_s: f64) -> f64 {
        self.deviation(f64::from(self.best_value(speed_mm_s)), speed_mm_s)
    }

    /// The same if the table had no steps: what the two directions disagree by, mm/s.
    pub(super) fn smooth_deviation(&self, speed_mm_s: f64) -> f64 {
        const HALVINGS: u32 = 30;
        let (mut below, mut enough) = (f64::from(self.first), f64::from(self.last));
        if self.surplus(below, speed_mm_s) >= 0.0 {
            return self.deviation(below, speed_mm_s);
        }
        for _ in 0..HALVINGS {
            let middle = f64::midpoint(below, enough);
            if self.surplus(middle, speed_mm_s) >= 0.0 { enough = middle } else { below = middle }
        }
        self.deviation(enough, speed_mm_s)
    }

    /// Speeds of both directions at a value.
    fn speeds(&self, value: f64) -> (f64, f64) {
        (
            self.forward.speed_at(value * self.forward_factor).speed_mm_s,
            self.reverse.speed_at(value * self.reverse_factor).speed_mm_s,
        )
    }

    /// How much the mean of both speeds lies above the wanted one, twice.
    fn surplus(&self, value: f64, speed_mm_s: f64) -> f64 {
        let (forward, reverse) = self.speeds(value);
        (forward - speed_mm_s) + (reverse - speed_mm_s)
    }

    /// The worse deviation of both directions.
    pub(super) fn deviation(&self, value: f64, speed_mm_s: f64) -> f64 {
        let (forward, reverse) = self.speeds(value);
        f64::max((forward - speed_mm_s).abs(), (reverse - speed_mm_s).abs())
    }

    /// The values that may be used.
    #[cfg(test)]
    pub(super) fn values(&self) -> std::ops::RangeInclusive<u8> {
        self.first..=self.last
    }
}
