//! What is known of the engine and of programming, and what keeps it so: renewing the lock, asking an idle station.
use super::exchange::{Ask, Throttle};
use super::handshake::Stage;
use super::jobs::{Job, Purpose};
use super::reply::EngineLine;
use super::wire::Sent;
use super::{Srcp, SrcpSetup};
use crate::station::{Direction, Session, StationEvent};
use crate::time::BenchTime;
use std::collections::VecDeque;

/// How the engine was set and held.
#[derive(Debug)]
pub(super) struct Engine {
    /// Announced to the station.
    pub(super) taken: bool,
    /// As set last and acknowledged.
    pub(super) last: Throttle,
    /// Functions as ordered, F0 first; always as many as announced.
    pub(super) functions: Vec<bool>,
    /// The lock is ours, or asked for.
    pub(super) locked: bool,
    /// When the lock is renewed.
    pub(super) renew_at: Option<BenchTime>,
}

impl Engine {
    /// Nothing known, all functions off.
    pub(super) fn new(setup: &SrcpSetup) -> Self {
        let of = setup.step_mode;
        Self {
            taken: false,
            last: Throttle { emergency: false, direction: Direction::Forward, value: 0, of },
            functions: vec![false; setup.functions],
            locked: false,
            renew_at: None,
        }
    }

    /// A session ended with these exchanges unanswered.
    pub(super) fn session_lost(&mut self, session: Session, sent: &VecDeque<Sent>) {
        if session == Session::Drive {
            (self.locked, self.renew_at) = (false, None);
        }
        // Nobody knows the setting now; whatever repeats it must not set the engine in motion.
        if sent.iter().any(|sent| sent.ask.changes()) {
            self.last.value = 0;
        }
    }
}

/// Whether programming was begun, and whether its session was told.
#[derive(Debug, Default)]
pub(super) struct Programming {
    pub(super) begun: bool,
    pub(super) stale: bool,
}

impl Programming {
    /// A session ended; `own`: the one that programs.
    pub(super) fn session_lost(&mut self, own: bool) {
        self.stale |= own && self.begun;
    }
}

impl Srcp {
    /// The station told how our engine is set.
    pub(super) fn engine_told(&mut self, line: EngineLine, level: bool) {
        let direction = match line.mode {
            0 => Some(Direction::Reverse),
            1 => Some(Direction::Forward),
            _ => None,
        };
        // Before our first own setting a stop keeps the direction that the engine has.
        if let (true, Some(direction)) = (level && self.engine.last.value == 0, direction) {
            self.engine.last.direction = direction;
        }
        self.events.push_back(StationEvent::Engine { ratio: line.ratio, direction, level });
    }

    /// Somebody else holds the engine.
    pub(super) fn locked_by_another(&mut self, words: &str) {
        self.events.push_back(StationEvent::LockedByAnother { words: super::quote(words) });
    }

    /// When the lock is to be renewed.
    pub(super) fn renewal_due(&self) -> Option<BenchTime> {
        self.engine.renew_at
    }

    /// Renews the lock at half of its time, ahead of what waits.
    pub(super) fn renew_lock(&mut self, at: BenchTime) {
        if self.engine.renew_at.take_if(|due| *due <= at).is_some() {
            self.wire(Session::Drive).queue.push_front(Job::own(Purpose::Renew, [Ask::Lock]));
        }
    }

    /// When the driving session is asked something: once it has been idle for a while. Where nothing is told unasked, a
    /// busy one is asked as well, except for programming, when the station says nothing of the main.
    pub(super) fn probe_due(&self) -> Option<BenchTime> {
        let wire = &self.wires[Session::Drive as usize];
        let idle = (self.attached && wire.is_idle()).then_some(wire.last_used);
        let watches = self.must_ask();
        let probes = |job: &Job| job.purpose == Purpose::Probe;
        let waits = wire.queue.iter().chain(&wire.current).any(probes);
        let busy =
            (self.attached && watches && wire.stage == Stage::Ready && !waits).then_some(self.probed_at);
        let last = if busy.is_some() { busy } else { idle };
        last.map(|last| last + self.setup.ask_interval)
    }

    /// Nobody tells unasked what others do with power and engine.
    fn must_ask(&self) -> bool {
        self.wires[Session::Information as usize].stage != Stage::Ready && !self.programming.begun
    }

    /// Asks something harmless, so that a dead or half-open connection shows itself.
    pub(super) fn probe(&mut self, at: BenchTime) {
        if self.probe_due().is_none_or(|due| due > at) {
            return;
        }
        let mut asks = match (self.abilities.power, self.engine.taken) {
            (true, _) => vec![Ask::PowerState],
            (false, true) => vec![Ask::EngineState],
            (false, false) => vec![Ask::Description],
        };
        if self.must_ask() && self.abilities.power && self.engine.taken {
            asks.push(Ask::EngineState);
        }
        self.wire(Session::Drive).queue.push_back(Job::own(Purpose::Probe, asks));
    }
}
