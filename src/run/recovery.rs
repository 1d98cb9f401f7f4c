//! After a link was lost: the engine is stopped, the link awaited, everything checked anew as the link check does.
//!
//! It ends well with the engine taken, standing and under power as before; the phase that was interrupted then repeats
//! its present point. Power that somebody else cut stays off: only a cut of our own, known as such, is switched on again.
//! With the station out of reach none is known as such, for a person may have been there first.
use super::backoff::Backoff;
use super::cx::{Cx, Failure, Link, Step};
use super::information_link::STATION_BACKOFF;
use super::link_check::{Orders, rest};
use super::outcome::StopGrade;
use super::record::PhaseName;
use super::stopper::Stopper;
use crate::cause::{Reason, record as record_causes, sensor as sensor_causes, station as station_causes};
use crate::station::{Abilities, Action, OrderEnd, OrderId, Setting};
use crate::time::BenchTime;
use std::time::Duration;

/// Power was switched on again: standstill is looked for after this time.
const POWERED: Duration = Duration::from_secs(2);

#[derive(Debug)]
enum Stage {
    Stopping(Stopper),
    Waiting {
        since: BenchTime,
    },
    Attaching(OrderId),
    /// Programming that was under way is left; what the station says to it does not matter.
    Leaving(OrderId),
    Taking(Orders),
    Sensor,
    Resting {
        since: BenchTime,
    },
    Asking(Orders),
    Powering(Orders),
    Powered {
        since: BenchTime,
    },
    Over,
}

/// A recovery under way.
#[derive(Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is an independent fact of the interruption")]
pub(super) struct Recovery {
    why: Failure,
    began: BenchTime,
    phase: PhaseName,
    stage: Stage,
    /// The station must be attached again.
    station: bool,
    abilities: Option<Abilities>,
    power_wanted: bool,
    programming: bool,
    backoff: Backoff,
    /// The station was tried once more when the time was over.
    tried_last: bool,
    /// What the station said to the last attempt.
    refused: Option<String>,
    /// The program had died, so long ago; whoever goes on with the run wants its power too.
    away: Option<Duration>,
}

impl Recovery {
    pub(super) fn new(cx: &mut Cx, why: Failure) -> Self {
        if why.reason.code == sensor_causes::OLD_DATA.code {
            cx.sensor.renew(cx.now);
        }
        let station = why.link == Some(Link::Station);
        let mut recovery = Self {
            began: cx.now,
            phase: cx.phase,
            stage: Stage::Sensor,
            station,
            abilities: cx.station.abilities,
            power_wanted: cx.station.power_wanted,
            programming: cx.station.programming,
            backoff: STATION_BACKOFF,
            tried_last: false,
            refused: None,
            away: None,
            why,
        };
        // An engine that stood at a setting too low for it looks stopped before the order of zero was heard.
        let unheard = cx.now < cx.ordered_at + cx.plan.spec.station.answer_limit.saturating_mul(2);
        recovery.stage = if cx.may_move || (station && unheard) {
            Stage::Stopping(recovery.stopper(cx, recovery.why.emergency))
        } else {
            recovery.stopped(cx)
        };
        recovery
    }

    /// The program died and goes on: as after a lost station, and with a sensor of which nothing is known.
    pub(super) fn after_death(cx: &mut Cx, why: Failure, away: Duration) -> Self {
        cx.station.lost = None;
        let mut recovery = Self { away: Some(away), ..Self::new(cx, why) };
        recovery.station = true;
        recovery
    }

    /// For how long the program was dead, beside the time that the recovery took.
    pub(super) fn away(&self) -> Duration {
        self.away.unwrap_or_default()
    }

    fn stopper(&self, cx: &Cx, emergency: bool) -> Stopper {
        let link = if self.station { Link::Station } else { Link::Sensor };
        Stopper::waiting_for(cx, link, emergency)
    }

    /// What it waits for, and why.
    pub(super) fn why(&self) -> &Reason {
        &self.why.reason
    }

    /// The phase that was interrupted.
    pub(super) fn phase(&self) -> PhaseName {
        self.phase
    }

    /// The station told changes unasked before, and does not now.
    pub(super) fn hears_less(&self, cx: &Cx) -> bool {
        let informs = |abilities: Option<Abilities>| abilities.is_some_and(|abilities| abilities.information);
        informs(self.abilities) && !informs(cx.station.abilities)
    }

    /// The station was there all the time.
    pub(super) fn hears_station(&self) -> bool {
        !self.station
    }

    /// How long it has lasted.
    pub(super) fn lasted(&self, now: BenchTime) -> Duration {
        now.since(self.began)
    }

