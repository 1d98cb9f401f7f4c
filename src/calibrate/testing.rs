//! What the tests of this part share.
use super::{FitError, Habits, SpeedCurve, TableFit, TableReading, TableTask, Target, Tolerance};

/// A decoder that keeps fractions of a count.
pub(super) const KEPT: Habits = Habits { exact: 1.0, nearest: 0.0, down: 0.0, beside: 0.0 };

/// The table of a decoder in 28 steps.
pub(super) fn fit_table(
    forward: &SpeedCurve,
    reverse: &SpeedCurve,
    habits: &Habits,
    target: &Target,
    tolerance: &Tolerance,
) -> Result<TableFit, FitError> {
    let reading = TableReading::EndToEnd;
    TableTask { curves: [forward, reverse], habits, target, tolerance, of: 28, reading }.best()
}
