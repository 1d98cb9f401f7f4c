//! Stops the engine and finds out how sure that is: still, acknowledged, or unconfirmed.
//!
//! A plain stop that does not lead to standstill becomes an emergency stop; that keeps the signal on until the axle
//! stands or a time has passed, then the power goes off: a decoder with an energy store runs on when only the power
//! is cut. A station that cannot be reached is tried again for a time: stations repeat the last speed for ever, and a
//! link that was gone for seconds must not leave an engine running.
//!
//! While a run waits for its station the power is spared where the stop alone will do: nobody could say afterwards
//! whether it was off by our hand or by a person's, so it would stay off and the run would end.
use super::cx::{Cx, Link};
use super::guards::floor_mm_s;
use super::outcome::StopGrade;
use crate::station::{Action, OrderEnd, OrderId};
use crate::time::BenchTime;
use std::time::Duration;

/// The axle must stand this long to count as still.
const STILL: Duration = Duration::from_secs(1);
/// An emergency stop waits this long for standstill before the power goes.
const EMERGENCY_WAIT: Duration = Duration::from_secs(4);
/// After the power went off, the axle is watched this long.
const COASTING: Duration = Duration::from_secs(5);
/// Pause between two attempts on a station that confirms nothing.
pub(super) const AGAIN_AFTER: Duration = Duration::from_secs(2);
/// While the station is waited for, a stop that was not answered is tried this long before the power goes as well.
const SPARE_FOR: Duration = Duration::from_secs(30);
/// A station that is asked for the power before a cut has this long to answer.
const ASK_MOST: Duration = Duration::from_secs(1);
/// No attempt is begun later than this after the first.
pub(super) const TRY_FOR: Duration = Duration::from_secs(60);

#[derive(Debug)]
enum Stage {
    Begin { emergency: bool },
    Stopping { since: BenchTime },
    Emergency { since: BenchTime },
    Asking { order: OrderId, since: BenchTime },
    Cutting { order: OrderId },
    Coasting { since: BenchTime },
    Failed { since: BenchTime },
    Over,
}

/// A stop under way.
#[derive(Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is an independent fact of the stop")]
pub(super) struct Stopper {
    stage: Stage,
    began: BenchTime,
    orders: Vec<OrderId>,
    acknowledged: bool,
    /// When an order of this stop was last acknowledged.
    heard_at: BenchTime,
    open: bool,
    /// The station itself refused the present attempt.
    refused: bool,
    /// The run waits for this link and is to go on afterwards.
    waits_for: Option<Link>,
    /// The station said that the power was on right before we cut it, and acknowledged the first cut.
    was_on: Option<bool>,
    grade: StopGrade,
    /// The station took the stop and the engine ran on until the power went: giving it power again would set it going.
    pub(super) disobeyed: bool,
}

impl Stopper {
    pub(super) fn new(cx: &Cx, emergency: bool) -> Self {
        Self {
            stage: Stage::Begin { emergency },
            began: cx.now,
            orders: Vec::new(),
            acknowledged: false,
            heard_at: cx.now,
            open: true,
            refused: false,
            waits_for: None,
            was_on: None,
            grade: StopGrade::Unconfirmed,
            disobeyed: false,
        }
    }

    /// A stop after which the run is to go on, once `link` is back.
    pub(super) fn waiting_for(cx: &Cx, link: Link, emergency: bool) -> Self {
        Self { waits_for: Some(link), ..Self::new(cx, emergency) }
    }

