//! How an engine answers a change of its setting: dead time, a rate that the decoder keeps to, and a first-order rest.
//!
//! The setting arrives after a dead time; the decoder may follow it along a ramp, whatever CV 3 and 4 say; motor and gears
//! follow that with a time constant (`standards/measurement.md` 4.1; the ramp is the same curve with the step drawn out).
//! Learned once from a large step by a fit of the way against time: the way is what the sensor tells, and needs no
//! derivative.
use super::squares::{Squares, least_squares};
use super::stats::Line;
use serde::{Deserialize, Serialize};

/// A time constant is never taken for better known than this, relative (k = 1): it differs a little from speed to speed.
const TAU_U_LEAST: f64 = 0.08;
/// Neighbouring points of a way share their scatter, so a fit's own doubt is too small by about this factor.
const FIT_U_FACTOR: f64 = 4.0;
/// A fit that leaves the time constant worse known than this, relative, has learned nothing.
const TAU_U_MOST: f64 = 0.5;
/// A ramp is taken for real if it leaves less than this part of the squares that are left without.
const RAMP_GAIN: f64 = 0.5;
/// Most points that a fit looks at, and fewest.
const FIT_POINTS: usize = 200;
const FEWEST_POINTS: usize = 12;
/// The dead time is not known better than this (k = 1), s: packets and samples come when they come.
pub(super) const DEAD_U_S: f64 = 0.02;

/// One sense of change, rising or falling.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Course {
    /// Time constant, s.
    pub tau_s: f64,
    /// Its relative standard uncertainty (k = 1).
    pub tau_u_rel: f64,
    /// Rate that the speed is held to, mm/s each s; none: none seen.
    pub rate_mm_s2: Option<f64>,
}

/// How an engine answers a change of its setting.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Response {
    /// From the acknowledged order until a moving engine begins to change, s.
    pub dead_s: f64,
    /// The same from rest, s: some decoders play a sound before they drive.
    pub start_s: f64,
    /// Towards more speed.
    pub rising: Course,
    /// Towards less.
    pub falling: Course,
}

/// A change of speed, as an average needs to know it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// Speed before, mm/s, not negative.
    pub before_mm_s: f64,
    /// Its standard uncertainty (k = 1), mm/s.
    pub before_u_mm_s: f64,
    /// One order from a speed that was steady: what is left of the change can be reckoned. Else only bounded.
    pub single: bool,
    /// Ramp of the decoder's own CVs, s, known beside what was learned.
    pub ramp_s: f64,
    /// Time that counts before the change begins, s after the origin of time.
    pub begins_s: f64,
}

/// What is left of a change over a stretch of time: the mean of it, and the doubt (k = 1) of that mean, mm/s. Positive:
/// the speed is still to rise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rest {
    /// Mean of what is left.
    pub mean_mm_s: f64,
    /// Its doubt.
    pub u_mm_s: f64,
}

impl Course {
    /// Longest time the ramp takes for a change of so many mm/s, s.
    #[must_use]
    pub fn ramp_s(&self, change_mm_s: f64) -> f64 {
        self.rate_mm_s2.map_or(0.0, |rate| change_mm_s.abs() / rate.max(1e-9))
    }
}

impl Response {
    /// The course of a change from one speed to another.
    #[must_use]
    pub fn course(&self, from_mm_s: f64, to_mm_s: f64) -> Course {
        if to_mm_s >= from_mm_s { self.rising } else { self.falling }
    }

    /// The time constant of this sense of change is `factor` times as long as it was learned.
    pub fn stretch(&mut self, rising: bool, factor: f64) {
        let course = if rising { &mut self.rising } else { &mut self.falling };
        course.tau_s *= factor;
    }

