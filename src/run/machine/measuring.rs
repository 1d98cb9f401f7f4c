//! From the linear decoder to the table: warm-up, learning how the engine answers, the sweep, placings where wanted, the fit.
use super::super::cx::Failure;
use super::super::learn::Learn;
use super::super::placing::Placing;
use super::super::record::{PhaseName, RecordBody};
use super::super::sweep::Sweep;
use super::super::warm_up::WarmUp;
use super::{Phase, Run};

impl Run {
    /// Polls a phase that measures; true when another phase began.
    pub(super) fn advance_measuring(&mut self) -> Result<bool, Failure> {
        let cx = &mut self.cx;
        match &mut self.phase {
            Phase::Baseline(phase) => {
                let Some(found) = phase.poll(cx)? else { return Ok(false) };
                cx.judge_way()?;
                let warm_at = found.warm_up_value(cx);
                self.findings.warm_at = warm_at;
                let phase = WarmUp::new(cx, warm_at, Some(found));
                self.enter(PhaseName::WarmUp, Phase::WarmUp(Box::new(phase)));
            }
            Phase::WarmUp(phase) => {
                let Some(baseline) = phase.poll(cx)? else { return Ok(false) };
                let Some(baseline) = baseline else {
                    self.after_plain_warm_up()?;
                    return Ok(true);
                };
                if !cx.is_endless() {
                    // Grades, and turning round, would be taken for the engine's own answer.
                    let phase = Sweep::new(cx, baseline);
                    self.enter(PhaseName::Sweep, Phase::Sweep(phase));
                    return Ok(true);
                }
                let phase = Learn::new(baseline);
                self.enter(PhaseName::Learn, Phase::Learn(phase));
            }
            Phase::Learn(phase) => {
                let Some(baseline) = phase.poll(cx)? else { return Ok(false) };
                let phase = Sweep::new(cx, baseline);
                self.enter(PhaseName::Sweep, Phase::Sweep(phase));
            }
            Phase::Sweep(phase) => {
                let Some(found) = phase.poll(cx)? else { return Ok(false) };
                cx.record(RecordBody::Curve(Box::new(found.clone())));
                self.findings.sweep = Some(found);
                if self.cx.plan.spec.sweep.placings < 2 {
                    self.fit()?;
                    return Ok(true);
                }
                let phase = Placing::new(&self.cx, self.findings.warm_at);
                self.enter(PhaseName::Placing, Phase::Placing(phase));
            }
            Phase::Placing(phase) => {
                let Some(found) = phase.poll(cx)? else { return Ok(false) };
                if let Some(part) = found.part {
                    self.cx.record(RecordBody::Placings(part));
                }
                self.findings.placing = found.part;
                self.findings.reasons.extend(found.reason);
                self.fit()?;
            }
            _ => return Ok(false),
        }
        Ok(true)
    }
}
