//! SRCP 0.8 over TCP: the first adapter, as a machine (bytes and time in; bytes, events and the next wake-up out).
//!
//! It may not know sockets, clocks, the run or any particular server. Method: `standards/srcp.md` part A, above all its
//! list of traps (A10). That sheet was written without the full text of the standard; conformity to it is not claimed.
//!
//! - `lines`: bytes to lines. `reply`: lines to codes and values. `handshake`: welcome to mode, a table.
//! - `exchange`: one command and whether a reply answers it. `wire`: one session's exchanges and time limits.
//! - `attach`: opening all sessions and the abilities. `orders`: what an order consists of and which are never sent.
//! - `jobs`: orders under way, step by step. `engine`: last setting, lock, asking when idle.
//! - `stop`: what goes out at once on several sessions. `information`: what the station tells unasked.
//! - `serial`: the handshake of a line that carries one session.
//!
//! Time limits: each exchange has [`SrcpSetup::answer_limit`] (programming: [`SrcpSetup::cv_answer_limit`]), each step of
//! a handshake (at most five: connect, greeting, protocol, mode, go) one `answer_limit`. A queued order that could not be
//! sent within its limit and a handshake ends as never sent.
//!
//! Over a line with one session ([`Sessions::One`]) driving and programming wait for each other, so a queued order may
//! wait as long as programming may. Nothing is told unasked, as with a station that knows no information mode: power and
//! engine are asked for at every [`SrcpSetup::ask_interval`], busy or not. A stop is written behind the outstanding exchange; behind one of programming
//! it is answered once that is. If the session ends before, it is opened afresh for the stop, once for each stop.
use super::{
    Abilities, Action, LinkEvent, LinkOrder, OrderEnd, OrderId, Session, StationEvent, StationMachine,
};
use crate::cause::{heard, station as cause, told};
use crate::dcc::Address;
use crate::time::BenchTime;
use std::collections::{BTreeSet, VecDeque};
use std::time::Duration;

mod attach;
mod engine;
mod exchange;
mod handshake;
mod information;
mod jobs;
mod lines;
mod orders;
mod reply;
mod serial;
mod stop;
#[cfg(test)]
mod tests;
mod wire;

use attach::Attach;
use engine::{Engine, Programming};
use exchange::Verdict;
use handshake::{Stage, Step};
use information::Watch;
use lines::{Line, quote};
use stop::Stop;
use wire::{Loss, Owner, Wire};

/// Steps of a handshake, each bounded by the answer limit.
const HANDSHAKE_STEPS: u32 = 5;

/// The same on a line with one session: its question may come before and behind, and be asked a second time.
const SERIAL_HANDSHAKE_STEPS: u32 = 8;

/// Shortest lock asked for, seconds. Long enough that one slow answer does not lose it, short enough that after our
/// death another throttle can take the engine soon (a lock also falls when its session ends, but a half-open one does not).
const LOCK_MIN_SECONDS: u64 = 10;

/// Oddities quoted one by one on a connection; from there on only counts that are powers of two.
const ODDITIES_QUOTED: u32 = 20;

/// How many sessions the link to the station carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sessions {
    /// One each for driving, programming and information, and a further one for a stop: a network.
    Three,
    /// One for everything: a serial port.
    One,
}

/// What the adapter is told of its bench.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SrcpSetup {
    /// Bus of the engine, its power and its programming.
    pub bus: u16,
    /// The engine's address.
    pub address: Address,
    /// Moving steps of the step mode: 28 or 126.
    pub step_mode: u16,
    /// Number of functions the engine is announced with, F0 included.
    pub functions: usize,
    /// Longest wait for an ordinary answer, and for each step of a handshake.
    pub answer_limit: Duration,
    /// Longest wait for an answer of programming.
    pub cv_answer_limit: Duration,
    /// The driving session is asked something after being idle for this long; where nothing is told unasked, busy or not.
    pub ask_interval: Duration,
    /// How many sessions the link carries.
    pub sessions: Sessions,
}

impl SrcpSetup {
    /// Lock duration: renewed at half of it, which leaves room for two slow answers.
    fn lock_seconds(&self) -> u64 {
        LOCK_MIN_SECONDS.max(self.answer_limit.as_secs().saturating_add(1).saturating_mul(4))
    }

    /// Longest handshake.
    fn handshake_limit(&self) -> Duration {
        let steps = match self.sessions {
            Sessions::Three => HANDSHAKE_STEPS,
            Sessions::One => SERIAL_HANDSHAKE_STEPS,
        };
        self.answer_limit.saturating_mul(steps)
    }

    fn has_one_session(&self) -> bool {
        self.sessions == Sessions::One
    }

    /// The session that carries programming.
    fn programming_session(&self) -> Session {
        if self.has_one_session() { Session::Drive } else { Session::Programming }
    }
}

