//! Drift of an engine during a sweep, from settings that were measured more than once.
//!
//! Friction that changes moves every speed by about the same; a winding or a magnet that warms moves it in proportion. So the
//! rate of change is taken as a straight line over the speed, the same in both directions, and constant in time: least
//! squares over the pairs of visits, weights 1/u² (GUM, JCGM 100:2008, H.3 for the line and its doubt). Where the pairs
//! disagree by more than their doubts promise, the doubt grows by that (the Birge ratio: R. T. Birge, Phys. Rev. 40, 1932;
//! from memory).

/// One setting measured twice.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Revisit {
    /// Time between the two, s, above 0.
    pub seconds: f64,
    /// Speed at the first visit, mm/s.
    pub speed_mm_s: f64,
    /// Second less first, mm/s.
    pub change_mm_s: f64,
    /// Standard uncertainty of that change by repeatability alone, mm/s.
    pub u_mm_s: f64,
}

/// How speeds change while the sweep goes on.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Drift {
    /// Rate at the middle speed of the revisited settings, mm/s a second.
    rate: f64,
    /// Change of that rate with speed, 1/s.
    rise: f64,
    /// The middle speed, mm/s.
    middle: f64,
    /// Variances of both; they are independent about the middle speed.
    rate_variance: f64,
    rise_variance: f64,
}

/// A change is significant beyond so many standard uncertainties.
const SIGNIFICANT: f64 = 2.0;

impl Drift {
    /// From these revisits; none without any. With one speed alone, the rate is in proportion to speed nowhere else known:
    /// it is taken as the same at every speed.
    #[must_use]
    pub fn from(revisits: &[Revisit]) -> Option<Self> {
        let rows: Vec<Row> = revisits.iter().filter_map(Row::of).collect();
        let weight: f64 = rows.iter().map(|row| row.weight).sum();
        if rows.is_empty() || weight <= 0.0 {
            return None;
        }
        let mean =
            |of: &dyn Fn(&Row) -> f64| rows.iter().map(|row| row.weight * of(row)).sum::<f64>() / weight;
        let (middle, rate) = (mean(&|row| row.speed), mean(&|row| row.rate));
        let spread: f64 =
            rows.iter().map(|row| row.weight * (row.speed - middle) * (row.speed - middle)).sum();
        // Settings a few percent apart say nothing of how the rate changes with speed.
        let tells = spread > weight * 0.01 * middle * middle;
        let lean: f64 = rows.iter().map(|row| row.weight * (row.speed - middle) * row.rate).sum();
        let (rise, rise_variance) = if tells { (lean / spread, 1.0 / spread) } else { (0.0, 0.0) };
        let left = |row: &Row| row.rate - rate - rise * (row.speed - middle);
        let chi: f64 = rows.iter().map(|row| row.weight * left(row) * left(row)).sum();
        let degrees = rows.len() as f64 - if tells { 2.0 } else { 1.0 };
        let birge = if degrees > 0.0 { (chi / degrees).max(1.0) } else { 1.0 };
        Some(Self { rate, rise, middle, rate_variance: birge / weight, rise_variance: birge * rise_variance })
    }

    /// Rate of change at a speed, mm/s a second, and its standard uncertainty.
    #[must_use]
    pub fn rate_at(&self, speed_mm_s: f64) -> (f64, f64) {
        let off = speed_mm_s - self.middle;
        let u = (self.rate_variance + off * off * self.rise_variance).sqrt();
        (self.rate + self.rise * off, u)
    }

    /// Whether there is drift beyond chance: somewhere between these two speeds.
    #[must_use]
    pub fn is_significant(&self, slow_mm_s: f64, fast_mm_s: f64) -> bool {
        [slow_mm_s, self.middle, fast_mm_s].into_iter().any(|speed| {
            let (rate, u) = self.rate_at(speed);
            rate.abs() > SIGNIFICANT * u
        })
    }