    /// The engine is no longer being stopped: it must not move.
    pub(super) fn is_stopped(&self) -> bool {
        !matches!(self.stage, Stage::Stopping(_))
    }

    /// What is said of it once it is over.
    pub(super) fn told(&self, now: BenchTime) -> Reason {
        let Reason { code, evidence, .. } = &self.why.reason;
        let away = self.lasted(now).as_secs_f64();
        let evidence = format!("{code} at {}: {evidence}; the run went on after {away:.1} s", self.began);
        Reason::new(&record_causes::LINK_BACK, evidence)
    }

    /// Done once everything is as it was; a failure ends the run.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<()> {
        loop {
            let seeks =
                matches!(self.stage, Stage::Stopping(_) | Stage::Waiting { .. } | Stage::Attaching(_));
            if cx.station.lost.is_some() && !seeks {
                self.station = true;
                self.stage = Stage::Waiting { since: cx.now };
            }
            let next = match &mut self.stage {
                Stage::Stopping(_) => self.stop(cx)?,
                Stage::Waiting { since } => {
                    let since = *since;
                    if self.is_over(cx) && !self.tried_last {
                        // Waits grow long: it may have come back just now.
                        self.tried_last = true;
                        self.stage = attach(cx);
                        continue;
                    }
                    self.in_time(cx)?;
                    cx.passed(since, self.backoff.wait()).then(|| {
                        self.backoff.tried();
                        attach(cx)
                    })
                }
                Stage::Attaching(order) => {
                    let order = *order;
                    self.attached(cx, order)
                }
                Stage::Leaving(order) => {
                    let left = cx.ended(*order).is_some();
                    cx.station.programming &= !left;
                    left.then(|| self.take(cx))
                }
                Stage::Taking(orders) => match orders.poll(cx) {
                    Ok(done) => done.map(|()| Stage::Sensor),
                    Err(failure) => Some(self.refused(cx, failure)?),
                },
                Stage::Sensor => self.see(cx)?,
                Stage::Resting { since } => {
                    let since = *since;
                    seen(rest(cx, since), |()| self.ask(cx))?
                }
                Stage::Asking(orders) => match orders.poll(cx) {
                    Ok(done) => done.map(|()| self.asked(cx)).transpose()?,
                    Err(failure) => Some(self.refused(cx, failure)?),
                },
                Stage::Powering(orders) => match orders.poll(cx) {
                    Ok(done) => done.map(|()| powered(cx)),
                    Err(failure) => Some(self.refused(cx, failure)?),
                },
                Stage::Powered { since } => {
                    let since = *since;
                    if !cx.passed(since, POWERED) {
                        return Ok(None);
                    }
                    // While the person has the engine, what its axle does says nothing.
                    if cx.waiting { Some(Stage::Over) } else { seen(rest(cx, since), |()| Stage::Over)? }
                }
                Stage::Over => return Ok(Some(())),
            };
            match next {
                Some(stage) => self.stage = stage,
                None => return Ok(None),
            }
        }
    }

    /// The bench file's time is over.
    fn is_over(&self, cx: &mut Cx) -> bool {
        let limit = cx.plan.spec.limits.reconnect;
        cx.passed(self.began.max(cx.resumed_at), limit)
    }

    fn in_time(&self, cx: &mut Cx) -> Result<(), Failure> {
        if !self.is_over(cx) {
            return Ok(());
        }
        let limit = cx.plan.spec.limits.reconnect;
        let failure = self.why.clone().adding(&format!("not back within {} s", limit.as_secs()));
        let Some(refused) = &self.refused else { return Err(failure) };
        Err(failure.adding(&format!("the last attempt: {refused}")))
    }

    /// While nothing confirms the stop it is tried again, as long as the link is waited for.
    fn stop(&mut self, cx: &mut Cx) -> Result<Option<Stage>, Failure> {
        let Stage::Stopping(stopper) = &mut self.stage else { return Ok(None) };
        let grade = stopper.poll(cx);
        if stopper.disobeyed {
            // Giving it power again would set it going.
            cx.disobeyed = true;
            return Err(self.why.clone());
        }
        match grade {
            None => self.in_time(cx).map(|()| None),
            Some(StopGrade::Unconfirmed) => {
                self.in_time(cx)?;
                // Whoever confirms nothing for so long is out of reach.
                self.station = true;
                Ok(Some(Stage::Stopping(self.stopper(cx, true))))
            }
            Some(StopGrade::Still | StopGrade::Acknowledged) => Ok(Some(self.stopped(cx))),
        }
    }

    fn stopped(&mut self, cx: &mut Cx) -> Stage {
        self.station |= cx.station.lost.is_some();
        if self.station { attach(cx) } else { self.take(cx) }
    }

    /// A station that offers less than before is not wholly back.
    fn attached(&mut self, cx: &mut Cx, order: OrderId) -> Option<Stage> {
        let why = match cx.ended(order)? {
            OrderEnd::Done { .. } if !less(cx.station.abilities, self.abilities) => {
                cx.station.lost = None;
                if self.programming {
                    return Some(Stage::Leaving(cx.order(Action::EndProgramming)));
                }
                return Some(self.take(cx));
            }
            OrderEnd::Done { .. } => "the station offers less than before".to_owned(),
            OrderEnd::Refused { code, words } => format!("{code} {words}"),
            OrderEnd::Unknown { why } => why,
        };
        self.refused = Some(why);
        Some(Stage::Waiting { since: cx.now })
    }

    /// The engine is taken as the link check does, and told to stand.
    fn take(&self, cx: &Cx) -> Stage {
        let setting = Setting { value: 0, of: cx.plan.spec.engine.step_mode };
        let functions = Action::Functions { on: cx.plan.spec.functions.on.clone() };
        let drive = Action::Drive { setting, direction: cx.ordered.1 };
        let taking = self.station.then_some(Action::TakeEngine);
        Stage::Taking(Orders::new(taking.into_iter().chain([functions, drive])))
    }

    /// An order came to nothing. Without an answer the station is attached again; so it is where the engine is locked:
    /// the lock may be that of our own lost session, until the station notices.
    fn refused(&mut self, cx: &mut Cx, failure: Failure) -> Result<Stage, Failure> {
        let locked = failure.reason.code == station_causes::ENGINE_LOCKED.code;
        if !locked && failure.link.is_none() && cx.station.lost.is_none() {
            return Err(failure);
        }
        self.station = true;
        self.refused = Some(failure.reason.evidence);
        Ok(Stage::Waiting { since: cx.now })
    }

    /// Waits for samples that are not old. While the person has the engine, what its axle does says nothing.
    fn see(&self, cx: &mut Cx) -> Result<Option<Stage>, Failure> {
        if cx.waiting {
            return Ok(Some(self.ask(cx)));
        }
        if cx.sensor_lives() && cx.motion.lateness() <= cx.plan.spec.limits.sensor_silence {
            return Ok(Some(Stage::Resting { since: cx.now }));
        }
        self.in_time(cx).map(|()| None)
    }

    /// While programming is under way the station may say "off" of the track; once attached anew, it was left. Before the
    /// end of the link check no power was wanted.
    fn ask(&self, cx: &Cx) -> Stage {
        let asks = self.power_wanted && (self.station || !self.programming);
        if asks && cx.station.abilities.is_some_and(|abilities| abilities.power) {
            return Stage::Asking(Orders::new([Action::AskPower]));
        }
        Stage::Over
    }

    fn asked(&self, cx: &mut Cx) -> Result<Stage, Failure> {
        if cx.station.power != Some(false) {
            cx.station.power_wanted = true;
            return Ok(Stage::Over);
        }
        // A person or a service manager started it anew, as a run is started: that switches power on too.
        if self.away.is_some() || cx.station.cut_by_us && !self.station {
            return Ok(Stage::Powering(Orders::new([Action::PowerOn])));
        }
        Err(found_off(cx, self.why.reason.code.as_ref()))
    }
}

