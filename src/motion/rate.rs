//! The axle by a speed that is told: its path is the integral, so that it is averaged over whole turns as any other.
//!
//! The integral is the trapezium between samples. A speed told in steps of q is off by up to half a step, evenly spread,
//! and at a constant speed always by the same amount: q / sqrt(12) is a doubt that no averaging lessens (GUM 4.3.7), and
//! belongs to every speed besides its scatter. A sensor that goes on repeating its last speed can't be told from a steady
//! engine; only that it does not answer orders shows it.
//!
//! It stands while the reading is nought, or jitters between nought and one step. A speed may be noisier than its steps:
//! what it does at rest is learned (see `jitter`), and it stands too while no reading is beyond that and the mean of the
//! last half second is nought within its own scatter, or below half a millimetre a second, as an offset may be. So an axle
//! that creeps more slowly than that, or by less than a step, is taken for standing; and one turns for sure where its speed
//! is clearly beyond all of it.
use super::decode::TURN;
use super::jitter::Jitter;
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
/// A mean below this is rest (a turn of 33 mm in a minute), and so long it is taken over.
const CREEPS_MM_S: f64 = 0.5;
const MEAN_US: f64 = 500_000.0;
/// Standard deviations of the noise at rest within which a reading, and a mean of some, are at rest: passed less than once
/// in a night, also where the noise is known to a tenth.
const READING_SDS: f64 = 6.0;
const MEAN_SDS: f64 = 4.5;
/// The most that is taken for noise, so that a creep stays motion.
const NOISE_MOST_MM_S: f64 = 3.0;
/// So many times what rest may look like is motion for sure.
const CLEARLY: f64 = 4.0;
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
    jitter: Jitter,
    /// Mean of the last readings that may be rest, and of how many it is.
    mean: f64,
    readings: f64,
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
            jitter: Jitter::about_nought(),
            mean: 0.0,
            readings: 0.0,
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
            self.rest(t_us, 0.0, now);
            return Seen::Nothing;
        };
        let dt = (t_us - before_us) as f64;
        let usual = self.usual_us.unwrap_or(dt);
        self.usual_us = Some(usual + (dt.min(2.0 * usual) - usual) / 16.0);
        let step = f64::midpoint(before, now) * dt * 1e-6 / self.mm_per_rad;
        if dt > (3.0 * usual).max(GAP_US) || step.abs() > MOST_TURNS_AT_ONCE * TURN {
            (self.nought_us, self.rests_us, self.readings) = (None, None, 0.0);
            self.rest(t_us, 0.0, now);
            // The path as far as it can be guessed.
            return Seen::Cut { way: if step.is_finite() { step } else { 0.0 } };
        }
        self.rest(t_us, dt, now);
        // What is called rest is no way, else its jitter would add up.
        let step = if self.rests_us.is_some() { 0.0 } else { step };
        self.phi += step;
        if now.abs() > self.clearly_mm_s() {
            self.turned += step;
        }
        self.has_turned |= self.turned.abs() >= TURN;
        Seen::Angle { phi: self.phi, step, least: 0.0, begins: false }
    }

    fn rest(&mut self, t_us: i64, dt_us: f64, now: f64) {
        self.jitter.take(now);
        let quiet = self.is_noise(dt_us, now);
        if now.abs() <= self.q_mm_s * (NEIGHBOURS - 1.0) {
            self.nought_us = Some(t_us);
        }
        let near = now.abs() <= self.q_mm_s * NEIGHBOURS;
        if quiet || near && self.nought_us.is_some_and(|nought_us| t_us - nought_us <= NOUGHT_US) {
            self.rests_us.get_or_insert(t_us);
        } else {
            self.rests_us = None;
        }
        if self.rests_us.is_some() {
            self.turned = 0.0;
        }
    }

    /// What noise or an offset at rest may do.
    fn is_noise(&mut self, dt_us: f64, now: f64) -> bool {
        if now.abs() > self.noise_mm_s() {
            self.readings = 0.0;
            return false;
        }
        // Of all readings at first, then of those of the last while.
        let part = (dt_us / MEAN_US).max(1.0 / (self.readings + 1.0)).min(1.0);
        self.mean = if self.readings > 0.0 { self.mean + part * (now - self.mean) } else { now };
        self.readings = (self.readings + 1.0).min(1.0 / part);
        self.mean.abs() <= CREEPS_MM_S.max(MEAN_SDS * self.sd_mm_s() / self.readings.sqrt())
    }

    fn sd_mm_s(&self) -> f64 {
        self.jitter.sd().min(NOISE_MOST_MM_S)
    }

    /// The most that a reading at rest is off.
    fn noise_mm_s(&self) -> f64 {
        CREEPS_MM_S.max(READING_SDS * self.sd_mm_s())
    }

    /// Faster than this is no rest, whatever is not known yet of its noise.
    fn clearly_mm_s(&self) -> f64 {
        CLEARLY * self.noise_mm_s().max(self.q_mm_s * NEIGHBOURS)
    }

    /// Nothing that was seen counts.
    pub(super) fn forget_all(&mut self) {
        self.restarted();
        self.has_turned = false;
    }

    /// The sensor's clock started anew.
    pub(super) fn restarted(&mut self) {
        (self.last, self.usual_us, self.nought_us, self.rests_us) = (None, None, None, None);
        (self.turned, self.readings) = (0.0, 0.0);
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
