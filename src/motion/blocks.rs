//! A measurement: how long whole turns of the axle take.
//!
//! The instants at which the angle passes one fixed position, turn after turn, differ by whole turns, so that every
//! error that repeats once a turn cancels, at any calibration (`standards/measurement.md` 3.3; a straight line fitted
//! over whole turns would not do that). Speed is total path over total time. Blocks are whole turns; Student's t on
//! blocks is fair where it would not be on samples (section 5).
use super::decode::TURN;
use super::stats::{mean_and_variance, t_975, welch};

/// Half of the arc about the position whose samples time a passage, in rad.
const ARC: f64 = 0.2;
/// How far it must turn before the turning sense is taken as known, and how far ahead the position then lies.
const SENSE: f64 = 0.5;
const AHEAD: f64 = 0.3;
/// Turning back by this voids the measurement.
const BACK: f64 = 1.0;
/// Samples in the arc from which a line through them times the passage better than its two neighbours.
const FEWEST_IN_ARC: u32 = 6;
/// Passages kept; when there are more, two blocks become one.
const MOST_PASSAGES: usize = 513;
/// Blocks from which two halves are compared.
const FEWEST_FOR_HALVES: usize = 6;
/// A difference of the halves smaller than this is of no concern, however sure it is.
const HALVES_DIFFER: f64 = 1e-4;

/// What the blocks say; speeds are in turns a second of the sensor's clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Summary {
    /// Signed.
    pub(super) turns_per_s: f64,
    /// Relative standard uncertainty from repeatability, not below what the field's noise allows.
    pub(super) u_rel: f64,
    /// Student's factor for 95 %.
    pub(super) factor: f64,
    pub(super) turns: u32,
    pub(super) seconds: f64,
    pub(super) unsteady: bool,
}

/// Sums over the samples within the arc.
#[derive(Clone, Copy, Debug, Default)]
struct Arc {
    samples: u32,
    t: f64,
    y: f64,
    tt: f64,
    ty: f64,
    /// Time of the passage between two neighbours, and the factor on their noise's variance.
    between: Option<(f64, f64)>,
}

impl Arc {
    /// Time of the passage against the arc's origin, and the factor on the variance of a sample's angle.
    fn passage(&self) -> Option<(f64, f64)> {
        let n = f64::from(self.samples);
        if self.samples >= FEWEST_IN_ARC {
            let s_tt = self.tt - self.t * self.t / n;
            let slope = (self.ty - self.t * self.y / n) / s_tt;
            if s_tt > 0.0 && slope > 0.0 {
                let late = -self.y / n / slope;
                return Some((self.t / n + late, 1.0 / n + late * late / s_tt));
            }
        }
        self.between
    }
}

/// Progress in the turning sense, once that is known.
#[derive(Clone, Copy, Debug)]
struct Course {
    sense: f64,
    /// Progress at which the next passage lies.
    target: f64,
    farthest: f64,
    /// Sample before: time and progress.
    before: (f64, f64),
    arc: Arc,
    /// Time that the arc's sums count from.
    origin_s: f64,
}

/// The running measurement.
#[derive(Debug, Default)]
pub(super) struct Blocks {
    start: Option<f64>,
    before: Option<(f64, f64)>,
    course: Option<Course>,
    /// Times of passages, `turns_each` turns apart.
    passages: Vec<f64>,
    turns_each: u32,
    /// Passages since the last one kept.
    skipped: u32,
    /// Mean variance of a passage's angle, in rad^2, and how many it is the mean of.
    noise: (f64, u32),
    summary: Option<Summary>,
}

impl Blocks {
    pub(super) fn new() -> Self {
        Self { turns_each: 1, ..Self::default() }
    }

    pub(super) fn summary(&self) -> Option<Summary> {
        self.summary
    }

