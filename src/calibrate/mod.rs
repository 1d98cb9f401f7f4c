//! Curves, the table and its two trims, verdicts. Pure computation on measured points.
//!
//! Method and check values: `standards/measurement.md` sections 7, 8, 9, 12.C; CV meanings:
//! `standards/dcc.md` section 4. May not know time, links or phases.
//!
//! The points of both directions make [`Drawn`] curves, a [`SpeedCurve`] a direction; two curves, a [`Target`] and a
//! [`Tolerance`] make a [`TableFit`] by way of a [`TableTask`]; [`next_points()`] says which points it still needs; [`predict()`] says what it will do; what verify saw goes through [`judge_doubt`] and, once, through
//! [`correct()`].
use crate::station::Direction;
use serde::{Deserialize, Serialize};

mod baseline;
mod bend;
pub mod budget;
mod correct;
mod coupled;
mod curve;
mod drag;
mod drawn;
mod drift;
mod fit;
mod habit;
mod next_point;
mod pava;
mod pchip;
mod placing;
mod predict;
mod repeat;
mod spline;
mod steps;
mod table_use;
mod target;
#[cfg(test)]
mod testing;
mod theil_sen;
mod three_points;
mod tolerance;
mod trial;

pub use baseline::{BaselineKind, baseline_drive, straight_table};
pub use bend::Bend;
pub use correct::correct;
pub use curve::{CurveError, DriveEstimate, SpeedCurve};
pub use drag::{DragAt, DragSeen, DragSide, SpeedAt, drag};
pub use drawn::Drawn;
pub use drift::{Drift, Revisit};
pub use fit::{FitError, TableQuality, TableTask, check_top, reachable_top};
pub use habit::Habits;
pub use next_point::next_points;
pub use placing::{Placed, PlacingPart, between_placings};
pub use predict::{flat_top, predict, predicted_worst, table_limit};
pub use repeat::{Repeatability, SweptSpeed, repeatability};
pub use steps::TableReading;
pub use table_use::{SeenStep, TableUse, Written};
pub use target::{Target, TargetError};
pub use theil_sen::{Slope, Trend, theil_sen, trend};
pub use three_points::ThreePoints;
pub use tolerance::{Tolerance, judge_doubt};

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
    /// For a decoder without a table: CV 2, 6 and 5 in place of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub points: Option<ThreePoints>,
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
