//! Stops the engine and finds out how sure that is: still, acknowledged, or unconfirmed.
//!
//! A plain stop that does not lead to standstill becomes an emergency stop; that keeps the signal on until the axle
//! stands or a time has passed, then the power goes off: a decoder with an energy store runs on when only the power
//! is cut.
use super::cx::Cx;
use super::outcome::StopGrade;
use crate::station::{Action, OrderEnd, OrderId};
use crate::time::BenchTime;
use std::time::Duration;

/// The axle must stand this long to count as still.
const STILL: Duration = Duration::from_secs(1);
/// An emergency stop waits this long for standstill before the power goes.
const EMERGENCY_WAIT: Duration = Duration::from_secs(4);

#[derive(Debug)]
enum Stage {
    Begin,
    Stopping { since: BenchTime },
    Emergency { since: BenchTime },
    Cutting { order: OrderId },
    Over,
}

/// A stop under way.
#[derive(Debug)]
pub(super) struct Stopper {
    emergency: bool,
    stage: Stage,
    orders: Vec<OrderId>,
    acknowledged: bool,
    open: bool,
    grade: StopGrade,
}

impl Stopper {
    pub(super) fn new(emergency: bool) -> Self {
        Self {
            emergency,
            stage: Stage::Begin,
            orders: Vec::new(),
            acknowledged: false,
            open: true,
            grade: StopGrade::Unconfirmed,
        }
    }

    /// The grade, once the stop is over.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Option<StopGrade> {
        loop {
            self.collect(cx);
            let still = cx.ordered.0.value == 0 && cx.stands_for(STILL);
            let next = match self.stage {
                Stage::Begin => self.begin(cx),
                Stage::Stopping { since } => self.wait_plain(cx, since, still)?,
                Stage::Emergency { since } => self.wait_emergency(cx, since, still)?,
                Stage::Cutting { order } => self.cut(cx, order, still)?,
                Stage::Over => return Some(self.grade),
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

    fn begin(&mut self, cx: &mut Cx) -> Stage {
        let action = if self.emergency { Action::EmergencyStop } else { Action::Stop };
        self.orders.push(cx.order(action));
        self.open = true;
        let since = cx.now;
        if self.emergency { Stage::Emergency { since } } else { Stage::Stopping { since } }
    }

    fn wait_plain(&mut self, cx: &mut Cx, since: BenchTime, still: bool) -> Option<Stage> {
        if still && (self.acknowledged || !self.open) {
            self.grade = StopGrade::Still;
            return Some(Stage::Over);
        }
        let late = cx.passed(since, cx.with_momentum(cx.plan.spec.limits.standstill));
        if late || (!self.open && !self.acknowledged) {
            self.orders.push(cx.order(Action::EmergencyStop));
            self.open = true;
            self.emergency = true;
            return Some(Stage::Emergency { since: cx.now });
        }
        None
    }

    fn wait_emergency(&mut self, cx: &mut Cx, since: BenchTime, still: bool) -> Option<Stage> {
        let refused = !self.open && !self.acknowledged;
        if !(still || refused || cx.passed(since, EMERGENCY_WAIT)) {
            return None;
        }
        cx.station.power_wanted = false;
        Some(Stage::Cutting { order: cx.order(Action::PowerOff) })
    }

    fn cut(&mut self, cx: &mut Cx, order: OrderId, still: bool) -> Option<Stage> {
        let end = cx.ended(order)?;
        if matches!(end, OrderEnd::Done { .. }) {
            self.acknowledged = true;
        }
        self.grade = match (still, self.acknowledged) {
            (true, _) => StopGrade::Still,
            (false, true) => StopGrade::Acknowledged,
            (false, false) => StopGrade::Unconfirmed,
        };
        Some(Stage::Over)
    }
}
