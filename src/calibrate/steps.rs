//! Where a drive step lies on the scale of the 28 table entries.
//!
//! 28 steps: step n is entry n. 126 steps: the standards only say that the decoder interpolates (RCN-225 CV
//! 67-94); taken here is reading (a) of `standards/dcc.md` section 10.1: step 1 is entry 1, step 126 is entry
//! 28, evenly between.
use super::ENTRIES;

/// Pieces between the entries.
const SPANS: f64 = (ENTRIES - 1) as f64;

/// The place of `step` among the entries (1.0 to 28.0) in a mode of `of` moving steps. Steps outside 1 to
/// `of` count as the nearer end.
#[must_use]
pub fn entry_position(step: u16, of: u16) -> f64 {
    let last = of.max(2);
    1.0 + f64::from(step.clamp(1, last) - 1) * SPANS / f64::from(last - 1)
}

/// The step of a mode of `of` moving steps that lies nearest to a place among the entries; half-way goes up.
#[must_use]
pub fn nearest_step(entry: f64, of: u16) -> u16 {
    let last = of.max(2);
    let place = (entry.max(1.0) - 1.0).min(SPANS) * f64::from(last - 1) / SPANS;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "0 to last - 1 by the line above"
    )]
    let steps_above_first = (place + 0.5).floor() as u16;
    1 + steps_above_first
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `standards/dcc.md` section 10.1, reading (a): a table of 9k; no standard gives it.
    #[test]
    fn reading_a_of_126_steps() {
        for (step, value) in [
            (1, 9.000),
            (2, 10.944),
            (4, 14.832),
            (9, 24.552),
            (32, 69.264),
            (63, 129.528),
            (64, 131.472),
            (100, 201.456),
            (126, 252.000),
        ] {
            assert!((9.0 * entry_position(step, 126) - value).abs() < 1e-9, "{step}");
        }
    }

    #[test]
    fn steps_and_places_agree_both_ways() {
        for of in [28, 126] {
            for step in 1..=of {
                assert_eq!(nearest_step(entry_position(step, of), of), step);
            }
        }
        for entry in 1..=28_u16 {
            assert!((entry_position(entry, 28) - f64::from(entry)).abs() < 1e-12);
            let step = nearest_step(f64::from(entry), 126);
            assert!((entry_position(step, 126) - f64::from(entry)).abs() <= 0.5 * 27.0 / 125.0 + 1e-9);
        }
        assert_eq!([-3.0, 99.0, f64::NAN].map(|entry| nearest_step(entry, 126)), [1, 126, 1]);
        assert_eq!(
            [0, 127].map(|step| entry_position(step, 126).to_bits()),
            [1.0_f64, 28.0].map(f64::to_bits)
        );
    }
}