    /// An angle at `t_s`. `noise` gives the standard deviation of a sample's angle at an unwrapped angle.
    pub(super) fn push(&mut self, t_s: f64, phi: f64, noise: impl Fn(f64) -> f64) {
        let start = *self.start.get_or_insert(phi);
        let before = self.before.replace((t_s, phi)).unwrap_or((t_s, phi));
        let Some(course) = &mut self.course else {
            let moved = phi - start;
            if moved.abs() > SENSE {
                let sense = moved.signum();
                let at = moved.abs();
                self.course = Some(Course {
                    sense,
                    target: at + AHEAD,
                    farthest: at,
                    before: (before.0, sense * (before.1 - start)),
                    arc: Arc::default(),
                    origin_s: t_s,
                });
            }
            return;
        };
        let at = course.sense * (phi - start);
        if at < course.farthest - BACK {
            *self = Self::new();
            return;
        }
        course.farthest = course.farthest.max(at);
        if let Some((passage_s, factor)) = course.step(t_s, at) {
            let sd = noise(start + course.sense * course.target);
            course.target += TURN;
            self.passage(passage_s, factor * sd * sd);
        }
    }

    fn passage(&mut self, t_s: f64, variance: f64) {
        let count = self.noise.1.saturating_add(1);
        self.noise = (self.noise.0 + (variance - self.noise.0) / f64::from(count), count);
        self.skipped += 1;
        if !self.passages.is_empty() && self.skipped < self.turns_each {
            return;
        }
        self.skipped = 0;
        self.passages.push(t_s);
        if self.passages.len() == MOST_PASSAGES {
            self.passages = self.passages.iter().copied().step_by(2).collect();
            self.turns_each = self.turns_each.saturating_mul(2);
        }
        self.summary = self.sum_up();
    }

    fn sum_up(&self) -> Option<Summary> {
        let sense = self.course?.sense;
        let turns_each = f64::from(self.turns_each);
        let speeds: Vec<f64> = self.passages.windows(2).map(|pair| turns_each / (pair[1] - pair[0])).collect();
        let (_, variance) = mean_and_variance(&speeds)?;
        let seconds = self.passages.last()? - self.passages.first()?;
        let n = speeds.len() as f64;
        let speed = turns_each * n / seconds;
        // Noise of the passages' times: a block has two ends, and so has the whole. Neighbouring blocks share an end, so
        // that the scatter due to it averages out faster than 1/n: it is taken out of the blocks' scatter and counted
        // once, at the ends of the whole.
        let ends = 2.0 * self.noise.0 / (TURN * TURN);
        let scatter = (variance / (speed * speed) - ends / (turns_each * turns_each)).max(0.0);
        let u_rel = (scatter / n + ends / (turns_each * n * turns_each * n)).sqrt();
        let good = speed.is_finite() && speed > 0.0 && u_rel.is_finite();
        good.then(|| Summary {
            turns_per_s: sense * speed,
            u_rel,
            factor: t_975(n - 1.0),
            turns: u32::try_from(speeds.len()).unwrap_or(u32::MAX).saturating_mul(self.turns_each),
            seconds,
            unsteady: halves_differ(&speeds, speed),
        })
    }
}

impl Course {
    /// Takes a sample in; the time of the passage once the arc is behind, and the factor on the variance.
    fn step(&mut self, t_s: f64, at: f64) -> Option<(f64, f64)> {
        let (before_s, before) = std::mem::replace(&mut self.before, (t_s, at));
        let off = at - self.target;
        if self.arc.samples == 0 && self.arc.between.is_none() {
            self.origin_s = t_s;
        }
        let t = t_s - self.origin_s;
        if off.abs() <= ARC {
            let arc = &mut self.arc;
            arc.samples += 1;
            arc.t += t;
            arc.y += off;
            arc.tt += t * t;
            arc.ty += t * off;
        }
        if self.arc.between.is_none() && before < self.target && off >= 0.0 {
            let part = (self.target - before) / (at - before);
            let rest = 1.0 - part;
            self.arc.between = Some((before_s - self.origin_s + part * (t_s - before_s), part * part + rest * rest));
        }
        if off <= ARC {
            return None;
        }
        let passage = std::mem::take(&mut self.arc).passage();
        passage.map(|(t, factor)| (self.origin_s + t, factor))
    }
}

/// Welch's test, first half against second half, p < 0.01 (`standards/measurement.md` 4.6).
fn halves_differ(speeds: &[f64], mean: f64) -> bool {
    if speeds.len() < FEWEST_FOR_HALVES {
        return false;
    }
    let (first, second) = speeds.split_at(speeds.len() / 2);
    welch(first, second).is_some_and(|test| test.p < 0.01 && test.difference.abs() > HALVES_DIFFER * mean)
}

#[cfg(test)]
#[path = "blocks_tests.rs"]
mod tests;
