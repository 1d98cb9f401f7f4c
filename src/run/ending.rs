//! The end of a run: stop and grade, put back what has to go back, give the engine back, power off, say the result.
//!
//! Every wait is bounded: a stop and the last power off by [`super::stopper::TRY_FOR`], putting back by its own limit,
//! everything else by the time limits of the station's orders.
use super::cv_job::CvJob;
use super::cx::Cx;
use super::guards::{RunsOff, floor_mm_s};
use super::kept;
use super::outcome::StopGrade;
use super::record::{PhaseName, RecordBody};
use super::snapshot;
use super::stopper::{AGAIN_AFTER, Stopper, TRY_FOR};
use crate::cause::{
    Reason, cv_list as list_causes, engine as causes, record as record_causes, station as station_causes,
};
use crate::config::ProgrammingPlace;
use crate::station::{Action, OrderEnd, OrderId};
use crate::time::BenchTime;
use std::time::Duration;

/// Leaving programming before the stop takes at most this long: the engine has no drive there.
const LEAVE_MOST: Duration = Duration::from_secs(5);
/// Putting back takes at most this long, a person who is to carry the engine over included.
const RESTORE_MOST: Duration = Duration::from_secs(900);

#[derive(Debug)]
enum Stage {
    Leaving { order: OrderId, since: BenchTime },
    Stopping(Stopper),
    Restoring { job: CvJob, since: BenchTime, unread: Vec<u16> },
    Releasing(OrderId),
    Cutting { order: OrderId, began: BenchTime },
    CutFailed { why: String, since: BenchTime, began: BenchTime },
    Over,
}

/// The end under way.
#[derive(Debug)]
pub(super) struct Ending {
    stage: Stage,
    emergency: bool,
    restore: bool,
    /// The stop was tried for as long as it may take, and is unconfirmed all the same.
    tried: bool,
    grade: StopGrade,
    runs_off: RunsOff,
    /// Reasons met on the way.
    pub(super) reasons: Vec<Reason>,
}

impl Ending {
    /// `restore`: originals go back if the link and the contact allow.
    pub(super) fn new(cx: &mut Cx, emergency: bool, restore: bool) -> Self {
        // Programming holds the track: the engine has no drive, and stop orders may be refused until it is left.
        let stage = if cx.station.programming && cx.station.lost.is_none() && !emergency {
            Stage::Leaving { order: cx.order(Action::EndProgramming), since: cx.now }
        } else {
            Stage::Stopping(Stopper::new(cx, emergency))
        };
        Self {
            stage,
            emergency,
            restore,
            tried: false,
            grade: StopGrade::Unconfirmed,
            runs_off: RunsOff::default(),
            reasons: Vec::new(),
        }
    }

    /// The person does not want to wait for originals, or nothing may be written any more.
    pub(super) fn skip_restore(&mut self) {
        self.restore = false;
    }

