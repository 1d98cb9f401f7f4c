//! Stopping: what goes out at once, behind whatever is outstanding, on the living sessions and on a fresh one.
//!
//! A stop is done as soon as one session acknowledges it. It fails only when none did, for then the run cuts the power.
//!
//! Where the link carries one session only, a stop has no other way than that one. If it ends with the stop still owed,
//! or if it was closed, it is opened afresh for the stop: once for each stop, so that every stop ends.
use super::Srcp;
use super::exchange::{Ask, Throttle, Verdict};
use super::handshake::Stage;
use super::jobs::LOCKED;
use super::wire::{Leg, Loss, Owner};
use crate::station::{Action, LinkOrder, OrderEnd, OrderId, Session};
use crate::time::BenchTime;
use std::collections::BTreeMap;

/// A stop under way.
#[derive(Debug)]
pub(super) struct Stop {
    order: OrderId,
    /// The sessions it goes over, and how it failed there.
    legs: BTreeMap<Session, Option<OrderEnd>>,
    asks: Vec<Ask>,
    /// On a link with one session: it goes over one that was opened for it.
    afresh: bool,
    /// How it failed on the session before that.
    earlier: Option<OrderEnd>,
}

impl Stop {
    /// How it failed, once every leg has: unknown if one may have been carried out, else the station's own words
    /// before ours.
    fn failed(&self) -> Option<OrderEnd> {
        let mut ends: Vec<&OrderEnd> = self.legs.values().map(Option::as_ref).collect::<Option<_>>()?;
        ends.extend(&self.earlier);
        ends.sort_by_key(|end| match end {
            OrderEnd::Refused { code, .. } if code.bytes().all(|b| b.is_ascii_digit()) => 1,
            OrderEnd::Refused { .. } => 2,
            _ => 0,
        });
        ends.first().map(|end| (*end).clone())
    }
}

impl Srcp {
    /// Sends a stop, an emergency stop or a power off over every session that helps.
    pub(super) fn start_stop(&mut self, at: BenchTime, order: OrderId, action: &Action) {
        self.supersede();
        let asks = self.stop_asks(action);
        self.engine.last.value = 0;
        let fresh = if self.setup.has_one_session() { Session::Drive } else { Session::Rescue };
        let afresh = self.stage(fresh) == Stage::Closed;
        if afresh {
            self.open(at, fresh);
        }
        let mut sessions = vec![fresh];
        if fresh != Session::Drive && self.stage(Session::Drive) != Stage::Closed {
            sessions.push(Session::Drive);
        }
        if *action == Action::PowerOff && self.stage(Session::Programming) == Stage::Ready {
            sessions.push(Session::Programming);
        }
        for &session in &sessions {
            self.wire(session).urgent.push_back(Leg { order, asks: asks.clone() });
        }
        let legs = sessions.into_iter().map(|session| (session, None)).collect();
        self.stops.push(Stop { order, legs, asks, afresh, earlier: None });
    }

    /// The only session ended with this stop owed: it is opened afresh for it, unless it was already. True if so.
    /// `unanswered`: the stop had been sent. A station that refused the handshake would refuse it again.
    pub(super) fn stop_again(
        &mut self,
        at: BenchTime,
        session: Session,
        order: OrderId,
        loss: &Loss,
        unanswered: Option<&OrderEnd>,
    ) -> bool {
        if !self.setup.has_one_session() || matches!(loss, Loss::Refused { .. }) {
            return false;
        }
        let Some(stop) = self.stops.iter_mut().find(|stop| stop.order == order && !stop.afresh) else {
            return false;
        };
        stop.afresh = true;
        stop.earlier = unanswered.cloned();
        let leg = Leg { order, asks: stop.asks.clone() };
        self.wire(session).urgent.push_back(leg);
        if self.stage(session) == Stage::Closed {
            self.open(at, session);
        }
        true
    }

    /// An engine that was never taken is announced first, since a server may know it from nobody.
    fn stop_asks(&self, action: &Action) -> Vec<Ask> {
        if *action == Action::PowerOff {
            return vec![Ask::PowerOff];
        }
        let set = Ask::Set(Throttle {
            emergency: *action == Action::EmergencyStop,
            direction: self.engine.last.direction,
            value: 0,
            of: self.engine.last.of,
        });
        if self.engine.taken { vec![set] } else { vec![Ask::InitEngine, set] }
    }

    /// Writes the stops of a session that is through its handshake, outstanding exchange or not.
    pub(super) fn pump_legs(&mut self, at: BenchTime, session: Session) {
        while self.stage(session) == Stage::Ready {
            let Some(leg) = self.wire(session).urgent.pop_front() else { return };
            let count = leg.asks.len();
            for (index, ask) in leg.asks.into_iter().enumerate() {
                self.send(at, session, ask, Owner::Leg { order: leg.order, last: index + 1 == count });
            }
        }
    }

    /// A stop was answered on a session.
    pub(super) fn leg_answered(&mut self, session: Session, order: OrderId, last: bool, verdict: Verdict) {
        if !last {
            // Announcing the engine only prepares: whatever was said to it, the stop behind it counts.
            return;
        }
        match verdict {
            Verdict::No { code, words } => {
                // On a fresh session it is our own lock that is in the way.
                if code == LOCKED && (session == Session::Drive || !self.engine.locked) {
                    self.locked_by_another(&words);
                }
                self.leg_failed(order, session, OrderEnd::Refused { code: code.to_string(), words });
            }
            Verdict::Yes(_) | Verdict::Odd => self.stop_done(order),
        }
    }

    fn stop_done(&mut self, order: OrderId) {
        let Some(index) = self.stops.iter().position(|stop| stop.order == order) else { return };
        self.stops.remove(index);
        for wire in &mut self.wires {
            wire.urgent.retain(|leg| leg.order != order);
        }
        self.end(order, OrderEnd::Done { value: None });
    }

    /// A stop came to nothing on a session.
    pub(super) fn leg_failed(&mut self, order: OrderId, session: Session, end: OrderEnd) {
        let Some(index) = self.stops.iter().position(|stop| stop.order == order) else { return };
        self.stops[index].legs.insert(session, Some(end));
        if let Some(end) = self.stops[index].failed() {
            self.stops.remove(index);
            self.end(order, end);
        }
    }

    /// Closes the extra session once nothing waits on it, so that the next stop gets a fresh one.
    pub(super) fn rest_rescue(&mut self) {
        let wire = self.wire(Session::Rescue);
        if wire.stage != Stage::Closed && wire.urgent.is_empty() && wire.sent.is_empty() {
            wire.end();
            self.links.push_back(LinkOrder::Close(Session::Rescue));
        }
    }
}
