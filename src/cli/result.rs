//! The result as one JSON object, for programs: on stdout with `--json`, and in the run folder.
use crate::calibrate::ThreePoints;
use crate::cause::Reason;
use crate::run::{
    BudgetRow, CORE_REVISION, DecoderState, End, EngineFound, HousekeepingSpan, RunOutcome, StepRow,
    StopGrade, VerdictWord,
};
use serde::{Serialize, Serializer};

/// Rises whenever a key changes its meaning or goes away.
pub const SCHEMA: u32 = 1;

/// The result. Numbers that are not finite are null.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ResultJson {
    /// Version of this object.
    pub schema: u32,
    /// The run; none where none was begun.
    pub run_id: Option<String>,
    /// Revision of the core: replay is bit for bit within one.
    pub core_revision: u32,
    /// How it ended.
    pub outcome: End,
    /// The verdict.
    pub verdict: VerdictWord,
    /// Why, most important first.
    pub reasons: Vec<Reason>,
    /// How sure it is that the engine stands; none where nothing was begun.
    pub stop: Option<StopGrade>,
    /// What is in the decoder.
    pub decoder_state: DecoderState,
    /// Original CVs (number, value) that the next start puts back.
    pub restore_pending: Vec<(u16, u8)>,
    /// CV 67 to CV 94, once committed.
    pub table: Option<Vec<u8>>,
    /// CV 66, once committed.
    pub trim_forward: Option<u8>,
    /// CV 95, once committed.
    pub trim_reverse: Option<u8>,
    /// CV 2, 6 and 5 of a decoder without a table, once committed.
    pub three_points: Option<ThreePoints>,
    /// Moving steps of the step mode; none where the bench file was not read.
    pub step_mode: Option<u16>,
    /// The 28 steps.
    pub steps: Vec<StepJson>,
    /// Where the doubt comes from at the slowest, a middle and the top step: every line, and their sums.
    pub budget: Vec<BudgetRow>,
    /// Worst deviation seen in verify, percent of the target's top.
    #[serde(serialize_with = "finite")]
    pub worst_deviation_percent: Option<f64>,
    /// Its doubt, k = 1.
    #[serde(serialize_with = "finite")]
    pub worst_deviation_u_percent: Option<f64>,
    /// Worst deviation predicted.
    #[serde(serialize_with = "finite")]
    pub predicted_worst_deviation_percent: Option<f64>,
    /// What was found of the engine beside its curve.
    pub engine: Option<EngineFound>,
    /// Length in bench seconds.
    #[serde(serialize_with = "finite")]
    pub bench_seconds: Option<f64>,
    /// For so many of them the engine was told to move.
    #[serde(serialize_with = "finite")]
    pub driven_seconds: Option<f64>,
    /// Sensor lines that could not be read and were skipped.
    pub broken_sensor_lines: Option<u64>,
    /// How often a lost link interrupted the run.
    pub interruptions: Option<u32>,
    /// What the sensor said of itself first and last.
    pub housekeeping: Option<HousekeepingSpan>,
    /// Length in wall seconds.
    #[serde(serialize_with = "finite")]
    pub wall_seconds: Option<f64>,
    /// Bench seconds a wall second.
    pub time_lapse: f64,
    /// Where the record lies.
    pub run_folder: Option<String>,
}

