//! Top speed a model engine may have: NEM 661 (2011, recommendation), `standards/dcc.md` section 8.
//!
//! Unloaded, on straight level track, after running-in: between the scale top speed of the prototype and that
//! raised by a share that grows as the models get smaller.

/// The raise for the size that `ratio` (N of 1:N) belongs to, as a fraction: that of the nearest size named
/// in NEM 661.
#[must_use]
pub fn raise(ratio: f64) -> f64 {
    const SIZES: [(f64, f64); 7] =
        [(220.0, 0.6), (160.0, 0.5), (120.0, 0.4), (87.0, 0.3), (64.0, 0.2), (45.0, 0.1), (32.0, 0.0)];
    let nearest = SIZES.iter().min_by(|a, b| (a.0 - ratio).abs().total_cmp(&(b.0 - ratio).abs()));
    nearest.map_or(0.0, |(_, raise)| *raise)
}

/// Lowest and highest recommended top speed of the model in mm/s, for a prototype of `kmh`.
#[must_use]
pub fn band_mm_s(ratio: f64, kmh: f64) -> (f64, f64) {
    let exact = kmh * 1_000_000.0 / 3600.0 / ratio;
    (exact, exact * (1.0 + raise(ratio)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `standards/dcc.md` section 10 rows 89 to 95 (NEM 661, 2011, section 3), prototype 140 km/h, m/s.
    #[test]
    fn recommended_band() {
        for (ratio, low, high) in [
            (220.0, 0.17677, 0.28283),
            (160.0, 0.24306, 0.36458),
            (120.0, 0.32407, 0.45370),
            (87.0, 0.44700, 0.58110),
            (64.0, 0.60764, 0.72917),
            (45.0, 0.86420, 0.95062),
            (32.0, 1.21528, 1.21528),
        ] {
            let (lowest, highest) = band_mm_s(ratio, 140.0);
            assert!((lowest / 1000.0 - low).abs() < 5.1e-6, "1:{ratio} {lowest}");
            assert!((highest / 1000.0 - high).abs() < 5.1e-6, "1:{ratio} {highest}");
        }
    }
}
