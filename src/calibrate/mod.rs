//! Curves, the table and its two trims, verdicts. Pure computation on measured points.
//!
//! Method and check values: `standards/measurement.md` sections 7, 8, 9, 12.C; CV meanings: `standards/dcc.md` section 4.
//! May not know time, links or phases.
use crate::station::Direction;
use serde::{Deserialize, Serialize};

/// Number of entries of the speed table, CV 67 to CV 94.
pub const ENTRIES: usize = 28;

/// A measured point of the baseline curve.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// Motor drive, 0 to 255, as the linear baseline gives it.
    pub drive: f64,
    /// Speed in mm/s, not negative.
    pub speed_mm_s: f64,
    /// Standard uncertainty (k = 1) of this point by itself (repeatability), in mm/s.
    pub u_mm_s: f64,
}

/// A speed with its standard uncertainty (k = 1), in mm/s.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SpeedEstimate {
    /// Speed in mm/s.
    pub speed_mm_s: f64,
    /// Standard uncertainty in mm/s.
    pub u_mm_s: f64,
}

/// What is written into the decoder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TableFit {
    /// CV 67 to CV 94, non-decreasing, first at least 1.
    pub table: [u8; ENTRIES],
    /// CV 66, 128 is unity.
    pub trim_forward: u8,
    /// CV 95, 128 is unity.
    pub trim_reverse: u8,
}

/// Verdict on one deviation or on the whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Within the tolerance even with its 95 % doubt.
    Pass,
    /// The doubt straddles the tolerance.
    Marginal,
    /// Beyond the tolerance even with its doubt.
    Fail,
}

/// A speed measured at a table entry during verify.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct VerifyPoint {
    /// Table entry, 1 to 28; may lie between entries in 126-step operation.
    pub entry: f64,
    /// Direction.
    pub direction: Direction,
    /// What was measured.
    pub measured: SpeedEstimate,
}

// The interface that the run builds on (errors are thiserror enums; every public item documented):
//
// impl SpeedCurve { fit(points: &[CurvePoint]) -> Result<Self, CurveError>;      // weighted PAVA + PCHIP; standing at and below the dead zone
//                   speed_at(drive: f64) -> SpeedEstimate;  drive_for(speed_mm_s) -> Option<f64>;  top() -> SpeedEstimate; slope_at(drive)->f64 }
// impl Target { line(creep_mm_s, top_mm_s) ; through(points: &[(entry, mm/s)]) -> Result<..>; at(entry: f64) -> f64; top() -> f64; scaled_to_top(..) }
// impl Tolerance { new(relative, absolute_mm_s); allowed(target_mm_s, table_limit_mm_s) -> f64 }
// fn fit_table(forward: &SpeedCurve, reverse: &SpeedCurve, target: &Target, tolerance: &Tolerance) -> Result<TableFit, FitError>
// fn predict(fit: &TableFit, curve: &SpeedCurve, direction, entry: f64) -> SpeedEstimate
// fn table_limit(fit, curve, direction, entry) -> f64       // half the local step of the curve: what the table can do at best
// fn correct(curve: &SpeedCurve, fit: &TableFit, direction, verified: &[VerifyPoint]) -> SpeedCurve  // residuals folded in, smooth in drive
// fn judge(deviation_mm_s, u_mm_s, allowed_mm_s) -> Verdict       // 95 % doubt = 2 u (k = 2), or t with dof
