//! The result of a run as the core knows it. The shell adds run id, wall time and folder.
use crate::calibrate::budget::BudgetLine;
use crate::calibrate::{BaselineKind, ENTRIES, Habits, TableQuality, TableUse, ThreePoints};
use crate::cause::Reason;
use crate::motion::Measured;
use crate::sensor::Housekeeping;
use crate::station::Direction;
use serde::{Deserialize, Serialize};

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum End {
    /// The table is in the decoder and was measured.
    Calibrated,
    /// The engine cannot be calibrated as asked.
    Rejected,
    /// The bench failed.
    Halted,
    /// The person or the system ended it.
    Interrupted,
    /// The decoder holds again what it held before an earlier run.
    Restored,
    /// What the decoder holds was compared with what it held before an earlier run; nothing was written.
    Compared,
    /// The curves were measured, and the decoder is as it was.
    Measured,
    /// The table in the decoder was measured; the verdict says how good it is.
    Checked,
    /// The engine was run in.
    RanIn,
    /// The engine rolled as long as it was to, and nobody stopped it.
    Rolled,
    /// Nothing was begun: the bench file or the plan is wrong.
    Refused,
}

/// The verdict of verify, or none.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum VerdictWord {
    /// Every measured step within tolerance with its doubt.
    Pass,
    /// A doubt straddles the tolerance.
    Marginal,
    /// Beyond.
    Fail,
    /// Not measured.
    None,
}

/// How sure it is that the engine stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StopGrade {
    /// The sensor saw standstill for a time.
    Still,
    /// The station said so.
    Acknowledged,
    /// Neither.
    Unconfirmed,
}

/// What is in the decoder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DecoderState {
    /// As it came.
    Original,
    /// The new table, whole.
    New,
    /// Something between; originals are pending.
    Mixed,
    /// Nobody can say.
    Unknown,
}

/// Where a step's figures come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StepSource {
    /// Measured in verify, both directions.
    Measured,
    /// Predicted from the curve.
    Predicted,
}

/// One of the 28 steps. Speeds are positive; u with k = 1.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct StepRow {
    /// Step number in the step mode used.
    pub step: u16,
    /// Wanted.
    pub target_mm_s: f64,
    /// Forward.
    pub forward_mm_s: Option<f64>,
    /// Its doubt.
    pub forward_u_mm_s: Option<f64>,
    /// Half-width that holds 95 %.
    pub forward_u95_mm_s: Option<f64>,
    /// Reverse.
    pub reverse_mm_s: Option<f64>,
    /// Its doubt.
    pub reverse_u_mm_s: Option<f64>,
    /// Half-width that holds 95 %.
    pub reverse_u95_mm_s: Option<f64>,
    /// Part of the forward doubt that another engine measured on the same axle does not share, k = 1.
    #[serde(default)]
    pub forward_own_u_mm_s: Option<f64>,
    /// Part of the forward doubt that such an engine shares, k = 1.
    #[serde(default)]
    pub forward_shared_u_mm_s: Option<f64>,
    /// The same of reverse, not shared.
    #[serde(default)]
    pub reverse_own_u_mm_s: Option<f64>,
    /// The same of reverse, shared.
    #[serde(default)]
    pub reverse_shared_u_mm_s: Option<f64>,
    /// Measured or predicted.
    pub source: StepSource,
    /// A measured figure of this step is less precise than the bench file asks: its time was over.
    #[serde(default)]
    pub short: bool,
}

/// Where the doubt of one figure comes from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BudgetRow {
    /// Step number in the step mode used.
    pub step: u16,
    /// Direction: of the two the one with the larger doubt.
    pub direction: Direction,
    /// Measured or predicted.
    pub source: StepSource,
    /// The speed, mm/s.
    pub speed_mm_s: f64,
    /// Every line.
    pub lines: Vec<BudgetLine>,
    /// Lines together that another engine measured on the same axle does not share, k = 1, mm/s.
    pub own_u_mm_s: f64,
    /// Lines together that it shares, k = 1, mm/s.
    pub shared_u_mm_s: f64,
    /// All together, k = 1, mm/s.
    pub u_mm_s: f64,
    /// Effective degrees of freedom; none: as good as endless.
    pub degrees: Option<f64>,
    /// Half-width that holds 95 %, mm/s.
    pub u95_mm_s: Option<f64>,
}

/// What the sensor said of itself, first and last.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HousekeepingSpan {
    /// First.
    pub first: Housekeeping,
    /// Last.
    pub last: Housekeeping,
}

