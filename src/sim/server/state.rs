//! What the server knows, and the way from a line to its group.
use super::super::service::{Job, JobEnd, Task};
use super::super::spec::ServerSim;
use super::super::track::Track;
use super::engines::Record;
use super::locks::Lock;
use super::words::{Refusal, number};
use crate::time::BenchTime;
use std::collections::BTreeMap;

/// The one hardware bus; bus 0 is the server itself.
pub(super) const BUS: u16 = 1;

/// Who speaks.
#[derive(Clone, Copy, Debug)]
pub(super) struct Caller {
    pub(super) conn: u32,
    pub(super) session: u32,
}

/// What a session is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Mode {
    Command,
    Info,
}

impl Mode {
    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Command => "COMMAND",
            Self::Info => "INFO",
        }
    }
}

/// What follows from a command.
pub(super) enum Answer {
    Say(String),
    /// The reply comes when the programming job has ended.
    Later,
    /// Say it, then end the session.
    Leave(String),
}

pub(super) type Reply = Result<Answer, Refusal>;

impl Answer {
    pub(super) fn done() -> Self {
        Self::Say("200 OK".into())
    }
}

/// A programming job under way: whom to answer, and what.
#[derive(Clone, Debug)]
pub(super) struct Pending {
    pub(super) conn: u32,
    /// Begin of the line that tells the value; for jobs that read, the value follows.
    pub(super) tells: String,
    pub(super) reads: bool,
    /// A change that INFO sessions hear of.
    pub(super) changes: bool,
    pub(super) on_silence: Refusal,
}

/// What the server knows.
#[derive(Clone, Debug)]
pub(super) struct State {
    pub(super) spec: ServerSim,
    pub(super) track: Track,
    pub(super) now: BenchTime,
    pub(super) engines: BTreeMap<u16, Record>,
    pub(super) locks: BTreeMap<u16, Lock>,
    pub(super) sessions: BTreeMap<u32, (Mode, BenchTime)>,
    pub(super) power_words: String,
    /// Nothing of the bus is done until then.
    pub(super) refuses_until: BenchTime,
    pub(super) power_since: BenchTime,
    /// Session that opened programming.
    pub(super) programming: Option<u32>,
    pub(super) pending: Option<Pending>,
    /// Lines for INFO sessions, not yet spread.
    pub(super) news: Vec<String>,
    last_session: u32,
}

impl State {
    pub(super) fn new(spec: ServerSim, track: Track) -> Self {
        Self {
            spec,
            track,
            now: BenchTime::ZERO,
            engines: BTreeMap::new(),
            locks: BTreeMap::new(),
            sessions: BTreeMap::new(),
            power_words: "AT START".into(),
            power_since: BenchTime::ZERO,
            refuses_until: BenchTime::ZERO,
            programming: None,
            pending: None,
            news: Vec::new(),
            last_session: 0,
        }
    }

    /// GO: a session begins. Its id, or nothing where the server is full.
    pub(super) fn open_session(&mut self, mode: Mode) -> Result<u32, Refusal> {
        if self.sessions.len() >= self.spec.most_sessions {
            return Err(Refusal::NO_ROOM);
        }
        self.last_session += 1;
        self.sessions.insert(self.last_session, (mode, self.now));
        self.news.push(format!("101 INFO 0 SESSION {} {}", self.last_session, mode.word()));
        Ok(self.last_session)
    }

    /// A session ends, however: its locks go, its programming ends. The engine is not stopped by it.
    pub(super) fn close_session(&mut self, session: u32) {
        if self.sessions.remove(&session).is_none() {
            return;
        }
        self.free_locks_of(session);
        if self.programming == Some(session) {
            self.end_programming();
        }
        self.news.push(format!("102 INFO 0 SESSION {session}"));
    }

    /// Carries out a command line.
    pub(super) fn command(&mut self, caller: Caller, line: &str) -> Reply {
        let words: Vec<&str> = line.split_ascii_whitespace().collect();
        let verb = words.first().copied().unwrap_or_default();
        if !["SET", "GET", "INIT", "TERM", "VERIFY", "RESET", "WAIT", "CHECK"].contains(&verb) {
            return Err(Refusal::UNKNOWN_COMMAND);
        }
        let bus: u16 = number(&words, 1)?;
        if bus > BUS {
            return Err(Refusal::WRONG_VALUE);
        }
        let group = words.get(2).ok_or(Refusal::TOO_SHORT)?;
        if self.now < self.refuses_until && bus == BUS {
            return Err(Refusal::NOT_NOW);
        }
        match (bus, *group) {
            (0, "SESSION") => self.session(caller, verb, &words),
            (0, "SERVER") => Self::server(verb),
            (_, "DESCRIPTION") => self.description(verb, bus, &words),
            (BUS, "GL") => self.locomotive(caller, verb, &words),
            (BUS, "POWER") => self.power(verb, &words),
            (BUS, "LOCK") if self.spec.locks => self.lock(caller, verb, &words),
            (BUS, "SM") if self.spec.programming => self.service_mode(caller, verb, &words),
            _ => Err(Refusal::UNSUPPORTED_GROUP),
        }
    }

