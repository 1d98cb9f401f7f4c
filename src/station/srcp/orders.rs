//! Orders that wait their turn: each is a short list of exchanges on one session, one outstanding at a time.
use super::exchange::{Ask, Found, Throttle, Verdict};
use super::handshake::Stage;
use super::reply::EngineLine;
use super::wire::{Owner, Sent};
use super::{Srcp, SrcpSetup};
use crate::station::{
    Action, CvPlace, Direction, LinkOrder, OrderEnd, OrderId, Session, Setting, StationEvent,
};
use crate::time::BenchTime;
use std::collections::VecDeque;
use std::time::Duration;

/// Code of an order that a stop overtook before it was sent.
const SUPERSEDED: &str = "superseded";
/// Code of an order that could not be sent in time.
const NOT_SENT: &str = "not-sent";
/// Code of an order the station does not offer.
const NOT_OFFERED: &str = "not-offered";
/// Code of a write to CV 7 or CV 8.
const NEVER_WRITTEN: &str = "never-written";
/// Code of a CV number outside 1 to 1024.
const CV_RANGE: &str = "cv-range";
/// Code of a drive setting outside the step mode.
const SETTING_RANGE: &str = "setting-range";
/// Code of an order for an engine that was not taken.
const NOT_TAKEN: &str = "engine-not-taken";
/// Code of a second attach while one is under way.
pub(super) const BUSY: &str = "busy";

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
    fn own(purpose: Purpose, ask: Ask) -> Self {
        Self {
            purpose,
            steps: VecDeque::from([ask]),
            moves: false,
            first_contact: false,
            retried: false,
            superseded: false,
            value: None,
            expires: None,
        }
    }
}

/// How the engine was set and held.
#[derive(Debug)]
pub(super) struct Engine {
    /// Announced to the station.
    pub(super) taken: bool,
    /// As set last and acknowledged.
    pub(super) last: Throttle,
    /// Functions as ordered, F0 first; always as many as announced.
    functions: Vec<bool>,
    /// The lock is ours, or asked for.
    pub(super) locked: bool,
    /// When the lock is renewed.
    renew_at: Option<BenchTime>,
}

impl Engine {
    /// Nothing known, all functions off.
    pub(super) fn new(setup: &SrcpSetup) -> Self {
        let of = if setup.step_mode == 28 { 28 } else { 126 };
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
    begun: bool,
    stale: bool,
}

impl Programming {
    /// A session ended.
    pub(super) fn session_lost(&mut self, session: Session) {
        self.stale |= session == Session::Programming && self.begun;
    }
}

/// What an answer leads to.
enum Flow {
    /// The next step, or done if there is none.
    Next,
    /// The job ends so.
    End(OrderEnd),
}

/// An order that is not sent, and why.
pub(super) fn refused(code: &str, words: &str) -> OrderEnd {
    OrderEnd::Refused { code: code.to_owned(), words: words.to_owned() }
}

/// An order that could not be sent.
pub(super) fn not_sent(words: &str) -> OrderEnd {
    refused(NOT_SENT, words)
}

impl Srcp {
    /// Queues an order, or ends it at once where it must not or cannot be sent.
    pub(super) fn start_job(&mut self, at: BenchTime, order: OrderId, action: &Action) {
        let steps = match self.steps(action) {
            Ok(steps) => steps,
            Err(end) => return self.end(order, end),
        };
        let programming = steps.iter().any(Ask::is_programming);
        let session = if programming { Session::Programming } else { Session::Drive };
        let limit = if programming { self.setup.cv_answer_limit } else { self.setup.answer_limit };
        let expires = at + self.setup.handshake_limit() + limit;
        self.wire(session).queue.push_back(Job {
            purpose: Purpose::Order(order),
            steps: steps.into(),
            moves: matches!(action, Action::Drive { .. } | Action::Functions { .. } | Action::PowerOn),
            first_contact: *action == Action::TakeEngine,
            retried: false,
            superseded: false,
            value: None,
            expires: Some(expires),
        });
        if self.stage(session) == Stage::Closed {
            self.open(at, session);
        }
    }

