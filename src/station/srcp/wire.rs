//! One session: where its handshake stands, what is sent and unanswered, what waits, and until when.
use super::exchange::Ask;
use super::handshake::Stage;
use super::jobs::Job;
use super::lines::Framer;
use super::reply::Welcome;
use super::serial::Heard;
use crate::cause::{heard, station as cause};
use crate::station::{OrderEnd, OrderId, Session};
use crate::time::BenchTime;
use std::collections::VecDeque;
use std::time::Duration;

/// Whose exchange it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Owner {
    /// Of the session's current job.
    Job,
    /// Of a stop; its answer counts if it is the last of the leg.
    Leg {
        /// The stop.
        order: OrderId,
        /// The line that stops, not one that prepares it.
        last: bool,
    },
}

/// An exchange that waits for its answer.
#[derive(Debug)]
pub(super) struct Sent {
    pub(super) ask: Ask,
    pub(super) line: String,
    pub(super) owner: Owner,
    pub(super) deadline: BenchTime,
}

/// The part of a stop that goes over one session.
#[derive(Debug)]
pub(super) struct Leg {
    pub(super) order: OrderId,
    pub(super) asks: Vec<Ask>,
}

/// How a session ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Loss {
    /// The connection ended or could not be opened.
    Ended(String),
    /// We end it, because it does not answer or not fittingly.
    Condemned(String),
    /// The handshake was refused.
    Refused {
        /// Code of the station or of the catalogue of causes.
        code: String,
        /// Words.
        words: String,
    },
}

impl Loss {
    fn why(&self) -> String {
        match self {
            Self::Ended(why) | Self::Condemned(why) => why.clone(),
            Self::Refused { code, words } => format!("{code} {words}"),
        }
    }

    /// End of an order that was sent and not answered.
    pub(super) fn unanswered(&self) -> OrderEnd {
        OrderEnd::Unknown { why: self.why() }
    }

    /// End of an order that was never sent, because the session got no further than `stage`.
    pub(super) fn unsent(&self, stage: Stage) -> OrderEnd {
        let code = match (self, stage) {
            (Self::Refused { code, words }, _) => {
                return OrderEnd::Refused { code: code.clone(), words: words.clone() };
            }
            (Self::Ended(why), Stage::Opening) => heard(why, &cause::STATION_UNREACHABLE).0.code,
            (_, Stage::Opening) => cause::STATION_UNREACHABLE.code,
            (Self::Ended(why), _) => heard(why, &cause::SESSION_LOST).0.code,
            (_, Stage::Ready) => cause::SESSION_LOST.code,
            (Self::Condemned(_), _) => cause::STATION_SILENT.code,
        };
        OrderEnd::Refused {
            code: code.to_owned(),
            words: format!("not sent: {}", heard(&self.why(), &cause::SESSION_LOST).1),
        }
    }
}

/// What was on a session when it ended.
#[derive(Debug, Default)]
pub(super) struct Rest {
    pub(super) sent: VecDeque<Sent>,
    pub(super) urgent: VecDeque<Leg>,
    pub(super) current: Option<Job>,
    pub(super) queue: VecDeque<Job>,
}

/// A session.
#[derive(Debug)]
pub(super) struct Wire {
    session: Session,
    pub(super) stage: Stage,
    /// Until when the handshake must have got a step further.
    step_deadline: BenchTime,
    pub(super) framer: Framer,
    pub(super) welcome: Option<Welcome>,
    /// What came before it was ready, on a line with one session only.
    pub(super) heard: Heard,
    pub(super) id: Option<u64>,
    /// Sent, oldest first; answers come in this order (A10 no. 15). One for the job, and stops behind it.
    pub(super) sent: VecDeque<Sent>,
    /// Stops that wait for the handshake only.
    pub(super) urgent: VecDeque<Leg>,
    pub(super) current: Option<Job>,
    pub(super) queue: VecDeque<Job>,
    /// When something was last sent or answered.
    pub(super) last_used: BenchTime,
    pub(super) oddities: u32,
}

