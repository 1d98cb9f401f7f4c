//! Momentum: how long a decoder takes from standing to full speed and back.
//!
//! Source: S-9.2.2 (2012) CV 3, 4, 23, 24, `standards/dcc.md` section 4.1. RCN-225 lets a decoder be
//! configured for other formulas, so the result is a first guess that the sensor overrules.

/// Seconds a unit of rate needs from standing to full speed, whatever the step mode.
const SECONDS_PER_UNIT: f64 = 0.896;

/// The rate in force: CV 3 with CV 23, or CV 4 with CV 24. Bit 7 of the adjustment subtracts. Above 255 the
/// highest rate is in force, below 0 none.
#[must_use]
pub const fn effective_rate(rate: u8, adjust: u8) -> u8 {
    let amount = adjust & 0x7F;
    if adjust & 0x80 == 0 { rate.saturating_add(amount) } else { rate.saturating_sub(amount) }
}

/// Seconds from standing to full speed, or back.
#[must_use]
pub fn full_range_s(rate: u8, adjust: u8) -> f64 {
    f64::from(effective_rate(rate, adjust)) * SECONDS_PER_UNIT
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `standards/dcc.md` section 10 rows 60 to 66 (S-9.2.2 CV 3, 4, 23).
    #[test]
    fn seconds_to_full_speed() {
        for (rate, adjust, effective, seconds) in [
            (20, 0, 20, 17.92),
            (255, 0, 255, 228.48),
            (0, 0, 0, 0.0),
            (20, 5, 25, 22.4),
            (20, 133, 15, 13.44),
            (20, 148, 0, 0.0),
            (20, 160, 0, 0.0),
            (200, 127, 255, 228.48),
        ] {
            assert_eq!(effective_rate(rate, adjust), effective);
            assert!((full_range_s(rate, adjust) - seconds).abs() < 1e-9, "{rate} {adjust}");
        }
    }
}