    /// The exchanges of an order.
    fn steps(&self, action: &Action) -> Result<Vec<Ask>, OrderEnd> {
        match action {
            Action::TakeEngine if self.abilities.lock => Ok(vec![Ask::InitEngine, Ask::AskEngine, Ask::Lock]),
            Action::TakeEngine => Ok(vec![Ask::InitEngine, Ask::AskEngine]),
            Action::ReleaseEngine if self.engine.locked => Ok(vec![Ask::Unlock, Ask::TermEngine]),
            Action::ReleaseEngine => Ok(vec![Ask::TermEngine]),
            Action::PowerOn | Action::AskPower if !self.abilities.power => {
                Err(refused(NOT_OFFERED, "the station does not offer power"))
            }
            Action::PowerOn => Ok(vec![Ask::PowerOn]),
            Action::AskPower => Ok(vec![Ask::AskPower]),
            Action::AskEngine => Ok(vec![Ask::AskEngine]),
            Action::Drive { .. } | Action::Functions { .. } if !self.engine.taken && !self.taking() => {
                Err(not_taken())
            }
            Action::Drive { setting, direction } => Ok(vec![Ask::Set(self.throttle(*setting, *direction)?)]),
            Action::Functions { on } => Ok(vec![Ask::Functions(on.clone())]),
            Action::BeginProgramming
            | Action::EndProgramming
            | Action::ReadCv { .. }
            | Action::WriteCv { .. }
            | Action::VerifyCv { .. } => self.programming_steps(action),
            // These go out at once and never through a queue.
            Action::Attach | Action::Stop | Action::EmergencyStop | Action::PowerOff => Ok(Vec::new()),
        }
    }

    /// A taking of the engine waits or is under way on the driving session.
    fn taking(&self) -> bool {
        let wire = &self.wires[Session::Drive as usize];
        let takes = |job: &Job| job.first_contact && matches!(job.purpose, Purpose::Order(_));
        wire.queue.iter().chain(&wire.current).any(takes)
    }

    fn throttle(&self, setting: Setting, direction: Direction) -> Result<Throttle, OrderEnd> {
        if setting.of != self.engine.last.of || setting.value > setting.of {
            let words =
                format!("{} of {} in a step mode of {}", setting.value, setting.of, self.engine.last.of);
            return Err(refused(SETTING_RANGE, &words));
        }
        Ok(Throttle { emergency: false, direction, value: setting.value, of: setting.of })
    }

    fn programming_steps(&self, action: &Action) -> Result<Vec<Ask>, OrderEnd> {
        let (place, ask) = match *action {
            Action::ReadCv { place: CvPlace::Main, .. } | Action::VerifyCv { place: CvPlace::Main, .. } => {
                return Err(refused(NOT_OFFERED, "on the main a CV can only be written"));
            }
            Action::WriteCv { cv: 7 | 8, .. } => {
                return Err(refused(
                    NEVER_WRITTEN,
                    "CV 7 and CV 8 name the decoder; writing CV 8 resets many decoders",
                ));
            }
            Action::ReadCv { place, cv } => (place, Ask::ReadCv(checked(cv)?)),
            Action::WriteCv { place, cv, value } => (place, Ask::WriteCv(place, checked(cv)?, value)),
            Action::VerifyCv { place, cv, value } => (place, Ask::VerifyCv(checked(cv)?, value)),
            Action::EndProgramming => (CvPlace::ProgrammingTrack, Ask::TermProgramming),
            _ => (CvPlace::ProgrammingTrack, Ask::InitProgramming),
        };
        let offered = match place {
            CvPlace::ProgrammingTrack => self.abilities.programming_track,
            CvPlace::Main => self.abilities.programming_on_main,
        };
        if !offered {
            return Err(refused(NOT_OFFERED, "the station does not offer programming"));
        }
        // A new session after a loss may not know that programming was begun.
        let again = self.programming.stale && !matches!(ask, Ask::InitProgramming | Ask::TermProgramming);
        Ok(if again { vec![Ask::InitProgramming, ask] } else { vec![ask] })
    }

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
                Some(_) if job.superseded => self.finish(job.purpose, superseded()),
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
        let wire = self.wire(session);
        wire.last_used = at;
        wire.sent.push_back(Sent { ask, line, owner, deadline: at + limit });
    }

