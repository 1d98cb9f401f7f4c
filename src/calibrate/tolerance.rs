//! How far a speed may lie from the wanted one, and the verdict on it.
use super::Verdict;

/// The larger of a part of the wanted speed and a floor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerance {
    relative: f64,
    absolute_mm_s: f64,
}

impl Tolerance {
    /// `relative` of the wanted speed, but never below `absolute_mm_s`.
    #[must_use]
    pub const fn new(relative: f64, absolute_mm_s: f64) -> Self {
        Self { relative, absolute_mm_s }
    }

    /// The deviation allowed at a wanted speed, mm/s: the larger of the tolerance and what the table can do
    /// at best there ([`super::table_limit`]; 0 to leave it out).
    #[must_use]
    pub fn allowed(&self, target_mm_s: f64, table_limit_mm_s: f64) -> f64 {
        (self.relative * target_mm_s).max(self.absolute_mm_s).max(table_limit_mm_s)
    }
}

/// The verdict on a deviation with a 95 % doubt (a half-width from Student's t: few whole turns carry it), against what is allowed. Whatever is no number is marginal:
/// neither proven nor disproven.
#[must_use]
pub fn judge_doubt(deviation_mm_s: f64, doubt_mm_s: f64, allowed_mm_s: f64) -> Verdict {
    let size = deviation_mm_s.abs();
    if size + doubt_mm_s <= allowed_mm_s {
        Verdict::Pass
    } else if size - doubt_mm_s > allowed_mm_s {
        Verdict::Fail
    } else {
        Verdict::Marginal
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_largest_allowance_counts() {
        let tolerance = Tolerance::new(0.02, 1.6);
        for (target, limit, allowed) in
            [(20.0, 0.0, 1.6), (200.0, 0.0, 4.0), (200.0, 5.0, 5.0), (20.0, 1.0, 1.6)]
        {
            assert!((tolerance.allowed(target, limit) - allowed).abs() < 1e-12);
        }
    }

    #[test]
    fn doubt_decides_between_pass_marginal_and_fail() {
        for (deviation, doubt, verdict) in [
            (1.0, 1.0, Verdict::Pass),
            (-1.0, 1.0, Verdict::Pass),
            (1.5, 1.0, Verdict::Marginal),
            (-2.5, 1.0, Verdict::Marginal),
            (3.0, 1.0, Verdict::Marginal),
            (3.5, 1.0, Verdict::Fail),
            (-3.5, 1.0, Verdict::Fail),
            (2.0, 0.0, Verdict::Pass),
            (2.5, 0.0, Verdict::Fail),
            (f64::INFINITY, 1.0, Verdict::Fail),
            (f64::NAN, 1.0, Verdict::Marginal),
            (0.0, f64::NAN, Verdict::Marginal),
        ] {
            assert_eq!(judge_doubt(deviation, doubt, 2.0), verdict, "{deviation} {doubt}");
        }
    }
}