/// SRCP 0.8 client.
#[derive(Debug)]
pub struct Srcp {
    setup: SrcpSetup,
    wires: [Wire; 4],
    own_ids: BTreeSet<u64>,
    /// What is known of the abilities; all of them until the station was asked.
    abilities: Abilities,
    attach: Option<Attach>,
    attached: bool,
    engine: Engine,
    programming: Programming,
    stops: Vec<Stop>,
    watch: Watch,
    /// When the station last told how things stand because it was asked, or began to be watched.
    probed_at: BenchTime,
    links: VecDeque<LinkOrder>,
    events: VecDeque<StationEvent>,
}

impl Srcp {
    /// A client that is not connected. Nothing happens before the first order.
    #[must_use]
    pub fn new(setup: SrcpSetup) -> Self {
        let engine = Engine::new(&setup);
        Self {
            setup,
            wires: [Session::Drive, Session::Programming, Session::Information, Session::Rescue]
                .map(Wire::new),
            own_ids: BTreeSet::new(),
            abilities: attach::UNKNOWN_ABILITIES,
            attach: None,
            attached: false,
            engine,
            programming: Programming::default(),
            stops: Vec::new(),
            watch: Watch::default(),
            probed_at: BenchTime::ZERO,
            links: VecDeque::new(),
            events: VecDeque::new(),
        }
    }

    fn wire(&mut self, session: Session) -> &mut Wire {
        &mut self.wires[session as usize]
    }

    fn stage(&self, session: Session) -> Stage {
        self.wires[session as usize].stage
    }

    fn end(&mut self, order: OrderId, end: OrderEnd) {
        self.events.push_back(StationEvent::Ended { order, end });
    }

    /// Tells of a line that makes no sense, without letting a babbling peer flood the record.
    fn oddity(&mut self, session: Session, line: String) {
        let wire = self.wire(session);
        wire.oddities = wire.oddities.saturating_add(1);
        if wire.oddities <= ODDITIES_QUOTED || wire.oddities.is_power_of_two() {
            self.events.push_back(StationEvent::Oddity { session, line });
        }
    }

    fn open(&mut self, at: BenchTime, session: Session) {
        let deadline = at + self.setup.answer_limit;
        self.wire(session).begin(deadline);
        self.links.push_back(LinkOrder::Open(session));
    }

    fn opened(&mut self, at: BenchTime, session: Session) {
        match self.stage(session) {
            Stage::Opening if self.setup.has_one_session() => self.line_opened(at),
            Stage::Opening => {
                let deadline = at + self.setup.answer_limit;
                self.wire(session).step(Stage::Greeting, deadline);
            }
            // An opening that was given up in the meantime.
            Stage::Closed => self.links.push_back(LinkOrder::Close(session)),
            _ => {}
        }
    }

    fn bytes(&mut self, at: BenchTime, session: Session, bytes: &[u8]) {
        if matches!(self.stage(session), Stage::Closed | Stage::Opening) {
            return;
        }
        self.wire(session).framer.push(bytes);
        if self.stage(session) != Stage::Ready {
            self.wire(session).heard.count(bytes);
        }
        // A line may condemn the session, which also drops the lines behind it.
        while let Some(line) = self.wire(session).framer.pop() {
            match self.stage(session) {
                Stage::Closed | Stage::Opening => {}
                Stage::Ready if session == Session::Information => self.informed(at, &line),
                Stage::Ready => self.answered(at, session, &line),
                stage => self.shake(at, session, stage, &line),
            }
        }
    }

    fn shake(&mut self, at: BenchTime, session: Session, stage: Stage, line: &Line) {
        let step = if self.setup.has_one_session() {
            self.line_shaken(stage, line)
        } else if stage == Stage::Greeting {
            let (welcome, step) = handshake::welcomed(session, line);
            self.wire(session).welcome = welcome;
            step
        } else {
            match (line.reply(), &self.wire(session).welcome) {
                (Some(reply), Some(welcome)) => handshake::replied(session, stage, welcome, &reply),
                _ => Step::Odd,
            }
        };
        if step == Step::Odd {
            self.oddity(session, line.quoted());
        }
        self.take_step(at, session, step);
    }

    fn take_step(&mut self, at: BenchTime, session: Session, step: Step) {
        match step {
            Step::Send(stage, line) => {
                let deadline = at + self.setup.answer_limit;
                self.wire(session).step(stage, deadline);
                self.links.push_back(LinkOrder::Send(session, format!("{line}\n").into_bytes()));
            }
            Step::Ready(id) => self.ready(at, session, id),
            Step::Fail { code, words } => self.fail(at, session, &Loss::Refused { code, words }),
            Step::Odd => {}
        }
    }

    fn ready(&mut self, at: BenchTime, session: Session, id: Option<u64>) {
        self.own_ids.extend(id);
        self.wire(session).ready(at, id);
        if session == Session::Information {
            self.watch = Watch::default();
        }
        self.probed_at = at;
        self.pump(at);
    }