    /// What is left of this change to `to_mm_s`, on average from `from_s` to `until_s`.
    #[must_use]
    pub fn rest(&self, change: Change, to_mm_s: f64, (from_s, until_s): (f64, f64)) -> Rest {
        let by_mm_s = to_mm_s - change.before_mm_s;
        let course = self.course(change.before_mm_s, to_mm_s);
        let ramp_s = course.ramp_s(by_mm_s) + change.ramp_s;
        let mean = |tau_s: f64, later_s: f64| {
            let shape = Shape { tau_s, ramp_s };
            let begins = change.begins_s + later_s;
            shape.mean_rest(from_s - begins, until_s - begins)
        };
        let tau_s = course.tau_s;
        let left = mean(tau_s, 0.0);
        let longer = mean(tau_s * (1.0 + course.tau_u_rel), 0.0);
        let by_tau = 0.5 * (longer - mean(tau_s * (1.0 - course.tau_u_rel), 0.0));
        let by_ramp = if ramp_s > 0.0 { mean(tau_s, 0.1 * ramp_s) - left } else { 0.0 };
        let by_dead = mean(tau_s, DEAD_U_S) - left;
        let u = (by_tau * by_tau + by_dead * by_dead + by_ramp * by_ramp).sqrt();
        if change.single {
            return Rest { mean_mm_s: by_mm_s * left, u_mm_s: by_mm_s.abs() * u };
        }
        // Anything from nothing to a single late change: rectangular.
        let bound = left + u;
        Rest { mean_mm_s: 0.5 * by_mm_s * bound, u_mm_s: by_mm_s.abs() * bound / 12f64.sqrt() }
    }
}

/// The curve of a change: 1 before, 0 long after.
#[derive(Clone, Copy, Debug)]
struct Shape {
    tau_s: f64,
    ramp_s: f64,
}

impl Shape {
    /// Time integral of what is left, from 0 to `s`.
    fn lag(self, s: f64) -> f64 {
        let Self { tau_s: tau, ramp_s: ramp } = self;
        if s <= 0.0 {
            return s;
        }
        let gone = -libm::expm1(-s / tau);
        if ramp < 1e-6 {
            return tau * gone;
        }
        if s < ramp {
            return s - s * s / (2.0 * ramp) + tau / ramp * (s - tau * gone);
        }
        let at_end = -tau / ramp * libm::expm1(-ramp / tau);
        tau + 0.5 * ramp - tau * at_end * libm::exp(-(s - ramp) / tau)
    }

    /// Mean of what is left between two times.
    fn mean_rest(self, from: f64, until: f64) -> f64 {
        (self.lag(until) - self.lag(from)) / (until - from).max(1e-9)
    }

    /// Way that the change has gone, as a time at its full size.
    fn gone(self, s: f64) -> f64 {
        if s <= 0.0 { 0.0 } else { s - self.lag(s) }
    }
}

/// One large change as the sensor saw it. Speeds are in turns a second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Fitted {
    pub(crate) before: f64,
    pub(crate) after: f64,
    pub(crate) dead_s: f64,
    pub(crate) tau_s: f64,
    pub(crate) tau_u_rel: f64,
    /// 0: none.
    pub(crate) ramp_s: f64,
}

impl Fitted {
    /// The course on an axle of this circumference.
    pub(crate) fn course(&self, circumference_mm: f64) -> Course {
        let by_mm_s = (self.after - self.before).abs() * circumference_mm;
        Course {
            tau_s: self.tau_s,
            tau_u_rel: self.tau_u_rel,
            rate_mm_s2: (self.ramp_s > 0.0).then(|| by_mm_s / self.ramp_s),
        }
    }
}