    fn session(&self, caller: Caller, verb: &str, words: &[&str]) -> Reply {
        let id = if words.len() > 3 { number(words, 3)? } else { caller.session };
        match verb {
            "GET" => {
                let (mode, _) = self.sessions.get(&id).ok_or(Refusal::NO_DATA)?;
                Ok(Answer::Say(format!("100 INFO 0 SESSION {id} {}", mode.word())))
            }
            "TERM" if id == caller.session => Ok(Answer::Leave("200 OK".into())),
            "TERM" => Err(Refusal::FORBIDDEN),
            _ => Err(Refusal::UNSUPPORTED_OPERATION),
        }
    }

    fn server(verb: &str) -> Reply {
        match verb {
            "GET" => Ok(Answer::Say("100 INFO 0 SERVER RUNNING".into())),
            "RESET" | "TERM" => Err(Refusal::FORBIDDEN),
            _ => Err(Refusal::UNSUPPORTED_OPERATION),
        }
    }

    fn description(&self, verb: &str, bus: u16, words: &[&str]) -> Reply {
        if verb != "GET" {
            return Err(Refusal::UNSUPPORTED_OPERATION);
        }
        match words.get(3).copied() {
            None => Ok(Answer::Say(self.groups(bus))),
            Some("GL") if bus == BUS => {
                let address = number(words, 4)?;
                let record = self.engines.get(&address).ok_or(Refusal::NO_DATA)?;
                Ok(Answer::Say(format!("100 INFO {BUS} DESCRIPTION GL {address} {}", record.announced())))
            }
            Some("SM") if bus == BUS && self.programming.is_some() => {
                Ok(Answer::Say(format!("100 INFO {BUS} DESCRIPTION SM NMRA")))
            }
            Some("SM" | "POWER" | "LOCK") => Err(Refusal::NO_DATA),
            Some(_) => Err(Refusal::UNSUPPORTED_GROUP),
        }
    }

    /// The groups of a bus, as a reply without timestamp.
    pub(super) fn groups(&self, bus: u16) -> String {
        if bus == 0 {
            return "100 INFO 0 DESCRIPTION SESSION SERVER".into();
        }
        let mut line = format!("100 INFO {BUS} DESCRIPTION GL POWER");
        if self.spec.programming {
            line.push_str(" SM");
        }
        if self.spec.locks {
            line.push_str(" LOCK");
        }
        line + " DESCRIPTION"
    }

    fn power(&mut self, verb: &str, words: &[&str]) -> Reply {
        match verb {
            "GET" => Ok(Answer::Say(self.power_line())),
            "INIT" | "TERM" => Ok(Answer::done()),
            "SET" => {
                let on = match words.get(3).copied() {
                    Some("ON") => true,
                    Some("OFF") => false,
                    Some(_) => return Err(Refusal::WRONG_VALUE),
                    None => return Err(Refusal::TOO_SHORT),
                };
                self.switch_power(on, &words[4..].join(" "));
                Ok(Answer::done())
            }
            _ => Err(Refusal::UNSUPPORTED_OPERATION),
        }
    }

    /// Switches the rail and tells it; also from the station's own side.
    pub(super) fn switch_power(&mut self, on: bool, words: &str) {
        let changes = self.track.powered() != on || self.power_words != words;
        self.track.set_power(self.now, on);
        if changes {
            words.clone_into(&mut self.power_words);
            self.power_since = self.now;
            let line = self.power_line();
            self.news.push(line);
        }
    }

    pub(super) fn power_line(&self) -> String {
        let state = if self.track.powered() { "ON" } else { "OFF" };
        format!("100 INFO {BUS} POWER {state} {}", self.power_words).trim_end().to_owned()
    }

    /// Begins a programming job; the reply comes later.
    pub(super) fn begin_job(&mut self, task: Task, pending: Pending) -> Answer {
        self.pending = Some(pending);
        self.track.begin(self.now, Job::new(task));
        Answer::Later
    }

    /// The reply that a job's end makes, and to whom.
    pub(super) fn job_reply(&mut self) -> Option<(u32, String)> {
        let end = self.track.take_ended()?;
        let pending = self.pending.take()?;
        let reply = match end {
            JobEnd::Silence => pending.on_silence.line(),
            JobEnd::Done { value } if pending.reads => {
                let line = format!("{} {}", pending.tells, value.unwrap_or(0));
                self.news.push(line.clone());
                line
            }
            JobEnd::Done { .. } => {
                if pending.changes {
                    self.news.push(pending.tells);
                }
                "200 OK".into()
            }
        };
        Some((pending.conn, reply))
    }
}
