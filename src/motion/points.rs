//! The points that a calibration is fitted to: a bounded number, spread over the last few turns.
//!
//! They are taken by distance in the field, not by time, so that a long stand does not outweigh a turn. Where samples come
//! too densely for that (a fast sensor, a slow axle, noise as large as the distance), so many are averaged that the points
//! reach over a turn or two. Nothing picks by the size of a sample's noise: that would bias the fit.
use super::decode::TURN;
use super::still::square_distance;
use std::collections::VecDeque;

pub(super) const MOST_POINTS: usize = 256;
/// Neighbours are at least this part of the signal's extent apart: some 70 points a turn at most.
const SPACING: f64 = 0.03;
/// An average is closed early when the field moves by this part of the extent, beyond noise.
const SMEAR: f64 = 0.1;
const SMEAR_NOISE: f64 = 4.0;
/// After so many points it is looked how far they reach: half a turn at least, two turns at most.
const REVIEW: u32 = 64;
const REACH: core::ops::RangeInclusive<f64> = TURN / 2.0..=2.0 * TURN;
const WIDEST_STRIDE: u32 = 1024;

/// The points.
#[derive(Debug)]
pub(super) struct Points {
    ring: VecDeque<[f64; 3]>,
    /// Size of the signal, without its outliers; 0 until reviewed.
    extent: f64,
    /// So many samples make one point.
    stride: u32,
    open: Average,
    /// Latest points that are single samples, in a row.
    single: usize,
    /// Points since the last fit was tried.
    pub(super) fresh: usize,
    /// Points since the last review, and the angle then.
    since: u32,
    reviewed_phi: Option<f64>,
}

impl Points {
    pub(super) fn new() -> Self {
        Self {
            ring: VecDeque::with_capacity(MOST_POINTS),
            extent: 0.0,
            stride: 1,
            open: Average::default(),
            single: 0,
            fresh: 0,
            since: 0,
            reviewed_phi: None,
        }
    }

    /// A sample; `noise` is its standard deviation, all axes together, and `phi` the unwrapped angle where known.
    pub(super) fn offer(&mut self, field: [f64; 3], noise: f64, phi: Option<f64>) {
        let smear = SMEAR * self.extent + SMEAR_NOISE * noise;
        if self.open.samples > 0 && square_distance(self.open.mean, field) > smear * smear {
            self.stride = self.open.samples;
            self.close(phi);
        }
        self.open.add(field);
        if self.open.samples >= self.stride {
            self.close(phi);
        }
    }

    fn close(&mut self, phi: Option<f64>) {
        let Average { samples, mean: point } = std::mem::take(&mut self.open);
        let least = SPACING * self.extent;
        if self.ring.back().is_some_and(|last| square_distance(*last, point) < least * least) {
            return;
        }
        if self.ring.len() == MOST_POINTS {
            self.ring.pop_front();
        }
        self.ring.push_back(point);
        self.single = if samples == 1 { self.single + 1 } else { 0 };
        self.fresh += 1;
        self.since += 1;
        if self.since >= REVIEW {
            self.review(phi);
        }
    }

    /// So many of the latest at most, oldest first.
    pub(super) fn latest(&self, most: usize) -> impl Iterator<Item = [f64; 3]> + '_ {
        self.ring.iter().skip(self.ring.len().saturating_sub(most)).copied()
    }

    /// There are as many as there can be.
    pub(super) fn is_full(&self) -> bool {
        self.ring.len() == MOST_POINTS
    }

    /// Every point is a single sample, so that their scatter is that of the samples.
    pub(super) fn all_single(&self) -> bool {
        self.single >= self.ring.len()
    }

    /// Keeps the points' reach about a turn or two.
    fn review(&mut self, phi: Option<f64>) {
        let Some(phi) = phi else {
            // No calibration came of a full ring: every second point goes, so that it comes to hold a whole turn.
            if self.since as usize >= MOST_POINTS {
                self.ring = self.ring.iter().copied().step_by(2).collect();
                self.since = REVIEW * 2;
                self.stride = (self.stride * 2).min(WIDEST_STRIDE);
            }
            return;
        };
        let moved = self.reviewed_phi.replace(phi).map(|before| (phi - before).abs());
        self.since = 0;
        match moved {
            Some(moved) if moved < *REACH.start() => self.stride = (self.stride * 2).min(WIDEST_STRIDE),
            Some(moved) if moved > *REACH.end() => self.stride = (self.stride / 2).max(1),
            _ => {}
        }
    }

    /// The points without strays, which would spoil a fit of squares; in the order they came.
    pub(super) fn sound(&mut self) -> Vec<[f64; 3]> {
        let points = self.ring.make_contiguous();
        let across = [0, 1, 2].map(|axis| middle(points, axis));
        self.extent = across.iter().map(|(low, high)| (high - low) * (high - low)).sum::<f64>().sqrt();
        let near = |(value, (low, high)): (&f64, &(f64, f64))| {
            let width = high - low;
            (low - width..=high + width).contains(value)
        };
        points.iter().filter(|point| point.iter().zip(&across).all(near)).copied().collect()
    }
}

/// Mean of some samples.
#[derive(Clone, Copy, Debug, Default)]
struct Average {
    samples: u32,
    mean: [f64; 3],
}

impl Average {
    fn add(&mut self, field: [f64; 3]) {
        self.samples += 1;
        let n = f64::from(self.samples);
        for (mean, value) in self.mean.iter_mut().zip(field) {
            *mean += (value - *mean) / n;
        }
    }
}

/// Lowest and highest value along an axis, without the outermost twentieth on each side.
fn middle(points: &[[f64; 3]], axis: usize) -> (f64, f64) {
    let mut values: Vec<f64> = points.iter().map(|point| point[axis]).collect();
    let cut = values.len() / 20;
    if values.is_empty() {
        return (0.0, 0.0);
    }
    let (_, low, above) = values.select_nth_unstable_by(cut, f64::total_cmp);
    let low = *low;
    let high = match above.len().checked_sub(cut + 1) {
        Some(at) => *above.select_nth_unstable_by(at, f64::total_cmp).1,
        None => low,
    };
    (low, high)
}
