//! One verified step and its verdict.
use super::cx::Cx;
use super::findings::Findings;
use crate::calibrate::{SpeedEstimate, Verdict, VerifyPoint, entry_position, judge_doubt, table_limit};
use crate::motion::Measured;
use crate::station::Direction;

/// One verified step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Verified {
    pub(super) step: u16,
    pub(super) point: VerifyPoint,
    pub(super) target_mm_s: f64,
    pub(super) verdict: Verdict,
    result: Option<Measured>,
}

impl Verified {
    /// Judges what was measured at a step; none: the engine stood. `drift_mm_s` is how far the same setting moved
    /// during the round: rectangular doubt.
    pub(super) fn judge(
        cx: &Cx,
        findings: &Findings,
        (step, direction): (u16, Direction),
        result: Option<Measured>,
        drift_mm_s: f64,
    ) -> Self {
        let entry = entry_position(step, cx.plan.spec.engine.step_mode);
        let target_mm_s = findings.target.at(entry);
        let limit = findings
            .computed
            .as_ref()
            .map_or(0.0, |computed| table_limit(&computed.fit, computed.curve(direction), direction, entry));
        let allowed = findings.tolerance.allowed(target_mm_s, limit);
        let drift_u_mm_s = drift_mm_s.abs() / 3f64.sqrt();
        let speed_mm_s = result.map_or(0.0, |measured| measured.speed_mm_s.abs());
        let u_mm_s = libm::hypot(result.map_or(0.0, |measured| measured.u_mm_s), drift_u_mm_s);
        let doubt = libm::hypot(result.map_or(0.0, doubt_95_mm_s), 2.0 * drift_u_mm_s);
        Self {
            step,
            point: VerifyPoint { entry, direction, measured: SpeedEstimate { speed_mm_s, u_mm_s } },
            target_mm_s,
            // An engine that stands at a moving step fails, however slow the step was meant to be.
            verdict: match result {
                Some(_) => judge_doubt(speed_mm_s - target_mm_s, doubt, allowed),
                None => Verdict::Fail,
            },
            result,
        }
    }

    /// The same, now that the drift of the round is known.
    pub(super) fn with_drift(&self, cx: &Cx, findings: &Findings, drift_mm_s: f64) -> Self {
        Self::judge(cx, findings, (self.step, self.point.direction), self.result, drift_mm_s)
    }

    /// Measured, but less precisely than asked.
    pub(super) fn is_short(&self) -> bool {
        self.result.is_some_and(|measured| measured.short)
    }

    /// Measured less wanted, mm/s.
    pub(super) fn deviation_mm_s(&self) -> f64 {
        self.point.measured.speed_mm_s - self.target_mm_s
    }
}

/// 95 % doubt: Student's half-width of what repeats, twice the standard uncertainty of what all speeds share.
fn doubt_95_mm_s(measured: Measured) -> f64 {
    let shared = measured.u_mm_s * measured.u_mm_s - measured.u_repeat_mm_s * measured.u_repeat_mm_s;
    (measured.half_width_mm_s * measured.half_width_mm_s + 4.0 * shared.max(0.0)).sqrt()
}
