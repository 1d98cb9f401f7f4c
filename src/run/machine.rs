//! The phase machine: which phase follows which, what a failure does, pause and go on.
use super::baseline::{Baseline, first_kind};
use super::cv_job::{CvJob, CvOp};
use super::cx::{Cx, Failure};
use super::ending::Ending;
use super::exertion::Exertion;
use super::findings::Findings;
use super::guards::Guards;
use super::information_link::InformationLink;
use super::input::{Held, Output, Purpose, RunPlan};
use super::learn::Learn;
use super::link_check::LinkCheck;
use super::mover::Mover;
use super::outcome::{End, StopGrade};
use super::placing::Placing;
use super::progress::ProgressTeller;
use super::record::{PhaseName, RecordBody};
use super::recovery::Recovery;
use super::roll::Roll;
use super::run_in::RunIn;
use super::shuttle::Shuttle;
use super::signal_watch::{SignalWatch, explain};
use super::sweep::Sweep;
use super::throttle_watch::ThrottleWatch;
use super::verify::{VerifyRound, warm_step};
use super::warm_up::WarmUp;
use super::{laps, result, snapshot, write};
use crate::calibrate::BaselineKind;
use crate::cause::{Reason, engine as engine_causes};
use crate::config::LinearBy;
use crate::station::{Action, OrderId};
use crate::time::BenchTime;
use std::time::Duration;

mod intake;
mod interruption;
mod measuring;
mod verifying;

use verifying::{AfterWrite, Before};

#[derive(Debug)]
enum Phase {
    LinkCheck(LinkCheck),
    Snapshot(CvJob),
    Settling(CvJob),
    Baseline(Baseline),
    WarmUp(Box<WarmUp>),
    Learn(Learn),
    Sweep(Sweep),
    Placing(Placing),
    RunIn(Box<RunIn>),
    Roll(Roll),
    Write { job: CvJob, then: Option<AfterWrite> },
    Verify { round: VerifyRound, number: u32, before: Option<Box<Before>> },
    Ending(Ending),
    Over,
}

/// A pause: on the way to standstill, then waiting.
#[derive(Debug)]
struct Resting {
    mover: Mover,
    stands: bool,
}

/// One run.
#[derive(Debug)]
pub(super) struct Run {
    cx: Cx,
    phase: Phase,
    findings: Findings,
    guards: Guards,
    exertion: Exertion,
    throttles: ThrottleWatch,
    signal: SignalWatch,
    progress: ProgressTeller,
    end: End,
    pause: bool,
    resting: Option<Resting>,
    /// On a straight: the engine turns round, and the phase rests.
    shuttle: Option<Box<Shuttle>>,
    broken: u64,
    /// How often the person said stop.
    stops: u32,
    /// A lost link is waited for.
    recovery: Option<Recovery>,
    interruptions: u32,
    information: InformationLink,
}

impl Run {
    pub(super) fn new(plan: RunPlan) -> Self {
        let mut cx = Cx::new(plan);
        for (cv, value) in snapshot::pending_values(&cx.plan.pending) {
            cx.cvs.originals.insert(cv, value);
            cx.cvs.changed.insert(cv);
        }
        let findings = Findings::new(&cx);
        let mut run = Self {
            cx,
            phase: Phase::LinkCheck(LinkCheck::new()),
            findings,
            guards: Guards::default(),
            exertion: Exertion::default(),
            throttles: ThrottleWatch::default(),
            signal: SignalWatch::default(),
            progress: ProgressTeller::default(),
            end: End::Calibrated,
            pause: false,
            resting: None,
            shuttle: None,
            broken: 0,
            stops: 0,
            recovery: None,
            interruptions: 0,
            information: InformationLink::default(),
        };
        run.cx.record(RecordBody::Phase(PhaseName::LinkCheck));
        run
    }

    pub(super) fn set_now(&mut self, now: BenchTime) {
        self.cx.now = self.cx.now.max(now);
    }

    fn is_ending(&self) -> bool {
        matches!(self.phase, Phase::Ending(_) | Phase::Over)
    }

    /// The result is told; nothing more comes.
    pub(super) fn is_over(&self) -> bool {
        matches!(self.phase, Phase::Over)
    }

    /// The run ends for this reason.
    fn fail(&mut self, failure: Failure) {
        if self.is_ending() {
            return;
        }
        let failure = explain(&self.cx, failure);
        (self.recovery, self.shuttle) = (None, None);
        self.cx.motion.end_measure();
        self.cx.record(RecordBody::Ending(failure.reason.clone()));
        self.end = failure.end;
        self.findings.reasons.insert(0, failure.reason);
        self.begin_ending(failure.emergency, true);
    }

