//! The way since an order: a bounded record of the angle against time, for what an engine does in between.
//!
//! When it is full every second point goes: a long record is a coarse one. Time is that of the sensor's stamps, counted
//! from the order as it was by them.

/// Most points kept.
const MOST: usize = 512;

/// The record. Time in s since the order, way in turns, signed.
#[derive(Clone, Debug)]
pub(super) struct Trace {
    origin_s: f64,
    first_phi: Option<f64>,
    points: Vec<(f64, f64)>,
    stride: u32,
    skipped: u32,
    /// The way was lost at some time: nothing can be said from this record.
    torn: bool,
}

impl Trace {
    /// From `origin_s` by the sensor's clock.
    pub(super) fn new(origin_s: f64) -> Self {
        Self { origin_s, first_phi: None, points: Vec::new(), stride: 1, skipped: 0, torn: false }
    }

    pub(super) fn push(&mut self, t_s: f64, phi: f64) {
        self.skipped += 1;
        if self.skipped < self.stride {
            return;
        }
        self.skipped = 0;
        let first = *self.first_phi.get_or_insert(phi);
        self.points.push((t_s - self.origin_s, (phi - first) / super::decode::TURN));
        if self.points.len() == MOST {
            self.points = self.points.iter().copied().step_by(2).collect();
            self.stride = self.stride.saturating_mul(2);
        }
    }

    pub(super) fn tear(&mut self) {
        self.torn = true;
    }

    /// Start of the record by the sensor's clock, s.
    pub(super) fn origin_s(&self) -> f64 {
        self.origin_s
    }

    /// The points, while the way has been followed without a break.
    pub(super) fn points(&self) -> Option<&[(f64, f64)]> {
        (!self.torn).then_some(&self.points)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motion::decode::TURN;

    #[test]
    fn a_long_record_is_a_coarse_one_and_a_torn_one_says_nothing() {
        let mut trace = Trace::new(10.0);
        for k in 0..10_000_u32 {
            let t_s = 10.0 + 0.005 * f64::from(k);
            trace.push(t_s, 3.0 + TURN * 2.0 * (t_s - 10.0));
        }
        let points = trace.points().expect("whole");
        assert!((MOST / 2..MOST).contains(&points.len()));
        assert!(points.iter().all(|(t, turns)| (turns - 2.0 * t).abs() < 1e-9));
        assert!(points.last().expect("points").0 > 49.0);
        trace.tear();
        assert!(trace.points().is_none());
    }
}
