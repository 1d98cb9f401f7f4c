//! Link check: sensor and station are there, the engine is taken, everything stands, the power is on.
//!
//! Before the power goes on the speed is zero and the functions are as the bench file lists them.
use super::cx::{Cx, Failure, Link, Step};
use super::outcome::End;
use crate::cause::{
    Reason, engine as causes, find, heard, sensor as sensor_causes, station as station_causes,
};
use crate::motion::Standing;
use crate::station::{Action, Direction, OrderEnd, OrderId, Setting};
use crate::time::BenchTime;
use std::collections::VecDeque;
use std::time::Duration;

/// The signal must have shown standstill this long.
const REST: Duration = Duration::from_secs(1);
/// Longest wait for the first samples and for standstill.
const REST_MOST: Duration = Duration::from_secs(20);

#[derive(Debug)]
enum Stage {
    Begin,
    Attaching(OrderId),
    Ordering(Orders),
    Resting { since: BenchTime },
}

/// The link check under way.
#[derive(Debug)]
pub(super) struct LinkCheck {
    stage: Stage,
}

impl LinkCheck {
    pub(super) fn new() -> Self {
        Self { stage: Stage::Begin }
    }

    /// Begin the orders again after a lost link: the station is attached and the sensor's link is kept open.
    pub(super) fn rewind(&mut self, cx: &Cx) {
        if matches!(self.stage, Stage::Ordering(_) | Stage::Resting { .. }) {
            self.stage = first_orders(cx);
        }
    }

    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<()> {
        if let Some(reason) = never_there(cx) {
            return Err(Failure { end: End::Halted, reason, emergency: false, link: None });
        }
        loop {
            let next = match &mut self.stage {
                Stage::Begin => {
                    cx.open_sensor();
                    Some(Stage::Attaching(cx.order(Action::Attach)))
                }
                Stage::Attaching(order) => attached(cx, *order)?,
                Stage::Ordering(orders) => orders.poll(cx)?.map(|()| {
                    cx.station.power_wanted = cx.station.abilities.is_some_and(|abilities| abilities.power);
                    Stage::Resting { since: cx.now }
                }),
                Stage::Resting { since } => {
                    let since = *since;
                    return rest(cx, since);
                }
            };
            match next {
                Some(stage) => self.stage = stage,
                None => return Ok(None),
            }
        }
    }
}

fn attached(cx: &mut Cx, order: OrderId) -> Result<Option<Stage>, Failure> {
    match cx.ended(order) {
        None => Ok(None),
        Some(OrderEnd::Done { .. }) => {
            if !cx.station.abilities.is_some_and(|abilities| abilities.power) {
                cx.note(&station_causes::NO_POWER_SWITCH, "as the station says of this bus");
            }
            Ok(Some(first_orders(cx)))
        }
        Some(OrderEnd::Refused { code, words }) => {
            // Where nothing was sent the code is that of a cause; a station's own refuses the session.
            match find(&code) {
                Some(cause) => Err(Failure::halted(cause, format!("attach: {words}"))),
                None => Err(Failure::halted(&station_causes::NO_SESSION, format!("attach: {code} {words}"))),
            }
        }
        Some(OrderEnd::Unknown { why }) => {
            let (cause, why) = heard(&why, &station_causes::SESSION_LOST);
            Err(Failure::halted(cause, format!("attach: {why}")))
        }
    }
}

/// The engine is taken and told to stand with its functions; then power.
fn first_orders(cx: &Cx) -> Stage {
    let standing = Setting { value: 0, of: cx.plan.spec.engine.step_mode };
    let mut left = VecDeque::from([
        Action::TakeEngine,
        Action::Functions { on: cx.plan.spec.functions.on.clone() },
        Action::Drive { setting: standing, direction: Direction::Forward },
    ]);
    if cx.station.abilities.is_some_and(|abilities| abilities.power) {
        left.push_front(Action::AskPower);
        left.push_back(Action::PowerOn);
    }
    Stage::Ordering(Orders::new(left))
}