    fn begin_ending(&mut self, emergency: bool, restore: bool) {
        self.cx.waiting = false;
        let restore = restore && !self.cx.cvs_frozen;
        let ending = Ending::new(&mut self.cx, emergency, restore);
        self.enter(PhaseName::Stopping, Phase::Ending(ending));
    }

    fn enter(&mut self, name: PhaseName, phase: Phase) {
        self.cx.phase = name;
        self.cx.phase_done = 0.0;
        self.cx.may_stand = false;
        self.cx.record(RecordBody::Phase(name));
        self.phase = phase;
    }

    /// Looks at everything once and moves what can be moved. Needless calls change nothing.
    pub(super) fn poll(&mut self) {
        self.cx.take_wake();
        self.cx.keep_sensor();
        if !self.is_ending()
            && let Err(failure) = self.look().and_then(|()| self.turn_in_time())
        {
            self.meet(failure);
        }
        // Each turn ends in waiting, in another phase, or in the one end or one of the few interruptions of a run.
        loop {
            let moved = if self.recovery.is_some() {
                self.recover()
            } else if self.pause && !self.is_ending() && !self.is_programming() {
                self.rest().map(|()| false)
            } else if self.exertion.rests() && !self.is_ending() {
                self.cool_down()
            } else if let Some(shuttle) = &mut self.shuttle {
                shuttle.poll(&mut self.cx).map(|over| over.is_some())
            } else {
                self.advance()
            };
            if let (Ok(true), Some(_)) = (&moved, &self.shuttle) {
                self.shuttle = None;
                continue;
            }
            if let (Ok(_), Some(wish)) = (&moved, self.cx.shuttle_wanted.take()) {
                self.shuttle = Some(Box::new(Shuttle::first(&mut self.cx, wish)));
                continue;
            }
            match moved {
                Ok(true) => {}
                Ok(false) => break,
                Err(failure) => self.meet(failure),
            }
        }
        if !self.is_over() {
            self.tell();
        }
    }

    fn tell(&mut self) {
        let (recovery, rests) =
            (&self.recovery, self.exertion.rests() && !matches!(self.phase, Phase::Ending(_)));
        let paused = self.resting.is_some();
        self.progress.tell(&mut self.cx, &self.exertion, |cx| match recovery {
            Some(recovery) => Some(Held::Link(recovery.why().clone())),
            None if paused => Some(Held::Paused),
            None if rests => Some(Held::CoolsDown),
            None => cx.waiting.then_some(Held::Asked),
        });
    }

    /// On a straight: the engine turns round where it must.
    fn turn_in_time(&mut self) -> Result<(), Failure> {
        if self.recovery.is_some() || self.pause || !self.cx.must_turn() {
            return Ok(());
        }
        if let Some(shuttle) = &mut self.shuttle {
            return shuttle.turns(&mut self.cx);
        }
        self.shuttle = Some(Box::new(Shuttle::turn(&mut self.cx)?));
        Ok(())
    }

    /// What must not happen, looked at once.
    fn look(&mut self) -> Result<(), Failure> {
        let followed = self.cx.follow_way();
        if let Some(recovery) = &self.recovery {
            let hears_station = recovery.hears_station();
            self.guards.look_interrupted(&mut self.cx, recovery.is_stopped())?;
            // While the sensor is away the station alone can tell that somebody else drives the engine.
            return if hears_station { self.throttles.look(&mut self.cx) } else { Ok(()) };
        }
        followed?;
        self.information.look(&mut self.cx);
        self.cx.learn_reach();
        self.guards.look(&mut self.cx)?;
        self.signal.look(&mut self.cx, &mut self.findings.reasons)?;
        self.throttles.look(&mut self.cx)?;
        if let Some(evidence) = self.exertion.look(&mut self.cx)
            && self.may_cool_down()
        {
            let times = self.exertion.rested() + 1;
            let reason = Reason::new(&engine_causes::RESTED, format!("rest {times}, after {evidence}"));
            self.cx.record(RecordBody::Noted(reason.clone()));
            self.findings.reasons.retain(|kept| kept.code != engine_causes::RESTED.code);
            self.findings.reasons.push(reason);
            self.cx.motion.end_measure();
            self.rewind(Duration::ZERO);
            self.exertion.begin_rest(&self.cx);
        }
        Ok(())
    }

