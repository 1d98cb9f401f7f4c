//! The table and its two trims from the two curves.
//!
//! For given trims every entry is best by itself: speed rises with the entry in both directions, so the worse
//! of the two deviations falls up to the place where the mean of both speeds meets the target, and rises
//! behind it; the best whole number is one of the two beside that place. Every pair of trims from 64 to 192 is tried on top,
//! so that no other table and trims of that range leave a smaller worst deviation, measured in tolerances, as far as the
//! curves and what is known of the decoder's rounding are true. What a decoder makes of a product above 255 is not written
//! (`standards/dcc.md` section 4.2): no table asks for it.
use super::coupled::StepWise;
use super::habit::Habit;
use super::trial::{Lane, Trial};
use super::{ENTRIES, Habits, SpeedCurve, TableFit, TableReading, Target, Tolerance};
use serde::{Deserialize, Serialize};
use std::ops::RangeInclusive;
use thiserror::Error;

/// Full effect of a trim: no change.
const UNITY: u8 = 128;
/// Lowest trim looked at: below, one direction would use less than half of the table.
const LOWEST_TRIM: u8 = 64;
/// Highest trim looked at: steps get coarser above 128, and better only by chance.
const HIGHEST_TRIM: u8 = 192;
/// A worst deviation is smaller only by more than this part of it.
const SMALLER: f64 = 1.0 - 1e-12;
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

/// What a table is made from.
#[derive(Clone, Copy, Debug)]
pub struct TableTask<'a> {
    /// Forward and reverse.
    pub curves: [&'a SpeedCurve; 2],
    /// What the decoder makes of fractions of a count.
    pub habits: &'a Habits,
    /// The wanted speeds.
    pub target: &'a Target,
    /// What they may be missed by.
    pub tolerance: &'a Tolerance,
    /// Moving steps of the mode.
    pub of: u16,
    /// How the decoder meets the entries.
    pub reading: TableReading,
}

/// The worst predicted deviation of a table in tolerances, over every step of the mode and both directions.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TableQuality {
    /// Of this table, or of these three points, which are the best there are.
    pub worst: f64,
    /// What no table goes below under the same curves: with 28 steps by a full search over tables and trims; with 126, where
    /// neighbouring entries share their steps, a bound for these trims that need not be reached.
    pub bound: f64,
}

impl TableTask<'_> {
    /// The table and trims that keep the worst deviation, measured in tolerances, smallest over all entries and both
    /// directions; of equals the trims nearest to 128. In 126-step operation over all steps, as far as moving entries by one
    /// leads. A creep speed below what the engine can hold gets the slowest entry that moves it in both directions;
    /// [`super::predict()`] shows the deviation.
    ///
    /// # Errors
    /// See [`FitError`]. The reserve is not looked at here: [`check_top`] does.
    pub fn best(&self) -> Result<TableFit, FitError> {
        check_top(self.target.top(), self.curves[0], self.curves[1], 0.0)?;
        let habits = self.habits.plausible();
        let lanes = Lanes::of(self.curves, &habits, LOWEST_TRIM..=HIGHEST_TRIM);
        let best = lanes.best(self.wanted())?;
        if usize::from(self.of) <= ENTRIES || (best.trim_forward, best.trim_reverse) == (UNITY, UNITY) {
            return Ok(self.under_trims_of(&best)?.0);
        }
        // What is best at the entries need not be between them, where whole counts may serve as well.
        let plain = TableFit { trim_forward: UNITY, trim_reverse: UNITY, ..best };
        let best = self.under_trims_of(&best)?;
        Ok(match self.under_trims_of(&plain) {
            Ok(plain) if plain.1 <= best.1 => plain.0,
            _ => best.0,
        })
    }

    /// A table for curves that a verify has corrected. The trims stay where they serve: a decoder that rounds the product
    /// of entry and trim rounds it as it did when it was measured, so the correction holds; other trims would shuffle
    /// the rounding anew. They are searched again where, kept, they would leave a deviation beyond the tolerance.
    ///
    /// # Errors
    /// As [`TableTask::best`].
    pub fn after(&self, before: &TableFit) -> Result<TableFit, FitError> {
        let kept = self.under_trims_of(before)?;
        if kept.1 <= 1.0 { Ok(kept.0) } else { self.best() }
    }

    /// The best table under the trims of `before`, and its worst deviation in tolerances.
    ///
    /// # Errors
    /// As [`TableTask::best`].
    pub fn under_trims_of(&self, before: &TableFit) -> Result<(TableFit, f64), FitError> {
        check_top(self.target.top(), self.curves[0], self.curves[1], 0.0)?;
        let (trim_forward, trim_reverse) = (before.trim_forward, before.trim_reverse);
        let habits = self.habits.plausible();
        let lanes = (
            Lane::new(self.curves[0], trim_forward, &habits),
            Lane::new(self.curves[1], trim_reverse, &habits),
        );
        let trial =
            if let (Some(forward), Some(reverse)) = &lanes { Trial::new(forward, reverse) } else { None };
        let trial = trial.ok_or(FitError::DirectionsTooUnlike)?;
        let wanted = self.wanted();
        let fit = TableFit { table: table(&trial, &wanted), trim_forward, trim_reverse, points: None };
        if usize::from(self.of) <= ENTRIES {
            let worst = wanted.iter().map(|one| one.part(trial.best(one.speed_mm_s).1)).fold(0.0, f64::max);
            return Ok((fit, worst));
        }
        let steps =
            StepWise::new(self.curves, &habits, (self.target, self.tolerance), (self.reading, self.of));
        let fit = steps.descend(fit, trial.values());
        Ok((fit, steps.worst_of_all(&fit)))
    }

    /// How good a table is under these curves, and what none goes below.
    #[must_use]
    pub fn quality(&self, fit: &TableFit) -> TableQuality {
        let habits = self.habits.plausible();
        let wanted = (self.target, self.tolerance);
        let steps = StepWise::new(self.curves, &habits, wanted, (self.reading, self.of));
        let worst = steps.worst_of_all(fit);
        let bound = if fit.points.is_some() {
            worst
        } else if usize::from(self.of) <= ENTRIES {
            self.best().map_or(worst, |best| steps.worst_of_all(&best).min(worst))
        } else {
            steps.bound((fit.trim_forward, fit.trim_reverse)).min(worst)
        };
        TableQuality { worst, bound }
    }

    /// The wanted speeds of all entries.
    fn wanted(&self) -> Vec<Wanted> {
        let one = |entry: usize| {
            let speed_mm_s = self.target.at((entry + 1) as f64);
            // With 14 steps every second entry is met; the others only have to lie between.
            let met = self.of != 14 || entry % 2 == 1;
            let allowed_mm_s =
                if met { self.tolerance.allowed(speed_mm_s, 0.0).max(f64::EPSILON) } else { f64::INFINITY };
            Wanted { entry, speed_mm_s, allowed_mm_s }
        };
        (0..ENTRIES).map(one).collect()
    }
}

