//! Attaching: all sessions are opened, and the station is asked what it offers.
//!
//! The driving session is needed. Without an information session or programming the adapter works with what there is.
//! Where the link carries one session only, that is the driving session, and it programs as well.
use super::exchange::Ask;
use super::handshake::Stage;
use super::jobs::{Job, Purpose};
use super::{Srcp, orders};
use crate::cause::station as cause;
use crate::station::{Abilities, OrderEnd, OrderId, Session, StationEvent};
use crate::time::BenchTime;
use std::collections::VecDeque;

/// What is supposed of a station that was not asked, or does not describe itself: everything, found out by trying.
/// A wrong guess shows as a refusal of the first order that needs it.
pub(super) const UNKNOWN_ABILITIES: Abilities = Abilities {
    power: true,
    lock: true,
    programming_track: true,
    programming_on_main: true,
    information: true,
};

/// Refusals that mean "there is no such thing here", not "not now".
const NO_SUCH_THING: [u16; 6] = [410, 411, 421, 422, 423, 425];

/// An attach under way.
#[derive(Debug)]
pub(super) struct Attach {
    order: OrderId,
    /// The driving session has told what there is to tell.
    described: bool,
}

impl Srcp {
    /// Opens what is not open, and asks.
    pub(super) fn start_attach(&mut self, at: BenchTime, order: OrderId) {
        if self.attach.is_some() {
            self.end(order, orders::refused(orders::BUSY, "an earlier attach is still under way"));
            return;
        }
        self.attached = false;
        self.abilities = UNKNOWN_ABILITIES;
        self.attach = Some(Attach { order, described: false });
        let expires = at + self.setup.handshake_limit() + self.setup.answer_limit;
        self.wire(Session::Drive).queue.push_back(Job {
            purpose: Purpose::Attach(order),
            steps: VecDeque::from([Ask::Description, Ask::PowerState]),
            moves: false,
            first_contact: true,
            retried: false,
            superseded: false,
            value: None,
            expires: Some(expires),
        });
        let wanted = [Session::Drive, Session::Programming, Session::Information];
        let count = if self.setup.has_one_session() { 1 } else { wanted.len() };
        for &session in &wanted[..count] {
            if self.stage(session) == Stage::Closed {
                self.open(at, session);
            }
        }
    }

    /// The station described its bus. None: go on; an end where it carries no engines.
    pub(super) fn described(&mut self, groups: &[String]) -> Option<OrderEnd> {
        let has = |name: &str| groups.iter().any(|group| group.eq_ignore_ascii_case(name));
        self.abilities.power = has("POWER");
        self.abilities.lock = has("LOCK");
        self.abilities.programming_track = has("SM");
        self.abilities.programming_on_main = has("SM");
        if has("GL") {
            return None;
        }
        let words = format!("bus {} offers {}", self.setup.bus, groups.join(" "));
        Some(orders::refused(cause::STATION_NO_ENGINES.code, &words))
    }

    /// The power state was refused while attaching.
    pub(super) fn power_refused(&mut self, code: u16) {
        if NO_SUCH_THING.contains(&code) {
            self.abilities.power = false;
        }
    }

    /// The driving session is through with its part, well or not.
    pub(super) fn attach_answered(&mut self, order: OrderId, end: OrderEnd) {
        if !matches!(end, OrderEnd::Done { .. }) {
            self.attach = None;
            self.end(order, end);
        } else if let Some(attach) = &mut self.attach {
            attach.described = true;
        }
    }

    /// Attached, once the other two sessions stand or have failed.
    pub(super) fn settle_attach(&mut self, at: BenchTime) {
        let settled = |stage| matches!(stage, Stage::Ready | Stage::Closed);
        let others = settled(self.stage(Session::Programming)) && settled(self.stage(Session::Information));
        let Some(attach) = self.attach.take_if(|attach| attach.described && others) else { return };
        if self.stage(Session::Drive) != Stage::Ready {
            let why = "the driving session was lost while the others were being opened".to_owned();
            self.end(attach.order, OrderEnd::Unknown { why });
            return;
        }
        let programming = self.stage(self.setup.programming_session()) == Stage::Ready;
        self.abilities.programming_track &= programming;
        self.abilities.programming_on_main &= programming;
        self.abilities.information = self.stage(Session::Information) == Stage::Ready;
        (self.attached, self.probed_at) = (true, at);
        let greeting = self.wire(Session::Drive).welcome.as_ref().map(|welcome| welcome.line.clone());
        self.events.push_back(StationEvent::Attached {
            abilities: self.abilities,
            greeting: greeting.unwrap_or_default(),
        });
        self.end(attach.order, OrderEnd::Done { value: None });
    }
}
