//! How well curves repeat: several sweeps of one engine, compared at the settings that all of them measured.
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The speed of a sweep at a setting.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SweptSpeed {
    /// Setting of the step mode.
    pub value: u16,
    /// Direction.
    pub forward: bool,
    /// Speed, mm/s, above 0.
    pub speed_mm_s: f64,
}

/// What several sweeps have in common.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Repeatability {
    /// Sweeps compared.
    pub sweeps: usize,
    /// Settings, each direction for itself, that all of them measured.
    pub settings: usize,
    /// Relative standard deviation of one sweep, pooled over the settings, percent.
    pub sd_percent: f64,
    /// Largest difference between two sweeps at one setting, percent of their mean.
    pub range_percent: f64,
}

/// Compares sweeps. The pooled standard deviation is the root of the mean of the variances (all of the same degrees of freedom;
/// textbook formula, from memory). None with fewer than two sweeps, or no setting that all measured.
#[must_use]
pub fn repeatability(sweeps: &[Vec<SweptSpeed>]) -> Option<Repeatability> {
    let mut by_setting: BTreeMap<(bool, u16), Vec<f64>> = BTreeMap::new();
    for sweep in sweeps {
        // A setting that was revisited stands with its last visit.
        let own: BTreeMap<(bool, u16), f64> =
            sweep.iter().map(|one| ((one.forward, one.value), one.speed_mm_s)).collect();
        for (at, speed) in own {
            by_setting.entry(at).or_default().push(speed);
        }
    }
    let count = sweeps.len();
    by_setting.retain(|_, speeds| speeds.len() == count && speeds.iter().all(|speed| *speed > 0.0));
    if count < 2 || by_setting.is_empty() {
        return None;
    }
    let (mut variance, mut range) = (0.0, 0.0f64);
    for speeds in by_setting.values() {
        let mean = speeds.iter().sum::<f64>() / count as f64;
        let square: f64 = speeds.iter().map(|speed| (speed - mean) * (speed - mean)).sum();
        variance += square / (count - 1) as f64 / (mean * mean);
        let (least, most) = speeds.iter().fold((f64::MAX, 0.0f64), |(a, b), s| (a.min(*s), b.max(*s)));
        range = range.max((most - least) / mean);
    }
    let sd = libm::sqrt(variance / by_setting.len() as f64);
    let settings = by_setting.len();
    Some(Repeatability { sweeps: count, settings, sd_percent: 100.0 * sd, range_percent: 100.0 * range })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sweep(speeds: &[(u16, f64)]) -> Vec<SweptSpeed> {
        speeds
            .iter()
            .map(|(value, speed_mm_s)| SweptSpeed { value: *value, forward: true, speed_mm_s: *speed_mm_s })
            .collect()
    }

    #[test]
    fn settings_that_all_measured_are_pooled() {
        // By hand: at 10 mean 100, sd 1 (1 %); at 20 mean 200, sd 4 (2 %); pooled: root of (1 + 4) / 2.
        let sweeps = [
            sweep(&[(10, 99.0), (20, 196.0), (30, 300.0)]),
            sweep(&[(10, 100.0), (20, 200.0)]),
            sweep(&[(10, 7.0), (10, 101.0), (20, 204.0)]),
        ];
        let found = repeatability(&sweeps).unwrap();
        assert_eq!(
            (found.sweeps, found.settings),
            (3, 2),
            "30 was measured once, and the last visit to 10 counts"
        );
        assert!((found.sd_percent - 2.5f64.sqrt()).abs() < 1e-12, "{found:?}");
        assert!((found.range_percent - 4.0).abs() < 1e-12, "{found:?}");
    }

    #[test]
    fn one_sweep_or_nothing_in_common_tells_nothing() {
        assert_eq!(repeatability(&[sweep(&[(10, 99.0)])]), None);
        assert_eq!(repeatability(&[sweep(&[(10, 99.0)]), sweep(&[(11, 99.0)])]), None);
        assert_eq!(repeatability(&[]), None);
    }
}
