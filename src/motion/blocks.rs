//! A measurement: how long whole turns of the axle take.
//!
//! The instants at which the angle passes one fixed position, turn after turn, differ by whole turns, so that every
//! error that repeats once a turn cancels, at any calibration (`standards/measurement.md` 3.3; a straight line fitted
//! over whole turns would not do that). Speed is total path over total time. Blocks are whole turns; Student's t on
//! blocks is fair where it would not be on samples (section 5).
use super::decode::TURN;
use super::stats::{mean_and_variance, t_975, welch};
use core::f64::consts::PI;

/// Half of the arc about the position whose samples time a passage, in rad of the field.
const ARC: f64 = 0.2;
/// How far it must turn before the turning sense is taken as known, and how far ahead the position then lies.
const SENSE: f64 = 0.5;
const AHEAD: f64 = 0.3;
/// Turning back by this voids the measurement.
const BACK: f64 = 1.0;
/// Samples in the arc from which a line through them times the passage better than its two neighbours.
const FEWEST_IN_ARC: u32 = 6;
/// Turns between two points beyond which nothing can be said of the turns between.
const MOST_AT_ONCE: f64 = 64.0;
/// Passages kept; when there are more, two blocks become one.
const MOST_PASSAGES: usize = 513;
/// Blocks from which two halves are compared.
const FEWEST_FOR_HALVES: usize = 6;
/// Fewest and most components that tell the scatter.
const FEWEST_SLOW: usize = 6;
const MOST_SLOW: usize = 32;
/// Scatter that few blocks do not show may be there all the same: at least this part of the standard uncertainty of
/// its variance is taken for granted.
const UNSEEN: f64 = 0.2;
/// A difference of the halves smaller than this is of no concern, however sure it is.
const HALVES_DIFFER: f64 = 1e-4;

/// What the blocks say; speeds are in turns a second of the sensor's clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Summary {
    /// Signed.
    pub(super) turns_per_s: f64,
    /// Relative standard uncertainty from repeatability, not below what the field's noise allows.
    pub(super) u_rel: f64,
    /// Degrees of freedom of that.
    pub(super) degrees: f64,
    /// Student's factor for 95 %.
    pub(super) factor: f64,
    pub(super) turns: u32,
    pub(super) seconds: f64,
    pub(super) unsteady: bool,
    /// What the blocks show of scatter, relative.
    pub(super) shown: Shown,
}

/// Scatter as the blocks of a measurement show it, variances relative to a block.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Shown {
    pub(super) blocks: u32,
    pub(super) turns_each: u32,
    /// Of a block about the mean (n - 1).
    pub(super) variance: f64,
    /// As it counts for the mean of many, and its degrees of freedom.
    pub(super) slow: (f64, f64),
    /// Of one end by noise.
    pub(super) ends: f64,
    /// First and last passage by the sensor's clock, s.
    pub(super) span_s: (f64, f64),
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

/// What the angles are.
#[derive(Clone, Copy, Debug)]
enum Manner {
    /// Samples of a field: noise is in each of them, and so many rad on both sides of the position time the passage.
    Samples { arc: f64 },
    /// Points at which a reading changed: each is a passage of its own position, late by chance. Lateness of neighbours
    /// may be alike, when the points keep step with the sampling, so a mean of many would be no better than one.
    Points,
}

/// The running measurement.
#[derive(Debug)]
pub(super) struct Blocks {
    manner: Manner,
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
    /// On samples of a field that turns `pole_pairs` times a turn.
    pub(super) fn of_samples(pole_pairs: f64) -> Self {
        Self::new(Manner::Samples { arc: ARC / pole_pairs })
    }

    /// On points at which a reading changed, or of a path that has no noise of its own.
    pub(super) fn of_points() -> Self {
        Self::new(Manner::Points)
    }

    fn new(manner: Manner) -> Self {
        Self {
            manner,
            start: None,
            before: None,
            course: None,
            passages: Vec::new(),
            turns_each: 1,
            skipped: 0,
            noise: (0.0, 0),
            summary: None,
        }
    }

    /// Begins again.
    pub(super) fn restart(&mut self) {
        *self = Self::new(self.manner);
    }

    pub(super) fn summary(&self) -> Option<Summary> {
        self.summary
    }

