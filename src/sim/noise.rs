//! Random numbers of the simulated bench: every stream comes from the seed of its bench.
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// What a stream of random numbers is for. Streams of one seed are independent of each other, so that a sensor
/// that is not connected (and draws nothing) does not change how the engine runs.
#[derive(Clone, Copy, Debug)]
pub(super) enum Stream {
    Recipe = 1,
    Engine = 2,
    Rail = 3,
    Sensor = 4,
    Garbage = 5,
    Outlet = 6,
    Slips = 7,
}

/// A seeded source of uniform and normal numbers.
#[derive(Clone, Debug)]
pub(super) struct Noise {
    source: ChaCha8Rng,
    spare: Option<f64>,
}

impl Noise {
    pub(super) fn new(seed: u64, stream: Stream) -> Self {
        let mut source = ChaCha8Rng::seed_from_u64(seed);
        source.set_stream(stream as u64);
        Self { source, spare: None }
    }

    /// Uniform, 0 up to but not including 1.
    pub(super) fn uniform(&mut self) -> f64 {
        (self.source.next_u64() >> 11) as f64 / 9_007_199_254_740_992.0
    }

    /// Uniform between two bounds.
    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// True with probability `share`.
    pub(super) fn happens(&mut self, share: f64) -> bool {
        share > 0.0 && self.uniform() < share
    }

    /// Normal with mean 0 and standard deviation 1 (polar method of Marsaglia, from memory).
    pub(super) fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let (x, y) = (self.between(-1.0, 1.0), self.between(-1.0, 1.0));
            let square = x * x + y * y;
            if square > 0.0 && square < 1.0 {
                let factor = (-2.0 * libm::log(square) / square).sqrt();
                self.spare = Some(y * factor);
                return x * factor;
            }
        }
    }

    /// Bytes of any value.
    pub(super) fn bytes(&mut self, count: usize) -> Vec<u8> {
        let mut bytes = vec![0; count];
        self.source.fill_bytes(&mut bytes);
        bytes
    }
}

/// The whole number nearest to `value`, as far as 64 bits reach.
#[expect(clippy::cast_possible_truncation, reason = "the conversion saturates, as documented")]
pub(super) fn nearest(value: f64) -> i64 {
    libm::round(value) as i64
}

/// The whole number nearest to `value`; 0 for anything negative.
pub(super) fn nearest_count(value: f64) -> u64 {
    u64::try_from(nearest(value)).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_numbers_have_mean_zero_and_unit_deviation() {
        let mut noise = Noise::new(5, Stream::Sensor);
        let draws: Vec<f64> = (0..40_000).map(|_| noise.normal()).collect();
        let mean = draws.iter().sum::<f64>() / 40_000.0;
        let square = draws.iter().map(|x| x * x).sum::<f64>() / 40_000.0;
        assert!(mean.abs() < 0.02 && (square - 1.0).abs() < 0.03, "{mean} {square}");
    }

    #[test]
    fn streams_of_one_seed_differ_and_repeat() {
        let first = Noise::new(9, Stream::Engine).bytes(16);
        assert_eq!(first, Noise::new(9, Stream::Engine).bytes(16));
        assert_ne!(first, Noise::new(9, Stream::Rail).bytes(16));
        assert_ne!(first, Noise::new(10, Stream::Engine).bytes(16));
    }
}
