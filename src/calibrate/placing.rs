//! What lifting an engine off the bench and putting it back does to its speed: the part between placings.
//!
//! One-way random effects by the method of moments: the variance of the placings' speeds holds the scatter within a
//! placing too, which is known and taken off; what is left is of the placing itself (H. Scheffe, The Analysis of Variance,
//! 1959, from memory). Degrees of freedom by Satterthwaite (GUM G.4). Few placings may look alike by chance: below what
//! chance can hide the part is taken for that large, or the interval of three placings would hold 91 of 100 cases and
//! not 95 (own simulation, the test below). An engine runs in one placing, so the part counts whole, however many told
//! of it.
use crate::motion::stats::mean_and_variance;
use serde::{Deserialize, Serialize};

/// The same speed measured in one placing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placed {
    /// Speed in mm/s, not negative.
    pub speed_mm_s: f64,
    /// Its standard uncertainty from repeatability alone, mm/s.
    pub u_mm_s: f64,
    /// Degrees of freedom of that.
    pub degrees: f64,
}

/// What placings do.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlacingPart {
    /// Standard deviation of the speed from placing to placing, relative to the speed.
    pub u_rel: f64,
    /// Its degrees of freedom, at least 1.
    pub degrees: f64,
    /// Placings that it rests on.
    pub placings: u32,
}

/// The part between placings; none from fewer than two, or where nothing moved.
#[must_use]
pub fn between_placings(placed: &[Placed]) -> Option<PlacingPart> {
    let speeds: Vec<f64> = placed.iter().map(|one| one.speed_mm_s).collect();
    let (mean, total) = mean_and_variance(&speeds)?;
    if mean.is_nan() || mean <= 0.0 {
        return None;
    }
    let n = speeds.len() as f64;
    let squares = placed.iter().map(|one| one.u_mm_s * one.u_mm_s);
    let within = squares.clone().sum::<f64>() / n;
    let spread = squares.zip(placed).map(|(square, one)| square * square / one.degrees.max(1.0));
    // Variance of the mean within, over two.
    let within_spread = spread.sum::<f64>() / (n * n);
    // Standard uncertainty of the total variance where there is nothing between.
    let hidden = within * (2.0 / (n - 1.0)).sqrt();
    let between = (total - within).max(hidden);
    let degrees =
        if between > hidden { between * between / (total * total / (n - 1.0) + within_spread) } else { 1.0 };
    Some(PlacingPart {
        u_rel: between.sqrt() / mean,
        // Below one degree Student's t has no quantile worth a name; the formula is rough there anyway.
        degrees: degrees.max(1.0),
        placings: u32::try_from(placed.len()).unwrap_or(u32::MAX),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::budget::combined;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::{Rng, SeedableRng};

    fn placed(speeds: &[f64], u_mm_s: f64, degrees: f64) -> Vec<Placed> {
        speeds.iter().map(|speed_mm_s| Placed { speed_mm_s: *speed_mm_s, u_mm_s, degrees }).collect()
    }

    /// Values of `tests/reference/budget.py` (numpy 2.4.6): the analysis of variance of five groups of three.
    #[test]
    fn the_part_between_is_that_of_an_analysis_of_variance() {
        let found =
            between_placings(&placed(&[100.2, 99.1, 100.9, 99.6, 100.7], 0.057_735_026_918_962_58, 10.0))
                .unwrap();
        assert!((found.u_rel - 0.007_486_955_429_875_881).abs() < 1e-12, "{found:?}");
        assert!((found.degrees - 3.952_930_578_938_71).abs() < 1e-9, "{found:?}");
        assert_eq!(found.placings, 5);
    }

    #[test]
    fn scatter_that_repeatability_explains_is_taken_for_what_it_can_hide() {
        let found = between_placings(&placed(&[100.0, 100.1, 99.9], 0.2, 20.0)).unwrap();
        // Of three placings the variance within, whose root is 0.2.
        assert!((found.u_rel - 0.002).abs() < 1e-12, "{found:?}");
        assert!((found.degrees - 1.0).abs() < 1e-12, "{found:?}");
        assert_eq!(between_placings(&placed(&[100.0], 0.2, 20.0)), None);
        assert_eq!(between_placings(&placed(&[0.0, 0.0], 0.2, 20.0)), None);
    }

    /// Normal by the central limit theorem: twelve uniform numbers.
    fn normal(source: &mut ChaCha8Rng) -> f64 {
        (0..12).map(|_| source.next_u32()).map(|bits| f64::from(bits) / f64::from(u32::MAX)).sum::<f64>()
            - 6.0
    }

    /// Seeded: the true part is found and the interval made with it and its degrees of freedom
    /// holds the engine's mean speed in 95 of 100 placings.
    #[test]
    fn the_interval_holds_what_it_says() {
        let mut source = ChaCha8Rng::seed_from_u64(2026);
        for (between, within, placings) in [(0.5, 0.1, 5), (0.5, 0.5, 5), (0.3, 0.1, 3), (0.5, 0.2, 10)] {
            let (rounds, mut inside, mut square) = (4000, 0, 0.0);
            for _ in 0..rounds {
                let placed: Vec<Placed> = (0..placings)
                    .map(|_| {
                        let off = between * normal(&mut source) + within * normal(&mut source);
                        Placed { speed_mm_s: 100.0 + off, u_mm_s: within, degrees: 30.0 }
                    })
                    .collect();
                let part = between_placings(&placed).unwrap();
                square += 1e4 * part.u_rel * part.u_rel / f64::from(rounds);
                // Another placing, measured once more.
                let off = between * normal(&mut source) + within * normal(&mut source);
                let whole = combined([(100.0 * part.u_rel, Some(part.degrees)), (within, Some(30.0))]);
                inside += u32::from(off.abs() <= whole.expanded());
            }
            let share = f64::from(inside) / f64::from(rounds);
            let told = format!("{between} {within} {placings}: {share} inside, sd {}", square.sqrt());
            assert!((0.94..0.99).contains(&share), "{told}");
            // Where repeatability hides the part it is taken for larger; else it is met in the mean of its square.
            let most = if within < between { 0.05 } else { 0.25 };
            assert!((-0.05..most).contains(&(square.sqrt() / between - 1.0)), "{told}");
        }
    }
}