/// A wanted speed with the deviation allowed there.
#[derive(Clone, Copy, Debug)]
struct Wanted {
    entry: usize,
    speed_mm_s: f64,
    allowed_mm_s: f64,
}

impl Wanted {
    /// A deviation in tolerances.
    fn part(&self, deviation_mm_s: f64) -> f64 {
        deviation_mm_s / self.allowed_mm_s
    }
}

/// The best values under the trims on trial.
fn table(trial: &Trial, wanted: &[Wanted]) -> [u8; ENTRIES] {
    let mut table = [0; ENTRIES];
    for one in wanted {
        if let Some(value) = table.get_mut(one.entry) {
            *value = trial.best(one.speed_mm_s).0;
        }
    }
    table
}

/// Both directions under every trim of a range.
struct Lanes {
    /// Trim, forward, reverse.
    lanes: Vec<(u8, Option<Lane>, Option<Lane>)>,
}

impl Lanes {
    fn of(curves: [&SpeedCurve; 2], habits: &[Habit], trims: RangeInclusive<u8>) -> Self {
        let one = |trim| (trim, Lane::new(curves[0], trim, habits), Lane::new(curves[1], trim, habits));
        Self { lanes: trims.map(one).collect() }
    }

    /// Every pair that works, the nearest to 128 first.
    fn trials(&self) -> Vec<((u8, u8), Trial<'_>)> {
        let pairs = self.lanes.iter().flat_map(|ahead| self.lanes.iter().map(move |back| (ahead, back)));
        let mut trials: Vec<((u8, u8), Trial<'_>)> = pairs
            .filter_map(|(ahead, back)| {
                Some(((ahead.0, back.0), Trial::new(ahead.1.as_ref()?, back.2.as_ref()?)?))
            })
            .collect();
        let off = |trim: u8| u16::from(UNITY.abs_diff(trim));
        trials.sort_by_key(|((ahead, back), _)| (off(*ahead) + off(*back), ahead.abs_diff(*back)));
        trials
    }

    /// The pair with the smallest worst deviation, and its table.
    fn best(&self, mut wanted: Vec<Wanted>) -> Result<TableFit, FitError> {
        let mut best: Option<((u8, u8), Trial, f64)> = None;
        for (trims, trial) in self.trials() {
            let limit = best.as_ref().map_or(f64::INFINITY, |best| best.2 * SMALLER);
            let mut worst = 0.0_f64;
            let over = wanted.iter().position(|one| {
                worst = worst.max(one.part(trial.best(one.speed_mm_s).1));
                worst >= limit
            });
            match over {
                // What spoiled this pair is likely to spoil the next one too: it is looked at first.
                Some(at) => wanted[..=at].rotate_right(1),
                None => best = Some((trims, trial, worst)),
            }
        }
        let ((trim_forward, trim_reverse), trial, _) = best.ok_or(FitError::DirectionsTooUnlike)?;
        Ok(TableFit { table: table(&trial, &wanted), trim_forward, trim_reverse, points: None })
    }
}

#[cfg(test)]
#[path = "fit_tests.rs"]
mod tests;
