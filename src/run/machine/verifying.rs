//! A table is written, measured, corrected once, judged.
use super::{Phase, Run};
use crate::calibrate::{TableUse, Target, Verdict};
use crate::cause::{Reason, engine as engine_causes};
use crate::run::cv_job::CvJob;
use crate::run::cx::Failure;
use crate::run::findings::Computed;
use crate::run::input::Purpose;
use crate::run::outcome::End;
use crate::run::record::{PhaseName, RecordBody};
use crate::run::verified::Verified;
use crate::run::verify::{Round, VerifyRound, complain};
use crate::run::{snapshot, write};

/// What comes after a write.
#[derive(Debug)]
pub(super) enum AfterWrite {
    /// This round of verify; with what the round before found.
    Verify { number: u32, before: Option<Box<Before>> },
    /// The earlier table is back: it stands as judged before.
    Finish,
    /// The engine is back in its consist: nothing is left to do.
    End,
}

/// A table and how it verified, to be beaten.
#[derive(Debug)]
pub(super) struct Before {
    computed: Computed,
    done: Vec<Verified>,
    verdict: Verdict,
    worst_mm_s: f64,
    reason: Option<Reason>,
    target: Target,
    used: TableUse,
}

impl Run {
    pub(super) fn begin_write(&mut self, then: AfterWrite) {
        let Some(computed) = &self.findings.computed else { return };
        // Until this one is whole the decoder holds parts of two tables.
        self.cx.cvs.whole = false;
        let job = write::job(&self.cx, &computed.fit);
        self.enter(PhaseName::Write, Phase::Write { job, then: Some(then) });
    }

    pub(super) fn advance_write(&mut self) -> Result<bool, Failure> {
        let Phase::Write { job, then } = &mut self.phase else { return Ok(false) };
        self.cx.phase_done = job.done();
        if job.poll(&mut self.cx)?.is_none() {
            return Ok(false);
        }
        self.cx.cvs.whole = true;
        self.cx.momentum_s = write::momentum_s(&self.cx);
        self.cx.response_changed();
        match then.take() {
            Some(AfterWrite::Verify { number, before }) => {
                let round = VerifyRound::new(&self.cx, &self.findings);
                self.enter(PhaseName::Verify, Phase::Verify { round, number, before });
            }
            Some(AfterWrite::End) => {
                self.cx.cvs.changed.clear();
                self.begin_ending(false, false);
            }
            Some(AfterWrite::Finish) | None => self.conclude(),
        }
        Ok(true)
    }

    pub(super) fn advance_verify(&mut self) -> Result<bool, Failure> {
        let Phase::Verify { round, number, before } = &mut self.phase else { return Ok(false) };
        let Some(end) = round.poll(&mut self.cx, &mut self.findings)? else { return Ok(false) };
        let (number, before) = (*number, before.take());
        if end == Round::NotAsWritten {
            let Some(better) = self.findings.for_true_use(&mut self.cx)? else {
                let evidence = "no table without trims serves both directions";
                return Err(Failure::rejected(&engine_causes::TRIMS_NOT_OBEYED, evidence));
            };
            self.findings.keep(&mut self.cx, better);
            self.begin_write(AfterWrite::Verify { number, before });
            return Ok(true);
        }
        let verdict = round.verdict();
        let worst_mm_s = round.worst().map_or(0.0, |worst| worst.deviation_mm_s().abs());
        let worst_percent = 100.0 * worst_mm_s / self.findings.target.top();
        self.cx.record(RecordBody::Judged { round: number, verdict, worst_percent });
        let reason =
            if self.cx.plan.purpose == Purpose::Recheck { None } else { complain(&mut self.cx, round) };
        let done = std::mem::take(&mut round.done);
        if self.cx.plan.purpose.checks() {
            // After so short a warm-up a speed says nothing of the target: it is for comparing with speeds taken alike.
            if self.cx.plan.purpose == Purpose::Check {
                self.findings.verdict = Some(verdict);
                self.findings.reasons.extend(reason);
            }
            self.findings.verified = done;
            self.end = End::Checked;
            self.begin_ending(false, false);
            return Ok(true);
        }
        if let Some(before) = before
            && (before.verdict, before.worst_mm_s) <= (verdict, worst_mm_s)
        {
            self.go_back(*before);
            return Ok(true);
        }
        self.findings.verdict = Some(verdict);
        self.findings.reasons.retain(|kept| !kept.code.starts_with("verify-"));
        self.findings.reasons.extend(reason.clone());
        let (target, used) = (self.findings.target.clone(), self.findings.used);
        // A corrected curve is bent to what was seen: only that of the sweep can tell how the table is used.
        if number == 1 {
            self.findings.look_how_used(&self.cx, &done);
        }
        let anew = if verdict == Verdict::Pass || number > 1 {
            None
        } else {
            self.findings.for_true_use(&mut self.cx)?
        };
        // One correction; a table that was used otherwise than it was made for is not one.
        let last = 1 + u32::from(used != self.findings.told_before);
        let better = match anew {
            None if verdict != Verdict::Pass && number <= last => self.findings.corrected(&self.cx, &done),
            anew => anew,
        };
        self.findings.verified.clone_from(&done);
        match (better, self.findings.computed.clone()) {
            (Some(better), Some(computed)) => {
                // Until the next round is judged nothing is said of the new table.
                self.findings.verdict = None;
                self.findings.verified.clear();
                self.findings.reasons.retain(|kept| !kept.code.starts_with("verify-"));
                self.findings.keep(&mut self.cx, better);
                let before =
                    Some(Box::new(Before { computed, done, verdict, worst_mm_s, reason, target, used }));
                self.begin_write(AfterWrite::Verify { number: number + 1, before });
            }
            _ => self.conclude(),
        }
        Ok(true)
    }

    /// The correction did not improve: the earlier table goes back and stands as judged.
    fn go_back(&mut self, before: Before) {
        self.findings.verdict = Some(before.verdict);
        self.findings.verified = before.done;
        if self.findings.used != before.used {
            let taken_back = [&engine_causes::TABLE_FROM_ZERO, &engine_causes::TRIMS_NOT_OBEYED];
            self.findings.reasons.retain(|kept| taken_back.iter().all(|cause| kept.code != cause.code));
        }
        (self.findings.target, self.findings.used) = (before.target, before.used);
        self.findings.reasons.extend(before.reason);
        self.findings.keep(&mut self.cx, before.computed);
        self.begin_write(AfterWrite::Finish);
    }

    /// The verdict is final.
    fn conclude(&mut self) {
        let failed =
            self.findings.verdict != Some(Verdict::Pass) && self.findings.verdict != Some(Verdict::Marginal);
        if failed {
            self.end = End::Rejected;
        } else {
            self.end = End::Calibrated;
            // What stands in the decoder now is meant to stay, but for the consist that the engine was taken out of.
            let back = snapshot::back_into_consist(&self.cx);
            self.cx.cvs.changed.retain(|cv| snapshot::CONSIST.contains(cv));
            if !back.is_empty() {
                let job = CvJob::checked(&self.cx, back);
                self.enter(PhaseName::Write, Phase::Write { job, then: Some(AfterWrite::End) });
                return;
            }
        }
        self.begin_ending(false, failed);
    }
}
