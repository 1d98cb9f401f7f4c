//! Link check: sensor and station are there, the engine is taken, everything stands, the power is on.
//!
//! Before the power goes on the speed is zero and the functions are as the bench file lists them.
use super::cx::{Cx, Failure, Step};
use super::input::Output;
use crate::cause::{engine as causes, find, heard, sensor as sensor_causes, station as station_causes};
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
    Orders { left: VecDeque<Action>, pending: Option<(OrderId, Action)> },
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

    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<()> {
        loop {
            let next = match &mut self.stage {
                Stage::Begin => {
                    cx.push(Output::OpenSensor);
                    Some(Stage::Attaching(cx.order(Action::Attach)))
                }
                Stage::Attaching(order) => attached(cx, *order)?,
                Stage::Orders { left, pending } => orders(cx, left, pending)?,
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
            let abilities = cx.station.abilities.unwrap_or_default();
            let standing = Setting { value: 0, of: cx.plan.spec.engine.step_mode };
            let mut left = VecDeque::from([
                Action::TakeEngine,
                Action::Functions { on: cx.plan.spec.functions.on.clone() },
                Action::Drive { setting: standing, direction: Direction::Forward },
            ]);
            if abilities.power {
                left.push_front(Action::AskPower);
                left.push_back(Action::PowerOn);
            } else {
                cx.note(&station_causes::NO_POWER_SWITCH, "as the station says of this bus");
            }
            Ok(Some(Stage::Orders { left, pending: None }))
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

fn orders(
    cx: &mut Cx,
    left: &mut VecDeque<Action>,
    pending: &mut Option<(OrderId, Action)>,
) -> Result<Option<Stage>, Failure> {
    if let Some((order, action)) = pending {
        match cx.ended(*order) {
            None => return Ok(None),
            Some(OrderEnd::Done { .. }) => {
                if *action == Action::PowerOn {
                    cx.station.power = Some(true);
                }
                *pending = None;
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
                return Err(Failure::halted(cause, format!("{}: {why}", name(action))));
            }
        }
    }
    if let Some(action) = left.pop_front() {
        *pending = Some((cx.order(action.clone()), action));
        Ok(None)
    } else {
        cx.station.power_wanted = cx.station.abilities.is_some_and(|abilities| abilities.power);
        Ok(Some(Stage::Resting { since: cx.now }))
    }
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

fn rest(cx: &mut Cx, since: BenchTime) -> Step<()> {
    let over = cx.passed(since.max(cx.resumed_at), REST_MOST);
    let newest = cx.motion.newest();
    if !cx.sensor_lives() {
        return if over {
            if let Some(failure) = unread(cx) {
                return Err(failure);
            }
            let evidence = newest.map_or("no sample came".to_owned(), |at| format!("last sample at {at}"));
            Err(Failure::halted(&sensor_causes::SILENT, evidence))
        } else {
            Ok(None)
        };
    }
    match cx.motion.standing() {
        Standing::For(span) if span >= REST => Ok(Some(())),
        // A sensor too coarse to show its own noise proves no standstill, and none could be seen later either.
        Standing::Frozen if over => Err(cx.no_standstill("every sample alike at rest".to_owned())),
        _ if over => Err(Failure::emergency(
            &causes::MOVES_UNASKED,
            format!("for {} s at setting 0", REST_MOST.as_secs()),
        )),
        _ => Ok(None),
    }
}