/// One step of the result.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StepJson {
    /// Step number in the step mode used.
    pub step: u16,
    /// Wanted.
    #[serde(serialize_with = "finite")]
    pub target_mm_s: Option<f64>,
    /// Forward.
    #[serde(serialize_with = "finite")]
    pub forward_mm_s: Option<f64>,
    /// Its doubt, k = 1.
    #[serde(serialize_with = "finite")]
    pub forward_u_mm_s: Option<f64>,
    /// Half-width that holds 95 %.
    #[serde(serialize_with = "finite")]
    pub forward_u95_mm_s: Option<f64>,
    /// Reverse.
    #[serde(serialize_with = "finite")]
    pub reverse_mm_s: Option<f64>,
    /// Its doubt, k = 1.
    #[serde(serialize_with = "finite")]
    pub reverse_u_mm_s: Option<f64>,
    /// Half-width that holds 95 %.
    #[serde(serialize_with = "finite")]
    pub reverse_u95_mm_s: Option<f64>,
    /// Part of the forward doubt that an engine measured on the same axle does not share, k = 1.
    #[serde(serialize_with = "finite")]
    pub forward_own_u_mm_s: Option<f64>,
    /// Part of it that such an engine shares, k = 1.
    #[serde(serialize_with = "finite")]
    pub forward_shared_u_mm_s: Option<f64>,
    /// The same of reverse, not shared.
    #[serde(serialize_with = "finite")]
    pub reverse_own_u_mm_s: Option<f64>,
    /// The same of reverse, shared.
    #[serde(serialize_with = "finite")]
    pub reverse_shared_u_mm_s: Option<f64>,
    /// Measured or predicted.
    pub source: crate::run::StepSource,
    /// Measured, but less precisely than asked when its time was over.
    pub short: bool,
}

#[expect(clippy::ref_option, reason = "serde calls it with a reference")]
fn finite<S: Serializer>(value: &Option<f64>, serializer: S) -> Result<S::Ok, S::Error> {
    value.filter(|number| number.is_finite()).serialize(serializer)
}

impl From<&StepRow> for StepJson {
    fn from(row: &StepRow) -> Self {
        Self {
            step: row.step,
            target_mm_s: Some(row.target_mm_s),
            forward_mm_s: row.forward_mm_s,
            forward_u_mm_s: row.forward_u_mm_s,
            forward_u95_mm_s: row.forward_u95_mm_s,
            reverse_mm_s: row.reverse_mm_s,
            reverse_u_mm_s: row.reverse_u_mm_s,
            reverse_u95_mm_s: row.reverse_u95_mm_s,
            forward_own_u_mm_s: row.forward_own_u_mm_s,
            forward_shared_u_mm_s: row.forward_shared_u_mm_s,
            reverse_own_u_mm_s: row.reverse_own_u_mm_s,
            reverse_shared_u_mm_s: row.reverse_shared_u_mm_s,
            source: row.source,
            short: row.short,
        }
    }
}

/// What the shell knows about a run beside its outcome.
#[derive(Clone, Debug, PartialEq)]
pub struct RunFacts {
    /// The run.
    pub run_id: String,
    /// Its folder.
    pub run_folder: String,
    /// Wall seconds.
    pub wall_seconds: f64,
    /// Bench seconds a wall second.
    pub time_lapse: f64,
}

impl ResultJson {
    /// The result of a run.
    #[must_use]
    pub fn of_run(outcome: &RunOutcome, facts: &RunFacts) -> Self {
        Self {
            schema: SCHEMA,
            run_id: Some(facts.run_id.clone()),
            core_revision: CORE_REVISION,
            outcome: outcome.outcome,
            verdict: outcome.verdict,
            reasons: outcome.reasons.clone(),
            stop: Some(outcome.stop),
            decoder_state: outcome.decoder_state,
            restore_pending: outcome.restore_pending.clone(),
            table: outcome.table.map(|table| table.to_vec()),
            trim_forward: outcome.trim_forward,
            trim_reverse: outcome.trim_reverse,
            three_points: outcome.three_points,
            step_mode: Some(outcome.step_mode),
            steps: outcome.steps.iter().map(StepJson::from).collect(),
            budget: outcome.budget.clone(),
            worst_deviation_percent: outcome.worst_deviation_percent,
            worst_deviation_u_percent: outcome.worst_deviation_u_percent,
            predicted_worst_deviation_percent: outcome.predicted_worst_deviation_percent,
            engine: Some(outcome.engine),
            bench_seconds: Some(outcome.bench_seconds),
            driven_seconds: Some(outcome.driven_seconds),
            broken_sensor_lines: Some(outcome.broken_sensor_lines),
            interruptions: Some(outcome.interruptions),
            housekeeping: outcome.housekeeping,
            wall_seconds: Some(facts.wall_seconds),
            time_lapse: facts.time_lapse,
            run_folder: Some(facts.run_folder.clone()),
        }
    }

