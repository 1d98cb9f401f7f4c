//! When a point's average may begin, when it is good enough, and what speaks against it.
//!
//! Settling (`standards/measurement.md` 4.6): the learned response says what is left of a change at any time. Averaging
//! begins as soon as the *doubt* of what is left is a small part of the precision wanted, not only once nothing is left: the
//! known part is taken off. Stopping: Student's t on whole-turn blocks, the scatter either known beforehand (`pool`) or that
//! of ten blocks of the point's own. Guard: CUSUM (E. S. Page, Biometrika 41, 1954) on whole-turn speeds against what the
//! learned response lets expect, from soon after the order on.
use super::blocks::halves_differ;
use super::cusum::Cusum;
use super::pool::{Known, TurnBlocks, TurnScatter};
use super::response::{Change, DEAD_U_S, Response, Rest};
use super::stats::mean_and_variance;
use super::{Measured, Motion, TURNS_ALONE};

/// The doubt of what is left of a change (k = 2) takes at most this part of the half-width wanted.
const REST_PART: f64 = 0.25;
/// Nothing is said of a change of which more than this part is left: where it ends can't be seen yet.
const MOST_LEFT: f64 = 0.3;
/// A glance looks back about so far, s.
const GLANCE_S: f64 = 0.25;
/// Fewest turns where the scatter is known from the neighbourhood of a speed, and elsewhere.
const FEWEST_NEAR: u32 = 4;
const FEWEST_POOLED: u32 = 5;
/// The guard looks from this many time constants after the change on.
const GUARD_FROM: f64 = 0.5;
/// Fewest turns that may speak against the learned response, and by how much another time constant must lessen the sum of
/// their squares (in variances of a turn: 3.5 standard deviations).
const FEWEST_TURNS: usize = 4;
const CLEARLY: f64 = 12.0;
/// A disagreement below this part of the half-width wanted is of no concern, however sure it is.
const CONCERNS: f64 = 0.25;

/// Factor of a normal 95 % interval.
const NORMAL_95: f64 = 1.96;

/// The precision wanted: half-width at 95 %.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// Of the speed.
    pub rel: f64,
    /// But no less than this, mm/s.
    pub floor_mm_s: f64,
}

impl Wanted {
    /// Half-width wanted at a speed, mm/s.
    #[must_use]
    pub fn at(&self, speed_mm_s: f64) -> f64 {
        (self.rel * speed_mm_s.abs()).max(self.floor_mm_s)
    }
}

/// A measurement as it stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Judged {
    /// The speed, with what was left of the change taken off and its doubt in the budget.
    pub measured: Measured,
    /// It is as precise as wanted.
    pub reached: bool,
}

/// What the guard found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Off {
    /// The engine's time constant is not the learned one.
    Response {
        /// So many times as long.
        factor: f64,
    },
    /// The speed changed while it should have been steady.
    Jump,
    /// The first half of the blocks differs from the second (Welch).
    Trend,
}

/// A look at a measurement under way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Look {
    /// What it comes to so far.
    pub judged: Judged,
    /// What its blocks show.
    pub seen: TurnBlocks,
    /// What speaks against a result that is precise enough.
    pub off: Option<Off>,
}

/// The rule of one point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PointRule {
    /// What is wanted.
    pub wanted: Wanted,
    /// How the engine answers, and the change that leads to this point. None: whoever asks saw to it that it has settled.
    pub change: Option<(Response, Change)>,
    /// Distance a turn, mm.
    pub circumference_mm: f64,
}

impl PointRule {
    fn rest(&self, to_mm_s: f64, span_s: (f64, f64)) -> Rest {
        let none = Rest { mean_mm_s: 0.0, u_mm_s: 0.0 };
        self.change.map_or(none, |(response, change)| response.rest(change, to_mm_s, span_s))
    }

    /// Part of the change that is left on average over a span: of a change of a whole.
    fn left(&self, to_mm_s: f64, span_s: (f64, f64)) -> f64 {
        let Some((_, change)) = self.change else { return 0.0 };
        let by = to_mm_s - change.before_mm_s;
        if by.abs() < 1e-9 { 0.0 } else { self.rest(to_mm_s, span_s).mean_mm_s / by }
    }

