//! Surge: a measuring car behind a slack coupling swings to and fro, most at low speed.
//!
//! The swing is looked for in the speeds of short blocks of time, after what repeats once a turn has been taken out: that
//! cancels over whole turns anyway. Its period is where the autocorrelation has its first peak behind its first fall
//! below nought, twice as far as well (`standards/measurement.md` section 6). Turns are then taken together in such
//! numbers that whole swings fall into them.
use super::laps::whole;
use core::f64::consts::{PI, TAU};
use serde::{Deserialize, Serialize};

/// Length of a block, s.
const BLOCK_S: f64 = 0.05;
/// Fewest and most blocks that are looked at.
const FEWEST: usize = 60;
const MOST: usize = 1024;
/// What repeats up to so many times a turn is no swing.
const HARMONICS: u32 = 8;
/// The autocorrelation at one period, and at two, is at least this.
const PEAKS: [f64; 2] = [0.5, 0.3];
/// Shortest period, s.
const SHORTEST_S: f64 = 0.3;
/// A swing of less than this part of the speed does no harm and is hardly told from scatter.
const SMALLEST: f64 = 0.015;
/// Turns that are taken together last no longer than so many swings, and this much may be left of a swing over them for
/// the least number to do.
const MOST_SWINGS: f64 = 11.0;
const LEFT: f64 = 0.04;

/// A swing of the speed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Surge {
    /// Its period, s.
    pub period_s: f64,
    /// Its amplitude, mm/s.
    pub amplitude_mm_s: f64,
}

/// What a mean over `length` leaves of a swing of `period`: |sin(pi T/P) / (pi T/P)|.
pub(super) fn left_of(length: f64, period: f64) -> f64 {
    let angle = PI * length / period;
    if angle.abs() < 1e-9 { 1.0 } else { (libm::sin(angle) / angle).abs() }
}

/// Turns to be taken together, each of `turn_s`, so that a swing of `period_s` cancels: the least number over which hardly
/// anything of it is left, else the best.
pub(super) fn turns_together(turn_s: f64, period_s: f64) -> u32 {
    let left = |turns: u32| left_of(f64::from(turns) * turn_s, period_s);
    let most = whole(MOST_SWINGS * period_s / turn_s).max(1);
    let best = (1..=most).min_by(|a, b| left(*a).total_cmp(&left(*b)));
    (1..=most).find(|turns| left(*turns) <= LEFT).or(best).unwrap_or(1)
}

/// Sums over the samples of a block of time.
#[derive(Clone, Copy, Debug)]
struct Open {
    number: u32,
    samples: f64,
    t: f64,
    phi: f64,
}

/// Short blocks of one measurement.
#[derive(Clone, Debug, Default)]
pub(super) struct SurgeWatch {
    /// Time that blocks are numbered from, and the first angle.
    origin: Option<(f64, f64)>,
    open: Option<Open>,
    /// Mean time and angle of the block before, and its number.
    before: Option<(f64, f64, u32)>,
    /// Speed in rad/s and angle.
    blocks: Vec<(f64, f64)>,
    looked_at: usize,
    found: Option<(f64, f64)>,
}

impl SurgeWatch {
    /// What comes next does not follow on what was.
    pub(super) fn cut(&mut self) {
        *self = Self { found: self.found, ..Self::default() };
    }

    /// A sample: time in s, angle in rad. `step` is the smallest change of the angle that is told: no swing of the way is
    /// seen that is smaller.
    pub(super) fn push(&mut self, t_s: f64, phi: f64, step: f64) {
        if self.blocks.len() >= MOST {
            return;
        }
        let (origin_s, origin) = *self.origin.get_or_insert((t_s, phi));
        let (t, phi) = (t_s - origin_s, phi - origin);
        let number = whole(t / BLOCK_S);
        if let Some(open) = &mut self.open
            && open.number == number
        {
            open.samples += 1.0;
            open.t += t;
            open.phi += phi;
            return;
        }
        if let Some(done) = self.open.replace(Open { number, samples: 1.0, t, phi }) {
            self.close(done);
        }
        if self.blocks.len() >= FEWEST.max(self.looked_at + self.looked_at / 4) {
            self.looked_at = self.blocks.len();
            self.found = swing(&self.blocks, step).or(self.found);
        }
    }

    /// A block is over. Where samples are rarer than blocks, those between are taken as even.
    fn close(&mut self, done: Open) {
        let (t, phi) = (done.t / done.samples, done.phi / done.samples);
        if let Some((t_before, phi_before, number)) = self.before.replace((t, phi, done.number)) {
            let speed = (phi - phi_before) / (t - t_before);
            for _ in (number..done.number).take(FEWEST) {
                self.blocks.push((speed, phi));
            }
        }
    }

