//! The result of a run from what was found.
use super::cx::Cx;
use super::findings::{Computed, Findings};
use super::outcome::{
    DecoderState, End, EngineFound, RunOutcome, StepRow, StepSource, StopGrade, VerdictWord,
};
use super::verified::Verified;
use crate::calibrate::{ENTRIES, SpeedEstimate, Verdict, entry_position, nearest_step};
use crate::cause::{Reason, engine as engine_causes, station as station_causes};
use crate::station::Direction;

/// `(stop, broken, interruptions)`: the grade of the stop, how many sensor lines could not be read, and how often a lost
/// link interrupted the run.
pub(super) fn outcome(
    cx: &Cx,
    findings: &Findings,
    end: End,
    (stop, broken, interruptions): (StopGrade, u64, u32),
) -> RunOutcome {
    let decoder_state = decoder_state(cx, end);
    let in_force = if decoder_state == DecoderState::New { findings.computed.as_ref() } else { None };
    let top = findings.target.top();
    let worst =
        findings.verified.iter().max_by(|a, b| a.deviation_mm_s().abs().total_cmp(&b.deviation_mm_s().abs()));
    let mut reasons = findings.reasons.clone();
    if stop == StopGrade::Unconfirmed {
        reasons.insert(0, Reason::new(&station_causes::STOP_UNCONFIRMED, format!("at {}", cx.now)));
    }
    if let (points, Some(last)) = &cx.short {
        let evidence = format!("{points} points, the last of them at {last}");
        reasons.push(Reason::new(&engine_causes::PRECISION_NOT_REACHED, evidence));
    }
    RunOutcome {
        outcome: end,
        verdict: findings.verdict.map_or(VerdictWord::None, |verdict| match verdict {
            Verdict::Pass => VerdictWord::Pass,
            Verdict::Marginal => VerdictWord::Marginal,
            Verdict::Fail => VerdictWord::Fail,
        }),
        reasons,
        stop,
        decoder_state,
        restore_pending: cx.cvs.to_restore(),
        table: in_force.map(|computed| computed.fit.table),
        trim_forward: in_force.map(|computed| computed.fit.trim_forward),
        trim_reverse: in_force.map(|computed| computed.fit.trim_reverse),
        step_mode: cx.plan.spec.engine.step_mode,
        steps: findings.computed.as_ref().map_or_else(Vec::new, |computed| steps(cx, findings, computed)),
        worst_deviation_percent: worst.and_then(|worst| finite(100.0 * worst.deviation_mm_s().abs() / top)),
        worst_deviation_u_percent: worst.and_then(|worst| finite(100.0 * worst.point.measured.u_mm_s / top)),
        predicted_worst_deviation_percent: findings
            .computed
            .as_ref()
            .and_then(|computed| finite(100.0 * computed.worst_predicted_mm_s(&findings.target) / top)),
        engine: engine(cx, findings),
        broken_sensor_lines: broken,
        interruptions,
        housekeeping: cx.housekeeping.span(),
        bench_seconds: cx.now.as_secs_f64(),
    }
}

fn engine(cx: &Cx, findings: &Findings) -> EngineFound {
    let swept = findings.sweep.as_ref();
    EngineFound {
        warming: cx.warming,
        low_end: swept.map(|swept| swept.low_end).unwrap_or_default(),
        points: swept.map(|swept| swept.count).unwrap_or_default(),
        drift: swept.and_then(|swept| swept.drift),
        rounding: findings.computed.as_ref().map(|computed| computed.habits),
    }
}

fn decoder_state(cx: &Cx, end: End) -> DecoderState {
    if end == End::Calibrated || cx.cvs.whole {
        DecoderState::New
    } else if !cx.cvs.doubtful.is_empty() {
        DecoderState::Unknown
    } else if cx.cvs.changed.is_empty() {
        DecoderState::Original
    } else {
        DecoderState::Mixed
    }
}

fn steps(cx: &Cx, findings: &Findings, computed: &Computed) -> Vec<StepRow> {
    let of = cx.plan.spec.engine.step_mode;
    (1..=ENTRIES)
        .map(|entry| {
            let step = nearest_step(entry as f64, of);
            let entry = entry_position(step, of);
            let seen = |direction| measured(&findings.verified, step, direction);
            let (source, forward, reverse) = if let (Some(forward), Some(reverse)) =
                (seen(Direction::Forward), seen(Direction::Reverse))
            {
                (StepSource::Measured, forward, reverse)
            } else {
                let guess = |direction| {
                    let rounded = rounding_u_mm_s(computed, direction, entry);
                    with_shared(computed.predict(direction, entry), rounded, findings, cx)
                };
                (StepSource::Predicted, guess(Direction::Forward), guess(Direction::Reverse))
            };
            StepRow {
                step,
                target_mm_s: findings.target.at(entry),
                forward_mm_s: finite(forward.speed_mm_s),
                forward_u_mm_s: finite(forward.u_mm_s),
                reverse_mm_s: finite(reverse.speed_mm_s),
                reverse_u_mm_s: finite(reverse.u_mm_s),
                source,
                short: findings.verified.iter().any(|one| one.step == step && one.is_short()),
            }
        })
        .collect()
}

fn measured(verified: &[Verified], step: u16, direction: Direction) -> Option<SpeedEstimate> {
    let found = verified.iter().find(|one| one.step == step && one.point.direction == direction)?;
    Some(found.point.measured)
}

/// Doubt from rounding: a decoder may round a drive to a whole count, in the baseline and in the table
/// (`standards/dcc.md` section 4.2). It weighs as much as the points of the sweep speak for it.
fn rounding_u_mm_s(computed: &Computed, direction: Direction, entry: f64) -> f64 {
    let drive = computed.fit.drive(direction, entry);
    computed.curve(direction).slope_at(drive) * computed.habits.u_counts(drive)
}

/// What all speeds of this bench share (circumference, sensor clock, the steps in which a speed is told), and rounding,
/// come to a prediction's doubt.
fn with_shared(guess: SpeedEstimate, rounded_mm_s: f64, findings: &Findings, cx: &Cx) -> SpeedEstimate {
    let clock = cx.motion.clock_rate().u_rel;
    let circumference = findings.shared_u_rel;
    let shared = guess.speed_mm_s * (clock * clock + circumference * circumference).sqrt();
    let steps = cx.motion.u_resolution_mm_s();
    let squares = guess.u_mm_s * guess.u_mm_s + shared * shared + rounded_mm_s * rounded_mm_s;
    let u_mm_s = (squares + steps * steps).sqrt();
    SpeedEstimate { u_mm_s, ..guess }
}

/// Non-finite numbers never enter a result.
fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}
