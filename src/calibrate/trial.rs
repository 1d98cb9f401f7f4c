//! One pair of trims on trial: what values of the table may be used, and how well each wanted speed is met.
//!
//! How a decoder rounds the product of value and trim is measured, or left open (`standards/dcc.md` section 4.2): then
//! every way that the points allow counts, each value of the table has a slowest and a fastest speed, and the worse one
//! is what a wanted speed is held against.
use super::SpeedCurve;
use super::habit::Habit;
use crate::dcc::drive::trim_factor;

/// Rounding that does not put a drive beyond the last measured one.
const SAME: f64 = 1e-9;

/// One direction under one trim: the speeds of every value of the table, mm/s.
#[derive(Clone, Debug)]
pub(super) struct Lane {
    /// Slowest and fastest of each value, 0 to 255; neither falls.
    speeds: Vec<(f64, f64)>,
    /// Smallest value that moves the engine.
    first: u8,
    /// Largest value at which the curve still says something.
    last: u8,
}

impl Lane {
    /// None where no value of the table moves the engine within its curve.
    pub(super) fn new(curve: &SpeedCurve, trim: u8, habits: &[Habit]) -> Option<Self> {
        let factor = trim_factor(trim);
        let drives =
            |value: u8| habits.iter().map(move |habit| (habit.used(f64::from(value) * factor), value));
        let moves = |value: &u8| drives(*value).all(|(drive, _)| drive >= curve.slowest_drive() - SAME);
        let known = |value: &u8| {
            let highest = drives(*value).fold(f64::from(*value) * factor, |most, (drive, _)| most.max(drive));
            highest <= curve.last_drive() + SAME
        };
        let mut values = (1..=u8::MAX).filter(|value| moves(value) && known(value));
        let first = values.next()?;
        let last = values.next_back().unwrap_or(first);
        let speeds = (0..=u8::MAX).map(|value| {
            drives(value).fold((f64::INFINITY, 0.0), |(slow, fast): (f64, f64), (drive, _)| {
                let speed = curve.speed_alone(drive);
                (slow.min(speed), fast.max(speed))
            })
        });
        Some(Self { speeds: speeds.collect(), first, last })
    }

    fn speeds(&self, value: u8) -> (f64, f64) {
        self.speeds.get(usize::from(value)).copied().unwrap_or_default()
    }
}

/// Two directions under two trims.
#[derive(Clone, Copy, Debug)]
pub(super) struct Trial<'a> {
    forward: &'a Lane,
    reverse: &'a Lane,
    first: u8,
    last: u8,
}

impl<'a> Trial<'a> {
    /// A trial; none where no value of the table moves both directions within their curves.
    pub(super) fn new(forward: &'a Lane, reverse: &'a Lane) -> Option<Self> {
        let (first, last) = (forward.first.max(reverse.first), forward.last.min(reverse.last));
        (first <= last).then_some(Self { forward, reverse, first, last })
    }

    /// The table's value that meets a wanted speed best, and the worse deviation of both directions there, mm/s; the
    /// lower one of two equals. The fastest speed less the wanted one rises with the value, the wanted one less the slowest
    /// falls: the smaller of both maxima lies where they cross, or one value before.
    pub(super) fn best(&self, speed_mm_s: f64) -> (u8, f64) {
        let (mut below, mut enough) = (self.first, self.last);
        while below < enough {
            let middle = below.midpoint(enough);
            let (slow, fast) = self.speeds(middle);
            if (fast - speed_mm_s) + (slow - speed_mm_s) >= 0.0 {
                enough = middle;
            } else {
                below = middle + 1;
            }
        }
        let lower = enough.saturating_sub(1).max(self.first);
        let (at_lower, at_enough) = (self.deviation(lower, speed_mm_s), self.deviation(enough, speed_mm_s));
        if at_lower <= at_enough { (lower, at_lower) } else { (enough, at_enough) }
    }

    /// Slowest and fastest of both directions at a value.
    fn speeds(&self, value: u8) -> (f64, f64) {
        let (forward, reverse) = (self.forward.speeds(value), self.reverse.speeds(value));
        (forward.0.min(reverse.0), forward.1.max(reverse.1))
    }

    /// The worse deviation of both directions, mm/s.
    pub(super) fn deviation(&self, value: u8, speed_mm_s: f64) -> f64 {
        let (slow, fast) = self.speeds(value);
        f64::max(fast - speed_mm_s, speed_mm_s - slow)
    }

    /// The first and the last value that may be used.
    pub(super) const fn values(&self) -> (u8, u8) {
        (self.first, self.last)
    }
}
