//! Motor drive of a step while the decoder is linear, before any table is written.
use super::{ENTRIES, TableFit, TableReading};
use crate::dcc::drive::UNITY_TRIM;
use crate::station::Setting;
use serde::{Deserialize, Serialize};

/// How the decoder was made linear. Common practice, no source: the standards name the three CVs, but neither
/// the shape between them nor the middle step of 126 (`standards/dcc.md` section 4.2).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BaselineKind {
    /// CV 2, CV 6, CV 5 all 0: straight from 0 at step 1 (CV 2 is the drive at step 1, S-9.2.2) to full drive
    /// at the top (CV 5 and CV 6 of 0 are not used). Step 1 therefore stands.
    Zeros,
    /// CV 2 = 1, CV 6 = 128, CV 5 = 255: straight from 1 at step 1 to 128 at the middle step (14 of 28, 63 of
    /// 126), and straight on to 255 at the top.
    OneMidFull,
    /// The table in use, straight from 9 at entry 1 to 255 at entry 28: for decoders that do not obey the three CVs. 126 steps
    /// meet it as the reading says.
    Table(TableReading),
}

/// The table of [`BaselineKind::Table`]: 255 k / 28, to the nearest whole number.
#[must_use]
pub fn straight_table() -> [u8; ENTRIES] {
    let mut table = [u8::MAX; ENTRIES];
    for (entry, value) in (1_u16..).zip(&mut table) {
        let rounded = (255 * entry + 14) / 28;
        *value = u8::try_from(rounded).unwrap_or(u8::MAX);
    }
    table
}

/// Motor drive (0 to 255) of a step in the linear baseline. Step 0 stands; steps above the top count as the
/// top.
#[must_use]
pub fn baseline_drive(kind: BaselineKind, setting: Setting) -> f64 {
    let of = setting.of.max(2);
    let step = f64::from(setting.value.min(of));
    let (middle, top) = (f64::from(of / 2), f64::from(of));
    match kind {
        _ if setting.value == 0 => 0.0,
        BaselineKind::Zeros => 255.0 * (step - 1.0) / (top - 1.0),
        BaselineKind::OneMidFull if step <= middle => 1.0 + 127.0 * (step - 1.0) / (middle - 1.0).max(1.0),
        BaselineKind::OneMidFull => 128.0 + 127.0 * (step - middle) / (top - middle),
        BaselineKind::Table(reading) => {
            let fit = TableFit {
                table: straight_table(),
                trim_forward: UNITY_TRIM,
                trim_reverse: UNITY_TRIM,
                points: None,
            };
            let entry = reading.entry(setting.value, of);
            fit.value(entry) * entry.clamp(0.0, 1.0)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `standards/dcc.md` section 10 rows 67 to 70: CV 2 is the drive at step 1, CV 5 that at the top, CV 6
    /// that in the middle (S-9.2.2, 2012). Straight between them: common practice, no source.
    #[test]
    fn drives_at_first_middle_and_top_step() {
        use BaselineKind::{OneMidFull, Zeros};
        for (kind, value, of, drive) in [
            (Zeros, 0, 28, 0.0),
            (Zeros, 1, 28, 0.0),
            (Zeros, 10, 28, 85.0),
            (Zeros, 28, 28, 255.0),
            (Zeros, 1, 126, 0.0),
            (Zeros, 26, 126, 51.0),
            (Zeros, 126, 126, 255.0),
            (OneMidFull, 0, 28, 0.0),
            (OneMidFull, 1, 28, 1.0),
            (OneMidFull, 14, 28, 128.0),
            (OneMidFull, 28, 28, 255.0),
            (OneMidFull, 1, 126, 1.0),
            (OneMidFull, 63, 126, 128.0),
            (OneMidFull, 126, 126, 255.0),
            (OneMidFull, 200, 126, 255.0),
            (Zeros, 14, 14, 255.0),
            (OneMidFull, 7, 14, 128.0),
        ] {
            let found = baseline_drive(kind, Setting { value, of });
            assert!((found - drive).abs() < 1e-12, "{kind:?} {value} of {of}: {found}");
        }
    }

    #[test]
    fn a_straight_table_is_straight_to_half_a_count() {
        for (entry, value) in (1_u8..).zip(straight_table()) {
            assert!((f64::from(value) - 255.0 * f64::from(entry) / 28.0).abs() <= 0.5, "{entry}: {value}");
        }
        let at = |value, of, reading| baseline_drive(BaselineKind::Table(reading), Setting { value, of });
        let (ends, zero) = (TableReading::EndToEnd, TableReading::FromZero);
        for (value, of, reading, drive) in
            [(1, 28, ends, 9.0), (28, 28, ends, 255.0), (126, 126, zero, 255.0), (9, 126, zero, 18.0)]
        {
            assert!((at(value, of, reading) - drive).abs() < 1e-9, "{value} {of}");
        }
    }

    #[test]
    fn drive_rises_with_every_step() {
        let tables = [TableReading::EndToEnd, TableReading::FromZero].map(BaselineKind::Table);
        for kind in [BaselineKind::Zeros, BaselineKind::OneMidFull].into_iter().chain(tables) {
            for of in [28, 126] {
                let drives: Vec<f64> =
                    (1..=of).map(|value| baseline_drive(kind, Setting { value, of })).collect();
                assert!(drives.windows(2).all(|pair| pair[0] < pair[1]), "{kind:?} {of}");
            }
        }
    }
}
