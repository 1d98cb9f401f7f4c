//! What becomes of the sensor's lines on their way out: lost, doubled, held back.
use super::noise::{Noise, Stream};
use crate::time::BenchTime;

/// The way out.
#[derive(Clone, Debug)]
pub(super) struct Outlet {
    noise: Noise,
    /// Share of lines that come twice, and until when.
    pub(super) repeats: (f64, BenchTime),
    /// Share of lines that get lost, and until when.
    pub(super) skips: (f64, BenchTime),
    pub(super) stalled_until: BenchTime,
    held: Vec<u8>,
}

impl Outlet {
    pub(super) fn new(seed: u64) -> Self {
        Self {
            noise: Noise::new(seed, Stream::Outlet),
            repeats: (0.0, BenchTime::ZERO),
            skips: (0.0, BenchTime::ZERO),
            stalled_until: BenchTime::ZERO,
            held: Vec::new(),
        }
    }

    /// A new connection: what was held for the last one is gone.
    pub(super) fn clear(&mut self) {
        self.held.clear();
    }

    /// What comes out at `at`, with `line` on its way; the line may be empty.
    pub(super) fn pass(&mut self, at: BenchTime, line: &[u8]) -> Vec<u8> {
        let strikes = |noise: &mut Noise, (share, until): (f64, BenchTime)| {
            !line.is_empty() && at < until && noise.happens(share)
        };
        let lost = strikes(&mut self.noise, self.skips);
        let twice = strikes(&mut self.noise, self.repeats);
        for _ in 0..usize::from(!lost) + usize::from(!lost && twice) {
            self.held.extend_from_slice(line);
        }
        if at < self.stalled_until { Vec::new() } else { std::mem::take(&mut self.held) }
    }
}
