//! Axes: range and round ticks.
use super::text::width;

/// An axis. Without an end it goes as far as the data do, or to the next tick beyond.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Axis {
    /// What it shows, with its unit.
    pub label: String,
    /// Where it begins at the latest.
    pub from: Option<f64>,
    /// Where it ends at the earliest.
    pub to: Option<f64>,
}

impl Axis {
    /// An axis of its data.
    #[must_use]
    pub fn new(label: &str) -> Self {
        Self { label: label.to_owned(), from: None, to: None }
    }

    /// It shows these values at least.
    #[must_use]
    pub fn over(mut self, from: f64, to: f64) -> Self {
        (self.from, self.to) = (Some(from), Some(to));
        self
    }
}

/// Range and ticks of an axis.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Scale {
    pub(super) from: f64,
    pub(super) to: f64,
    pub(super) ticks: Vec<f64>,
    decimals: usize,
}

impl Scale {
    /// Over finite values, with about so many ticks; steps of 1, 2 or 5 times a power of ten.
    pub(super) fn over(axis: &Axis, values: impl Iterator<Item = f64>, wanted: f64) -> Self {
        let given = [axis.from, axis.to].into_iter().flatten();
        let (mut from, mut to) = (f64::INFINITY, f64::NEG_INFINITY);
        for value in values.chain(given).filter(|value| value.is_finite() && value.abs() < 1e12) {
            (from, to) = (from.min(value), to.max(value));
        }
        if from > to {
            (from, to) = (0.0, 1.0);
        }
        let least = 1e-9_f64.max(from.abs().max(to.abs()) * 1e-9);
        if to - from < least {
            let half = (from.abs() * 0.1).max(0.5);
            (from, to) = (from - half, to + half);
        }
        let step = round_step((to - from) / wanted);
        from = step * libm::floor(from / step + 1e-9);
        to = step * libm::ceil(to / step - 1e-9);
        let count = libm::round((to - from) / step);
        let mut ticks = Vec::new();
        let mut at = 0.0;
        while at <= count {
            ticks.push(from + at * step);
            at += 1.0;
        }
        let below = -libm::floor(libm::log10(step) + 1e-9);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held between 0 and 9")]
        let decimals = below.clamp(0.0, 9.0) as usize;
        Self { from, to, ticks, decimals }
    }

    /// The same with as many ticks as have room for their words across this length.
    pub(super) fn across(axis: &Axis, values: &(impl Iterator<Item = f64> + Clone), length: f64) -> Self {
        let mut wanted = 9.0;
        loop {
            let scale = Self::over(axis, values.clone(), wanted);
            let spacing = length / (scale.ticks.len() as f64 - 1.0).max(1.0);
            if wanted <= 1.0 || scale.widest() + 8.0 <= spacing {
                return scale;
            }
            wanted -= 1.0;
        }
    }

    /// Width of the longest words of a tick.
    pub(super) fn widest(&self) -> f64 {
        self.ticks.iter().map(|tick| width(&self.words(*tick))).fold(0.0, f64::max)
    }

    /// Where a value lies, 0 to 1 within the range.
    pub(super) fn place(&self, value: f64) -> f64 {
        (value - self.from) / (self.to - self.from)
    }

    /// A tick in words.
    pub(super) fn words(&self, tick: f64) -> String {
        let tick = if tick.abs() < 1e-12 { 0.0 } else { tick };
        format!("{tick:.*}", self.decimals)
    }
}

/// The next step of 1, 2 or 5 times a power of ten.
fn round_step(least: f64) -> f64 {
    let power = libm::pow(10.0, libm::floor(libm::log10(least)));
    let part = least / power;
    let round = [1.0, 2.0, 5.0].into_iter().find(|round| part <= round + 1e-9).unwrap_or(10.0);
    round * power
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scale(values: &[f64]) -> Scale {
        Scale::over(&Axis::new("x"), values.iter().copied(), 6.0)
    }

    #[test]
    fn ticks_are_round_and_hold_all_values() {
        let words = |values: &[f64]| -> Vec<String> {
            let scale = scale(values);
            scale.ticks.iter().map(|tick| scale.words(*tick)).collect()
        };
        assert_eq!(words(&[0.0, 28.0]), ["0", "5", "10", "15", "20", "25", "30"]);
        assert_eq!(words(&[-0.13, 0.21]), ["-0.2", "-0.1", "0.0", "0.1", "0.2", "0.3"]);
        assert_eq!(words(&[1000.0, 3400.0]), ["1000", "1500", "2000", "2500", "3000", "3500"]);
        assert_eq!(words(&[]), words(&[0.0, 1.0]));
    }

    #[test]
    fn strange_values_make_no_strange_axes() {
        for values in [&[f64::NAN, f64::INFINITY][..], &[7.0], &[0.0], &[-1e300, 1e300], &[1e-30, 2e-30]] {
            let scale = scale(values);
            assert!(
                scale.from < scale.to && scale.ticks.len() >= 2 && scale.ticks.len() < 20,
                "{values:?} {scale:?}"
            );
        }
    }
}
