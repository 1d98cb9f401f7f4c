//! What a reading does at rest by itself: the noise of a position that is told finer than it is known.
//!
//! A window of readings is one of rest when they scatter no more about their mean than neighbours differ from each other,
//! as white noise does (von Neumann's ratio of the two is 2 for it, and next to nothing where the readings go somewhere).

/// Readings in a window.
const WINDOW: u32 = 32;
/// Scatter about the mean over half the squared differences of neighbours, up to which a window is one of rest. White
/// noise gives 1 and a spread of about 1 / sqrt(32) (from memory), so few windows of rest are missed.
const WHITE: f64 = 1.5;
/// So many windows of rest in a row are believed.
const BELIEVED: u32 = 3;
/// Part that a further window changes what is known.
const NEWS: f64 = 0.125;

/// The learner.
#[derive(Debug, Default)]
pub(super) struct Jitter {
    readings: u32,
    before: f64,
    mean: f64,
    square: f64,
    steps: f64,
    in_a_row: u32,
    variance: f64,
    about_nought: bool,
}

impl Jitter {
    /// For readings that are nought at rest, as a speed is: those of a steady motion scatter no less, about another mean.
    pub(super) fn about_nought() -> Self {
        Self { about_nought: true, ..Self::default() }
    }

    /// A reading, in any unit.
    pub(super) fn take(&mut self, value: f64) {
        if self.readings == 0 {
            (self.mean, self.square, self.steps) = (0.0, 0.0, 0.0);
        } else {
            self.steps += (value - self.before) * (value - self.before);
        }
        self.before = value;
        self.readings += 1;
        let off = value - self.mean;
        self.mean += off / f64::from(self.readings);
        self.square += off * (value - self.mean);
        if self.readings == WINDOW {
            self.readings = 0;
            self.close();
        }
    }

    fn close(&mut self) {
        let found = self.square / f64::from(WINDOW - 1);
        let elsewhere = self.about_nought && self.mean * self.mean > found;
        if elsewhere || self.square > WHITE * self.steps / 2.0 {
            self.in_a_row = 0;
            return;
        }
        self.in_a_row = self.in_a_row.saturating_add(1);
        if self.in_a_row == BELIEVED && self.variance <= 0.0 {
            self.variance = found;
        } else if self.in_a_row >= BELIEVED {
            self.variance += NEWS * (found - self.variance);
        }
    }

    /// Standard deviation at rest, in the unit of the readings; 0 while nothing is known.
    pub(super) fn sd(&self) -> f64 {
        self.variance.max(0.0).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::Random;
    use super::*;

    #[test]
    fn noise_is_learned_at_rest_and_motion_teaches_nothing() {
        let (mut random, mut jitter) = (Random::new(5), Jitter::default());
        for k in 0..2000 {
            jitter.take((f64::from(k) * 0.37).round());
        }
        assert!(jitter.sd() < 1e-12, "steps of a motion: {}", jitter.sd());
        for _ in 0..2000 {
            jitter.take(740.0 + 3.0 * random.normal());
        }
        assert!((jitter.sd() - 3.0).abs() < 0.6, "{}", jitter.sd());
        let before = jitter.sd();
        for k in 0..2000 {
            jitter.take(740.0 + f64::from(k) * 4.0 + 3.0 * random.normal());
        }
        assert!((jitter.sd() - before).abs() < 1e-12);
    }

    #[test]
    fn a_steady_speed_teaches_nothing_of_the_noise_about_nought() {
        let (mut random, mut jitter) = (Random::new(6), Jitter::about_nought());
        for _ in 0..2000 {
            jitter.take(5.0 + random.normal());
        }
        assert!(jitter.sd() < 1e-12, "{}", jitter.sd());
        for _ in 0..2000 {
            jitter.take(random.normal());
        }
        assert!((jitter.sd() - 1.0).abs() < 0.2, "{}", jitter.sd());
    }
}
