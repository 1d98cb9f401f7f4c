//! The table and its two trims from the two curves.
//!
//! For given trims every entry is best by itself: speed rises with the entry in both directions, so the worse
//! of the two deviations falls up to the place where the mean of both speeds meets the target, and rises
//! behind it; the best whole number is one of the two beside that place. Trims are searched on top, see
//! [`search`].
use super::trial::Trial;
use super::{ENTRIES, SpeedCurve, TableFit, Target, Tolerance};
use thiserror::Error;

/// Full effect of a trim: no change.
const UNITY: u8 = 128;
/// Lowest trim looked at: below, one direction would use less than half of the table.
const LOWEST_TRIM: u8 = 64;
/// Lowering both trims must better the worst deviation to below this part of it: the finer steps exist only
/// if the decoder keeps the product of entry and trim exact, which no standard promises.
const WORTH_LOWERING: f64 = 0.9;
/// A worst deviation up to this part of the tolerance leaves room for the doubt with which verify measures it.
const GOOD_ENOUGH: f64 = 0.75;
/// Rounding that does not make a top unreachable.
const ROUNDING: f64 = 1e-9;

/// Why there is no table.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum FitError {
    /// The target's top lies above what both directions reach.
    #[error(
        "the top asked for, {asked_mm_s:.1} mm/s, is above the highest reachable, {reachable_mm_s:.1} mm/s"
    )]
    TopNotReachable {
        /// Top of the target.
        asked_mm_s: f64,
        /// Highest that both directions reach, reserve taken off.
        reachable_mm_s: f64,
    },
    /// No pair of trims brings both directions onto one table.
    #[error("forward and reverse differ too much for one table: no trims bring them together")]
    DirectionsTooUnlike,
}

/// The highest target top that both directions reach when the part `reserve` (0.10 for a tenth) is kept free,
/// mm/s.
#[must_use]
pub fn reachable_top(forward: &SpeedCurve, reverse: &SpeedCurve, reserve: f64) -> f64 {
    (1.0 - reserve) * forward.top().speed_mm_s.min(reverse.top().speed_mm_s)
}

/// Checks a target's top against [`reachable_top`], before anything is fitted or written.
///
/// # Errors
/// [`FitError::TopNotReachable`] with both figures.
pub fn check_top(
    asked_mm_s: f64,
    forward: &SpeedCurve,
    reverse: &SpeedCurve,
    reserve: f64,
) -> Result<(), FitError> {
    let reachable_mm_s = reachable_top(forward, reverse, reserve);
    if asked_mm_s <= reachable_mm_s * (1.0 + ROUNDING) {
        Ok(())
    } else {
        Err(FitError::TopNotReachable { asked_mm_s, reachable_mm_s })
    }
}

/// The table and trims that keep the worst deviation, measured in tolerances, small over all entries and both
/// directions. A creep speed below what the engine can hold gets the slowest entry that moves it in both
/// directions; [`super::predict()`] shows the deviation.
///
/// # Errors
/// See [`FitError`]. The reserve is not looked at here: [`check_top`] does.
pub fn fit_table(
    forward: &SpeedCurve,
    reverse: &SpeedCurve,
    target: &Target,
    tolerance: &Tolerance,
) -> Result<TableFit, FitError> {
    check_top(target.top(), forward, reverse, 0.0)?;
    let wanted = wanted(target, tolerance);
    let trims = search(forward, reverse, &wanted).ok_or(FitError::DirectionsTooUnlike)?;
    with_trims(trims, forward, reverse, &wanted)
}

/// A table for curves that a verify has corrected. The trims stay where they serve: a decoder that rounds the product
/// of entry and trim rounds it as it did when it was measured, so the correction holds; other trims would shuffle
/// the rounding anew. They are searched again where, kept, they would leave a deviation beyond the tolerance.
///
/// # Errors
/// As [`fit_table`].
pub fn refit_table(
    before: &TableFit,
    forward: &SpeedCurve,
    reverse: &SpeedCurve,
    target: &Target,
    tolerance: &Tolerance,
) -> Result<TableFit, FitError> {
    check_top(target.top(), forward, reverse, 0.0)?;
    let trims = (before.trim_forward, before.trim_reverse);
    let wanted = wanted(target, tolerance);
    let serves = Trial::new(forward, reverse, trims.0, trims.1)
        .is_some_and(|trial| worst(&wanted, |speed| trial.best_deviation(speed)) <= 1.0);
    if serves {
        return with_trims(trims, forward, reverse, &wanted);
    }
    fit_table(forward, reverse, target, tolerance)
}

