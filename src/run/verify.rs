//! Verify: speeds measured afresh at steps of the written table, both directions, judged with their doubt.
use super::cx::{Cx, Step};
use super::findings::Findings;
use super::point::{Point, PointWish};
use super::record::PointPurpose;
use super::sweep::spread;
use crate::calibrate::{
    ENTRIES, SpeedEstimate, Verdict, VerifyPoint, entry_position, judge, nearest_step, table_limit,
};
use crate::cause::engine as causes;
use crate::station::Direction;

/// A point whose doubt straddles the tolerance is measured on with this fraction of the wanted half-width, once each.
const SHARPER: [f64; 2] = [0.5, 0.25];

/// One verified step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Verified {
    pub(super) step: u16,
    pub(super) point: VerifyPoint,
    pub(super) target_mm_s: f64,
    pub(super) verdict: Verdict,
}

impl Verified {
    /// Measured less wanted, mm/s.
    pub(super) fn deviation_mm_s(&self) -> f64 {
        self.point.measured.speed_mm_s - self.target_mm_s
    }
}

/// One round of verify under way.
#[derive(Debug)]
pub(super) struct VerifyRound {
    left: Vec<(u16, Direction)>,
    total: usize,
    tries: usize,
    point: Option<Point>,
    pub(super) done: Vec<Verified>,
}

impl VerifyRound {
    pub(super) fn new(cx: &Cx) -> Self {
        let of = cx.plan.spec.engine.step_mode;
        let entries = spread(Some(cx.plan.spec.sweep.verify_points.min(ENTRIES as u16)), ENTRIES as u16);
        let mut left: Vec<(u16, Direction)> = Direction::BOTH
            .into_iter()
            .flat_map(|direction| {
                entries.iter().map(move |entry| (nearest_step(f64::from(*entry), of), direction))
            })
            .collect();
        left.reverse();
        Self { total: left.len(), left, tries: 0, point: None, done: Vec::new() }
    }

    pub(super) fn rewind(&mut self, cx: &mut Cx) {
        if let Some(point) = &mut self.point {
            point.rewind(cx);
        }
    }

    /// Done once every step has its verdict.
    pub(super) fn poll(&mut self, cx: &mut Cx, findings: &Findings) -> Step<()> {
        loop {
            cx.phase_done = self.done.len() as f64 / self.total as f64;
            let Some((step, direction)) = self.left.last().copied() else { return Ok(Some(())) };
            let sharpness =
                if self.tries == 0 { 1.0 } else { SHARPER[(self.tries - 1).min(SHARPER.len() - 1)] };
            let point = self.point.get_or_insert_with(|| {
                Point::new(PointWish {
                    purpose: PointPurpose::Verify,
                    value: step,
                    direction,
                    sharpness,
                    may_stand: true,
                })
            });
            let Some(result) = point.poll(cx)? else { return Ok(None) };
            self.point = None;
            let measured = result.map_or(SpeedEstimate { speed_mm_s: 0.0, u_mm_s: 0.0 }, |measured| {
                SpeedEstimate { speed_mm_s: measured.speed_mm_s.abs(), u_mm_s: measured.u_mm_s }
            });
            let verified = verdict(cx, findings, step, direction, measured);
            if verified.verdict == Verdict::Marginal && self.tries < SHARPER.len() {
                self.tries += 1;
                continue;
            }
            self.tries = 0;
            self.left.pop();
            self.done.push(verified);
        }
    }

    /// The worst verdict of the round.
    pub(super) fn verdict(&self) -> Verdict {
        self.done.iter().map(|verified| verified.verdict).max().unwrap_or(Verdict::Fail)
    }

    /// The step that deviates most.
    pub(super) fn worst(&self) -> Option<&Verified> {
        self.done.iter().max_by(|a, b| a.deviation_mm_s().abs().total_cmp(&b.deviation_mm_s().abs()))
    }
}

fn verdict(
    cx: &Cx,
    findings: &Findings,
    step: u16,
    direction: Direction,
    measured: SpeedEstimate,
) -> Verified {
    let entry = entry_position(step, cx.plan.spec.engine.step_mode);
    let target_mm_s = findings.target.at(entry);
    let limit = findings
        .computed
        .as_ref()
        .map_or(0.0, |computed| table_limit(&computed.fit, computed.curve(direction), direction, entry));
    let allowed = findings.tolerance.allowed(target_mm_s, limit);
    Verified {
        step,
        point: VerifyPoint { entry, direction, measured },
        target_mm_s,
        verdict: judge(measured.speed_mm_s - target_mm_s, measured.u_mm_s, allowed),
    }
}

/// Says why a round is not a clean pass.
pub(super) fn complain(cx: &mut Cx, round: &VerifyRound) -> Option<crate::cause::Reason> {
    let cause = match round.verdict() {
        Verdict::Pass => return None,
        Verdict::Marginal => &causes::VERIFY_MARGINAL,
        Verdict::Fail => &causes::VERIFY_FAILED,
    };
    let worst = round
        .done
        .iter()
        .filter(|verified| verified.verdict == round.verdict())
        .max_by(|a, b| a.deviation_mm_s().abs().total_cmp(&b.deviation_mm_s().abs()))?;
    let evidence = format!(
        "step {} {}: {:.2} mm/s wanted, {:.2} +/- {:.2} mm/s measured (k = 2)",
        worst.step,
        if worst.point.direction == Direction::Forward { "forward" } else { "reverse" },
        worst.target_mm_s,
        worst.point.measured.speed_mm_s,
        2.0 * worst.point.measured.u_mm_s
    );
    let reason = crate::cause::Reason::new(cause, evidence);
    cx.record(super::record::RecordBody::Noted(reason.clone()));
    Some(reason)
}
