//! Recent looks at a speed: whether it has settled, where nothing is known yet of how the engine answers.
//!
//! Looks a quarter second apart, over at least two turns, whose older half agrees with the newer half within 1 % or their
//! noise: halves of whole turns do not see what repeats every turn.
use crate::time::BenchTime;
use std::collections::VecDeque;
use std::time::Duration;

/// Time between looks.
pub(super) const LOOK_EVERY: Duration = Duration::from_millis(250);
/// Longest wait for agreement; then it is measured all the same, and its scatter tells.
pub(super) const SETTLE_MOST: Duration = Duration::from_secs(20);
/// Fewest looks in each half.
const LOOKS: usize = 3;
/// Turns that the looks of both halves span at least.
const LOOK_TURNS: f64 = 2.0;
/// Relative agreement of looks.
const SETTLE_REL: f64 = 0.01;

/// Recent looks at the speed, oldest first.
#[derive(Debug, Default)]
pub(super) struct Looks(VecDeque<(BenchTime, f64)>);

impl Looks {
    /// Nothing before this counts.
    pub(super) fn clear(&mut self) {
        self.0.clear();
    }

    /// Keeps what lies within the span that matters: two turns at this speed, or as long as the fewest looks take.
    pub(super) fn push(&mut self, at: BenchTime, speed_mm_s: f64, circumference_mm: f64) {
        self.0.push_back((at, speed_mm_s));
        let turns = LOOK_TURNS * circumference_mm / speed_mm_s.abs().max(1e-3);
        let span = Duration::from_secs_f64(turns.min(SETTLE_MOST.as_secs_f64()));
        while self.0.len() > 2 * LOOKS && self.0.get(1).is_some_and(|(first, _)| at.since(*first) >= span) {
            self.0.pop_front();
        }
    }

    /// The older half and the newer half have the same mean, within 1 % or their noise.
    pub(super) fn agree(&self, u_mm_s: f64) -> bool {
        let half = self.0.len() / 2;
        if half < LOOKS {
            return false;
        }
        let mean = |from: usize| {
            self.0.iter().skip(from).take(half).map(|(_, speed)| speed).sum::<f64>() / half as f64
        };
        let (old, new) = (mean(0), mean(self.0.len() - half));
        let noise = 3.0 * u_mm_s * (2.0 / half as f64).sqrt();
        (new - old).abs() <= (SETTLE_REL * new.abs()).max(noise)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn looks(speed: impl Fn(f64) -> f64) -> Looks {
        let mut looks = Looks::default();
        for i in 0..40u64 {
            looks.push(BenchTime::from_millis(250 * i), speed(i as f64 * 0.25), 33.0);
        }
        looks
    }

    #[test]
    fn a_ripple_that_repeats_every_turn_is_settled_and_a_trend_is_not() {
        let turn_s = 33.0 / 20.0;
        let ripple = |t: f64| 20.0 * (1.0 + 0.03 * libm::sin(t / turn_s * std::f64::consts::TAU));
        assert!(looks(ripple).agree(0.05));
        assert!(!looks(|t| 20.0 + 0.5 * t).agree(0.05));
        assert!(!Looks::default().agree(0.05));
    }
}
