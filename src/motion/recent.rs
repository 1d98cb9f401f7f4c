//! Speed as seen just now: the slope of the angle over the last quarter of a second to two seconds.
//!
//! Least squares (`standards/measurement.md` 3.1). The window grows while a longer one says the same within its doubt:
//! long at rest and at steady speed, short while the speed changes.
use super::stats::Line;
use std::collections::VecDeque;

/// Samples are averaged over this long, so that a fast sensor costs no more than a slow one.
const CHUNK_US: i64 = 10_000;
const LONGEST_US: i64 = 2_000_000;
const WINDOWS_US: [i64; 4] = [250_000, 500_000, 1_000_000, LONGEST_US];
const FEWEST: usize = 4;
/// A slope this well known needs no longer window.
const GOOD_ENOUGH: f64 = 0.002;

#[derive(Clone, Copy, Debug)]
struct Chunk {
    first_us: i64,
    samples: u32,
    /// Sums about `first_us` and the first angle.
    t_us: i64,
    phi: f64,
    first_phi: f64,
}

impl Chunk {
    fn start(t_us: i64, phi: f64) -> Self {
        Self { first_us: t_us, samples: 1, t_us: 0, phi: 0.0, first_phi: phi }
    }

    /// Mean time against `origin_us` in s, and mean angle against `origin`.
    fn mean(&self, origin_us: i64, origin: f64) -> (f64, f64) {
        let n = f64::from(self.samples);
        let t_us = (self.first_us - origin_us) as f64 + self.t_us as f64 / n;
        (t_us * 1e-6, self.first_phi - origin + self.phi / n)
    }
}

/// The last two seconds of the angle.
#[derive(Debug, Default)]
pub(super) struct Recent {
    chunks: VecDeque<Chunk>,
}

impl Recent {
    pub(super) fn clear(&mut self) {
        self.chunks.clear();
    }

    pub(super) fn push(&mut self, t_us: i64, phi: f64) {
        match self.chunks.back_mut() {
            Some(chunk) if t_us - chunk.first_us < CHUNK_US => {
                chunk.samples += 1;
                chunk.t_us += t_us - chunk.first_us;
                chunk.phi += phi - chunk.first_phi;
            }
            _ => self.chunks.push_back(Chunk::start(t_us, phi)),
        }
        while self.chunks.front().is_some_and(|chunk| t_us - chunk.first_us > LONGEST_US) {
            self.chunks.pop_front();
        }
    }

    /// Slope in rad/s and its standard uncertainty, for angle noise of `sigma` rad a sample.
    pub(super) fn slope(&self, sigma: f64) -> Option<(f64, f64)> {
        let mut best: Option<(f64, f64)> = None;
        for window_us in WINDOWS_US {
            let Some((slope, u)) = self.slope_over(window_us, sigma) else { continue };
            if best.is_some_and(|(before, u_before)| (slope - before).abs() > 2.0 * u_before || u > u_before) {
                break;
            }
            best = Some((slope, u));
            if u <= GOOD_ENOUGH * slope.abs() {
                break;
            }
        }
        best
    }

    fn slope_over(&self, window_us: i64, sigma: f64) -> Option<(f64, f64)> {
        let newest = self.chunks.back()?;
        let inside = |chunk: &&Chunk| newest.first_us - chunk.first_us <= window_us;
        let count = self.chunks.iter().rev().take_while(inside).count();
        // A window that is not yet full is the longest there is.
        let reach_us = newest.first_us - self.chunks.front()?.first_us;
        if count < FEWEST || (reach_us < window_us && window_us > 2 * reach_us.max(1)) {
            return None;
        }
        let used = self.chunks.iter().skip(self.chunks.len() - count);
        let line = Line::fit(used.clone().map(|chunk| chunk.mean(newest.first_us, newest.first_phi)))?;
        let samples = used.map(|chunk| f64::from(chunk.samples)).sum::<f64>();
        let noise = sigma / (samples / count as f64).sqrt();
        Some((line.slope, line.residual.max(noise) / line.s_tt.sqrt()))
    }
}
