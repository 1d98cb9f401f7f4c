//! Brings the engine to a setting and direction: ramps between settings, reverses only after standstill was seen, and
//! starts only while samples come.
use super::cx::{Cx, Failure, Link, Step};
use crate::cause::{heard, sensor as sensor_causes, station as station_causes};
use crate::station::{Action, Direction, OrderEnd, OrderId, Setting};
use crate::time::BenchTime;
use std::time::Duration;

/// Largest change of setting at once, as a part of the range: a tenth, so that couplings and gears are spared.
const RAMP_PARTS: u16 = 10;
/// Pause between two changes of a ramp.
const RAMP_PAUSE: Duration = Duration::from_millis(150);
/// The axle must stand this long before the direction is changed.
const STAND_BEFORE_REVERSE: Duration = Duration::from_secs(1);

/// Longest wait for samples before the engine is set in motion.
const BLIND_MOST: Duration = Duration::from_secs(20);

/// A move to one setting and direction.
#[derive(Debug)]
pub(super) struct Mover {
    value: u16,
    direction: Direction,
    pending: Option<OrderId>,
    changed_at: Option<BenchTime>,
    /// In one order, not along a ramp.
    at_once: bool,
    orders: u32,
}

impl Mover {
    /// To `value` of the step mode's range, in this direction.
    pub(super) fn to(value: u16, direction: Direction) -> Self {
        Self { value, direction, pending: None, changed_at: None, at_once: false, orders: 0 }
    }

    /// The same in one order, whatever the change: only where both ends are known to be safe.
    pub(super) fn at_once(value: u16, direction: Direction) -> Self {
        Self { at_once: true, ..Self::to(value, direction) }
    }

    /// Orders that it took so far.
    pub(super) fn orders(&self) -> u32 {
        self.orders
    }

    /// To standstill; done when standstill was seen.
    pub(super) fn stand(cx: &Cx) -> Self {
        Self::to(0, cx.ordered.1)
    }

    /// Done once the setting is acknowledged; for setting 0 once the axle was seen to stand.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<()> {
        if let Some(order) = self.pending {
            match cx.ended(order) {
                None => return Ok(None),
                Some(OrderEnd::Done { .. }) => self.pending = None,
                Some(OrderEnd::Refused { code, words }) => {
                    let locked = code == "414";
                    let cause = if locked {
                        &station_causes::ENGINE_LOCKED
                    } else {
                        &station_causes::STATION_REFUSED
                    };
                    return Err(Failure::halted(cause, format!("drive order refused: {code} {words}")));
                }
                Some(OrderEnd::Unknown { why }) => {
                    let (cause, why) = heard(&why, &station_causes::STATION_SILENT);
                    return Err(Failure::halted(cause, format!("drive order: {why}")).by(Link::Station));
                }
            }
        }
        let (now_at, facing) = cx.ordered;
        if now_at.value > 0 && facing != self.direction {
            self.change(cx, 0, facing)?;
            return Ok(None);
        }
        if now_at.value == 0 && (facing != self.direction || self.value == 0) {
            return self.rest(cx, facing);
        }
        if now_at.value == self.value {
            return Ok(Some(()));
        }
        if now_at.value == 0 && !cx.sensor_lives() {
            return self.blind(cx);
        }
        self.change(cx, self.value, self.direction)?;
        Ok(None)
    }

    /// Waits for standstill; then done, or turned round.
    fn rest(&mut self, cx: &mut Cx, facing: Direction) -> Step<()> {
        if !cx.stands_for(STAND_BEFORE_REVERSE) {
            let first = self.first_seen(cx).max(cx.turned_at).max(cx.resumed_at);
            if cx.standstill_is_late(first) {
                let zero_s = cx.now.since(cx.turned_at).as_secs_f64();
                return Err(cx.no_standstill(format!("{zero_s:.1} s after speed zero was ordered")));
            }
            return Ok(None);
        }
        if facing == self.direction {
            return Ok(Some(()));
        }
        self.order(cx, 0, self.direction);
        Ok(None)
    }

    /// No engine is set in motion unwatched: waits for samples.
    fn blind(&mut self, cx: &mut Cx) -> Step<()> {
        let first = self.first_seen(cx).max(cx.resumed_at);
        if cx.passed(first, BLIND_MOST) {
            let newest = cx.motion.newest().unwrap_or(BenchTime::ZERO);
            let evidence = format!("no sample for {:.1} s", cx.now.since(newest).as_secs_f64());
            return Err(Failure::halted(&sensor_causes::SILENT, evidence).by(Link::Sensor));
        }
        Ok(None)
    }

    /// The limit also counts from the first look: after a pause the order may be long ago.
    fn first_seen(&mut self, cx: &Cx) -> BenchTime {
        *self.changed_at.get_or_insert(cx.now)
    }

    /// One change of the ramp towards `value`.
    fn change(&mut self, cx: &mut Cx, value: u16, direction: Direction) -> Result<(), Failure> {
        if let Some(at) = self.changed_at
            && !cx.passed(at, RAMP_PAUSE)
        {
            return Ok(());
        }
        let (now_at, _) = cx.ordered;
        let most = if self.at_once { now_at.of } else { (now_at.of / RAMP_PARTS).max(1) };
        let next = value.clamp(now_at.value.saturating_sub(most), now_at.value + most);
        if next > now_at.value {
            cx.can_follow(next)?;
        }
        self.order(cx, next, direction);
        Ok(())
    }

    fn order(&mut self, cx: &mut Cx, value: u16, direction: Direction) {
        let setting = Setting { value, of: cx.ordered.0.of };
        self.changed_at = Some(cx.now);
        self.orders += 1;
        self.pending = Some(cx.order(Action::Drive { setting, direction }));
    }
}