    /// The phase lets the engine rest here: not amid programming, in somebody's hands, or while it turns round.
    fn may_cool_down(&self) -> bool {
        !self.cx.waiting
            && !self.pause
            && self.shuttle.is_none()
            && !self.exertion.rests()
            && !self.is_ending()
            && !self.is_programming()
    }

    /// The engine rests; true once the phase goes on.
    fn cool_down(&mut self) -> Result<bool, Failure> {
        let Some(stood) = self.exertion.poll_rest(&mut self.cx)? else { return Ok(false) };
        self.rewind(stood);
        Ok(true)
    }

    /// A pause: the present point is given up, the engine goes to standstill and waits.
    fn rest(&mut self) -> Result<(), Failure> {
        if self.resting.is_none() {
            self.shuttle = None;
            self.cx.motion.end_measure();
            self.rewind(Duration::ZERO);
            // Whoever was asked to handle the engine has it in his hands already.
            self.resting = Some(Resting { mover: Mover::stand(&self.cx), stands: self.cx.waiting });
        }
        // Once it stood, the person may handle the engine: what the axle does then is nobody's fault.
        if let Some(resting) = &mut self.resting
            && !resting.stands
            && resting.mover.poll(&mut self.cx)?.is_some()
        {
            resting.stands = true;
            self.cx.waiting = true;
            if let Some(straight) = &mut self.cx.straight {
                straight.lose();
            }
        }
        Ok(())
    }

    /// CV work and the link check are not paused in the middle.
    fn is_programming(&self) -> bool {
        match &self.phase {
            Phase::LinkCheck(_) | Phase::Snapshot(_) | Phase::Settling(_) | Phase::Write { .. } => true,
            Phase::Baseline(baseline) => baseline.is_programming(),
            _ => false,
        }
    }

    /// Polls the present phase; true when another phase began.
    fn advance(&mut self) -> Result<bool, Failure> {
        let cx = &mut self.cx;
        match &mut self.phase {
            Phase::LinkCheck(phase) => {
                if phase.poll(cx)?.is_none() {
                    return Ok(false);
                }
                if let Purpose::Roll { seconds } = cx.plan.purpose {
                    let roll = Roll::new(cx, seconds);
                    self.enter(PhaseName::Rolling, Phase::Roll(roll));
                    return Ok(true);
                }
                laps::say(cx, cx.laps_asked)?;
                cx.judge_way()?;
                let job = snapshot::job(cx);
                self.enter(PhaseName::Snapshot, Phase::Snapshot(job));
            }
            Phase::Snapshot(job) => {
                cx.phase_done = job.done();
                if job.poll(cx)?.is_none() {
                    return Ok(false);
                }
                snapshot::judge(cx)?;
                cx.judge_way()?;
                self.after_snapshot();
            }
            Phase::Settling(job) => {
                cx.phase_done = job.done();
                if job.poll(cx)?.is_none() {
                    return Ok(false);
                }
                cx.record(RecordBody::OriginalsBack);
                if cx.plan.purpose.drives() {
                    self.begin_work();
                } else {
                    cx.cvs.changed.clear();
                    self.begin_ending(false, false);
                }
            }
            Phase::Baseline(_) | Phase::WarmUp(_) | Phase::Learn(_) | Phase::Sweep(_) | Phase::Placing(_) => {
                return self.advance_measuring();
            }
            Phase::RunIn(phase) => {
                if phase.poll(cx)?.is_none() {
                    return Ok(false);
                }
                self.end = End::RanIn;
                self.begin_ending(false, false);
            }
            Phase::Roll(phase) => {
                if phase.poll(cx)?.is_none() {
                    return Ok(false);
                }
                self.end = End::Rolled;
                self.begin_ending(false, false);
            }
            Phase::Write { .. } => return self.advance_write(),
            Phase::Verify { .. } => return self.advance_verify(),
            Phase::Ending(ending) => {
                let Some(grade) = ending.poll(cx) else { return Ok(false) };
                self.findings.reasons.append(&mut ending.reasons);
                self.finish(grade);
                return Ok(false);
            }
            Phase::Over => return Ok(false),
        }
        Ok(true)
    }

