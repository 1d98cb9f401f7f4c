//! Stops the engine and finds out how sure that is: still, acknowledged, or unconfirmed.
//!
//! A plain stop that does not lead to standstill becomes an emergency stop; that keeps the signal on until the axle
//! stands or a time has passed, then the power goes off: a decoder with an energy store runs on when only the power
//! is cut. A station that cannot be reached is tried again for a time: stations repeat the last speed for ever, and a
//! link that was gone for seconds must not leave an engine running.
use super::cx::Cx;
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
/// No attempt is begun later than this after the first.
pub(super) const TRY_FOR: Duration = Duration::from_secs(60);

#[derive(Debug)]
enum Stage {
    Begin { emergency: bool },
    Stopping { since: BenchTime },
    Emergency { since: BenchTime },
    Cutting { order: OrderId },
    Coasting { since: BenchTime },
    Failed { since: BenchTime },
    Over,
}

/// A stop under way.
#[derive(Debug)]
pub(super) struct Stopper {
    stage: Stage,
    began: BenchTime,
    orders: Vec<OrderId>,
    acknowledged: bool,
    open: bool,
    /// The station said that the power was off before we cut it.
    was_off: Option<bool>,
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
            open: true,
            was_off: None,
            grade: StopGrade::Unconfirmed,
            disobeyed: false,
        }
    }

    /// The grade, once the stop is over.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Option<StopGrade> {
        loop {
            self.collect(cx);
            let still = cx.ordered.0.value == 0 && cx.stands_for(STILL) && cx.sensor_proved();
            let next = match self.stage {
                Stage::Begin { emergency } => self.begin(cx, emergency),
                Stage::Stopping { since } => self.wait_plain(cx, since, still)?,
                Stage::Emergency { since } => self.wait_emergency(cx, since, still)?,
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
                Some(OrderEnd::Done { .. }) => self.acknowledged = true,
                Some(_) => {}
            }
        }
        self.open = !waiting.is_empty();
        self.orders = waiting;
    }

    fn begin(&mut self, cx: &mut Cx, emergency: bool) -> Stage {
        let action = if emergency { Action::EmergencyStop } else { Action::Stop };
        self.orders.push(cx.order(action));
        self.open = true;
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
        let refused = !self.open && !self.acknowledged;
        let late = cx.passed(since, EMERGENCY_WAIT);
        if !(still || refused || late) {
            return None;
        }
        // Only what was seen well after the order tells of it: the last words of a lost sensor do not.
        let seen = cx.motion.newest().is_some_and(|newest| newest >= since + EMERGENCY_WAIT / 2);
        self.disobeyed |= late && seen && self.acknowledged && cx.turns_faster_than(floor_mm_s(cx));
        cx.station.power_wanted = false;
        self.was_off.get_or_insert(cx.station.power == Some(false));
        Some(Stage::Cutting { order: cx.order(Action::PowerOff) })
    }

    fn cut(&mut self, cx: &mut Cx, order: OrderId, still: bool) -> Option<Stage> {
        let off = matches!(cx.ended(order)?, OrderEnd::Done { .. });
        self.acknowledged |= off;
        cx.station.cut_by_us |= off && self.was_off == Some(false);
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
