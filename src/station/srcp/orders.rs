//! What an order consists of, and which are refused without being sent.
use super::Srcp;
use super::exchange::{Ask, Throttle};
use super::handshake::Stage;
use super::jobs::{Job, Purpose};
use crate::dcc::cv::{self, CvError};
use crate::station::{Action, CvPlace, Direction, OrderEnd, OrderId, Session, Setting};
use crate::time::BenchTime;
use std::collections::VecDeque;

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
        let session = if programming { self.setup.programming_session() } else { Session::Drive };
        // On the only session everything may wait behind programming.
        let slow = programming || self.setup.has_one_session();
        let limit = if slow { self.setup.cv_answer_limit } else { self.setup.answer_limit };
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
            Action::TakeEngine if self.abilities.lock => {
                Ok(vec![Ask::InitEngine, Ask::EngineState, Ask::Lock])
            }
            Action::TakeEngine => Ok(vec![Ask::InitEngine, Ask::EngineState]),
            Action::ReleaseEngine if self.engine.locked => Ok(vec![Ask::Unlock, Ask::TermEngine]),
            Action::ReleaseEngine => Ok(vec![Ask::TermEngine]),
            Action::PowerOn | Action::AskPower if !self.abilities.power => {
                Err(refused(NOT_OFFERED, "the station does not offer power"))
            }
            Action::PowerOn => Ok(vec![Ask::PowerOn]),
            Action::AskPower => Ok(vec![Ask::PowerState]),
            Action::AskEngine => Ok(vec![Ask::EngineState]),
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
            Action::ReadCv { place, cv } => (place, Ask::ReadCv(cv::readable(cv).map_err(no_cv)?)),
            Action::WriteCv { place, cv, value } => {
                (place, Ask::WriteCv(place, cv::writable(cv).map_err(no_cv)?, value))
            }
            Action::VerifyCv { place, cv, value } => {
                (place, Ask::VerifyCv(cv::readable(cv).map_err(no_cv)?, value))
            }
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
}

pub(super) fn superseded() -> OrderEnd {
    refused(SUPERSEDED, "a stop came before it was sent")
}

pub(super) fn not_taken() -> OrderEnd {
    refused(NOT_TAKEN, "the engine was not taken")
}

/// A CV that may not be asked for so.
fn no_cv(error: CvError) -> OrderEnd {
    let code = match error {
        CvError::Number(_) => CV_RANGE,
        CvError::NeverWritten(_) => NEVER_WRITTEN,
    };
    refused(code, &error.to_string())
}