    fn after_snapshot(&mut self) {
        if let Purpose::PutBack { values, write } = &self.cx.plan.purpose {
            let differs = snapshot::differences(&self.cx, values);
            self.end = if *write { End::Restored } else { End::Compared };
            let write = *write && differs.is_some();
            let reason = match differs {
                Some(evidence) if write => Reason::new(&engine_causes::ORIGINALS_PUT_BACK, evidence),
                Some(evidence) => Reason::new(&engine_causes::ORIGINALS_DIFFER, evidence),
                None => Reason::new(&engine_causes::ORIGINALS_HELD, format!("{} CVs", values.len())),
            };
            self.cx.record(RecordBody::Noted(reason.clone()));
            self.findings.reasons.push(reason);
            if !write {
                self.cx.cvs.changed.clear();
                self.begin_ending(false, false);
                return;
            }
        }
        if self.cx.plan.pending.is_empty() {
            self.begin_work();
            return;
        }
        let values = snapshot::pending_values(&self.cx.plan.pending);
        let ops: Vec<CvOp> = snapshot::restore_ops(&self.cx, &values);
        let job = CvJob::checked(&self.cx, ops);
        self.enter(PhaseName::Settling, Phase::Settling(job));
    }

    /// What the run is for begins: the decoder is known, and holds its own values.
    fn begin_work(&mut self) {
        if self.cx.plan.purpose.changes_curve() {
            return self.begin_baseline();
        }
        // It stays as it is, with the momentum that it has.
        self.cx.momentum_s = write::momentum_s(&self.cx);
        self.cx.response_changed();
        if let Purpose::RunIn { .. } = self.cx.plan.purpose {
            let phase = RunIn::new(&self.cx);
            self.enter(PhaseName::RunningIn, Phase::RunIn(Box::new(phase)));
        } else {
            self.findings.warm_at = warm_step(&self.cx, &self.findings);
            let phase = WarmUp::new(&self.cx, self.findings.warm_at, None);
            self.enter(PhaseName::WarmUp, Phase::WarmUp(Box::new(phase)));
        }
    }

    /// The engine is warm, and its decoder as it came: the table in it is measured, or a new one made from curves that are known.
    fn after_plain_warm_up(&mut self) -> Result<(), Failure> {
        if let Purpose::Retarget(curve) = &self.cx.plan.purpose {
            (self.findings.sweep, self.findings.placing) = (Some(curve.found.clone()), curve.placing);
            return self.fit();
        }
        let round = VerifyRound::new(&self.cx, &self.findings);
        self.enter(PhaseName::Verify, Phase::Verify { round, number: 1, before: None });
        Ok(())
    }

    fn begin_baseline(&mut self) {
        let phase = Baseline::new(&self.cx, first_kind(&self.cx));
        self.enter(PhaseName::Baseline, Phase::Baseline(phase));
    }

    /// The table from the curves, and on to writing it.
    fn fit(&mut self) -> Result<(), Failure> {
        if self.cx.plan.purpose == Purpose::Sweep {
            self.end = End::Measured;
            self.begin_ending(false, true);
            return Ok(());
        }
        self.cx.phase = PhaseName::Fit;
        self.cx.record(RecordBody::Phase(PhaseName::Fit));
        if let Some(evidence) = self.findings.bent() {
            let zeros = self.findings.sweep.as_ref().is_some_and(|sweep| sweep.kind == BaselineKind::Zeros);
            if self.cx.plan.purpose.changes_curve()
                && zeros
                && self.cx.plan.profile.linear_by == LinearBy::FindOut
            {
                self.cx.note(&engine_causes::ZEROS_NOT_LINEAR, evidence);
                let phase = Baseline::new(&self.cx, BaselineKind::OneMidFull);
                self.enter(PhaseName::Baseline, Phase::Baseline(phase));
                return Ok(());
            }
            return Err(Failure::rejected(&engine_causes::CURVE_BENT, evidence));
        }
        self.findings.compute(&mut self.cx)?;
        self.begin_write(AfterWrite::Verify { number: 1, before: None });
        Ok(())
    }

    fn finish(&mut self, grade: StopGrade) {
        let told = (grade, self.broken, self.interruptions, self.exertion.driven().as_secs_f64());
        let outcome = result::outcome(&self.cx, &self.findings, self.end, told);
        self.cx.phase = PhaseName::Ended;
        self.cx.record(RecordBody::Phase(PhaseName::Ended));
        self.cx.record(RecordBody::Outcome(Box::new(outcome.clone())));
        self.cx.outbox.push(Output::Ended(Box::new(outcome)));
        self.phase = Phase::Over;
    }

    pub(super) fn poll_order(&mut self) -> Option<(OrderId, Action)> {
        self.cx.outbox.poll_order()
    }

    pub(super) fn poll_output(&mut self) -> Option<Output> {
        self.cx.outbox.poll_output()
    }

    pub(super) fn next_wake(&mut self) -> Option<BenchTime> {
        if self.is_over() { None } else { self.cx.wake() }
    }
}