/// Fits a change to a way: (time in s since the order, way in turns). `before`: the speed it began from, turns a second; 0
/// from rest. It is not made out from the way: a change that begins at once leaves no stretch that would show it.
pub(super) fn fit_change(way: &[(f64, f64)], before: f64) -> Option<Fitted> {
    let every = way.len().div_ceil(FIT_POINTS).max(1);
    let way: Vec<(f64, f64)> = way.iter().copied().step_by(every).collect();
    if way.len() < FEWEST_POINTS {
        return None;
    }
    let bare = best(&way, before, false)?;
    let ramped = best(&way, before, true);
    let (fit, squares) = match ramped {
        Some((fit, squares)) if squares < RAMP_GAIN * bare.1 => (fit, squares),
        _ => bare,
    };
    let good = squares.is_finite()
        && (0.002..=60.0).contains(&fit.tau_s)
        && fit.dead_s <= 60.0
        && fit.ramp_s <= way.last().map_or(0.0, |(seconds, _)| *seconds)
        && fit.tau_u_rel <= TAU_U_MOST;
    good.then_some(fit)
}

/// The best fit with or without a ramp, and its squares.
fn best(way: &[(f64, f64)], before: f64, ramp: bool) -> Option<(Fitted, f64)> {
    let last_s = way.last()?.0;
    let start = grid(way, before, ramp, last_s)?;
    // First turns, change, dead time, time constant, ramp.
    let line = |at: &[f64; 5], i: usize| {
        let (t, turns) = way[i];
        let shape = Shape { tau_s: at[3].abs().max(1e-4), ramp_s: at[4].abs() };
        turns - at[0] - before * t - at[1] * shape.gone(t - at[2])
    };
    let n = way.len();
    let Squares { at, u, sum } = if ramp {
        least_squares(start, n, line)?
    } else {
        let fill = |[base, by, dead, tau]: [f64; 4]| [base, by, dead, tau, 0.0];
        let [base, by, dead, tau, _] = start;
        let Squares { at, u, sum } = least_squares([base, by, dead, tau], n, |at, i| line(&fill(*at), i))?;
        Squares { at: fill(at), u: fill(u), sum }
    };
    let (tau_s, dead_s, ramp_s) = (at[3].abs().max(1e-4), at[2].max(0.0), at[4].abs());
    // Beside a long ramp a short time constant is badly known, and matters little.
    let u_tau = (FIT_U_FACTOR * u[3] - 0.1 * ramp_s).max(0.0);
    let tau_u_rel = (u_tau / tau_s).max(TAU_U_LEAST);
    Some((Fitted { before, after: before + at[1], dead_s, tau_s, tau_u_rel, ramp_s }, sum))
}

/// Where to begin: the best of a coarse grid of dead time, time constant and ramp; the rest of it is linear.
fn grid(way: &[(f64, f64)], before: f64, ramp: bool, last_s: f64) -> Option<[f64; 5]> {
    let every = way.len().div_ceil(60).max(1);
    let few: Vec<(f64, f64)> = way.iter().step_by(every).map(|(t, turns)| (*t, turns - before * t)).collect();
    let parts = |n: u32| (0..n).map(move |k| f64::from(k) / f64::from(n));
    let mut found: Option<(f64, [f64; 5])> = None;
    for dead in parts(24).map(|part| 0.8 * last_s * part) {
        for tau in (0..10).map(|k| last_s * 0.4 * libm::pow(0.6, f64::from(k))) {
            for ramp_s in parts(if ramp { 12 } else { 1 }).map(|part| part * 0.8 * last_s) {
                if ramp && ramp_s <= 0.0 || dead + ramp_s > 0.9 * last_s {
                    continue;
                }
                let shape = Shape { tau_s: tau, ramp_s };
                let gone = few.iter().map(|(t, turns)| (shape.gone(t - dead), *turns));
                let Some(line) = Line::fit(gone) else { continue };
                if found.is_none_or(|(best, _)| line.residual < best) {
                    let base = -line.above(0.0, 0.0);
                    found = Some((line.residual, [base, line.slope, dead.max(1e-3), tau, ramp_s]));
                }
            }
        }
    }
    found.map(|(_, start)| start)
}

#[cfg(test)]
#[path = "response_tests.rs"]
mod tests;