    /// The grade of the stop, once everything is over.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Option<StopGrade> {
        loop {
            let next = match &mut self.stage {
                Stage::Leaving { order, since } => {
                    let (order, since) = (*order, *since);
                    self.leave(cx, order, since)?
                }
                Stage::Stopping(stopper) => {
                    self.grade = stopper.poll(cx)?;
                    self.tried = self.grade == StopGrade::Unconfirmed;
                    self.restore &= !stopper.disobeyed && !cx.disobeyed;
                    self.stopped(cx)
                }
                Stage::Restoring { .. } => self.put_back(cx)?,
                Stage::Releasing(order) => {
                    let order = *order;
                    cx.ended(order)?;
                    self.power_off(cx)
                }
                Stage::Cutting { order, began } => {
                    let (order, began) = (*order, *began);
                    self.cut(cx, order, began)?
                }
                Stage::CutFailed { why, since, began } => {
                    let (since, began) = (*since, *began);
                    self.grade = still_now(cx, self.grade);
                    if !cx.passed(since, AGAIN_AFTER) {
                        return None;
                    }
                    let reached = cx.station.abilities.is_some() || cx.may_move;
                    if reached && !self.tried && cx.now < began + TRY_FOR {
                        Stage::Cutting { order: cx.order(Action::PowerOff), began }
                    } else {
                        // What is wrong with a station that was never reached is said already.
                        if reached {
                            self.reasons.push(Reason::new(&station_causes::POWER_OFF_REFUSED, why.clone()));
                        }
                        Stage::Over
                    }
                }
                Stage::Over => return Some(still_now(cx, self.grade)),
            };
            self.stage = next;
        }
    }

    /// Leaves programming first; then the stop. A station that does not even leave programming is not asked for more.
    fn leave(&mut self, cx: &mut Cx, order: OrderId, since: BenchTime) -> Option<Stage> {
        if cx.ended(order).is_some() {
            cx.station.programming = false;
        } else if cx.passed(since, LEAVE_MOST) {
            self.restore = false;
        } else {
            return None;
        }
        Some(Stage::Stopping(Stopper::new(cx, false)))
    }

    fn stopped(&mut self, cx: &mut Cx) -> Stage {
        let values = cx.cvs.to_restore();
        if values.is_empty() {
            return self.last_orders(cx);
        }
        // On the main a decoder hears nothing without power, and the station may say yes all the same.
        let deaf =
            cx.plan.spec.programming.place == ProgrammingPlace::Main && cx.station.power == Some(false);
        let contact =
            cx.identified && cx.station.lost.is_none() && self.grade != StopGrade::Unconfirmed && !deaf;
        if self.restore && contact {
            cx.phase = PhaseName::Restore;
            cx.record(RecordBody::Phase(PhaseName::Restore));
            let ops = snapshot::restore_ops(cx, &values);
            let unread = kept::unread(cx, &values);
            return Stage::Restoring { job: CvJob::without_move(cx, ops), since: cx.now, unread };
        }
        self.leave_pending(cx, None)
    }

    /// One look at putting back.
    fn put_back(&mut self, cx: &mut Cx) -> Option<Stage> {
        let Stage::Restoring { job, since, unread } = &mut self.stage else { return None };
        let since = *since;
        if self.runs_off.look(cx) {
            // The track has power for programming: an engine that turns now is out of hand.
            self.restore = false;
            self.reasons.push(Reason::new(&causes::MOVES_UNASKED, "while originals were put back"));
            return Some(Stage::Stopping(Stopper::new(cx, true)));
        }
        if !self.restore {
            return Some(self.leave_pending(cx, None));
        }
        match job.poll(cx) {
            Ok(Some(())) => {
                if !unread.is_empty() {
                    let evidence = format!("CV {}", kept::ranges(unread));
                    self.reasons.push(Reason::new(&list_causes::BACK_UNREAD, evidence));
                }
                cx.record(RecordBody::OriginalsBack);
                Some(self.last_orders(cx))
            }
            Ok(None) if cx.passed(since, RESTORE_MOST) => {
                let evidence = format!("originals not back after {} s", RESTORE_MOST.as_secs());
                let reason = Reason::new(&station_causes::PROGRAMMING_NO_ANSWER, evidence);
                Some(self.leave_pending(cx, Some(reason)))
            }
            Ok(None) => None,
            Err(failure) => Some(self.leave_pending(cx, Some(failure.reason))),
        }
    }

    /// Originals stay out of the decoder until the next start, and that is said.
    fn leave_pending(&mut self, cx: &mut Cx, why: Option<Reason>) -> Stage {
        if let Some(reason) = why {
            cx.record(RecordBody::Noted(reason.clone()));
            self.reasons.push(reason);
        }
        self.reasons.push(Reason::new(&record_causes::RESTORE_PENDING, pending(cx)));
        self.last_orders(cx)
    }

    fn last_orders(&mut self, cx: &mut Cx) -> Stage {
        if cx.station.programming {
            // Given up in the middle: the station is not left in service mode.
            cx.order(Action::EndProgramming);
            cx.station.programming = false;
        }
        if cx.station.lost.is_none() && cx.station.abilities.is_some() {
            return Stage::Releasing(cx.order(Action::ReleaseEngine));
        }
        self.power_off(cx)
    }

    /// An unattended track is left without power.
    fn power_off(&mut self, cx: &mut Cx) -> Stage {
        cx.station.power_wanted = false;
        let already = self.emergency && cx.station.power == Some(false);
        let possible = cx.station.abilities.is_none_or(|abilities| abilities.power);
        if already || !possible {
            return Stage::Over;
        }
        Stage::Cutting { order: cx.order(Action::PowerOff), began: cx.now }
    }

    fn cut(&mut self, cx: &mut Cx, order: OrderId, began: BenchTime) -> Option<Stage> {
        let why = match cx.ended(order)? {
            OrderEnd::Done { .. } => {
                if self.grade == StopGrade::Unconfirmed {
                    self.grade = StopGrade::Acknowledged;
                }
                return Some(Stage::Over);
            }
            OrderEnd::Refused { code, words } => format!("{code} {words}"),
            OrderEnd::Unknown { why } => why,
        };
        Some(Stage::CutFailed { why, since: cx.now, began })
    }
}

/// Wheels that were only held stand as well: where the power could not be cut, they may turn again.
fn still_now(cx: &Cx, grade: StopGrade) -> StopGrade {
    let turns = grade == StopGrade::Still && cx.turns_faster_than(floor_mm_s(cx));
    if turns { StopGrade::Unconfirmed } else { grade }
}

fn pending(cx: &Cx) -> String {
    let list: Vec<String> =
        cx.cvs.to_restore().iter().map(|(cv, value)| format!("CV {cv} = {value}")).collect();
    list.join(", ")
}