/// The wanted speeds of all entries.
fn wanted(target: &Target, tolerance: &Tolerance) -> Vec<Wanted> {
    (1..=ENTRIES)
        .map(|entry| target.at(entry as f64))
        .map(|speed_mm_s| Wanted {
            speed_mm_s,
            allowed_mm_s: tolerance.allowed(speed_mm_s, 0.0).max(f64::EPSILON),
        })
        .collect()
}

/// The best entries under these trims.
fn with_trims(
    (trim_forward, trim_reverse): (u8, u8),
    forward: &SpeedCurve,
    reverse: &SpeedCurve,
    wanted: &[Wanted],
) -> Result<TableFit, FitError> {
    let trial =
        Trial::new(forward, reverse, trim_forward, trim_reverse).ok_or(FitError::DirectionsTooUnlike)?;
    let mut table = [0; ENTRIES];
    for (value, wanted) in table.iter_mut().zip(wanted) {
        *value = trial.best_value(wanted.speed_mm_s);
    }
    Ok(TableFit { table, trim_forward, trim_reverse })
}

/// A wanted speed with the deviation allowed there.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wanted {
    pub(super) speed_mm_s: f64,
    pub(super) allowed_mm_s: f64,
}

/// The trims, forward and reverse; none when no pair works. Three steps:
///
/// 1. The slower direction keeps 128 (its drive is then exact in any decoder); the other is taken from where
///    the curves agree best, as if the table had no steps. Chance hits of the table's steps so can't pull a
///    symmetric engine from 128/128.
/// 2. Where that is not 128/128, the trims beside it are tried with whole entries.
/// 3. Where the worst then lies beyond the tolerance, or so near that verify could not tell, both are lowered together,
///    which makes the table's steps finer.
fn search(forward: &SpeedCurve, reverse: &SpeedCurve, wanted: &[Wanted]) -> Option<(u8, u8)> {
    let trial = |trims: (u8, u8)| Trial::new(forward, reverse, trims.0, trims.1);
    let smooth = |trims| trial(trims).map(|trial| worst(wanted, |speed| trial.smooth_deviation(speed)));
    let whole = |trims| trial(trims).map(|trial| worst(wanted, |speed| trial.best_deviation(speed)));

    let falling = (LOWEST_TRIM..=UNITY).rev();
    let matched = smallest(falling.flat_map(|trim| [(trim, UNITY), (UNITY, trim)]), smooth)?.0;
    let refined = smallest(beside(matched), whole)?;
    if refined.1 <= GOOD_ENOUGH {
        return Some(refined.0);
    }
    let lowered = (LOWEST_TRIM..UNITY).rev().flat_map(|slower| lowered_to(refined.0, slower));
    match smallest(lowered, whole) {
        Some(finer) if finer.1 < WORTH_LOWERING * refined.1 => Some(finer.0),
        _ => Some(refined.0),
    }
}

/// The largest deviation in tolerances.
fn worst(wanted: &[Wanted], deviation: impl Fn(f64) -> f64) -> f64 {
    wanted.iter().fold(0.0, |worst, wanted| worst.max(deviation(wanted.speed_mm_s) / wanted.allowed_mm_s))
}

/// The pair with the smallest score, the first of equals; pairs without a score are passed over.
fn smallest(
    pairs: impl Iterator<Item = (u8, u8)>,
    score: impl Fn((u8, u8)) -> Option<f64>,
) -> Option<((u8, u8), f64)> {
    pairs.filter_map(|pair| Some((pair, score(pair)?))).min_by(|a, b| a.1.total_cmp(&b.1))
}

/// The pair itself, then those with the lower trim one less and one more. Equal trims stay alone.
fn beside((forward, reverse): (u8, u8)) -> impl Iterator<Item = (u8, u8)> {
    let lower = forward.min(reverse);
    let trims = if forward == reverse { lower..=lower } else { lower - 1..=lower + 1 };
    let rest = trims.filter(move |trim| *trim != lower && (LOWEST_TRIM..=UNITY).contains(trim));
    let with = move |trim| if forward < reverse { (trim, reverse) } else { (forward, trim) };
    std::iter::once((forward, reverse)).chain(rest.map(with))
}

/// The pairs in the ratio of `pair` (the slower direction of which has 128) with the slower direction at
/// `slower`: the other rounded down and up. Equal trims stay equal.
fn lowered_to((forward, reverse): (u8, u8), slower: u8) -> impl Iterator<Item = (u8, u8)> {
    let product = u16::from(forward.min(reverse)) * u16::from(slower);
    let (down, up) = (product / u16::from(UNITY), product.div_ceil(u16::from(UNITY)));
    let others =
        (down..=up).filter_map(|other| u8::try_from(other).ok()).filter(|other| *other >= LOWEST_TRIM);
    others.map(move |other| if forward < reverse { (other, slower) } else { (slower, other) })
}

#[cfg(test)]
#[path = "fit_tests.rs"]
mod tests;
