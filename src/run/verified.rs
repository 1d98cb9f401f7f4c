//! One verified step and its verdict.
use super::cx::Cx;
use super::doubt;
use super::findings::Findings;
use crate::calibrate::budget::Budget;
use crate::calibrate::{SpeedEstimate, Verdict, VerifyPoint, judge_doubt, table_limit};
use crate::motion::Measured;
use crate::station::Direction;

/// One verified step.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Verified {
    pub(super) step: u16,
    pub(super) point: VerifyPoint,
    pub(super) target_mm_s: f64,
    pub(super) verdict: Verdict,
    /// Half-width at 95 %, mm/s.
    pub(super) doubt_mm_s: f64,
    /// Where the doubt comes from; of an engine that stood at most the drift is known.
    pub(super) budget: Budget,
    allowed_mm_s: f64,
    moved: bool,
    short: bool,
}

impl Verified {
    /// Judges what was measured at a step; none: the engine stood.
    pub(super) fn judge(
        cx: &Cx,
        findings: &Findings,
        (step, direction): (u16, Direction),
        result: Option<Measured>,
    ) -> Self {
        let entry = findings.reading().entry(step, cx.plan.spec.engine.step_mode);
        let target_mm_s = findings.target.at(entry);
        let limit = findings
            .computed
            .as_ref()
            .map_or(0.0, |computed| table_limit(&computed.fit, computed.curve(direction), direction, entry));
        let speed_mm_s = result.map_or(0.0, |measured| measured.speed_mm_s.abs());
        let budget = result
            .map_or_else(Budget::default, |measured| doubt::of_measured(cx, findings.placing, measured));
        Self {
            step,
            point: VerifyPoint { entry, direction, measured: SpeedEstimate { speed_mm_s, u_mm_s: 0.0 } },
            target_mm_s,
            verdict: Verdict::Fail,
            doubt_mm_s: 0.0,
            budget,
            allowed_mm_s: findings.tolerance.allowed(target_mm_s, limit),
            moved: result.is_some(),
            short: result.is_some_and(|measured| measured.short),
        }
        .judged()
    }

    /// The same, now that the drift of the round is known: how far the same setting moved.
    pub(super) fn with_drift(&self, drift_mm_s: f64) -> Self {
        Self { budget: doubt::with_drift(self.budget.clone(), drift_mm_s), ..self.clone() }.judged()
    }

    fn judged(mut self) -> Self {
        let whole = self.budget.whole();
        (self.point.measured.u_mm_s, self.doubt_mm_s) = (whole.u, whole.expanded());
        // An engine that stands at a moving step fails, however slow the step was meant to be.
        self.verdict = if self.moved {
            judge_doubt(self.deviation_mm_s(), self.doubt_mm_s, self.allowed_mm_s)
        } else {
            Verdict::Fail
        };
        self
    }

    /// Measured, but less precisely than asked.
    pub(super) const fn is_short(&self) -> bool {
        self.short
    }

    /// Measured less wanted, mm/s.
    pub(super) fn deviation_mm_s(&self) -> f64 {
        self.point.measured.speed_mm_s - self.target_mm_s
    }
}
