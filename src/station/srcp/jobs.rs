//! Orders under way: each is a job, a short list of exchanges on one session, one outstanding at a time.
use super::Srcp;
use super::engine::Programming;
use super::exchange::{Ask, Found, Verdict};
use super::handshake::Stage;
use super::orders::{not_taken, superseded};
use super::wire::{Owner, Sent};
use crate::station::{LinkOrder, OrderEnd, OrderId, Session, StationEvent};
use crate::time::BenchTime;
use std::collections::VecDeque;
use std::time::Duration;

/// Reply codes that mean something to us beyond "no" (`standards/srcp.md` A3).
pub(super) const LOCKED: u16 = 414;
const NO_DATA: u16 = 416;
const REINITIALISED: u16 = 424;

/// Why a job is there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Purpose {
    /// An order of the run.
    Order(OrderId),
    /// The asking part of an attach.
    Attach(OrderId),
    /// To hear whether the station still answers.
    Probe,
    /// To keep the lock.
    Renew,
}

/// Exchanges of one purpose, in order.
#[derive(Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each says another, independent thing of the job")]
pub(super) struct Job {
    pub(super) purpose: Purpose,
    /// Still to be sent.
    pub(super) steps: VecDeque<Ask>,
    /// It may set the engine in motion: a stop drops it.
    pub(super) moves: bool,
    /// It asks how things stand before we changed any: what it hears are levels, and a "no data" is fine.
    pub(super) first_contact: bool,
    /// A second attempt was made.
    pub(super) retried: bool,
    /// A stop came while it was outstanding.
    pub(super) superseded: bool,
    /// What was read.
    pub(super) value: Option<u8>,
    /// When it is given up if nothing of it was sent.
    pub(super) expires: Option<BenchTime>,
}

impl Job {
    pub(super) fn own(purpose: Purpose, steps: impl Into<VecDeque<Ask>>) -> Self {
        Self {
            purpose,
            steps: steps.into(),
            moves: false,
            first_contact: false,
            retried: false,
            superseded: false,
            value: None,
            expires: None,
        }
    }
}

/// What an answer leads to.
enum Flow {
    /// The next step, or done if there is none.
    Next,
    /// The job ends so.
    End(OrderEnd),
}

impl Srcp {
    /// Sends the next exchange of a session where none is outstanding.
    pub(super) fn pump_jobs(&mut self, at: BenchTime, session: Session) {
        // Bounded: each turn takes a step or a job away, or returns.
        while self.stage(session) == Stage::Ready && self.wire(session).sent.is_empty() {
            let (held, taken) = (self.holds_motion(), self.engine.taken);
            let wire = self.wire(session);
            if wire.current.is_none() {
                if wire.queue.front().is_none_or(|job| job.moves && held) {
                    return;
                }
                wire.current = wire.queue.pop_front();
            }
            let Some(mut job) = wire.current.take() else { return };
            match job.steps.pop_front() {
                Some(Ask::Set(_) | Ask::Functions(_)) if !taken => self.finish(job.purpose, not_taken()),
                None => self.finish(job.purpose, OrderEnd::Done { value: job.value }),
                Some(ask) => {
                    wire.current = Some(job);
                    self.send(at, session, ask, Owner::Job);
                }
            }
        }
    }

    /// While a stop is under way anywhere, nothing that could set the engine in motion is sent: a stop on the other
    /// session would take effect after it.
    fn holds_motion(&self) -> bool {
        let leg = |sent: &Sent| matches!(sent.owner, Owner::Leg { .. });
        !self.stops.is_empty() || self.wires.iter().any(|wire| wire.sent.iter().any(leg))
    }

    /// Writes a command.
    pub(super) fn send(&mut self, at: BenchTime, session: Session, ask: Ask, owner: Owner) {
        if let Ask::Functions(on) = &ask {
            let count = self.setup.functions;
            self.engine.functions = on.iter().copied().chain(std::iter::repeat(false)).take(count).collect();
        }
        self.engine.locked |= ask == Ask::Lock;
        self.watch.sent(at + self.setup.answer_limit.saturating_mul(2), &ask);
        let line = ask.line(&self.setup, self.engine.last, &self.engine.functions);
        let limit = if ask.is_programming() { self.setup.cv_answer_limit } else { self.setup.answer_limit };
        self.links.push_back(LinkOrder::Send(session, format!("{line}\n").into_bytes()));
        let one_session = self.setup.has_one_session();
        let wire = self.wire(session);
        // Answers come in order: behind programming, and with no other way, the station cannot be blamed earlier.
        let behind = wire.programming_until().filter(|_| one_session && owner != Owner::Job);
        wire.last_used = at;
        wire.sent.push_back(Sent { ask, line, owner, deadline: behind.unwrap_or(at).max(at) + limit });
    }

