//! The axle by a speed that is told: its path is the integral, so that it is averaged over whole turns as any other.
//!
//! The integral is the trapezium between samples. A speed told in steps of q is off by up to half a step, evenly spread,
//! and at a constant speed always by the same amount: q / sqrt(12) is a doubt that no averaging lessens (GUM 4.3.7), and
//! belongs to every speed besides its scatter. A sensor that goes on repeating its last speed can't be told from a steady
//! engine; only that it does not answer orders shows it.
//!
//! It stands while the reading is nought, or jitters between nought and one step. An axle that creeps by less than a step
//! is told as nought by such a sensor, and taken for standing.
use super::decode::TURN;
use super::seen::Seen;
use super::{AxleSetup, Standing};
use crate::sensor::{Reading, Source};
use std::time::Duration;

/// Faster than this no model runs; readings beyond it are none.
const LARGEST_MM_S: f64 = 1e6;
/// A reading of one step is rest only so long after a nought.
const NOUGHT_US: i64 = 500_000;
/// Least time at rest that is standing.
const STANDS_US: i64 = 500_000;
/// Two neighbouring values lie a step apart; beyond this part of a step it is another value.
const NEIGHBOURS: f64 = 1.5;
/// No path is taken across a gap longer than this and than three usual intervals.
const GAP_US: f64 = 500_000.0;
/// A path longer than this in one go is none.
const MOST_TURNS_AT_ONCE: f64 = 32.0;

/// The follower.
#[derive(Debug)]
pub(super) struct Rate {
    mm_per_rad: f64,
    q_mm_s: f64,
    /// Sample before: time, and speed in mm/s.
    last: Option<(i64, f64)>,
    usual_us: Option<f64>,
    phi: f64,
    /// Last reading of nought, and since when it has rested.
    nought_us: Option<i64>,
    rests_us: Option<i64>,
    /// Way of this motion, and whether one came to a whole turn.
    turned: f64,
    has_turned: bool,
}

impl Rate {
    /// For this source; none where that tells no speed.
    pub(super) fn new(setup: &AxleSetup) -> Option<Self> {
        let Source::Speed { resolution_mm_s } = setup.source else { return None };
        Some(Self {
            mm_per_rad: setup.circumference_mm / TURN,
            q_mm_s: if resolution_mm_s > 0.0 { resolution_mm_s.min(LARGEST_MM_S) } else { 0.0 },
            last: None,
            usual_us: None,
            phi: 0.0,
            nought_us: None,
            rests_us: None,
            turned: 0.0,
            has_turned: false,
        })
    }

    /// A speed in mm/s.
    pub(super) fn told(reading: Reading) -> Option<f64> {
        let Reading::SpeedMS(m_s) = reading else { return None };
        let mm_s = m_s * 1e3;
        (mm_s.abs() <= LARGEST_MM_S).then_some(mm_s)
    }

    /// A sample.
    pub(super) fn take(&mut self, t_us: i64, reading: Reading) -> Seen {
        let Some(now) = Self::told(reading) else { return Seen::Nothing };
        let Some((before_us, before)) = self.last.replace((t_us, now)) else {
            self.rest(t_us, now);
            return Seen::Nothing;
        };
        let dt = (t_us - before_us) as f64;
        let usual = self.usual_us.unwrap_or(dt);
        self.usual_us = Some(usual + (dt.min(2.0 * usual) - usual) / 16.0);
        let step = f64::midpoint(before, now) * dt * 1e-6 / self.mm_per_rad;
        if dt > (3.0 * usual).max(GAP_US) || step.abs() > MOST_TURNS_AT_ONCE * TURN {
            (self.nought_us, self.rests_us) = (None, None);
            self.rest(t_us, now);
            // The path as far as it can be guessed.
            return Seen::Cut { way: if step.is_finite() { step } else { 0.0 } };
        }
        self.rest(t_us, now);
        // What is called rest is no way, else its jitter would add up.
        let step = if self.rests_us.is_some() { 0.0 } else { step };
        self.phi += step;
        self.turned += step;
        self.has_turned |= self.turned.abs() >= TURN;
        Seen::Angle { phi: self.phi, step, least: 0.0, begins: false }
    }

    fn rest(&mut self, t_us: i64, now: f64) {
        if now.abs() <= self.q_mm_s * (NEIGHBOURS - 1.0) {
            self.nought_us = Some(t_us);
        }
        let near = now.abs() <= self.q_mm_s * NEIGHBOURS;
        if near && self.nought_us.is_some_and(|nought_us| t_us - nought_us <= NOUGHT_US) {
            self.rests_us.get_or_insert(t_us);
        } else {
            self.rests_us = None;
        }
        if self.rests_us.is_some() {
            self.turned = 0.0;
        }
    }

    /// Nothing that was seen counts.
    pub(super) fn forget_all(&mut self) {
        self.restarted();
        self.has_turned = false;
    }

    /// The sensor's clock started anew.
    pub(super) fn restarted(&mut self) {
        (self.last, self.usual_us, self.nought_us, self.rests_us) = (None, None, None, None);
        self.turned = 0.0;
    }

    /// A whole turn was seen, in motion.
    pub(super) fn has_turned(&self) -> bool {
        self.has_turned
    }

    pub(super) fn standing(&self) -> Standing {
        let (Some((t_us, _)), Some(since_us)) = (self.last, self.rests_us) else { return Standing::No };
        if t_us - since_us < STANDS_US {
            return Standing::No;
        }
        Standing::For(Duration::from_micros(u64::try_from(t_us - since_us).unwrap_or(0)))
    }

    /// The part of a speed's standard uncertainty that the resolution gives, in mm/s.
    pub(super) fn u_resolution_mm_s(&self) -> f64 {
        self.q_mm_s / 12f64.sqrt()
    }
}
