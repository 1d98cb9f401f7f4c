//! Whether the axle stands, judged by the field alone against its own noise, calibrated or not.
//!
//! Samples are gathered into chunks. The axle stands while the mean of every chunk stays near that of the first one
//! since it stopped (of the second, once that agrees), and the scatter inside a chunk is no more than noise. A slow
//! creep adds up against that chunk, so it is noticed however slow it is: "standing for one second" bounds the speed, it
//! does not only fail to see one.
use super::Standing;
use std::time::Duration;

/// A chunk lasts at least this long and has at least this many samples.
const CHUNK_US: i64 = 100_000;
const CHUNK_SAMPLES: u32 = 4;
/// A window of this many chunks gives one value of the noise.
const WINDOW_CHUNKS: u32 = 8;
/// Means of two chunks differ by less than this many standard deviations of their difference while it stands.
const APART: f64 = 5.0;
/// Identical samples for this long and this many are no living signal.
const FROZEN_US: i64 = 300_000;
const FROZEN_SAMPLES: u32 = 16;
/// No proof of standstill crosses a gap longer than this.
const GAP_US: i64 = 500_000;

/// Sums over a chunk.
#[derive(Clone, Copy, Debug, Default)]
struct Chunk {
    samples: u32,
    first_us: i64,
    last_us: i64,
    mean: [f64; 3],
    /// Sum of squared distances from the mean.
    square: f64,
    /// Sum of squared distances between neighbours.
    steps: f64,
}

/// The judge.
#[derive(Debug, Default)]
pub(super) struct Still {
    previous: Option<(i64, [f64; 3])>,
    chunk: Chunk,
    /// Mean of the first chunk since it stopped, and when that chunk began.
    anchor: Option<(i64, [f64; 3])>,
    /// End of the last chunk that agreed with the anchor.
    until_us: Option<i64>,
    noise: Noise,
    identical: u32,
    identical_since_us: i64,
}

/// Variance of the field's noise, summed over the axes.
#[derive(Debug, Default)]
struct Noise {
    /// Sum and count of chunk variances in the open window.
    open: (f64, u32),
    variance: Option<f64>,
    /// Smallest change ever seen in an axis: the sensor's own step, if it has one.
    smallest_step: Option<f64>,
    /// The variance that counts and its root, kept because every sample asks.
    counts: Option<(f64, f64)>,
}

impl Noise {
    fn step(&mut self, before: [f64; 3], now: [f64; 3]) {
        for axis in 0..3 {
            let step = (now[axis] - before[axis]).abs();
            if step > 0.0 && self.smallest_step.is_none_or(|smallest| step < smallest) {
                self.smallest_step = Some(step);
                self.count();
            }
        }
    }

    /// A chunk ended. Its scatter is noise only while the axle stands, so the quietest window counts; windows like it
    /// keep the figure current.
    fn chunk(&mut self, chunk: &Chunk) {
        let n = f64::from(chunk.samples);
        let variance = (chunk.square / (n - 1.0)).max(chunk.steps / (2.0 * (n - 1.0)));
        self.open = (self.open.0 + variance, self.open.1 + 1);
        if self.open.1 < WINDOW_CHUNKS {
            return;
        }
        let window = self.open.0 / f64::from(self.open.1);
        self.open = (0.0, 0);
        if window <= 0.0 {
            return;
        }
        self.set(match self.variance {
            Some(known) if window > 3.0 * known => known,
            Some(known) if window > 0.5 * known => known + (window - known) / 8.0,
            _ => window,
        });
    }

    fn set(&mut self, variance: f64) {
        self.variance = Some(variance);
        self.count();
    }

    fn count(&mut self) {
        let quantum = self.smallest_step.map_or(0.0, |step| step * step / 4.0);
        let counts = self.variance.map(|variance| variance.max(quantum));
        self.counts = counts.map(|variance| (variance, variance.sqrt()));
    }

    /// Variance summed over the axes; a digital sensor has at least that of its own step (`q^2/12` an axis).
    fn variance(&self) -> Option<f64> {
        self.counts.map(|(variance, _)| variance)
    }
}

impl Still {
    /// A sample at `t_us`; tells whether the axle is known to stand.
    pub(super) fn take(&mut self, t_us: i64, field: [f64; 3]) -> bool {
        match self.previous {
            Some((before_us, _)) if t_us - before_us > GAP_US => self.forget(),
            Some((_, before)) => {
                self.chunk.steps += square_distance(before, field);
                self.noise.step(before, field);
                self.same(t_us, before.map(f64::to_bits) == field.map(f64::to_bits));
            }
            None => self.same(t_us, false),
        }
        self.previous = Some((t_us, field));
        self.add(t_us, field);
        if self.chunk.samples >= CHUNK_SAMPLES && t_us - self.chunk.first_us >= CHUNK_US {
            self.close();
        } else if self.far_out(field) {
            (self.anchor, self.until_us) = (None, None);
        }
        self.until_us.is_some()
    }

