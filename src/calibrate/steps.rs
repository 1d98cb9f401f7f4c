//! Where a drive step lies on the scale of the 28 table entries.
//!
//! 28 steps: step n is entry n. 126 steps: the standards only say that the decoder interpolates (RCN-225 CV
//! 67-94); both readings of `standards/dcc.md` section 10.1 are in use, and some do not interpolate at all. Which one holds
//! shows in the first verify: see [`super::TableUse`].
use super::ENTRIES;
use serde::{Deserialize, Serialize};

/// Pieces between the entries.
const SPANS: f64 = (ENTRIES - 1) as f64;

/// How a decoder reads its table in 126-step operation. With 28 steps there is nothing to read otherwise.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TableReading {
    /// The first step is entry 1 and the last is entry 28, evenly between.
    #[default]
    EndToEnd,
    /// Standstill is entry 0 and the last step entry 28: entry k lies at step 4.5 k, and what is below entry 1 on the line
    /// down to nothing.
    FromZero,
    /// Nothing lies between the entries: each serves an even share of the steps.
    Held,
}

impl TableReading {
    /// The place of `step` among the entries, up to 28.0, in a mode of `of` moving steps. Steps outside 1 to `of` count as
    /// the nearer end.
    #[must_use]
    pub fn entry(self, step: u16, of: u16) -> f64 {
        let last = of.max(2);
        let step = f64::from(step.clamp(1, last));
        match self {
            Self::EndToEnd => 1.0 + (step - 1.0) * SPANS / f64::from(last - 1),
            Self::FromZero => step * ENTRIES as f64 / f64::from(last),
            Self::Held => 1.0 + libm::floor((step - 1.0) * ENTRIES as f64 / f64::from(last)),
        }
    }

    /// The step of a mode of `of` moving steps that lies nearest to a place among the entries, and not below entry 1;
    /// half-way goes up.
    #[must_use]
    pub fn nearest_step(self, entry: f64, of: u16) -> u16 {
        let last = of.max(2);
        // `max` first: it turns "not a number" into the first entry.
        let entry = entry.max(1.0).min(ENTRIES as f64);
        let place = match self {
            Self::EndToEnd => 1.0 + (entry - 1.0) * f64::from(last - 1) / SPANS,
            Self::FromZero => entry * f64::from(last) / ENTRIES as f64,
            // The middle of its share.
            Self::Held => 0.5 + (entry - 0.5) * f64::from(last) / ENTRIES as f64,
        };
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "1 to last by the lines above"
        )]
        let step = (place + 0.5).floor() as u16;
        if self.entry(step, of) < 1.0 - 1e-9 { step + 1 } else { step }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `standards/dcc.md` section 10.1: a table of 9k under both readings; no standard gives them.
    #[test]
    fn both_readings_of_126_steps() {
        for (step, ends, zero) in [
            (1, 9.000, 2.000),
            (2, 10.944, 4.000),
            (4, 14.832, 8.000),
            (9, 24.552, 18.000),
            (32, 69.264, 64.000),
            (63, 129.528, 126.000),
            (64, 131.472, 128.000),
            (100, 201.456, 200.000),
            (126, 252.000, 252.000),
        ] {
            assert!((9.0 * TableReading::EndToEnd.entry(step, 126) - ends).abs() < 1e-9, "{step}");
            assert!((9.0 * TableReading::FromZero.entry(step, 126) - zero).abs() < 1e-9, "{step}");
        }
    }

    #[test]
    fn an_entry_that_is_held_serves_four_or_five_steps() {
        for entry in 1..=28_u16 {
            let served = (1..=126)
                .filter(|step| TableReading::Held.entry(*step, 126).to_bits() == f64::from(entry).to_bits());
            let served: Vec<u16> = served.collect();
            assert!(matches!(served.len(), 4 | 5), "{entry}: {served:?}");
            assert!(served.contains(&TableReading::Held.nearest_step(f64::from(entry), 126)), "{entry}");
        }
        assert_eq!(TableReading::Held.entry(20, 28).to_bits(), 20.0_f64.to_bits());
    }

    #[test]
    fn steps_and_places_agree_both_ways() {
        for reading in [TableReading::EndToEnd, TableReading::FromZero] {
            for of in [28, 126] {
                for step in (1..=of).filter(|step| reading.entry(*step, of) >= 1.0) {
                    assert_eq!(reading.nearest_step(reading.entry(step, of), of), step);
                }
            }
            for entry in 1..=28_u16 {
                assert!((reading.entry(entry, 28) - f64::from(entry)).abs() < 1e-12);
                let step = reading.nearest_step(f64::from(entry), 126);
                let place = reading.entry(step, 126);
                assert!(place >= 1.0 && (place - f64::from(entry)).abs() <= 0.5 * 28.0 / 126.0 + 1e-9);
            }
            let first = reading.nearest_step(1.0, 126);
            assert_eq!(
                [-3.0, 99.0, f64::NAN].map(|entry| reading.nearest_step(entry, 126)),
                [first, 126, first]
            );
            assert_eq!(reading.entry(127, 126).to_bits(), 28.0_f64.to_bits());
        }
        assert_eq!(TableReading::EndToEnd.entry(0, 126).to_bits(), 1.0_f64.to_bits());
    }
}
