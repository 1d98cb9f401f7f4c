//! Speed as seen just now: the slope of the angle over the last quarter of a second to two seconds.
//!
//! Least squares (`standards/measurement.md` 3.1). The window grows while a longer one says the same within its doubt:
//! long at rest and at steady speed, short while the speed changes.
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

    /// Slope in rad/s, its standard uncertainty for angle noise of `sigma` rad a sample, and the window in s.
    pub(super) fn slope(&self, sigma: f64) -> Option<(f64, f64, f64)> {
        let (newest, oldest) = (self.chunks.back()?, self.chunks.front()?);
        let reach_us = newest.first_us - oldest.first_us;
        let mut best: Option<(f64, f64, f64)> = None;
        let (mut sums, mut left) = (Sums::default(), self.chunks.iter().rev().peekable());
        for window_us in WINDOWS_US {
            while let Some(chunk) = left.next_if(|chunk| newest.first_us - chunk.first_us <= window_us) {
                sums.add(chunk.mean(newest.first_us, newest.first_phi), chunk.samples);
            }
            // A window that is not yet full is the longest there is.
            if reach_us < window_us && window_us > 2 * reach_us.max(1) {
                continue;
            }
            let Some((slope, u)) = sums.slope(sigma) else { continue };
            if best
                .is_some_and(|(before, u_before, _)| (slope - before).abs() > 2.0 * u_before || u > u_before)
            {
                break;
            }
            best = Some((slope, u, window_us as f64 * 1e-6));
            if u <= GOOD_ENOUGH * slope.abs() {
                break;
            }
        }
        best
    }
}

/// Sums of a window that grows backwards. Over two seconds they are small enough for the scatter to come from them: some
/// hundred radians squared, against a millionth of that.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    n: f64,
    samples: f64,
    t: f64,
    y: f64,
    tt: f64,
    ty: f64,
    yy: f64,
}

impl Sums {
    fn add(&mut self, (t, y): (f64, f64), samples: u32) {
        self.n += 1.0;
        self.samples += f64::from(samples);
        self.t += t;
        self.y += y;
        self.tt += t * t;
        self.ty += t * y;
        self.yy += y * y;
    }

    /// Least squares: the slope and its standard uncertainty, at least that of the noise.
    fn slope(&self, sigma: f64) -> Option<(f64, f64)> {
        let s_tt = self.tt - self.t * self.t / self.n;
        if self.n < FEWEST as f64 || s_tt.is_nan() || s_tt <= 0.0 {
            return None;
        }
        let s_ty = self.ty - self.t * self.y / self.n;
        let slope = s_ty / s_tt;
        let squares = (self.yy - self.y * self.y / self.n - slope * s_ty).max(0.0);
        let residual = (squares / (self.n - 2.0)).sqrt();
        let noise = sigma / (self.samples / self.n).sqrt();
        Some((slope, residual.max(noise) / s_tt.sqrt()))
    }
}