    /// The result where no run was begun: wrong use, or a failure before the first order.
    #[must_use]
    pub fn not_begun(outcome: End, reasons: Vec<Reason>, time_lapse: f64) -> Self {
        Self {
            schema: SCHEMA,
            run_id: None,
            core_revision: CORE_REVISION,
            outcome,
            verdict: VerdictWord::None,
            reasons,
            stop: (outcome != End::Refused).then_some(StopGrade::Unconfirmed),
            decoder_state: DecoderState::Unknown,
            restore_pending: Vec::new(),
            table: None,
            trim_forward: None,
            trim_reverse: None,
            three_points: None,
            step_mode: None,
            steps: Vec::new(),
            budget: Vec::new(),
            worst_deviation_percent: None,
            worst_deviation_u_percent: None,
            predicted_worst_deviation_percent: None,
            engine: None,
            bench_seconds: None,
            driven_seconds: None,
            broken_sensor_lines: None,
            interruptions: None,
            housekeeping: None,
            wall_seconds: None,
            time_lapse,
            run_folder: None,
        }
    }

    /// As one line of JSON.
    #[must_use]
    pub fn line(&self) -> String {
        // Every key is a string and every value one that JSON has: this cannot fail, and if it did, `{}` is still JSON.
        serde_json::to_string(self).unwrap_or_else(|_| "{}".to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    /// The keys a program may count on, as the issue of the first release lists them.
    const KEYS: [&str; 26] = [
        "schema",
        "run_id",
        "core_revision",
        "outcome",
        "verdict",
        "reasons",
        "stop",
        "decoder_state",
        "table",
        "trim_forward",
        "trim_reverse",
        "three_points",
        "step_mode",
        "steps",
        "budget",
        "worst_deviation_percent",
        "worst_deviation_u_percent",
        "predicted_worst_deviation_percent",
        "bench_seconds",
        "driven_seconds",
        "broken_sensor_lines",
        "interruptions",
        "housekeeping",
        "wall_seconds",
        "time_lapse",
        "run_folder",
    ];

    #[test]
    fn every_key_is_there_even_where_nothing_was_begun() {
        let line = ResultJson::not_begun(End::Refused, Vec::new(), 1.0).line();
        let value: Value = serde_json::from_str(&line).unwrap();
        for key in KEYS {
            assert!(value.get(key).is_some(), "{key} is missing in {line}");
        }
        assert_eq!(value["outcome"], "refused");
        assert_eq!(value["table"], Value::Null);
        assert_eq!(value["stop"], Value::Null, "nothing was begun, so nothing had to be stopped");
        let failed = ResultJson::not_begun(End::Halted, Vec::new(), 1.0).line();
        assert!(failed.contains("\"stop\":\"unconfirmed\""), "{failed}");
        assert_eq!(value["schema"], 1);
    }

    #[test]
    fn numbers_that_are_not_finite_are_null() {
        let mut result = ResultJson::not_begun(End::Halted, Vec::new(), 1.0);
        result.worst_deviation_percent = Some(f64::NAN);
        result.bench_seconds = Some(f64::INFINITY);
        result.wall_seconds = Some(2.5);
        let value: Value = serde_json::from_str(&result.line()).unwrap();
        assert_eq!(value["worst_deviation_percent"], Value::Null);
        assert_eq!(value["bench_seconds"], Value::Null);
        assert_eq!(value["wall_seconds"], 2.5);
    }
}