    fn add(&mut self, t_us: i64, field: [f64; 3]) {
        let chunk = &mut self.chunk;
        if chunk.samples == 0 {
            *chunk = Chunk { first_us: t_us, ..Chunk::default() };
        }
        chunk.samples += 1;
        chunk.last_us = t_us;
        let share = 1.0 / f64::from(chunk.samples);
        for (mean, value) in chunk.mean.iter_mut().zip(field) {
            let off = value - *mean;
            *mean += off * share;
            chunk.square += off * (value - *mean);
        }
    }

    fn same(&mut self, t_us: i64, same: bool) {
        if same {
            self.identical = self.identical.saturating_add(1);
        } else {
            (self.identical, self.identical_since_us) = (0, t_us);
        }
    }

    /// A single sample so far from the anchor that waiting for the chunk's end is needless.
    fn far_out(&self, field: [f64; 3]) -> bool {
        match (self.anchor, self.noise.variance()) {
            (Some((_, mean)), Some(variance)) => square_distance(mean, field) > 64.0 * variance,
            _ => false,
        }
    }

    fn close(&mut self) {
        let chunk = std::mem::take(&mut self.chunk);
        self.noise.chunk(&chunk);
        let Some(variance) = self.noise.variance() else { return };
        let n = f64::from(chunk.samples);
        let quiet = chunk.square / (n - 1.0) <= 9.0 * variance;
        // Slow wandering of the sensor itself must not look like motion: at least one standard deviation is allowed.
        let allowed = variance * (APART * APART * 2.0 / n).max(1.0);
        match self.anchor {
            Some((since_us, mean)) if quiet && square_distance(mean, chunk.mean) <= allowed => {
                if self.until_us.is_none() {
                    // The first chunk may hold the last of the motion, and its mean lie at the edge of what is allowed:
                    // then one chance chunk in a minute would look like motion. From here on the second counts.
                    self.anchor = Some((since_us, chunk.mean));
                }
                self.until_us = Some(chunk.last_us);
            }
            _ => {
                self.anchor = quiet.then_some((chunk.first_us, chunk.mean));
                self.until_us = None;
            }
        }
    }

    /// Nothing before this counts any more.
    pub(super) fn forget(&mut self) {
        self.chunk = Chunk::default();
        (self.anchor, self.until_us, self.previous, self.identical) = (None, None, None, 0);
    }

    /// A calibrated ellipse bounds the noise from above, even if the axle never stood.
    pub(super) fn noise_at_most(&mut self, variance: f64) {
        if variance > 0.0 && self.noise.variance.is_none_or(|known| variance < known) {
            self.noise.set(variance);
        }
    }

    /// Standard deviation of the noise an axis, for a sensor of so many axes.
    pub(super) fn noise_per_axis(&self, axes: u8) -> Option<f64> {
        const ROOTS: [f64; 4] = [1.0, 1.0, core::f64::consts::SQRT_2, 1.732_050_807_568_877_2];
        self.noise.counts.map(|(_, sd)| sd / ROOTS[usize::from(axes.min(3))])
    }

    /// Standard deviation of the noise, all axes together; 0 while unknown.
    pub(super) fn noise(&self) -> f64 {
        self.noise.counts.map_or(0.0, |(_, sd)| sd)
    }

    /// Smallest change ever seen in an axis: the sensor's own step, if it has one.
    pub(super) fn smallest_step(&self) -> Option<f64> {
        self.noise.smallest_step
    }

    pub(super) fn standing(&self) -> Standing {
        let frozen_us = self.previous.map_or(0, |(t_us, _)| t_us - self.identical_since_us);
        if self.identical >= FROZEN_SAMPLES && frozen_us >= FROZEN_US {
            return Standing::Frozen;
        }
        match (self.anchor, self.until_us) {
            (Some((since_us, _)), Some(until_us)) => {
                Standing::For(Duration::from_micros(u64::try_from(until_us - since_us).unwrap_or(0)))
            }
            _ => Standing::No,
        }
    }
}

/// Square of the distance of two fields.
pub(super) fn square_distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b) * (a - b)).sum()
}