    /// Times of the passages between which the blocks lie, by the sensor's clock, s.
    pub(super) fn passages(&self) -> &[f64] {
        &self.passages
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
                let (target, before) = match self.manner {
                    Manner::Samples { .. } => (at + AHEAD, (before.0, sense * (before.1 - start))),
                    Manner::Points => (at + TURN, (t_s, at)),
                };
                let (arc, origin_s) = (Arc::default(), t_s);
                self.course = Some(Course { sense, target, farthest: at, before, arc, origin_s });
                if matches!(self.manner, Manner::Points) {
                    let sd = noise(phi);
                    self.passage(t_s, sd * sd);
                }
            }
            return;
        };
        let at = course.sense * (phi - start);
        if at < course.farthest - BACK || at > course.farthest + MOST_AT_ONCE * TURN {
            self.restart();
            return;
        }
        course.farthest = course.farthest.max(at);
        match self.manner {
            Manner::Samples { arc } => {
                if let Some((passage_s, factor)) = course.step(t_s, at, arc) {
                    let sd = noise(start + course.sense * course.target);
                    course.target += TURN;
                    self.passage(passage_s, factor * sd * sd);
                }
            }
            Manner::Points => {
                let sd = noise(phi);
                let from = std::mem::replace(&mut course.before, (t_s, at));
                while let Some((passage_s, factor)) =
                    self.course.as_mut().and_then(|course| course.pass(from, (t_s, at)))
                {
                    self.passage(passage_s, factor * sd * sd);
                }
            }
        }
    }

    fn passage(&mut self, t_s: f64, variance: f64) {
        // Of points the scatter becomes known as they come: what is known last holds for all.
        let count = match self.manner {
            Manner::Samples { .. } => self.noise.1.saturating_add(1),
            Manner::Points => 1,
        };
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
        let speeds: Vec<f64> =
            self.passages.windows(2).map(|pair| turns_each / (pair[1] - pair[0])).collect();
        if speeds.len() < 2 {
            return None;
        }
        let seconds = self.passages.last()? - self.passages.first()?;
        let n = speeds.len() as f64;
        let speed = turns_each * n / seconds;
        let relative: Vec<f64> = speeds.iter().map(|block| block / speed - 1.0).collect();
        // Variance that the field's noise gives to the time of one passage, relative to a block.
        let passage = self.noise.0 / (TURN * TURN) / (turns_each * turns_each);
        let (scatter, degrees) = scatter(&relative, passage);
        let u_rel = (scatter / n + 2.0 * passage / (n * n)).sqrt();
        let good = speed.is_finite() && speed > 0.0 && u_rel.is_finite();
        let shown = Shown {
            blocks: u32::try_from(speeds.len()).unwrap_or(u32::MAX),
            turns_each: self.turns_each,
            variance: mean_and_variance(&relative)?.1,
            slow: slowest(&relative, passage).unwrap_or((scatter, degrees)),
            ends: passage,
            span_s: (*self.passages.first()?, *self.passages.last()?),
        };
        good.then(|| Summary {
            turns_per_s: sense * speed,
            u_rel,
            degrees,
            factor: t_975(degrees),
            turns: u32::try_from(speeds.len()).unwrap_or(u32::MAX).saturating_mul(self.turns_each),
            seconds,
            unsteady: halves_differ(&speeds, speed),
            shown,
        })
    }
}

/// Where between two neighbours a position is passed: time, and the factor on their noise's variance.
fn between(from: (f64, f64), to: (f64, f64), target: f64) -> (f64, f64) {
    let part = (target - from.1) / (to.1 - from.1);
    let rest = 1.0 - part;
    (from.0 + part * (to.0 - from.0), part * part + rest * rest)
}

impl Course {
    /// The next passage on the way between two points, if there is one.
    fn pass(&mut self, from: (f64, f64), to: (f64, f64)) -> Option<(f64, f64)> {
        let target = self.target;
        (from.1 < target && to.1 >= target).then(|| {
            self.target += TURN;
            between(from, to, target)
        })
    }

    /// Takes a sample in; the time of the passage once the arc is behind, and the factor on the variance.
    fn step(&mut self, t_s: f64, at: f64, reach: f64) -> Option<(f64, f64)> {
        let (before_s, before) = std::mem::replace(&mut self.before, (t_s, at));
        let off = at - self.target;
        if self.arc.samples == 0 && self.arc.between.is_none() {
            self.origin_s = t_s;
        }
        let t = t_s - self.origin_s;
        if off.abs() <= reach {
            let arc = &mut self.arc;
            arc.samples += 1;
            arc.t += t;
            arc.y += off;
            arc.tt += t * t;
            arc.ty += t * off;
        }
        if self.arc.between.is_none() && before < self.target && off >= 0.0 {
            let (later_s, factor) = between((0.0, before), (t_s - before_s, at), self.target);
            self.arc.between = Some((before_s - self.origin_s + later_s, factor));
        }
        if off <= reach {
            return None;
        }
        let passage = std::mem::take(&mut self.arc).passage();
        passage.map(|(t, factor)| (self.origin_s + t, factor))
    }
}