    /// Whether averaging may begin `at_s` after the origin, the engine being seen at this speed.
    #[must_use]
    pub fn may_begin(&self, at_s: f64, seen_mm_s: f64, scatter: &TurnScatter) -> bool {
        let Some((response, change)) = self.change else { return true };
        let seen = seen_mm_s.abs();
        let looked = (at_s - GLANCE_S, at_s);
        // By how far it has come one sees where it goes; for both senses of change, as that is not known yet.
        let left = self.left(seen, looked).max(self.left(change.before_mm_s, looked));
        let course = response.course(change.before_mm_s, seen);
        if left > MOST_LEFT || at_s < change.begins_s + change.ramp_s + course.tau_s.min(1.0) {
            return false;
        }
        let to = ((seen - left * change.before_mm_s) / (1.0 - left)).max(0.0);
        let wanted = self.wanted.at(to);
        let turns = turns_needed(scatter.at(to), wanted / to.max(1e-9));
        let lasts_s = turns * self.circumference_mm / to.max(1e-3);
        2.0 * self.rest(to, (at_s, at_s + lasts_s)).u_mm_s <= REST_PART * wanted
    }

    /// What the guard found, taken into the learned response where it speaks against that.
    pub fn relearn(&self, off: Off, to_mm_s: f64, response: &mut Response) {
        if let (Off::Response { factor }, Some((_, change))) = (off, self.change)
            && change.single
        {
            response.stretch(to_mm_s.abs() >= change.before_mm_s, factor);
        }
    }

    /// How the measurement stands; none before two whole turns. The guard looks from `from_s` on.
    #[must_use]
    pub fn look(&self, motion: &Motion, scatter: &TurnScatter, from_s: f64) -> Option<Look> {
        let (mut measured, mut seen) = motion.measured().zip(motion.turn_blocks())?;
        if self.change.is_some() {
            let to = self.end_of(measured.speed_mm_s.abs(), seen.span_s);
            self.without_rest(motion, to, &mut measured, &mut seen);
        }
        let judged = self.judge(measured, &seen, scatter);
        let mut off = None;
        if judged.reached {
            let to = judged.measured.speed_mm_s;
            off = motion.trace().and_then(|way| self.guard(way, from_s, to, &seen, scatter));
            if off.is_none() && measured.unsteady {
                off = Some(Off::Trend);
            }
        }
        Some(Look { judged, seen, off })
    }

    /// What the blocks show without what the response says is left of the change: that is no scatter and no trend.
    fn without_rest(&self, motion: &Motion, to_mm_s: f64, measured: &mut Measured, seen: &mut TurnBlocks) {
        let passages: Vec<f64> = motion.passages().collect();
        let way_mm = self.circumference_mm * f64::from(seen.turns_each);
        let speeds: Vec<f64> = passages
            .windows(2)
            .map(|pair| way_mm / (pair[1] - pair[0]) + self.rest(to_mm_s, (pair[0], pair[1])).mean_mm_s)
            .collect();
        let Some((mean, variance)) = mean_and_variance(&speeds) else { return };
        seen.variance = variance / (mean * mean).max(1e-12);
        measured.unsteady = halves_differ(&speeds, mean);
    }

    /// Where the speed goes that was measured on average over this time.
    fn end_of(&self, speed_mm_s: f64, span_s: (f64, f64)) -> f64 {
        let Some((_, change)) = self.change else { return speed_mm_s };
        let mut to = speed_mm_s;
        // What is left depends a little on where it goes, where the decoder keeps a ramp: twice is enough.
        for _ in 0..2 {
            let left = self.left(to, span_s).clamp(0.0, MOST_LEFT);
            to = ((speed_mm_s - left * change.before_mm_s) / (1.0 - left)).max(0.0);
        }
        to
    }