    /// Period in s, and amplitude in rad/s.
    pub(super) fn found(&self) -> Option<(f64, f64)> {
        self.found
    }
}

/// Period and amplitude of a swing in blocks of speed and angle; its way is at least `step`.
fn swing(blocks: &[(f64, f64)], step: f64) -> Option<(f64, f64)> {
    let n = blocks.len() as f64;
    let mean = blocks.iter().map(|(speed, _)| speed).sum::<f64>() / n;
    let mut rest: Vec<f64> = blocks.iter().map(|(speed, _)| speed - mean).collect();
    level(&mut rest);
    let turns = blocks.last()?.1 - blocks.first()?.1;
    // Of less than two turns what repeats each turn cannot be told from what does not.
    if turns.abs() < 2.0 * TAU {
        return None;
    }
    for harmonic in (1..=HARMONICS).chain(1..=HARMONICS) {
        take_out(&mut rest, |at| f64::from(harmonic) * blocks[at].1);
    }
    let power = rest.iter().map(|x| x * x).sum::<f64>();
    if power.is_nan() || power <= 0.0 {
        return None;
    }
    let most = blocks.len() / 3;
    let alike = |lag: usize| {
        let pairs = rest.iter().zip(rest.iter().skip(lag));
        let sum = pairs.map(|(a, b)| a * b).sum::<f64>();
        sum / power * n / (n - lag as f64)
    };
    let course: Vec<f64> = (0..=2 * most).map(alike).collect();
    let fallen = course.iter().position(|r| *r < 0.0).filter(|lag| *lag <= most)?;
    let lag = (fallen..=most).max_by(|a, b| course[*a].total_cmp(&course[*b]))?;
    // Where several peaks are as high, the first is the period; a peak is what a fifth to either side does not surpass.
    let is_peak = |at: &usize| {
        let near = course.iter().take(at + at / 5 + 1).skip(at - at / 5);
        course[*at] >= 0.85 * course[lag] && near.fold(f64::MIN, |most, r| most.max(*r)) <= course[*at]
    };
    let lag = (fallen.max(1)..lag).find(is_peak).unwrap_or(lag);
    // What still rises at the end of what is looked at is no peak yet.
    let strong = lag < most && course[lag] >= PEAKS[0] && course[2 * lag] >= PEAKS[1];
    if !strong || (lag as f64) * BLOCK_S < SHORTEST_S {
        return None;
    }
    let amplitude = |period: f64| {
        let mut left = rest.clone();
        take_out(&mut left, |at| TAU * at as f64 / period)
    };
    // The peak is as sharp as a block: the period whose sine is strongest is sharper.
    let near = (-40..=40).map(|step| lag as f64 * (1.0 + 0.0025 * f64::from(step)));
    let period = near.max_by(|a, b| amplitude(*a).total_cmp(&amplitude(*b)))?;
    let size = amplitude(period);
    let of_way = size * period * BLOCK_S / TAU;
    let is_swing =
        size >= SMALLEST * mean.abs() && of_way >= step && size * size / 2.0 * n >= PEAKS[1] * power;
    is_swing.then_some((period * BLOCK_S, size))
}

/// Takes out the straight line.
fn level(values: &mut [f64]) {
    let n = values.len() as f64;
    let middle = (n - 1.0) / 2.0;
    let (mut s_tt, mut s_ty) = (0.0, 0.0);
    for (at, value) in values.iter().enumerate() {
        let t = at as f64 - middle;
        s_tt += t * t;
        s_ty += t * value;
    }
    let slope = s_ty / f64::max(s_tt, 1.0);
    for (at, value) in values.iter_mut().enumerate() {
        *value -= slope * (at as f64 - middle);
    }
}

/// Takes out the sine of this angle that fits best (least squares); its amplitude.
fn take_out(values: &mut [f64], angle: impl Fn(usize) -> f64) -> f64 {
    let (mut cc, mut cs, mut ss, mut cy, mut sy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let waves: Vec<(f64, f64)> = (0..values.len()).map(|at| libm::sincos(angle(at))).collect();
    for ((sin, cos), value) in waves.iter().zip(values.iter()) {
        cc += cos * cos;
        cs += cos * sin;
        ss += sin * sin;
        cy += cos * value;
        sy += sin * value;
    }
    let whole = cc * ss - cs * cs;
    if whole.abs() < 1e-9 * cc * ss {
        return 0.0;
    }
    let (a, b) = ((cy * ss - sy * cs) / whole, (sy * cc - cy * cs) / whole);
    for ((sin, cos), value) in waves.iter().zip(values.iter_mut()) {
        *value -= a * cos + b * sin;
    }
    libm::hypot(a, b)
}

#[cfg(test)]
#[path = "surge_tests.rs"]
mod tests;