/// The speed of one setting with the engine cold and warm.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Warming {
    /// First speed of the warm-up, mm/s.
    pub cold_mm_s: f64,
    /// Last speed of the warm-up, mm/s.
    pub warm_mm_s: f64,
    /// How much faster it is warm than cold, percent of cold.
    pub change_percent: f64,
    /// Its doubt, k = 1.
    pub change_u_percent: f64,
}

impl Warming {
    /// Between two measurements of one setting and direction. What both share (circumference, clock) cancels.
    #[must_use]
    pub(super) fn between(cold: &Measured, warm: &Measured) -> Self {
        let (cold_mm_s, warm_mm_s) = (cold.speed_mm_s.abs(), warm.speed_mm_s.abs());
        let scale = 100.0 / cold_mm_s.max(f64::MIN_POSITIVE);
        Self {
            cold_mm_s,
            warm_mm_s,
            change_percent: (warm_mm_s - cold_mm_s) * scale,
            change_u_percent: libm::hypot(cold.u_repeat_mm_s, warm.u_repeat_mm_s) * scale,
        }
    }
}

/// The low end of one direction before the table: steps of the step mode.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LowEnd {
    /// The first step that starts from rest.
    pub starts: Option<u16>,
    /// The slowest step that keeps going once it runs.
    pub keeps_going: Option<u16>,
}

/// How the engine changed while the sweep went on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SweepDrift {
    /// From the first order of the sweep to its last point, seconds.
    pub seconds: f64,
    /// Change a minute at the slow anchor, mm/s, with its doubt (k = 1).
    pub slow_mm_s: (f64, f64),
    /// Change a minute at the fast anchor, mm/s, with its doubt (k = 1).
    pub fast_mm_s: (f64, f64),
    /// The points were corrected for it; else it is part of their doubt.
    pub corrected: bool,
}

/// What was found of the engine beside its curve.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct EngineFound {
    /// Cold against warm, forward and reverse.
    pub warming: [Option<Warming>; 2],
    /// The low end, forward and reverse.
    pub low_end: [LowEnd; 2],
    /// Points measured by the sweep, forward and reverse.
    pub points: [u32; 2],
    /// Drift during the sweep.
    pub drift: Option<SweepDrift>,
    /// What the decoder makes of a drive that is no whole count, by the points of the sweep.
    pub rounding: Option<Habits>,
    /// What made the decoder linear for the sweep.
    #[serde(default)]
    pub baseline: Option<BaselineKind>,
    /// How the decoder uses its table, as the first verify showed it.
    #[serde(default)]
    pub table_use: Option<TableUse>,
    /// How good the table is by the curves.
    #[serde(default)]
    pub table: Option<TableQuality>,
}

/// The result. Non-finite numbers never enter: they are none.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunOutcome {
    /// How it ended.
    pub outcome: End,
    /// The verdict.
    pub verdict: VerdictWord,
    /// Why, most important first; empty for a clean pass.
    pub reasons: Vec<Reason>,
    /// How sure it is that the engine stands.
    pub stop: StopGrade,
    /// What is in the decoder.
    pub decoder_state: DecoderState,
    /// Original CVs (number, value) still to be put back; the next start does it.
    pub restore_pending: Vec<(u16, u8)>,
    /// The 28 entries, once committed.
    pub table: Option<[u8; ENTRIES]>,
    /// CV 66, once committed.
    pub trim_forward: Option<u8>,
    /// CV 95, once committed.
    pub trim_reverse: Option<u8>,
    /// CV 2, 6 and 5 of a decoder without a table, once committed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub three_points: Option<ThreePoints>,
    /// Moving steps of the step mode: 28 or 126.
    pub step_mode: u16,
    /// The 28 steps; empty until a table was computed.
    pub steps: Vec<StepRow>,
    /// Where the doubt comes from at the slowest, a middle and the top step; empty until a table was computed.
    #[serde(default)]
    pub budget: Vec<BudgetRow>,
    /// Worst deviation seen in verify, percent of the target's top.
    pub worst_deviation_percent: Option<f64>,
    /// Its doubt (k = 1).
    pub worst_deviation_u_percent: Option<f64>,
    /// Worst deviation predicted, percent of the target's top.
    pub predicted_worst_deviation_percent: Option<f64>,
    /// What was found of the engine beside its curve.
    #[serde(default)]
    pub engine: EngineFound,
    /// Sensor lines that could not be read and were skipped.
    pub broken_sensor_lines: u64,
    /// How often a lost link interrupted the run; each is among the reasons.
    #[serde(default)]
    pub interruptions: u32,
    /// What the sensor said of itself first and last.
    pub housekeeping: Option<HousekeepingSpan>,
    /// Length of the run in bench seconds.
    pub bench_seconds: f64,
    /// For so many of them the engine was told to move.
    #[serde(default)]
    pub driven_seconds: f64,
}
