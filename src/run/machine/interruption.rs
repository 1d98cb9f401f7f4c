//! Interruptions by a lost link: when a run waits for it, and how it goes on.
use super::{Phase, Run};
use crate::cause::{program as program_causes, station as station_causes};
use crate::run::cx::{Failure, Link};
use crate::run::guards::Guards;
use crate::run::information_link::InformationLink;
use crate::run::record::{PhaseName, RecordBody};
use crate::run::recovery::Recovery;
use crate::run::throttle_watch::ThrottleWatch;
use std::time::Duration;

/// A run that is interrupted more often than this has links that are not worth waiting for.
const MOST: u32 = 5;

impl Run {
    /// What a failure leads to: where a link is at fault it is waited for, else the run ends.
    pub(super) fn meet(&mut self, failure: Failure) {
        let waits = !self.cx.plan.spec.limits.reconnect.is_zero();
        if failure.link.is_none() || !waits || self.is_ending() || self.recovery.is_some() {
            return self.fail(failure);
        }
        if self.interruptions >= MOST {
            return self.fail(failure.adding(&format!("the run had been interrupted {MOST} times before")));
        }
        self.interruptions += 1;
        self.shuttle = None;
        self.cx.motion.end_measure();
        self.cx.record(RecordBody::Noted(failure.reason.clone()));
        if failure.link == Some(Link::Station) && self.cx.may_move {
            let setting = self.cx.ordered.0;
            let evidence = format!("setting {} of {} was ordered last", setting.value, setting.of);
            self.cx.note(&station_causes::ENGINE_OUT_OF_REACH, evidence);
        }
        self.guards = Guards::default();
        self.recovery = Some(Recovery::new(&mut self.cx, failure));
        self.name_phase(PhaseName::Recovering);
    }

    /// The program died amid the run and goes on with it after so long. What was going on is interrupted as by a lost link to both.
    pub(super) fn go_on_after(&mut self, away: Duration) {
        let evidence = format!("away for {:.0} s", away.as_secs_f64());
        let failure = Failure::emergency(&program_causes::DIED, evidence).by(Link::Station);
        self.cx.record(RecordBody::Noted(failure.reason.clone()));
        if self.is_ending() {
            return;
        }
        // Where another link was waited for, both are now, and the phase behind it is what goes on.
        let phase = self.recovery.take().map_or(self.cx.phase, |recovery| recovery.phase());
        self.cx.phase = phase;
        self.shuttle = None;
        self.cx.motion.end_measure();
        // Nobody saw what it did meanwhile.
        self.cx.may_move = self.cx.has_moved();
        (self.guards, self.throttles) = (Guards::default(), ThrottleWatch::default());
        self.recovery = Some(Recovery::after_death(&mut self.cx, failure, away));
        self.name_phase(PhaseName::Recovering);
    }

    /// Looks after the recovery under way; true once the run goes on.
    pub(super) fn recover(&mut self) -> Result<bool, Failure> {
        let Some(recovery) = &mut self.recovery else { return Ok(true) };
        if recovery.poll(&mut self.cx)?.is_none() {
            return Ok(false);
        }
        let now = self.cx.now;
        let hears_less = recovery.hears_less(&self.cx);
        let (reason, phase) = (recovery.told(now), recovery.phase());
        let lasted = recovery.lasted(now) + recovery.away();
        self.recovery = None;
        self.cx.station.cut_by_us = false;
        self.cx.record(RecordBody::Noted(reason.clone()));
        self.findings.reasons.push(reason);
        // What was seen and asked before the loss says nothing of now.
        (self.guards, self.throttles) = (Guards::default(), ThrottleWatch::default());
        self.information = InformationLink::default();
        if hears_less {
            self.information.lost(now);
        }
        self.cx.station.heard_at = now;
        self.cx.resumed_at = now;
        self.name_phase(phase);
        self.exertion.rewind(&self.cx);
        self.rewind(lasted);
        if self.resting.as_ref().is_some_and(|resting| !resting.stands) {
            self.resting = None;
        }
        Ok(true)
    }

    fn name_phase(&mut self, name: PhaseName) {
        self.cx.phase = name;
        self.cx.record(RecordBody::Phase(name));
    }

    /// The present point or operation begins again, after the engine stood for so long.
    pub(super) fn rewind(&mut self, stood: Duration) {
        let cx = &mut self.cx;
        match &mut self.phase {
            Phase::LinkCheck(phase) => phase.rewind(cx),
            Phase::Snapshot(job) | Phase::Settling(job) | Phase::Write { job, .. } => job.rewind(cx),
            Phase::Baseline(phase) => phase.rewind(cx),
            Phase::WarmUp(phase) => phase.rewind(cx, stood),
            Phase::Learn(phase) => phase.rewind(cx),
            Phase::RunIn(phase) => phase.rewind(cx),
            Phase::Roll(phase) => phase.rewind(cx),
            Phase::Sweep(phase) => phase.rewind(cx, stood),
            Phase::Placing(phase) => phase.rewind(cx),
            Phase::Verify { round, .. } => round.rewind(cx, stood),
            Phase::Ending(_) | Phase::Over => {}
        }
    }
}