/// Orders, one after the other; each must be carried out.
#[derive(Debug)]
pub(super) struct Orders {
    left: VecDeque<Action>,
    pending: Option<(OrderId, Action)>,
}

impl Orders {
    pub(super) fn new(left: impl IntoIterator<Item = Action>) -> Self {
        Self { left: left.into_iter().collect(), pending: None }
    }

    /// Done once all are carried out.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<()> {
        loop {
            if let Some((order, action)) = &self.pending {
                match cx.ended(*order) {
                    None => return Ok(None),
                    Some(OrderEnd::Done { .. }) => {
                        if *action == Action::PowerOn {
                            cx.station.power = Some(true);
                        }
                    }
                    Some(OrderEnd::Refused { code, words }) => {
                        let cause = match action {
                            Action::TakeEngine if code == "414" => &station_causes::ENGINE_LOCKED,
                            Action::PowerOn => &station_causes::POWER_ON_REFUSED,
                            _ => &station_causes::STATION_REFUSED,
                        };
                        return Err(Failure::halted(cause, format!("{}: {code} {words}", name(action))));
                    }
                    Some(OrderEnd::Unknown { why }) => {
                        let (cause, why) = heard(&why, &station_causes::STATION_SILENT);
                        let failure = Failure::halted(cause, format!("{}: {why}", name(action)));
                        return Err(failure.by(Link::Station));
                    }
                }
                self.pending = None;
            }
            let Some(action) = self.left.pop_front() else { return Ok(Some(())) };
            self.pending = Some((cx.order(action.clone()), action));
        }
    }
}

/// A sensor that cannot be reached and never was: a wrong name or port is likelier than a lost link.
fn never_there(cx: &Cx) -> Option<Reason> {
    if cx.motion.newest().is_some() || cx.first_broken.is_some() {
        return None;
    }
    cx.sensor.closed_for().cloned()
}

/// What an order is called in evidence.
fn name(action: &Action) -> &'static str {
    match action {
        Action::TakeEngine => "taking the engine",
        Action::Functions { .. } => "setting functions",
        Action::AskPower => "asking for the power state",
        Action::PowerOn => "switching power on",
        _ => "setting speed zero",
    }
}

/// Lines came and none could be read: what the first lacks is what to say.
fn unread(cx: &Cx) -> Option<Failure> {
    let line = cx.first_broken.as_ref().filter(|_| cx.motion.newest().is_none())?;
    let cause = find(&line.code)?;
    Some(Failure::halted(cause, format!("line {}: {}", line.line, line.evidence)))
}

/// Done once a living sensor has shown standstill for a time.
pub(super) fn rest(cx: &mut Cx, since: BenchTime) -> Step<()> {
    let most = REST_MOST + cx.unseen_time();
    let over = cx.passed(since.max(cx.resumed_at), most);
    let newest = cx.motion.newest();
    if !cx.sensor_lives() {
        return if over {
            if let Some(failure) = unread(cx) {
                return Err(failure);
            }
            let evidence = newest.map_or("no sample came".to_owned(), |at| format!("last sample at {at}"));
            let link = newest.map(|_| Link::Sensor);
            Err(Failure { link, ..Failure::halted(&sensor_causes::SILENT, evidence) })
        } else {
            Ok(None)
        };
    }
    match cx.motion.standing() {
        Standing::For(_) if cx.stands_for(REST) => Ok(Some(())),
        // A sensor too coarse to show its own noise proves no standstill, and none could be seen later either.
        Standing::Frozen if over => Err(cx.no_standstill("every sample alike at rest".to_owned())),
        _ if over => {
            Err(Failure::emergency(&causes::MOVES_UNASKED, format!("for {} s at setting 0", most.as_secs())))
        }
        _ => Ok(None),
    }
}
