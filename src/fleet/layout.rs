//! A bench is not a layout: what a stopwatch over a known length says of a bench's speed.
//!
//! Rollers, rails, a train and another voltage make other speeds. The ratio is kept with its doubt and told; no table is changed by it.
use serde::{Deserialize, Serialize};

/// Doubt of a time taken by hand, k = 1, s: two presses of some tenths each (common practice, no source).
pub const STOPWATCH_U_S: f64 = 0.15;
/// Voltages that differ by more than this part are said (common practice, no source).
pub const VOLTAGE_PART: f64 = 0.03;

/// Times over a length.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LayoutCheck {
    /// Entry of the table at which it ran, 1 to 28.
    pub entry: usize,
    /// In reverse.
    pub reverse: bool,
    /// Length, mm.
    pub length_mm: f64,
    /// Doubt of the length, k = 1, mm.
    pub length_u_mm: f64,
    /// Times, s.
    pub times_s: Vec<f64>,
    /// It pulled a train.
    pub with_train: bool,
    /// Voltage at the rails of the layout, V.
    pub track_voltage_v: Option<f64>,
    /// Speed on the bench at this entry, mm/s, and its doubt, as it was known then.
    pub bench_mm_s: (f64, f64),
    /// Voltage at the rails of the bench, V.
    pub bench_voltage_v: Option<f64>,
}

/// A value and its doubt, k = 1.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Ratio {
    /// Layout over bench.
    pub ratio: f64,
    /// Doubt.
    pub u: f64,
}

/// What there is to say of two voltages.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Voltages {
    /// One of them is not known.
    Unknown,
    /// They agree.
    Alike,
    /// They differ: so do the speeds, unless the decoder regulates them.
    Differ,
}

impl LayoutCheck {
    /// Layout over bench; none without a time or a speed.
    #[must_use]
    pub fn ratio(&self) -> Option<Ratio> {
        let count = self.times_s.len() as f64;
        let (bench, bench_u) = self.bench_mm_s;
        let mean = self.times_s.iter().sum::<f64>() / count;
        if !(count > 0.0 && mean > 0.0 && bench > 0.0 && self.length_mm > 0.0) {
            return None;
        }
        let scatter = if self.times_s.len() > 1 {
            let squares: f64 = self.times_s.iter().map(|time| (time - mean) * (time - mean)).sum();
            libm::sqrt(squares / (count - 1.0))
        } else {
            0.0
        };
        let time_u = scatter.max(STOPWATCH_U_S) / libm::sqrt(count);
        let speed = self.length_mm / mean;
        let ratio = speed / bench;
        let parts = [time_u / mean, self.length_u_mm / self.length_mm, bench_u / bench];
        let part = libm::sqrt(parts.iter().map(|part| part * part).sum());
        Some(Ratio { ratio, u: ratio * part })
    }

    /// The two voltages.
    #[must_use]
    pub fn voltages(&self) -> Voltages {
        match (self.bench_voltage_v, self.track_voltage_v) {
            (Some(bench), Some(layout)) if (layout - bench).abs() > VOLTAGE_PART * bench => Voltages::Differ,
            (Some(_), Some(_)) => Voltages::Alike,
            _ => Voltages::Unknown,
        }
    }
}

/// Several checks together, each by its weight. Where they contradict each other by more than their doubts allow, the doubt grows by
/// Birge's ratio (R. T. Birge, Physical Review 40, 1932; from memory).
#[must_use]
pub fn together(ratios: &[Ratio]) -> Option<Ratio> {
    let weight = |one: &Ratio| 1.0 / (one.u * one.u);
    let usable: Vec<Ratio> =
        ratios.iter().copied().filter(|one| one.u > 0.0 && one.ratio.is_finite()).collect();
    let sum: f64 = usable.iter().map(weight).sum();
    if usable.is_empty() || !sum.is_finite() {
        return None;
    }
    let ratio = usable.iter().map(|one| one.ratio * weight(one)).sum::<f64>() / sum;
    let u = 1.0 / libm::sqrt(sum);
    let chi_square: f64 =
        usable.iter().map(|one| (one.ratio - ratio) * (one.ratio - ratio) * weight(one)).sum();
    let birge = libm::sqrt(chi_square / (usable.len() as f64 - 1.0).max(1.0));
    Some(Ratio { ratio, u: u * birge.max(1.0) })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(times_s: &[f64]) -> LayoutCheck {
        LayoutCheck {
            entry: 14,
            reverse: false,
            length_mm: 3200.0,
            length_u_mm: 3.2,
            times_s: times_s.to_vec(),
            with_train: false,
            track_voltage_v: Some(15.0),
            bench_mm_s: (200.0, 0.4),
            bench_voltage_v: Some(15.2),
        }
    }

    #[test]
    fn a_time_over_a_length_is_a_speed_with_its_doubt() {
        // 3200 mm in 16 s is 200 mm/s; 0.15 s of 16, 0.1 %, 0.2 %: by hand 0.964 %.
        let found = check(&[16.0]).ratio().unwrap();
        assert!((found.ratio - 1.0).abs() < 1e-12);
        assert!((found.u - 0.009_638).abs() < 1e-5, "{}", found.u);
        // Four times that agree halve the part of the stopwatch.
        let four = check(&[16.0; 4]).ratio().unwrap();
        assert!((four.u - 0.005_19).abs() < 1e-4, "{}", four.u);
        // Times that scatter more than a stopwatch count by their own scatter.
        assert!(check(&[14.0, 18.0]).ratio().unwrap().u > 0.1);
    }

    #[test]
    fn without_times_or_speeds_there_is_no_ratio() {
        assert_eq!(check(&[]).ratio(), None);
        assert_eq!(check(&[0.0]).ratio(), None);
        assert_eq!(LayoutCheck { bench_mm_s: (0.0, 0.1), ..check(&[16.0]) }.ratio(), None);
    }

    #[test]
    fn voltages_are_alike_differ_or_are_unknown() {
        assert_eq!(check(&[16.0]).voltages(), Voltages::Alike);
        assert_eq!(
            LayoutCheck { track_voltage_v: Some(17.5), ..check(&[16.0]) }.voltages(),
            Voltages::Differ
        );
        assert_eq!(LayoutCheck { track_voltage_v: None, ..check(&[16.0]) }.voltages(), Voltages::Unknown);
    }

    #[test]
    fn checks_that_contradict_each_other_are_less_sure_than_each() {
        let (one, other) = (Ratio { ratio: 0.95, u: 0.005 }, Ratio { ratio: 1.01, u: 0.005 });
        let found = together(&[one, other]).unwrap();
        assert!((found.ratio - 0.98).abs() < 1e-12);
        // Birge: chi square 72, one degree of freedom; 0.005 / sqrt 2 * sqrt 72 = 0.03.
        assert!((found.u - 0.03).abs() < 1e-12, "{}", found.u);
        let alike = together(&[one, one]).unwrap();
        assert!((alike.u - 0.005 / 2f64.sqrt()).abs() < 1e-12);
        assert_eq!(together(&[]), None);
    }
}
