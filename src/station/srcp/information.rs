//! What the station tells unasked (`standards/srcp.md` A8).
//!
//! The first lines of an information session tell how things stand (levels); nothing marks their end, and their time
//! stamps are old and unordered (A10 no. 12, 13), so stamps are never used.
use super::Srcp;
use super::exchange::Ask;
use super::lines::Line;
use super::reply::{EngineLine, Reply, power_of};
use crate::station::{Session, StationEvent};
use crate::time::BenchTime;
use std::time::Duration;

/// A pause this long ends the first dump. Own choice: a dump is written in one go.
const QUIET: Duration = Duration::from_millis(300);

/// What is remembered of an information session.
#[derive(Debug, Default)]
pub(super) struct Watch {
    /// The first dump is over.
    settled: bool,
    /// We changed something since the session began.
    changed: bool,
    last_line: Option<BenchTime>,
    /// Until then a line telling that the engine was announced or given back may be the echo of our own order.
    own_until: Option<BenchTime>,
}

impl Watch {
    /// We sent something whose echo may come until `until`.
    pub(super) fn sent(&mut self, until: BenchTime, ask: &Ask) {
        self.changed |= ask.changes();
        if matches!(ask, Ask::InitEngine | Ask::TermEngine) {
            self.own_until = Some(until);
        }
    }

    /// Notes a line; true while the first dump lasts.
    fn level(&mut self, at: BenchTime) -> bool {
        let quiet = self.last_line.is_some_and(|last| at.since(last) >= QUIET);
        self.settled |= self.changed || quiet;
        self.last_line = Some(at);
        !self.settled
    }
}

impl Srcp {
    /// A line of the information session.
    pub(super) fn informed(&mut self, at: BenchTime, line: &Line) {
        let level = self.watch.level(at);
        let understood =
            line.reply().filter(Reply::is_value).is_some_and(|reply| self.told(at, &reply, level));
        if !understood {
            self.oddity(Session::Information, line.quoted());
        }
    }

    /// Whether the line made sense; lines about other things than ours do.
    fn told(&mut self, at: BenchTime, reply: &Reply<'_>, level: bool) -> bool {
        let Some((bus, group, rest)) = reply.device() else { return false };
        if bus != self.setup.bus {
            return true;
        }
        match (group, reply.code) {
            ("POWER", 100) => {
                let Some((on, words)) = power_of(rest) else { return false };
                self.events.push_back(StationEvent::Power { on, words, level });
            }
            ("GL", _) if !self.is_ours(rest.first()) => return !rest.is_empty(),
            ("GL", 100) => {
                let Some(line) = EngineLine::parse(rest, self.setup.step_mode) else { return false };
                self.engine_told(line, level);
            }
            ("GL", 101 | 102) if !level && self.watch.own_until.is_none_or(|until| until < at) => {
                self.locked_by_another(&format!("{} {}", reply.code, reply.text()));
            }
            ("LOCK", 100 | 101) if self.locked_elsewhere(rest) => {
                self.locked_by_another(&format!("{} {}", reply.code, reply.text()));
            }
            _ => {}
        }
        true
    }

    fn is_ours(&self, address: Option<&&str>) -> bool {
        address.is_some_and(|address| address.parse() == Ok(self.setup.address.number()))
    }

    /// `GL <addr> [<duration> <session>]`: session 0 means free. Where no session is told, or we were never told our
    /// own, a lock that we hold or asked for is taken as ours.
    fn locked_elsewhere(&self, words: &[&str]) -> bool {
        let [group, address, rest @ ..] = words else { return false };
        if *group != "GL" || !self.is_ours(Some(address)) {
            return false;
        }
        let nameless = self.wires[Session::Drive as usize].id.is_none();
        match rest.get(1).and_then(|id| id.parse::<u64>().ok()) {
            Some(0) => false,
            Some(id) if self.own_ids.contains(&id) => false,
            Some(_) => !(nameless && self.engine.locked),
            None => !self.engine.locked,
        }
    }
}
