//! A linear baseline that is not linear: the decoder's own curve still bends or cuts it.
//!
//! A motor's speed is nearly straight over drive above its dead zone (`standards/measurement.md` section 10), so a slope that
//! changes much at the middle step is the decoder's doing: the drive at the middle, CV 6, or at the top, CV 5, is not what
//! was written. Which of the two can't be told from speeds alone, for only the ratio of both shows; a curve that stops
//! rising is cut. Common practice, no source: a middle of 64 or 192 counts for bent, a top of 128 with a middle of 128 for cut.
use super::CurvePoint;

/// Drives below the middle, clear of most dead zones.
const BELOW: std::ops::RangeInclusive<f64> = 56.0..=128.0;
/// Drives above the middle.
const ABOVE: std::ops::RangeInclusive<f64> = 128.0..=255.0;
/// Points on each side, and counts between the outermost, that make a slope.
const POINTS: usize = 3;
const SPAN: f64 = 30.0;
/// The upper slope over the lower: a motor's own bend stays within (its exponents of 0.8 to 1.25 give 0.8 to 1.4).
const STEEPER: f64 = 1.8;
const FLATTER: f64 = 0.55;
/// Below this it does not rise any more.
const CUT: f64 = 0.12;

/// How a baseline is bent at its middle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Bend {
    /// Steeper above: the middle is too low against the top. The ratio of both slopes.
    MiddleLow(f64),
    /// Flatter above: the middle is too high against the top, or the top too low. The ratio.
    MiddleHigh(f64),
    /// It stops rising at the middle. The ratio.
    Cut(f64),
}

impl Bend {
    /// The bend that these points of a direction show over their nominal drives; none where it is straight, or where too
    /// little was measured on either side.
    #[must_use]
    pub fn of(points: &[CurvePoint]) -> Option<Self> {
        let ratio = slope(points, &ABOVE)? / slope(points, &BELOW).filter(|slope| *slope > 0.0)?;
        match ratio {
            ratio if ratio > STEEPER => Some(Self::MiddleLow(ratio)),
            ratio if ratio < CUT => Some(Self::Cut(ratio)),
            ratio if ratio < FLATTER => Some(Self::MiddleHigh(ratio)),
            _ => None,
        }
    }

    /// Upper slope over lower slope.
    #[must_use]
    pub fn ratio(self) -> f64 {
        match self {
            Self::MiddleLow(ratio) | Self::MiddleHigh(ratio) | Self::Cut(ratio) => ratio,
        }
    }

    /// Drive at the middle, in counts, that bends a straight line to a top of 255 so.
    #[must_use]
    pub fn middle(self) -> f64 {
        255.0 / (1.0 + self.ratio())
    }
}

/// Least squares through the moving points of a range, mm/s a count.
fn slope(points: &[CurvePoint], range: &std::ops::RangeInclusive<f64>) -> Option<f64> {
    let within = points.iter().filter(|point| range.contains(&point.drive) && point.speed_mm_s > 0.0);
    let within: Vec<&CurvePoint> = within.collect();
    let drives = || within.iter().map(|point| point.drive);
    let span = drives().fold(0.0, f64::max) - drives().fold(f64::INFINITY, f64::min);
    if within.len() < POINTS || span < SPAN {
        return None;
    }
    let count = within.len() as f64;
    let mean = drives().sum::<f64>() / count;
    let speed = within.iter().map(|point| point.speed_mm_s).sum::<f64>() / count;
    let both = within.iter().map(|point| (point.drive - mean) * (point.speed_mm_s - speed)).sum::<f64>();
    let own = drives().map(|drive| (drive - mean) * (drive - mean)).sum::<f64>();
    Some(both / own)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 28 points of an engine with this law over its true drive, which the middle and the top bend (straight between them:
    /// common practice, no source).
    fn points(middle: f64, top: f64, law: impl Fn(f64) -> f64) -> Vec<CurvePoint> {
        let at = |step: u8| {
            let drive = 255.0 * f64::from(step) / 28.0;
            let used = if drive <= 127.5 {
                middle * drive / 127.5
            } else {
                middle + (top - middle) * (drive - 127.5) / 127.5
            };
            CurvePoint { drive, speed_mm_s: law(used), u_mm_s: 0.2 }
        };
        (1..=28).map(at).collect()
    }

    fn line(drive: f64) -> f64 {
        (2.0 * (drive - 11.0)).max(0.0)
    }

    /// 64, 192 and a top of 128: common practice, no source.
    #[test]
    fn a_middle_too_low_or_too_high_and_a_top_too_low_are_told() {
        let bend = |middle, top| Bend::of(&points(middle, top, line));
        let Some(low @ Bend::MiddleLow(_)) = bend(64.0, 255.0) else { panic!("{:?}", bend(64.0, 255.0)) };
        assert!((low.middle() - 64.0).abs() < 3.0, "{low:?}");
        let Some(high @ Bend::MiddleHigh(_)) = bend(192.0, 255.0) else { panic!("{:?}", bend(192.0, 255.0)) };
        assert!((high.middle() - 192.0).abs() < 3.0, "{high:?}");
        assert!(matches!(bend(128.0, 128.0), Some(Bend::Cut(_))), "{:?}", bend(128.0, 128.0));
        assert!(matches!(bend(96.0, 128.0), Some(Bend::MiddleHigh(_))), "{:?}", bend(96.0, 128.0));
        assert_eq!(bend(128.0, 255.0), None);
        assert_eq!(bend(110.0, 255.0), None, "that much a motor may bend by itself");
    }

    /// The exponents of `standards/measurement.md` section 12.C, with dead zones up to 40 counts.
    #[test]
    fn a_motors_own_bend_is_no_decoders() {
        for exponent in [0.8, 1.0, 1.25] {
            for dead in [5.0, 20.0, 40.0] {
                let law =
                    |drive: f64| 450.0 * libm::pow(((drive - dead) / (255.0 - dead)).max(0.0), exponent);
                assert_eq!(Bend::of(&points(127.5, 255.0, law)), None, "{exponent} {dead}");
            }
        }
        assert_eq!(Bend::of(&points(64.0, 255.0, line)[..16]), None, "too little above the middle");
    }
}
