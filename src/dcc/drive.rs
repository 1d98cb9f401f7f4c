//! Trims of the speed table: factors on the motor's drive, which is a part of the rectified supply, not a speed.
//!
//! Source: S-9.2.2 (2012) and RCN-225 (2025), `standards/dcc.md` section 4.

/// The trim that leaves the drive as it is.
pub const UNITY_TRIM: u8 = 128;

/// The factor of a trim (CV 66, CV 95) on the drive: 128 is unity, and 0 means that no trim is applied.
#[must_use]
pub fn trim_factor(trim: u8) -> f64 {
    if trim == 0 { 1.0 } else { f64::from(trim) / f64::from(UNITY_TRIM) }
}

/// Drive of a table entry under a trim, in counts of 255. The product is kept exact, since the standards say
/// nothing about rounding; above full drive it saturates (not written either, but no motor gets more than
/// all).
#[must_use]
pub fn trimmed(entry: f64, trim: u8) -> f64 {
    (entry * trim_factor(trim)).min(255.0)
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "the expected values are exact in binary")]
mod tests {
    use super::*;

    /// `standards/dcc.md` section 10 rows 73 and 74 (S-9.2.2 and RCN-225, CV 66 and 95).
    #[test]
    fn trims_are_factors_of_128() {
        for (trim, factor) in [
            (128, 1.0),
            (64, 0.5),
            (255, 1.992_187_5),
            (0, 1.0),
            (1, 0.007_812_5),
            (120, 0.9375),
            (140, 1.093_75),
        ] {
            assert_eq!(trim_factor(trim), factor, "{trim}");
        }
    }

    /// Row 75, and `standards/measurement.md` section 9 (derived there).
    #[test]
    fn trimmed_entries() {
        assert_eq!(trimmed(200.0, 120), 187.5);
        assert_eq!(255.0 * trim_factor(140), 278.906_25);
        assert_eq!(trimmed(255.0, 140), 255.0);
    }
}