/// Variance of the blocks beyond the noise of their ends, as it counts for their mean, and its degrees of freedom.
///
/// Neighbouring blocks share an end, so that its noise (`ends`: variance of one, relative to a block) makes them differ
/// in opposite ways; slow wandering, or scatter that begins in one block and ends in the next, makes them alike. The sine
/// transform tells them apart: component j of n blocks has variance scatter + ends (2 - 2 cos(pi j / (n + 1))), exactly,
/// and its slow half is what the mean suffers from. Restricted likelihood (Patterson, Thompson, Biometrika 58, 1971,
/// from memory) gives the scatter; for `ends` = 0 and all components it is the usual s^2 (checked by a test).
fn scatter(relative: &[f64], ends: f64) -> (f64, f64) {
    let n = relative.len();
    scatter_of(&slow_parts(relative, ends, n.min(n.div_ceil(2).clamp(FEWEST_SLOW, MOST_SLOW))))
}

/// The same by the slowest quarter of many blocks: what counts for the mean, hardly lessened by scatter of one turn that
/// reaches into two blocks.
fn slowest(relative: &[f64], ends: f64) -> Option<(f64, f64)> {
    let used = relative.len() / 4;
    (used >= FEWEST_SLOW).then(|| scatter_of(&slow_parts(relative, ends, used.min(MOST_SLOW))))
}

fn scatter_of(parts: &[Part]) -> (f64, f64) {
    let (mut variance, mut known) = (parts.iter().map(|part| part.value * part.value).sum::<f64>(), 0.0);
    // Weighted by what each component is worth, which depends on the variance itself: settles within a few rounds.
    for _ in 0..20 {
        let weighted = |part: &Part| 1.0 / (variance + part.ends);
        let (mut of_mean, mut mean) = (0.0, 0.0);
        for part in parts {
            of_mean += part.mean * part.mean * weighted(part);
            mean += part.mean * part.value * weighted(part);
        }
        mean /= of_mean;
        let (mut sum, mut worth) = (0.0, 0.0);
        for part in parts {
            let rest = part.value - mean * part.mean;
            let free = 1.0 - part.mean * part.mean * weighted(part) / of_mean;
            let weight = weighted(part) * weighted(part);
            sum += weight * (rest * rest - free * part.ends);
            worth += weight * free;
        }
        let next = (sum / worth).max(UNSEEN * (2.0 / worth).sqrt());
        if !next.is_finite() {
            break;
        }
        (variance, known) = (next, next);
    }
    (known, parts.len() as f64 - 1.0)
}

/// A component of the sine transform of the blocks.
#[derive(Clone, Copy, Debug)]
struct Part {
    value: f64,
    /// What a mean of one gives to it.
    mean: f64,
    /// What the noise of the ends gives to its variance.
    ends: f64,
}

/// The `used` slowest components.
fn slow_parts(relative: &[f64], ends: f64, used: usize) -> Vec<Part> {
    let n = relative.len();
    let step = PI / (n as f64 + 1.0);
    let size = (2.0 / (n as f64 + 1.0)).sqrt();
    let part = |j: usize| {
        // sin(k x) for k = 1, 2, ... by the recurrence of sines.
        let (sin, cos) = libm::sincos(step * j as f64);
        let (mut before, mut sine) = (0.0, sin);
        let (mut value, mut mean) = (0.0, 0.0);
        for block in relative {
            value += block * sine;
            mean += sine;
            (before, sine) = (sine, 2.0 * cos * sine - before);
        }
        Part { value: value * size, mean: mean * size, ends: ends * (2.0 - 2.0 * cos) }
    };
    (1..=used).map(part).collect()
}

/// Welch's test, first half against second half, p < 0.01 (`standards/measurement.md` 4.6).
pub(super) fn halves_differ(speeds: &[f64], mean: f64) -> bool {
    if speeds.len() < FEWEST_FOR_HALVES {
        return false;
    }
    let (first, second) = speeds.split_at(speeds.len() / 2);
    welch(first, second).is_some_and(|test| test.p < 0.01 && test.difference.abs() > HALVES_DIFFER * mean)
}

#[cfg(test)]
#[path = "blocks_tests.rs"]
mod tests;