    /// The grade, once the stop is over.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Option<StopGrade> {
        loop {
            self.collect(cx);
            let still = cx.ordered.0.value == 0 && cx.stands_for(STILL) && cx.sensor_proved();
            let still = still && !cx.motion.hides_turning();
            let next = match self.stage {
                Stage::Begin { emergency } => self.begin(cx, emergency),
                Stage::Stopping { since } => self.wait_plain(cx, since, still)?,
                Stage::Emergency { since } => self.wait_emergency(cx, since, still)?,
                Stage::Asking { order, since } => self.ask(cx, order, since)?,
                Stage::Cutting { order } => self.cut(cx, order, still)?,
                Stage::Coasting { since } => self.coast(cx, since, still)?,
                Stage::Failed { since } => self.again(cx, since, still)?,
                Stage::Over => {
                    cx.may_move &= self.grade == StopGrade::Unconfirmed;
                    return Some(self.grade);
                }
            };
            self.stage = next;
        }
    }

    /// Takes in the answers to stop orders.
    fn collect(&mut self, cx: &mut Cx) {
        let mut waiting = Vec::new();
        for order in std::mem::take(&mut self.orders) {
            match cx.ended(order) {
                None => waiting.push(order),
                Some(OrderEnd::Done { .. }) => (self.acknowledged, self.heard_at) = (true, cx.now),
                // A station speaks in numbers; where nothing was sent the code is a word of ours.
                Some(OrderEnd::Refused { code, .. }) => {
                    self.refused |= code.bytes().all(|byte| byte.is_ascii_digit());
                }
                Some(OrderEnd::Unknown { .. }) => {}
            }
        }
        self.open = !waiting.is_empty();
        self.orders = waiting;
    }

    fn begin(&mut self, cx: &mut Cx, emergency: bool) -> Stage {
        let action = if emergency { Action::EmergencyStop } else { Action::Stop };
        self.orders.push(cx.order(action));
        (self.open, self.refused) = (true, false);
        let since = cx.now;
        if emergency { Stage::Emergency { since } } else { Stage::Stopping { since } }
    }

    fn over(&mut self, grade: StopGrade) -> Stage {
        self.grade = grade;
        Stage::Over
    }

    fn wait_plain(&mut self, cx: &mut Cx, since: BenchTime, still: bool) -> Option<Stage> {
        if still && (self.acknowledged || !self.open) {
            return Some(self.over(StopGrade::Still));
        }
        let late = cx.standstill_is_late(since);
        (late || (!self.open && !self.acknowledged)).then(|| self.begin(cx, true))
    }

    fn wait_emergency(&mut self, cx: &mut Cx, since: BenchTime, still: bool) -> Option<Stage> {
        let failed = !self.open && !self.acknowledged;
        // A station that hung hears the stop late: only from then on can the engine obey.
        let from = if self.waits_for == Some(Link::Station) { since.max(self.heard_at) } else { since };
        let late = cx.passed(from, EMERGENCY_WAIT);
        if self.waits_for == Some(Link::Station) {
            if still && !self.open {
                return Some(self.over(StopGrade::Still));
            }
            // Who cannot be reached for the stop cannot be reached for the power: both go the same way.
            let spared = !self.acknowledged && !self.refused && !cx.passed(self.began, SPARE_FOR);
            if spared {
                return failed.then_some(Stage::Failed { since: cx.now });
            }
        }
        if !(still || failed || late) {
            return None;
        }
        // Only what was seen well after the order tells of it: the last words of a lost sensor do not.
        let seen = cx.motion.newest().is_some_and(|newest| newest >= from + EMERGENCY_WAIT / 2);
        self.disobeyed |= late && seen && self.acknowledged && cx.turns_faster_than(floor_mm_s(cx));
        let asks = self.waits_for == Some(Link::Sensor) && self.was_on.is_none() && !cx.station.informs;
        if asks {
            return Some(Stage::Asking { order: cx.order(Action::AskPower), since: cx.now });
        }
        let known = cx.station.informs && cx.station.power == Some(true);
        Some(self.begin_cut(cx, known))
    }

    /// A station that tells nothing unasked may have been without power for long.
    fn ask(&mut self, cx: &mut Cx, order: OrderId, since: BenchTime) -> Option<Stage> {
        let end = cx.ended(order);
        if end.is_none() && !cx.passed(since, ASK_MOST) {
            return None;
        }
        let known = matches!(end, Some(OrderEnd::Done { .. })) && cx.station.power == Some(true);
        Some(self.begin_cut(cx, known))
    }

    fn begin_cut(&mut self, cx: &mut Cx, was_on: bool) -> Stage {
        cx.station.power_wanted = false;
        self.was_on.get_or_insert(was_on);
        Stage::Cutting { order: cx.order(Action::PowerOff) }
    }

    fn cut(&mut self, cx: &mut Cx, order: OrderId, still: bool) -> Option<Stage> {
        let off = matches!(cx.ended(order)?, OrderEnd::Done { .. });
        self.acknowledged |= off;
        // A cut that was not acknowledged may have come to pass all the same, or a person may have cut in meanwhile.
        self.was_on = self.was_on.map(|on| on && off && cx.station.lost.is_none());
        cx.station.cut_by_us |= self.was_on == Some(true);
        // Where the station switches no power, its word for the stop is all there is to be had.
        let all = off || (self.acknowledged && cx.station.abilities.is_some_and(|can| !can.power));
        Some(match (still, all) {
            (true, _) => self.over(StopGrade::Still),
            (false, true) => Stage::Coasting { since: cx.now },
            (false, false) => Stage::Failed { since: cx.now },
        })
    }

    /// Acknowledged; better is to see it stand.
    fn coast(&mut self, cx: &mut Cx, since: BenchTime, still: bool) -> Option<Stage> {
        if still {
            return Some(self.over(StopGrade::Still));
        }
        cx.passed(since, COASTING + cx.unseen_time()).then(|| self.over(StopGrade::Acknowledged))
    }

    fn again(&mut self, cx: &mut Cx, since: BenchTime, still: bool) -> Option<Stage> {
        if still {
            return Some(self.over(StopGrade::Still));
        }
        if !cx.passed(since, AGAIN_AFTER) {
            return None;
        }
        // A station that was never reached was never told to drive.
        if cx.now < self.began + TRY_FOR && (cx.station.abilities.is_some() || cx.may_move) {
            return Some(self.begin(cx, true));
        }
        let grade = if self.acknowledged { StopGrade::Acknowledged } else { StopGrade::Unconfirmed };
        Some(self.over(grade))
    }
}
