//! Whole laps of a loop: grades, curves and joints change the speed along the way, and cancel only over whole laps.
//!
//! A lap is a number of turns of the axle, hardly ever a whole one: its end lies between two passages of
//! [`super::blocks`], and an error that repeats once a turn is left there as a part of a turn in a whole lap, which is
//! nothing. From one lap to the next the pattern of the track is the same, so that the scatter shows in how the lap
//! times differ, and within a lap in how neighbouring turns do.
//!
//! Where no whole lap fits into the time, a part of one is measured, and how uneven the track was seen to be over such a
//! part is doubt.
use super::stats::{mean_and_variance, t_975};

/// Parts of a lap in which its pattern is kept.
const PARTS: usize = 48;
/// Relative standard uncertainty of a part of a lap while no whole lap has shown what the track is like (own estimate).
const UNSEEN: f64 = 0.02;
/// Laps from which their own scatter is judged by Student's t.
const FEWEST_FOR_T: usize = 3;

/// The whole number below a value that is not negative.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "what is negative, too large or no number becomes the nearest there is, which is meant"
)]
pub(super) fn whole(value: f64) -> u32 {
    value as u32
}

/// How the speed changes along a lap: share of the mean speed in each of [`PARTS`] equal parts of the way.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Pattern(Vec<f64>);

impl Pattern {
    /// Relative standard uncertainty of a mean over this share of a lap, wherever it lies: rectangular, as wide as the
    /// part of that length that is farthest off.
    pub(super) fn u_rel(&self, share: f64) -> f64 {
        if self.0.is_empty() {
            return UNSEEN;
        }
        let parts = whole((share * self.0.len() as f64).max(1.0)) as usize;
        if parts >= self.0.len() {
            return 0.0;
        }
        let mean = |from: usize| {
            let times = self.0.iter().cycle().skip(from).take(parts).map(|speed| 1.0 / speed);
            parts as f64 / times.sum::<f64>()
        };
        let most = (0..self.0.len()).map(|from| (mean(from) - 1.0).abs()).fold(0.0, f64::max);
        most / 3f64.sqrt()
    }
}

/// What whole laps say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LapSummary {
    pub(super) turns_per_s: f64,
    pub(super) u_rel: f64,
    pub(super) degrees: f64,
    pub(super) factor: f64,
    pub(super) laps: u32,
    pub(super) seconds: f64,
    /// The last lap differs from those before by more than the scatter allows (three laps and more).
    pub(super) unsteady: bool,
}

/// Laps of a measurement, fed with the times of whole turns.
#[derive(Clone, Debug)]
pub(super) struct Laps {
    turns_a_lap: f64,
    turns: u64,
    /// Times at which whole laps ended, the start first.
    ends: Vec<f64>,
    last_s: f64,
    /// Length of the turn before, in s.
    turn_s: Option<f64>,
    /// Sum of squares of the relative differences of neighbouring turns, and their number.
    jumps: (f64, u32),
    /// Time and turns within the present lap, by part.
    parts: Vec<(f64, f64)>,
    /// The pattern of the last whole lap.
    pattern: Option<Pattern>,
}

impl Laps {
    pub(super) fn new(turns_a_lap: f64) -> Self {
        Self {
            turns_a_lap,
            turns: 0,
            ends: Vec::new(),
            last_s: 0.0,
            turn_s: None,
            jumps: (0.0, 0),
            parts: vec![(0.0, 0.0); PARTS],
            pattern: None,
        }
    }

    pub(super) fn turns_a_lap(&self) -> f64 {
        self.turns_a_lap
    }

    /// From the beginning.
    pub(super) fn again(&self) -> Self {
        Self::new(self.turns_a_lap)
    }