    /// What a measurement comes to by itself, where the track or a car shapes what single turns show.
    #[must_use]
    pub fn alone(&self, measured: Measured) -> Judged {
        let enough = measured.turns >= TURNS_ALONE;
        let reached = enough && measured.half_width_mm_s <= self.wanted.at(measured.speed_mm_s);
        Judged { measured, reached }
    }

    /// What a measurement comes to.
    #[must_use]
    pub fn judge(&self, measured: Measured, seen: &TurnBlocks, scatter: &TurnScatter) -> Judged {
        let speed = measured.speed_mm_s.abs();
        let to = self.end_of(speed, seen.span_s);
        let rest = self.rest(to, seen.span_s);
        let known = scatter.at(to).filter(|known| !known.is_contradicted(seen));
        let turns = measured.turns;
        let (u_rel, factor, degrees, enough) = if let Some(known) = known {
            let (u_rel, factor) = known.doubt(seen);
            let fewest = if known.is_near() { FEWEST_NEAR } else { FEWEST_POOLED };
            (u_rel, factor, known.degrees, turns >= fewest)
        } else {
            let u_rel = measured.u_repeat_mm_s / speed.max(1e-9);
            let factor = measured.half_width_mm_s / measured.u_repeat_mm_s.max(1e-12);
            (u_rel, factor, measured.degrees, turns >= TURNS_ALONE)
        };
        // The size of the change is known from the speed itself, so its scatter counts for more where much is left.
        let left = self.left(to, seen.span_s).clamp(0.0, MOST_LEFT);
        let before_u_mm_s = self.change.map_or(0.0, |(_, change)| left * change.before_u_mm_s);
        let scattered = to * u_rel / (1.0 - left);
        let rest_u_mm_s = libm::hypot(rest.u_mm_s, before_u_mm_s) / (1.0 - left);
        let u_repeat_mm_s = libm::hypot(scattered, rest_u_mm_s);
        let half_width_mm_s = libm::hypot(scattered * factor, NORMAL_95 * rest_u_mm_s);
        // The rest's doubt is no scatter: the more it makes of the whole, the less the few turns matter (GUM G.4.1).
        let share = (u_repeat_mm_s / scattered.max(1e-12)) * (u_repeat_mm_s / scattered.max(1e-12));
        let degrees = degrees * share * share;
        // What all speeds share goes along in proportion.
        let shared = measured.u_mm_s * measured.u_mm_s - measured.u_repeat_mm_s * measured.u_repeat_mm_s;
        let u_mm_s = (u_repeat_mm_s * u_repeat_mm_s + shared.max(0.0)).sqrt();
        let speed_mm_s = to.copysign(measured.speed_mm_s);
        let measured = Measured { speed_mm_s, u_repeat_mm_s, degrees, u_mm_s, half_width_mm_s, ..measured };
        Judged { measured, reached: enough && half_width_mm_s <= self.wanted.at(to) }
    }

    /// Holds the whole turns since `from_s` against what the response lets expect of an engine that ends at `to_mm_s`. `way`:
    /// time in s, turns.
    #[must_use]
    pub fn guard(
        &self,
        way: &[(f64, f64)],
        from_s: f64,
        to_mm_s: f64,
        seen: &TurnBlocks,
        scatter: &TurnScatter,
    ) -> Option<Off> {
        let to = to_mm_s.abs();
        let each = f64::from(seen.turns_each);
        let turn = scatter.at(to).map_or(seen.slow * each, |known| known.variance.max(known.raw));
        let own = to * to * (turn + 2.0 * seen.ends * each * each);
        let turns: Vec<(f64, f64)> = whole_turns(way, from_s.max(self.begins_s(to))).collect();
        if let Some(factor) = self.other_response(&turns, to, own) {
            return Some(Off::Response { factor });
        }
        let mut cusum = Cusum::default();
        for (began, ended) in turns {
            let rest = self.rest(to, (began, ended));
            let off = self.circumference_mm / (ended - began) - (to - rest.mean_mm_s);
            // What the doubt of the rest explains is the same at all turns: it does not count at any.
            let beyond = (off.abs() - 2.0 * rest.u_mm_s).max(0.0).copysign(off);
            let Some(run) = cusum.add(beyond / own.sqrt()) else { continue };
            if (run.mean * own.sqrt()).abs() >= CONCERNS * self.wanted.at(to) {
                return Some(Off::Jump);
            }
            cusum = Cusum::default();
        }
        None
    }

