//! The end of a run: stop and grade, put back what has to go back, give the engine back, power off, say the result.
use super::cv_job::CvJob;
use super::cx::Cx;
use super::outcome::StopGrade;
use super::record::{PhaseName, RecordBody};
use super::snapshot;
use super::stopper::Stopper;
use crate::cause::Reason;
use crate::station::{Action, OrderEnd, OrderId};

#[derive(Debug)]
enum Stage {
    Leaving(Option<OrderId>),
    Stopping(Stopper),
    Restoring(CvJob),
    Releasing(OrderId),
    Cutting(OrderId),
    Over,
}

/// The end under way.
#[derive(Debug)]
pub(super) struct Ending {
    stage: Stage,
    emergency: bool,
    restore: bool,
    grade: StopGrade,
    /// Reasons met on the way.
    pub(super) reasons: Vec<Reason>,
}

impl Ending {
    /// `restore`: originals go back if the link and the contact allow.
    pub(super) fn new(cx: &Cx, emergency: bool, restore: bool) -> Self {
        // Programming holds the track: the engine has no drive, and stop orders may be refused until it is left.
        let stage = if cx.station.programming && !emergency {
            Stage::Leaving(None)
        } else {
            Stage::Stopping(Stopper::new(emergency))
        };
        Self { stage, emergency, restore, grade: StopGrade::Unconfirmed, reasons: Vec::new() }
    }

    /// The person does not want to wait for originals.
    pub(super) fn skip_restore(&mut self) {
        self.restore = false;
    }

    /// The grade of the stop, once everything is over.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Option<StopGrade> {
        loop {
            let next = match &mut self.stage {
                Stage::Leaving(order) => leaving(cx, order)?,
                Stage::Stopping(stopper) => {
                    let grade = stopper.poll(cx)?;
                    self.grade = grade;
                    self.stopped(cx)
                }
                Stage::Restoring(job) => {
                    if self.restore {
                        match job.poll(cx) {
                            Ok(None) => return None,
                            Ok(Some(())) => {
                                cx.record(RecordBody::OriginalsBack);
                                self.last_orders(cx)
                            }
                            Err(failure) => {
                                cx.record(RecordBody::Noted(failure.reason.clone()));
                                self.reasons.push(failure.reason);
                                self.reasons
                                    .push(Reason::new(&crate::cause::record::RESTORE_PENDING, pending(cx)));
                                self.last_orders(cx)
                            }
                        }
                    } else {
                        self.reasons.push(Reason::new(&crate::cause::record::RESTORE_PENDING, pending(cx)));
                        self.last_orders(cx)
                    }
                }
                Stage::Releasing(order) => {
                    let order = *order;
                    cx.ended(order)?;
                    self.power_off(cx)
                }
                Stage::Cutting(order) => {
                    let order = *order;
                    self.cut(cx, order)?
                }
                Stage::Over => return Some(self.grade),
            };
            self.stage = next;
        }
    }

    fn stopped(&mut self, cx: &mut Cx) -> Stage {
        let values = cx.cvs.to_restore();
        if values.is_empty() {
            return self.last_orders(cx);
        }
        let contact = cx.identified && cx.station.lost.is_none() && self.grade != StopGrade::Unconfirmed;
        if self.restore && contact {
            cx.phase = PhaseName::Restore;
            cx.record(RecordBody::Phase(PhaseName::Restore));
            let ops = snapshot::restore_ops(cx, &values);
            return Stage::Restoring(CvJob::without_move(cx, ops));
        }
        self.reasons.push(Reason::new(&crate::cause::record::RESTORE_PENDING, pending(cx)));
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
        if already || !possible { Stage::Over } else { Stage::Cutting(cx.order(Action::PowerOff)) }
    }

    fn cut(&mut self, cx: &mut Cx, order: OrderId) -> Option<Stage> {
        match cx.ended(order)? {
            OrderEnd::Done { .. } if self.grade == StopGrade::Unconfirmed => {
                self.grade = StopGrade::Acknowledged;
            }
            OrderEnd::Done { .. } => {}
            OrderEnd::Refused { code, words } => self.still_powered(format!("{code} {words}")),
            OrderEnd::Unknown { why } => self.still_powered(why),
        }
        Some(Stage::Over)
    }

    fn still_powered(&mut self, evidence: String) {
        self.reasons.push(Reason::new(&crate::cause::station::POWER_OFF_REFUSED, evidence));
    }
}

/// Leaves programming first; then the stop.
fn leaving(cx: &mut Cx, order: &mut Option<OrderId>) -> Option<Stage> {
    let Some(waiting) = *order else {
        *order = Some(cx.order(Action::EndProgramming));
        return None;
    };
    cx.ended(waiting)?;
    cx.station.programming = false;
    Some(Stage::Stopping(Stopper::new(false)))
}

fn pending(cx: &Cx) -> String {
    let list: Vec<String> =
        cx.cvs.to_restore().iter().map(|(cv, value)| format!("CV {cv} = {value}")).collect();
    list.join(", ")
}