/// Somebody, a short circuit or a stop of ours at an unknown time cut the power: no power and no programming before a
/// person has looked.
pub(super) fn found_off(cx: &mut Cx, after: &str) -> Failure {
    cx.station.power_wanted = false;
    cx.cvs_frozen = true;
    Failure::halted(&station_causes::POWER_LOST, format!("found off after {after}"))
}

fn attach(cx: &mut Cx) -> Stage {
    Stage::Attaching(cx.order(Action::Attach))
}

fn powered(cx: &mut Cx) -> Stage {
    (cx.station.power_wanted, cx.station.cut_by_us) = (true, false);
    Stage::Powered { since: cx.now }
}

/// Standstill was seen, or the sensor is waited for again.
fn seen(rested: Step<()>, then: impl FnOnce(()) -> Stage) -> Result<Option<Stage>, Failure> {
    match rested {
        Ok(rested) => Ok(rested.map(then)),
        Err(failure) if failure.link.is_some() => Ok(Some(Stage::Sensor)),
        Err(failure) => Err(failure),
    }
}

/// Something that was offered before and cannot be done without is missing.
fn less(now: Option<Abilities>, before: Option<Abilities>) -> bool {
    let (Some(now), Some(before)) = (now, before) else { return now.is_none() };
    let missing = |before: bool, now: bool| before && !now;
    missing(before.power, now.power)
        || missing(before.programming_track, now.programming_track)
        || missing(before.programming_on_main, now.programming_on_main)
}