    /// The current job of a session got a fitting answer.
    pub(super) fn job_answered(&mut self, at: BenchTime, session: Session, ask: &Ask, verdict: Verdict) {
        let Some(mut job) = self.wire(session).current.take() else { return };
        if job.purpose == Purpose::Probe {
            self.probed_at = at;
        }
        let flow = match verdict {
            Verdict::Yes(found) => self.granted(at, &mut job, ask, found),
            Verdict::No { code, words } => self.denied(&mut job, ask, code, &words),
            // Condemned before it came here.
            Verdict::Odd => Flow::Next,
        };
        match flow {
            // Ended here and not at the next sending: a stop behind it may fail and must not take a done order along.
            Flow::Next if job.steps.is_empty() => {
                self.finish(job.purpose, OrderEnd::Done { value: job.value });
            }
            Flow::Next if job.superseded => self.finish(job.purpose, superseded()),
            Flow::Next => self.wire(session).current = Some(job),
            Flow::End(end) => self.finish(job.purpose, end),
        }
    }

    fn granted(&mut self, at: BenchTime, job: &mut Job, ask: &Ask, found: Found) -> Flow {
        match (ask, found) {
            (_, Found::Groups(groups)) => {
                if let Some(end) = self.described(&groups) {
                    return Flow::End(end);
                }
                if !self.abilities.power {
                    job.steps.clear();
                }
            }
            (_, Found::Power(on, words)) => {
                self.events.push_back(StationEvent::Power { on, words, level: job.first_contact });
            }
            (_, Found::Engine(line)) => self.engine_told(line, job.first_contact),
            (_, Found::Cv(value)) => job.value = Some(value),
            (Ask::InitEngine, Found::Nothing) => self.engine.taken = true,
            (Ask::TermEngine, Found::Nothing) => self.engine.taken = false,
            (Ask::Lock, Found::Nothing) => {
                self.engine.renew_at = Some(at + Duration::from_secs(self.setup.lock_seconds()) / 2);
            }
            (Ask::Unlock, Found::Nothing) => (self.engine.locked, self.engine.renew_at) = (false, None),
            (Ask::Set(throttle), Found::Nothing) if !job.superseded => self.engine.last = *throttle,
            (Ask::InitProgramming, Found::Nothing) => {
                self.programming = Programming { begun: true, stale: false };
            }
            (Ask::TermProgramming, Found::Nothing) => {
                (self.programming, self.probed_at) = (Programming::default(), at);
            }
            (_, Found::Nothing) => {}
        }
        Flow::Next
    }

    fn denied(&mut self, job: &mut Job, ask: &Ask, code: u16, words: &str) -> Flow {
        let no = OrderEnd::Refused { code: code.to_string(), words: words.to_owned() };
        match (ask, code) {
            // The engine or the programmer was there already: as good as done.
            (Ask::InitEngine, REINITIALISED) => self.engine.taken = true,
            (Ask::InitProgramming, REINITIALISED) => {
                self.programming = Programming { begun: true, stale: false }
            }
            (Ask::Lock, LOCKED) => {
                (self.engine.locked, self.engine.renew_at) = (false, None);
                self.engine.taken &= job.purpose == Purpose::Renew;
                self.locked_by_another(words);
                return Flow::End(no);
            }
            (Ask::InitEngine | Ask::TermEngine | Ask::Set(_) | Ask::Functions(_), LOCKED) => {
                self.locked_by_another(words);
                return Flow::End(no);
            }
            // No lock to be had: the engine is driven without one.
            (Ask::Lock, _) => {
                (self.engine.locked, self.engine.renew_at) = (false, None);
                self.abilities.lock = false;
                self.oddity(Session::Drive, format!("no lock: {code} {words}"));
            }
            (Ask::PowerOn, NO_DATA) if !job.retried => {
                job.retried = true;
                job.steps = VecDeque::from([Ask::InitPower, Ask::PowerOn]);
            }
            (Ask::PowerState, _) if job.first_contact => self.power_refused(code),
            // A description or a first look is not needed: everything else is found out by trying. The others only
            // prepare the next step.
            (Ask::Description | Ask::Unlock | Ask::InitPower, _) => {}
            (Ask::EngineState, _) if job.first_contact => {}
            (Ask::InitProgramming, _) if !job.steps.is_empty() => {}
            // What one question is refused, the next may be told.
            _ if job.purpose == Purpose::Probe => {}
            _ => return Flow::End(no),
        }
        Flow::Next
    }
}