impl Wire {
    /// A session without a connection.
    pub(super) fn new(session: Session) -> Self {
        Self {
            session,
            stage: Stage::Closed,
            step_deadline: BenchTime::ZERO,
            framer: Framer::default(),
            welcome: None,
            heard: Heard::default(),
            id: None,
            sent: VecDeque::new(),
            urgent: VecDeque::new(),
            current: None,
            queue: VecDeque::new(),
            last_used: BenchTime::ZERO,
            oddities: 0,
        }
    }

    /// The connection is being opened.
    pub(super) fn begin(&mut self, deadline: BenchTime) {
        self.step(Stage::Opening, deadline);
        self.oddities = 0;
    }

    /// The handshake got a step further.
    pub(super) fn step(&mut self, stage: Stage, deadline: BenchTime) {
        self.stage = stage;
        self.step_deadline = deadline;
    }

    /// The handshake is through.
    pub(super) fn ready(&mut self, at: BenchTime, id: Option<u64>) {
        self.stage = Stage::Ready;
        self.id = id;
        self.last_used = at;
    }

    /// The session ends; what was on it is handed back, and no byte of it can be read any more.
    pub(super) fn end(&mut self) -> Rest {
        self.stage = Stage::Closed;
        self.framer = Framer::default();
        self.id = None;
        Rest {
            sent: std::mem::take(&mut self.sent),
            urgent: std::mem::take(&mut self.urgent),
            current: self.current.take(),
            queue: std::mem::take(&mut self.queue),
        }
    }

    /// Ready, with nothing sent or waiting.
    pub(super) fn is_idle(&self) -> bool {
        self.stage == Stage::Ready
            && self.sent.is_empty()
            && self.urgent.is_empty()
            && self.current.is_none()
            && self.queue.is_empty()
    }

    /// The open end of what is waited for from the peer.
    fn peer_due(&self) -> Option<BenchTime> {
        match self.stage {
            Stage::Closed => None,
            Stage::Ready => self.sent.iter().map(|sent| sent.deadline).min(),
            _ => Some(self.step_deadline),
        }
    }

    /// The step of the handshake whose time is over.
    pub(super) fn late_step(&self, at: BenchTime) -> Option<Stage> {
        let shaking = !matches!(self.stage, Stage::Closed | Stage::Opening | Stage::Ready);
        (shaking && self.step_deadline <= at).then_some(self.stage)
    }

    /// Until when an exchange of programming is waited for: what is sent behind it is answered behind it.
    pub(super) fn programming_until(&self) -> Option<BenchTime> {
        self.sent.iter().filter(|sent| sent.ask.is_programming()).map(|sent| sent.deadline).max()
    }

    /// When something is due here.
    pub(super) fn next_due(&self) -> Option<BenchTime> {
        let queue = self.queue.iter().filter_map(|job| job.expires);
        queue.chain(self.peer_due()).min()
    }

    /// Why this session is to be condemned now, if it is.
    pub(super) fn overdue(&self, at: BenchTime, step_limit: Duration) -> Option<String> {
        if self.peer_due()? > at {
            return None;
        }
        let code = match self.stage {
            Stage::Opening => cause::STATION_UNREACHABLE.code,
            _ => cause::STATION_SILENT.code,
        };
        let what = match (self.stage, self.sent.iter().find(|sent| sent.deadline <= at)) {
            (Stage::Ready, Some(sent)) => format!("no answer to `{}` in time", sent.line),
            (Stage::Opening, _) => format!("no connection within {step_limit:?}"),
            (Stage::Greeting, _) => format!("no greeting within {step_limit:?}"),
            (Stage::Asking { greeted: false }, _) => {
                format!("neither a greeting nor an answer within {:?}", step_limit * 3 / 2)
            }
            _ => {
                format!("the handshake of the {:?} session got no answer within {step_limit:?}", self.session)
            }
        };
        Some(format!("{code}: {what}"))
    }

    /// Takes out the jobs that waited too long without being sent.
    pub(super) fn expired(&mut self, at: BenchTime) -> VecDeque<Job> {
        let all = std::mem::take(&mut self.queue);
        let (expired, kept) =
            all.into_iter().partition(|job| job.expires.is_some_and(|expires| expires <= at));
        self.queue = kept;
        expired
    }
}
