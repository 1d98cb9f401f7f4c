//! What a run knows of an engine's scatter from turn to turn, from all that it has measured: the first stage of a
//! two-stage rule (C. Stein, Ann. Math. Stat. 16, 1945; `standards/measurement.md` 5). A point then needs few turns of its
//! own, as long as these do not contradict it.
//!
//! Long measurements (warm-up) tell how much the mean of many turns scatters: their slow part. Short ones tell only how
//! neighbouring turns differ, which is less where scatter of one turn reaches into two blocks; so like is compared with
//! like, and where turns in the neighbourhood of a speed are clearly wilder than that, what they are wilder by comes on top.
use super::stats::{f_above, t_975};
use std::collections::VecDeque;

/// Blocks from which a measurement counts as long.
const LONG: u32 = 24;
/// Fewest degrees of freedom of the slow part before the pool serves.
const FEWEST_SLOW: f64 = 8.0;
/// Degrees of freedom of the neighbourhood that are asked for, and what may make up for them.
const FEWEST_NEAR: f64 = 8.0;
/// Speeds apart by less than this factor are neighbours.
const NEAR: f64 = 2.0;
/// Points kept for the neighbourhood.
const MOST_NEAR: usize = 64;
/// A block holds parts of two turns, at random: so much larger is the variance that counts for a mean (1 / (2/3)).
const SLOW_OF_RAW: f64 = 1.5;
/// For the same reason the slowest quarter of many blocks shows a little less than what counts for a mean.
const SLOW_SEEN: f64 = 0.967;
/// No engine scatters by a tenth of its speed from turn to turn: it was stopped, or ran away, for a moment (own choice).
const WILDEST: f64 = 0.01;
/// Long measurements kept.
const MOST_LONG: usize = 64;
/// A long measurement with so many times the variance of the others, and by chance so seldom, was disturbed (own choice: twice
/// the standard deviation, where an engine's own habits differ by less).
const DISTURBED: f64 = 4.0;
const DISTURBED_BY_CHANCE: f64 = 1e-4;
/// One in a hundred is meant by chance.
const CONTRADICTS: f64 = 0.01;

/// What the blocks of one measurement show, relative to its speed, for one turn of the axle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TurnBlocks {
    /// Whole-turn blocks, or blocks of several turns.
    pub blocks: u32,
    /// Turns in a block.
    pub turns_each: u32,
    /// Variance of a block about their mean (n - 1), noise of its two ends included.
    pub variance: f64,
    /// Variance as it counts for the mean of many, without noise of ends; and its degrees of freedom.
    pub slow: f64,
    /// Degrees of freedom of `slow`.
    pub slow_degrees: f64,
    /// Variance that noise gives to one end of a block.
    pub ends: f64,
    /// First and last passage, s since the origin of the trace (of the sensor's clock where there is none).
    pub span_s: (f64, f64),
}

/// A sum of variances weighted by their degrees of freedom.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Pooled {
    sum: f64,
    degrees: f64,
}

impl Pooled {
    fn add(&mut self, variance: f64, degrees: f64) {
        self.sum += variance * degrees;
        self.degrees += degrees;
    }

    fn variance(self) -> f64 {
        (self.sum / self.degrees.max(1e-9)).max(0.0)
    }
}

/// A long measurement: variance of neighbouring blocks, and of the slow part, each with its degrees of freedom.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Long {
    /// Its number among all measurements.
    number: u64,
    raw: (f64, f64),
    slow: (f64, f64),
}

/// Scatter of a turn known so far in one direction.
#[derive(Clone, Debug, Default)]
pub struct TurnScatter {
    /// The latest long measurements.
    long: VecDeque<Long>,
    /// All measurements, short ones too.
    near: VecDeque<Near>,
    /// Measurements so far.
    count: u64,
}

/// A measurement at a speed: variance of neighbouring blocks with their noise, that of an end, degrees of freedom.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Near {
    number: u64,
    speed_mm_s: f64,
    variance: f64,
    ends: f64,
    degrees: f64,
}

/// What the pool says at a speed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Known {
    /// Relative variance of a turn, as it counts for a mean.
    pub variance: f64,
    /// Degrees of freedom.
    pub degrees: f64,
    /// Variance to be expected of neighbouring blocks.
    pub raw: f64,
    /// Its degrees of freedom.
    pub raw_degrees: f64,
    /// Degrees of freedom seen in the neighbourhood of this speed.
    pub near_degrees: f64,
}

impl TurnScatter {
    /// A measurement at this speed is over.
    pub fn learn(&mut self, speed_mm_s: f64, seen: &TurnBlocks) {
        let each = f64::from(seen.turns_each);
        let raw = (seen.variance - 2.0 * seen.ends) * each;
        let degrees = f64::from(seen.blocks.saturating_sub(1));
        if degrees < 1.0 || !raw.is_finite() || !seen.slow.is_finite() {
            return;
        }
        if seen.slow * each > WILDEST {
            return;
        }
        if seen.blocks >= LONG {
            let slow = (seen.slow * each / SLOW_SEEN, seen.slow_degrees);
            self.long.push_back(Long { number: self.count, raw: (raw, degrees), slow });
            if self.long.len() > MOST_LONG {
                self.long.pop_front();
            }
        }
        self.near.push_back(Near {
            number: self.count,
            speed_mm_s: speed_mm_s.abs(),
            variance: seen.variance * each,
            ends: seen.ends * each,
            degrees,
        });
        self.count += 1;
        if self.near.len() > MOST_NEAR {
            self.near.pop_front();
        }
    }