    /// When a change to this speed begins to be a first-order one, s.
    fn begins_s(&self, to_mm_s: f64) -> f64 {
        self.change.map_or(0.0, |(response, change)| {
            let course = response.course(change.before_mm_s, to_mm_s);
            let ramp_s = course.ramp_s(to_mm_s - change.before_mm_s) + change.ramp_s;
            change.begins_s + ramp_s + GUARD_FROM * course.tau_s
        })
    }

    /// The factor on the learned time constant with which whole turns agree, where they clearly don't without it. `own`:
    /// variance of a turn's speed.
    fn other_response(&self, turns: &[(f64, f64)], to_mm_s: f64, own: f64) -> Option<f64> {
        let (response, change) = self.change.filter(|(_, change)| change.single)?;
        if turns.len() < FEWEST_TURNS {
            return None;
        }
        let rising = to_mm_s >= change.before_mm_s;
        let squares = |factor: f64| {
            let mut response = response;
            response.stretch(rising, factor);
            let rule = Self { change: Some((response, change)), ..*self };
            let rows = turns.iter().map(|(began, ended)| {
                let left = rule.left(to_mm_s, (*began, *ended));
                (1.0 - left, self.circumference_mm / (ended - began) - left * change.before_mm_s)
            });
            let (xy, xx) = rows.clone().fold((0.0, 0.0), |(xy, xx), (x, y)| (xy + x * y, xx + x * x));
            let end = xy / xx;
            rows.map(|(x, y)| (y - x * end) * (y - x * end) / own).sum::<f64>()
        };
        let learned = squares(1.0);
        let tried =
            (-12..=12).map(|k| libm::exp(0.08 * f64::from(k))).map(|factor| (squares(factor), factor));
        let (best, factor) = tried.min_by(|a, b| a.0.total_cmp(&b.0))?;
        let course = response.course(change.before_mm_s, to_mm_s);
        let known = libm::hypot(course.tau_u_rel, DEAD_U_S / course.tau_s);
        (learned - best > CLEARLY && libm::log(factor).abs() > 3.0 * known).then_some(factor)
    }
}

/// Turns that the precision wanted takes by what is known.
fn turns_needed(known: Option<Known>, wanted_rel: f64) -> f64 {
    let Some(known) = known else { return f64::from(TURNS_ALONE) };
    let fewest = f64::from(if known.is_near() { FEWEST_NEAR } else { FEWEST_POOLED });
    (4.0 * known.variance / (wanted_rel * wanted_rel)).clamp(fewest, 1e4)
}

/// Begin and end of each whole turn from `from_s` on.
fn whole_turns(way: &[(f64, f64)], from_s: f64) -> impl Iterator<Item = (f64, f64)> {
    let sense = match (way.first(), way.last()) {
        (Some(first), Some(last)) if last.1 < first.1 => -1.0,
        _ => 1.0,
    };
    let mut passed: Vec<f64> = Vec::new();
    let mut target: Option<f64> = None;
    for pair in way.windows(2) {
        let [(t0, a), (t1, b)] = [pair[0], pair[1]].map(|(t, turns)| (t, sense * turns));
        if t0 < from_s || b <= a {
            continue;
        }
        let mut next = *target.get_or_insert(a);
        while next >= a && next <= b {
            passed.push(t0 + (next - a) / (b - a) * (t1 - t0));
            next += 1.0;
        }
        target = Some(next);
    }
    (1..passed.len()).map(move |k| (passed[k - 1], passed[k])).filter(|(began, ended)| ended > began)
}

#[cfg(test)]
#[path = "rule_tests.rs"]
mod tests;