    /// Drops what a stop overtakes.
    pub(super) fn supersede(&mut self) {
        let wire = self.wire(Session::Drive);
        if let Some(job) = wire.current.as_mut().filter(|job| job.moves) {
            job.superseded = true;
        }
        let (dropped, kept): (VecDeque<Job>, _) =
            std::mem::take(&mut wire.queue).into_iter().partition(|job| job.moves);
        wire.queue = kept;
        for job in dropped {
            self.finish(job.purpose, superseded());
        }
    }

    /// A job ends, well or not.
    pub(super) fn finish(&mut self, purpose: Purpose, end: OrderEnd) {
        match purpose {
            Purpose::Order(order) => self.end(order, end),
            Purpose::Attach(order) => self.attach_answered(order, end),
            Purpose::Probe | Purpose::Renew => {}
        }
    }

    /// The current job of a session got a fitting answer.
    pub(super) fn job_answered(&mut self, at: BenchTime, session: Session, ask: &Ask, verdict: Verdict) {
        let Some(mut job) = self.wire(session).current.take() else { return };
        let flow = match verdict {
            Verdict::Yes(found) => self.granted(at, &mut job, ask, found),
            Verdict::No { code, words } => self.denied(&mut job, ask, code, &words),
            // Condemned before it came here.
            Verdict::Odd => Flow::Next,
        };
        match flow {
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
            (Ask::TermProgramming, Found::Nothing) => self.programming = Programming::default(),
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
            (Ask::AskPower, _) if job.first_contact => self.power_refused(code),
            // Refused description: everything else is found out by trying.
            (Ask::Description, _) => {}
            (Ask::AskEngine, _) if job.first_contact => {}
            // Steps that only prepare the next one.
            (Ask::Unlock | Ask::InitPower, _) => {}
            (Ask::InitProgramming, _) if !job.steps.is_empty() => {}
            _ => return Flow::End(no),
        }
        Flow::Next
    }

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
            self.wire(Session::Drive).queue.push_front(Job::own(Purpose::Renew, Ask::Lock));
        }
    }

    /// When an idle driving session is asked something.
    pub(super) fn probe_due(&self) -> Option<BenchTime> {
        let wire = &self.wires[Session::Drive as usize];
        (self.attached && wire.is_idle()).then(|| wire.last_used + self.setup.ask_interval)
    }

    /// Asks something harmless, so that a dead or half-open connection shows itself.
    pub(super) fn probe(&mut self, at: BenchTime) {
        if self.probe_due().is_none_or(|due| due > at) {
            return;
        }
        let ask = match (self.abilities.power, self.engine.taken) {
            (true, _) => Ask::AskPower,
            (false, true) => Ask::AskEngine,
            (false, false) => Ask::Description,
        };
        self.wire(Session::Drive).queue.push_back(Job::own(Purpose::Probe, ask));
    }
}

fn superseded() -> OrderEnd {
    refused(SUPERSEDED, "a stop came before it was sent")
}

fn not_taken() -> OrderEnd {
    refused(NOT_TAKEN, "the engine was not taken")
}

fn checked(cv: u16) -> Result<u16, OrderEnd> {
    if (1..=1024).contains(&cv) {
        return Ok(cv);
    }
    Err(refused(CV_RANGE, &format!("CV {cv} is outside 1 to 1024")))
}