    /// What is known at this speed; none while too little is.
    #[must_use]
    pub fn at(&self, speed_mm_s: f64) -> Option<Known> {
        let (all_raw, all_slow, disturbed) = self.pooled();
        if all_slow.degrees < FEWEST_SLOW {
            return None;
        }
        let (mut near, mut noise) = (Pooled::default(), Pooled::default());
        for one in self.near.iter().filter(|one| !disturbed.contains(&one.number)) {
            if (1.0 / NEAR..=NEAR).contains(&(one.speed_mm_s / speed_mm_s.abs().max(1e-9))) {
                near.add(one.variance, one.degrees);
                noise.add(2.0 * one.ends, one.degrees);
            }
        }
        let (raw, slow) = (all_raw.variance(), all_slow.variance().max(1e-14));
        let expected = (raw + noise.variance()).max(1e-14);
        let above = near.variance() - expected;
        let wilder = near.degrees >= FEWEST_NEAR
            && f_above(near.variance() / expected, near.degrees, all_raw.degrees) < CONTRADICTS;
        let near_degrees = near.degrees;
        let (degrees, raw_degrees) = (all_slow.degrees, all_raw.degrees);
        let calm = Known { variance: slow, degrees, raw, raw_degrees, near_degrees };
        if !wilder {
            return Some(calm);
        }
        let (variance, raw) = (slow + SLOW_OF_RAW * above, raw + above);
        let degrees = near.degrees.min(degrees);
        Some(Known { variance, degrees, raw, raw_degrees: near.degrees, near_degrees })
    }

    /// All long measurements together, and the numbers of those left out, in which something happened: a jerk amid the warm-up would else be
    /// taken for the engine's way of running, and each later point would take as long as it may.
    fn pooled(&self) -> (Pooled, Pooled, Vec<u64>) {
        let mut kept: Vec<&Long> = self.long.iter().collect();
        let mut left_out = Vec::new();
        let pool = |kept: &[&Long], which: fn(&Long) -> (f64, f64)| {
            let mut pooled = Pooled::default();
            for long in kept {
                pooled.add(which(long).0, which(long).1);
            }
            pooled
        };
        while kept.len() > self.long.len().div_ceil(2) {
            kept.sort_by(|a, b| a.slow.0.total_cmp(&b.slow.0));
            let Some((wildest, calm)) = kept.split_last() else { break };
            let rest = pool(calm, |long| long.slow);
            let ratio = wildest.slow.0 / rest.variance().max(1e-14);
            let disturbed = rest.degrees >= FEWEST_SLOW
                && ratio > DISTURBED
                && f_above(ratio, wildest.slow.1, rest.degrees) < DISTURBED_BY_CHANCE;
            if !disturbed {
                break;
            }
            left_out.push(wildest.number);
            kept.pop();
        }
        (pool(&kept, |long| long.raw), pool(&kept, |long| long.slow), left_out)
    }
}

impl Known {
    /// Whether the neighbourhood of this speed was looked at enough for few turns to do.
    #[must_use]
    pub fn is_near(&self) -> bool {
        self.near_degrees >= FEWEST_NEAR
    }

    /// The blocks of a point scatter more than this pool lets expect.
    #[must_use]
    pub fn is_contradicted(&self, seen: &TurnBlocks) -> bool {
        let degrees = f64::from(seen.blocks.saturating_sub(1));
        let expected = self.raw / f64::from(seen.turns_each) + 2.0 * seen.ends;
        degrees >= 1.0
            && f_above(seen.variance / expected.max(1e-18), degrees, self.raw_degrees) < CONTRADICTS
    }

    /// Relative standard uncertainty of the mean of these blocks, and Student's factor for 95 %.
    #[must_use]
    pub fn doubt(&self, seen: &TurnBlocks) -> (f64, f64) {
        let n = f64::from(seen.blocks);
        let turns = n * f64::from(seen.turns_each);
        ((self.variance / turns + 2.0 * seen.ends / (n * n)).sqrt(), t_975(self.degrees))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn long(slow: f64) -> TurnBlocks {
        TurnBlocks {
            blocks: 80,
            turns_each: 1,
            variance: slow,
            slow,
            slow_degrees: 20.0,
            ends: 0.0,
            span_s: (0.0, 100.0),
        }
    }

    #[test]
    fn a_jerk_amid_a_long_measurement_is_not_the_engines_way_of_running() {
        let mut scatter = TurnScatter::default();
        scatter.learn(100.0, &long(400e-6));
        assert!(scatter.at(100.0).unwrap().variance > 3e-4, "alone it can't be told");
        scatter.learn(100.0, &long(4e-6));
        let known = scatter.at(100.0).unwrap();
        assert!((known.variance * SLOW_SEEN - 4e-6).abs() < 1e-12, "{known:?}");
        // Twice the variance is no disturbance, and is pooled.
        scatter.learn(100.0, &long(8e-6));
        let known = scatter.at(100.0).unwrap();
        assert!((known.variance * SLOW_SEEN - 6e-6).abs() < 1e-12, "{known:?}");
    }

    #[test]
    fn a_stop_amid_a_measurement_teaches_nothing() {
        let mut scatter = TurnScatter::default();
        scatter.learn(100.0, &long(0.09));
        assert_eq!(scatter.at(100.0), None);
    }
}
