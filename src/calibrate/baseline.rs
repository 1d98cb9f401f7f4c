//! Motor drive of a step while the decoder is linear, before any table is written.
use crate::station::Setting;
use serde::{Deserialize, Serialize};

/// How the decoder was made linear. Common practice, no source: the standards name the three CVs, but neither
/// the shape between them nor the middle step of 126 (`standards/dcc.md` section 4.2).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BaselineKind {
    /// CV 2, CV 6, CV 5 all 0: an even share of full drive for every step.
    Zeros,
    /// CV 2 = 1, CV 6 = 128, CV 5 = 255: straight from 1 at step 1 to 128 at the middle step (14 of 28, 63 of
    /// 126), and straight on to 255 at the top.
    OneMidFull,
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
        BaselineKind::Zeros => 255.0 * step / top,
        BaselineKind::OneMidFull if step <= middle => 1.0 + 127.0 * (step - 1.0) / (middle - 1.0).max(1.0),
        BaselineKind::OneMidFull => 128.0 + 127.0 * (step - middle) / (top - middle),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Common practice, no source; the three given drives are the meaning of CV 2, 6, 5 in S-9.2.2 (2012).
    #[test]
    fn drives_at_first_middle_and_top_step() {
        use BaselineKind::{OneMidFull, Zeros};
        for (kind, value, of, drive) in [
            (Zeros, 0, 28, 0.0),
            (Zeros, 1, 28, 255.0 / 28.0),
            (Zeros, 14, 28, 127.5),
            (Zeros, 28, 28, 255.0),
            (Zeros, 63, 126, 127.5),
            (OneMidFull, 0, 28, 0.0),
            (OneMidFull, 1, 28, 1.0),
            (OneMidFull, 14, 28, 128.0),
            (OneMidFull, 28, 28, 255.0),
            (OneMidFull, 1, 126, 1.0),
            (OneMidFull, 63, 126, 128.0),
            (OneMidFull, 126, 126, 255.0),
            (OneMidFull, 200, 126, 255.0),
        ] {
            let found = baseline_drive(kind, Setting { value, of });
            assert!((found - drive).abs() < 1e-12, "{kind:?} {value} of {of}: {found}");
        }
    }

    #[test]
    fn drive_rises_with_every_step() {
        for kind in [BaselineKind::Zeros, BaselineKind::OneMidFull] {
            for of in [28, 126] {
                let drives: Vec<f64> =
                    (0..=of).map(|value| baseline_drive(kind, Setting { value, of })).collect();
                assert!(drives.windows(2).all(|pair| pair[0] < pair[1]), "{kind:?} {of}");
            }
        }
    }
}