    /// What a speed that was measured `seconds` before the end of the sweep would be at the end, and the standard
    /// uncertainty that this adds. Without significant drift (`correct` false) the speed stays, and the change that may
    /// be there all the same, its own doubt included, is a rectangular doubt about the middle of `whole_s`.
    #[must_use]
    pub fn carried(&self, speed_mm_s: f64, seconds: f64, whole_s: f64, correct: bool) -> (f64, f64) {
        let (rate, u) = self.rate_at(speed_mm_s);
        if correct {
            return ((speed_mm_s + rate * seconds).max(0.0), u * seconds);
        }
        let off = seconds - whole_s / 2.0;
        (speed_mm_s, (libm::hypot(rate, u) * off / 3f64.sqrt()).abs())
    }
}

/// A revisit as a rate with its weight.
struct Row {
    speed: f64,
    rate: f64,
    weight: f64,
}

impl Row {
    fn of(revisit: &Revisit) -> Option<Self> {
        let (seconds, u) = (revisit.seconds, revisit.u_mm_s.max(1e-6));
        let all = [seconds, revisit.speed_mm_s, revisit.change_mm_s, u];
        if seconds <= 0.0 || all.iter().any(|value| !value.is_finite()) {
            return None;
        }
        let weight = seconds * seconds / (u * u);
        Some(Self { speed: revisit.speed_mm_s, rate: revisit.change_mm_s / seconds, weight })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn revisit(seconds: f64, speed_mm_s: f64, change_mm_s: f64) -> Revisit {
        Revisit { seconds, speed_mm_s, change_mm_s, u_mm_s: 0.1 }
    }

    #[test]
    fn a_constant_and_a_proportional_part_are_told_apart() {
        // 0.02 mm/s a second for all, and 0.01 % of the speed a second.
        let truth = |speed: f64| 0.02 + 1e-4 * speed;
        let rows = [(100.0, 30.0), (100.0, 30.0), (200.0, 250.0)];
        let drift =
            Drift::from(&rows.map(|(seconds, speed)| revisit(seconds, speed, truth(speed) * seconds)))
                .unwrap();
        for speed in [10.0, 30.0, 120.0, 300.0] {
            assert!((drift.rate_at(speed).0 - truth(speed)).abs() < 1e-12, "{speed}");
        }
        assert!(drift.is_significant(10.0, 300.0));
        let (speed, u) = drift.carried(120.0, 150.0, 200.0, true);
        assert!((speed - 120.0 - 150.0 * truth(120.0)).abs() < 1e-9);
        assert!(u > 0.0 && u < 0.2, "{u}");
    }

    /// One pair: the doubt of the rate is that of the change over the time between.
    #[test]
    fn one_revisit_gives_its_own_doubt() {
        let drift = Drift::from(&[revisit(50.0, 40.0, 0.15)]).unwrap();
        let (rate, u) = drift.rate_at(40.0);
        assert!((rate - 0.003).abs() < 1e-12 && (u - 0.002).abs() < 1e-12, "{rate} {u}");
        assert!(!drift.is_significant(20.0, 40.0));
        let (speed, u) = drift.carried(40.0, 100.0, 100.0, false);
        assert!(
            (speed - 40.0).abs() < 1e-12
                && (u - (0.003f64 * 0.003 + 0.002 * 0.002).sqrt() * 50.0 / 3f64.sqrt()).abs() < 1e-12,
            "{speed} {u}"
        );
    }

    #[test]
    fn visits_that_disagree_make_the_doubt_grow() {
        let agree = Drift::from(&[revisit(100.0, 50.0, 1.0), revisit(100.0, 50.0, 1.0)]).unwrap();
        let apart = Drift::from(&[revisit(100.0, 50.0, 3.0), revisit(100.0, 50.0, -1.0)]).unwrap();
        assert!((agree.rate_at(50.0).0 - apart.rate_at(50.0).0).abs() < 1e-12);
        assert!(apart.rate_at(50.0).1 > 10.0 * agree.rate_at(50.0).1);
        assert!(!apart.is_significant(50.0, 50.0));
    }

    #[test]
    fn nothing_gives_nothing() {
        assert_eq!(Drift::from(&[]), None);
        assert_eq!(Drift::from(&[revisit(0.0, 40.0, 1.0), revisit(10.0, f64::NAN, 1.0)]), None);
    }
}
