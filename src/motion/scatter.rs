//! How far the points of a path scatter, as the path itself shows it: noise of the reading, jitter of its time.
//!
//! A point between two others lies off the straight line through them. At steady speed that is scatter alone, with the
//! variance of 1 + w^2 + (1 - w)^2 points (w: its place between them). Where a turn has few points, which need not be
//! evenly spread, points a whole turn apart are compared: what repeats every turn is no scatter.
use std::collections::VecDeque;

/// Fewest values that tell something.
const FEWEST: u32 = 3;
/// The mean runs over about so many of the latest values.
const MEMORY: u32 = 64;
/// Points up to so many a turn are compared a turn apart.
pub(super) const MOST_LAG: usize = 16;
/// Values that make a window of the comparison with what polling would show.
const WINDOW: u32 = 16;
/// Below the first part of polling's standard deviation lies a sixth of the values that polling gives, beyond the second
/// part lie three fifths. So many of a window speak against polling, and for it.
const FINE: f64 = 0.2;
const COARSE: f64 = 0.5;
const FEWEST_FINE: u32 = 12;
const MOST_COARSE: u32 = 10;
/// Speeds that must have been seen, each so far from the one before, before stamps are taken for exact: at one speed
/// alone, polling may be in step with the points.
const SPEEDS: u32 = 3;
const APART: f64 = 0.1;

/// The estimator.
#[derive(Debug)]
pub(super) struct Scatter {
    lag: usize,
    ring: VecDeque<(f64, f64)>,
    /// Mean square of a point, and the values it rests on.
    mean: (f64, u32),
    exact: Exact,
}

/// Whether points are stamped when they happen, or found by polling up to an interval later.
#[derive(Debug, Default)]
struct Exact {
    values: u32,
    /// Values far below what polling would give, and values not far from it or beyond.
    fine: u32,
    coarse: u32,
    speed: f64,
    /// Speed of the last window that counted, and how many have.
    counted: (f64, u32),
}

impl Exact {
    fn take(&mut self, found: f64, polling: f64, speed: f64) {
        self.values += 1;
        self.fine += u32::from(found < FINE * FINE * polling);
        self.coarse += u32::from(found > COARSE * COARSE * polling);
        self.speed += speed / f64::from(WINDOW);
        if self.values < WINDOW {
            return;
        }
        // A change of speed makes some values coarse, but no more than half a window.
        let counted = if self.coarse >= MOST_COARSE {
            (0.0, 0)
        } else if self.fine >= FEWEST_FINE && (self.speed - self.counted.0).abs() > APART * self.counted.0 {
            (self.speed, self.counted.1.saturating_add(1))
        } else {
            self.counted
        };
        *self = Self { counted, ..Self::default() };
    }
}

impl Scatter {
    /// For a path of `a_turn` points a turn, or of 0 where points lie anywhere.
    pub(super) fn new(a_turn: usize) -> Self {
        let lag = if (1..=MOST_LAG).contains(&a_turn) { a_turn } else { 1 };
        Self { lag, ring: VecDeque::with_capacity(2 * lag + 1), mean: (0.0, 0), exact: Exact::default() }
    }

    /// The path is cut here: no line goes from the points before to those behind.
    pub(super) fn cut(&mut self) {
        self.ring.clear();
        self.mean = (0.0, 0);
    }

    /// A point at `t_s`; `polling` is the variance that polling gives it, in rad^2, where it may be stamped when it happens.
    pub(super) fn push(&mut self, t_s: f64, phi: f64, polling: Option<f64>) {
        if self.ring.len() == 2 * self.lag + 1 {
            self.ring.pop_front();
        }
        self.ring.push_back((t_s, phi));
        if self.ring.len() <= 2 * self.lag {
            return;
        }
        let (Some(first), Some(middle)) = (self.ring.front(), self.ring.get(self.lag)) else { return };
        let span = t_s - first.0;
        if span <= 0.0 {
            return;
        }
        let w = (middle.0 - first.0) / span;
        let off = middle.1 - first.1 - w * (phi - first.1);
        let found = off * off / (1.0 + w * w + (1.0 - w) * (1.0 - w));
        let count = (self.mean.1 + 1).min(MEMORY);
        self.mean = (self.mean.0 + (found - self.mean.0) / f64::from(count), count);
        if let Some(polling) = polling {
            self.exact.take(found, polling, (phi - first.1).abs() / span);
        }
    }

    /// Variance of a point in rad^2; none before it is known.
    pub(super) fn variance(&self) -> Option<f64> {
        (self.mean.1 >= FEWEST).then_some(self.mean.0)
    }

    /// Points are found by polling: several at once.
    pub(super) fn is_polled(&mut self) {
        self.exact = Exact::default();
    }

    /// Points are stamped when they happen.
    pub(super) fn is_exact(&self) -> bool {
        self.exact.counted.1 >= SPEEDS
    }
}