    /// A line on a command session that is through its handshake.
    fn answered(&mut self, at: BenchTime, session: Session, line: &Line) {
        let Some(sent) = self.wires[session as usize].sent.front() else {
            self.oddity(session, line.quoted());
            return;
        };
        let verdict = line.reply().map_or(Verdict::Odd, |reply| sent.ask.judge(&self.setup, &reply));
        if verdict == Verdict::Odd {
            let why = format!(
                "{}: `{}` does not answer `{}`",
                cause::STATION_REPLY_ODD.code,
                line.quoted(),
                sent.line
            );
            self.oddity(session, line.quoted());
            self.fail(at, session, &Loss::Condemned(why));
            return;
        }
        let wire = self.wire(session);
        wire.last_used = at;
        let Some(sent) = wire.sent.pop_front() else { return };
        match sent.owner {
            Owner::Job => self.job_answered(at, session, &sent.ask, verdict),
            Owner::Leg { order, last } => self.leg_answered(session, order, last, verdict),
        }
        self.pump(at);
    }

    /// A session ends: everything on it ends, each order once.
    fn fail(&mut self, at: BenchTime, session: Session, loss: &Loss) {
        if let (Loss::Ended(_), Some(half)) = (loss, self.wire(session).framer.half()) {
            self.oddity(session, half);
        }
        let stage = self.stage(session);
        let rest = self.wire(session).end();
        if !matches!(loss, Loss::Ended(_)) {
            self.links.push_back(LinkOrder::Close(session));
        }
        match loss {
            Loss::Ended(why) | Loss::Condemned(why) => {
                self.events.push_back(StationEvent::SessionLost { session, why: why.clone() });
            }
            // It never lived, so it is not lost; the abilities or the orders' ends tell what follows.
            Loss::Refused { code, words } => self.oddity(session, format!("handshake: {code} {words}")),
        }
        self.engine.session_lost(session, &rest.sent);
        self.probed_at = at;
        self.programming.session_lost(session == self.setup.programming_session());
        let (unsent, unknown) = (loss.unsent(stage), loss.unanswered());
        for sent in rest.sent {
            if let Owner::Leg { order, last: true } = sent.owner
                && !self.stop_again(at, session, order, loss, Some(&unknown))
            {
                self.leg_failed(order, session, unknown.clone());
            }
        }
        for leg in rest.urgent {
            if !self.stop_again(at, session, leg.order, loss, None) {
                self.leg_failed(leg.order, session, unsent.clone());
            }
        }
        if let Some(job) = rest.current {
            self.finish(job.purpose, unknown.clone());
        }
        for job in rest.queue {
            self.finish(job.purpose, unsent.clone());
        }
        self.pump(at);
    }

    /// Sends what may be sent, and closes what is done with.
    fn pump(&mut self, at: BenchTime) {
        for session in [Session::Drive, Session::Programming, Session::Rescue] {
            self.pump_legs(at, session);
        }
        for session in [Session::Drive, Session::Programming] {
            self.pump_jobs(at, session);
        }
        self.rest_rescue();
        self.settle_attach(at);
    }
}

impl StationMachine for Srcp {
    fn handle_link(&mut self, at: BenchTime, session: Session, event: LinkEvent<'_>) {
        match event {
            LinkEvent::Opened => self.opened(at, session),
            LinkEvent::Bytes(bytes) => self.bytes(at, session, bytes),
            LinkEvent::Closed(_) if self.stage(session) == Stage::Closed => {}
            LinkEvent::Closed(why) => {
                let otherwise = match self.stage(session) {
                    Stage::Opening => &cause::STATION_UNREACHABLE,
                    _ => &cause::SESSION_LOST,
                };
                let (cause, words) = heard(why, otherwise);
                self.fail(at, session, &Loss::Ended(told(cause, words)));
            }
        }
    }

    fn handle_wake(&mut self, at: BenchTime) {
        for session in [Session::Drive, Session::Programming, Session::Information, Session::Rescue] {
            let limit = self.setup.answer_limit;
            if self.setup.has_one_session()
                && let Some(stage) = self.wire(session).late_step(at)
                && let Some(step) = self.line_due(stage)
            {
                self.take_step(at, session, step);
            }
            if let Some(why) = self.wire(session).overdue(at, limit) {
                self.fail(at, session, &Loss::Condemned(why));
            }
            for job in self.wire(session).expired(at) {
                self.finish(job.purpose, orders::not_sent("waited too long behind other orders"));
            }
        }
        self.renew_lock(at);
        self.probe(at);
        self.pump(at);
    }

    fn submit(&mut self, at: BenchTime, order: OrderId, action: &Action) {
        match action {
            Action::Attach => self.start_attach(at, order),
            Action::Stop | Action::EmergencyStop | Action::PowerOff => self.start_stop(at, order, action),
            _ => self.start_job(at, order, action),
        }
        self.pump(at);
    }

    fn poll_link(&mut self) -> Option<LinkOrder> {
        self.links.pop_front()
    }

    fn poll_event(&mut self) -> Option<StationEvent> {
        self.events.pop_front()
    }

    fn next_wake(&self) -> Option<BenchTime> {
        let wires = self.wires.iter().filter_map(Wire::next_due);
        wires.chain(self.renewal_due()).chain(self.probe_due()).min()
    }
}