    /// A whole turn ended at `t_s`.
    pub(super) fn turn(&mut self, t_s: f64) {
        if self.ends.is_empty() {
            self.ends.push(t_s);
            self.last_s = t_s;
            return;
        }
        let turn_s = t_s - self.last_s;
        let from = self.turns as f64;
        self.turns += 1;
        if let Some(before) = self.turn_s.replace(turn_s) {
            let jump = 2.0 * (turn_s - before) / (turn_s + before);
            self.jumps = (self.jumps.0 + jump * jump, self.jumps.1 + 1);
        }
        let end = self.ends.len() as f64 * self.turns_a_lap;
        let place = (from / self.turns_a_lap).fract() * PARTS as f64;
        if let Some(part) = self.parts.get_mut(whole(place) as usize) {
            *part = (part.0 + turn_s, part.1 + 1.0);
        }
        if self.turns as f64 >= end {
            self.ends.push(self.last_s + (end - from) * turn_s);
            self.keep_pattern();
        }
        self.last_s = t_s;
    }

    fn keep_pattern(&mut self) {
        let parts = std::mem::replace(&mut self.parts, vec![(0.0, 0.0); PARTS]);
        let (seconds, turns) = parts.iter().fold((0.0, 0.0), |sum, part| (sum.0 + part.0, sum.1 + part.1));
        let shares: Vec<f64> = parts
            .iter()
            .filter(|(_, turns)| *turns > 0.0)
            .map(|(part_s, part)| part / part_s * seconds / turns)
            .collect();
        self.pattern = Some(Pattern(shares));
    }

    /// The pattern of the track, where a whole lap showed it.
    pub(super) fn pattern(&self) -> Option<&Pattern> {
        self.pattern.as_ref()
    }

    /// Share of a lap that was run so far, 1 or more for whole laps.
    pub(super) fn share(&self) -> f64 {
        self.turns as f64 / self.turns_a_lap
    }

    /// The mean over whole laps; none before the first is round.
    pub(super) fn summary(&self) -> Option<LapSummary> {
        let laps = self.ends.len().checked_sub(1).filter(|laps| *laps > 0)?;
        let seconds = self.ends.last()? - self.ends.first()?;
        let turns = laps as f64 * self.turns_a_lap;
        // Half the mean square of a jump is the variance of a turn; what is smooth along the track hardly enters it.
        let turn = self.jumps.0 / 2.0 / f64::from(self.jumps.1.max(1));
        let jumps = f64::from(self.jumps.1);
        let by_turns = ((turn / turns).sqrt(), t_975(jumps), jumps);
        let times: Vec<f64> = self.ends.windows(2).map(|pair| pair[1] - pair[0]).collect();
        let by_laps = mean_and_variance(&times).map_or((0.0, 0.0, 0.0), |(mean, variance)| {
            let u = (variance / times.len() as f64).sqrt() / mean;
            // Two laps tell too little of their scatter for a factor of their own.
            let degrees = laps as f64 - 1.0;
            if laps < FEWEST_FOR_T { (u, by_turns.1, jumps) } else { (u, t_975(degrees), degrees) }
        });
        let wider = if by_laps.0 * by_laps.1 > by_turns.0 * by_turns.1 { by_laps } else { by_turns };
        let speed = turns / seconds;
        let good = speed.is_finite() && speed > 0.0 && wider.0.is_finite();
        good.then(|| LapSummary {
            turns_per_s: speed,
            u_rel: wider.0,
            degrees: wider.2,
            factor: wider.1,
            laps: u32::try_from(laps).unwrap_or(u32::MAX),
            seconds,
            unsteady: unsteady(&times, by_turns.0 * (laps as f64).sqrt()),
        })
    }
}

/// The last lap is off the mean of those before by more than four times what the turns' scatter explains.
fn unsteady(times: &[f64], u_lap: f64) -> bool {
    let Some((last, before)) = times.split_last().filter(|(_, before)| before.len() >= 2) else {
        return false;
    };
    let mean = before.iter().sum::<f64>() / before.len() as f64;
    let off = (last / mean - 1.0).abs();
    off > 4.0 * u_lap * (1.0 + 1.0 / before.len() as f64).sqrt() && off > 1e-3
}

#[cfg(test)]
#[path = "laps_tests.rs"]
mod tests;
