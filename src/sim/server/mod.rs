//! The station's server: SRCP 0.8 over byte streams, as a machine.
//!
//! Source: standards/srcp.md part A, its rules marked as derived included; that sheet rests on lines quoted in public and
//! on memory, not on the standard's full text, so no conformity is claimed. One session's lines are answered in order;
//! each reply takes its time, programming as long as its packets take on the rail.
use super::spec::ServerSim;
use super::track::Track;
use crate::time::BenchTime;
use link::{Busy, Due, Link, Phase};
use state::{Answer, Caller, Mode, State};
use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;
use words::Refusal;

mod engines;
mod faults;
mod handshake;
mod link;
mod locks;
mod programming;
mod serial;
mod state;
#[cfg(test)]
mod tests;
mod words;

/// Lines a session may have waiting before it is dropped.
const MOST_WAITING: usize = 4000;
const GREETING: &str = "wrenfield 1; SRCP 0.8.4; SRCPOTHER 0.8.3";

/// What leaves the server.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Outgoing {
    Bytes(u32, Vec<u8>),
    Close(u32),
}

/// The server.
#[derive(Clone, Debug)]
pub(super) struct Server {
    state: State,
    links: BTreeMap<u32, Link>,
    out: VecDeque<Outgoing>,
    silent_until: BenchTime,
    late: Duration,
}

impl Server {
    pub(super) fn new(spec: ServerSim, track: Track) -> Self {
        Self {
            state: State::new(spec, track),
            links: BTreeMap::new(),
            out: VecDeque::new(),
            silent_until: BenchTime::ZERO,
            late: Duration::ZERO,
        }
    }

    pub(super) fn track(&self) -> &Track {
        &self.state.track
    }

    pub(super) fn track_mut(&mut self) -> &mut Track {
        &mut self.state.track
    }

    pub(super) fn poll(&mut self) -> Option<Outgoing> {
        self.out.pop_front()
    }

    /// When it will send something by itself, or take up a line that waits.
    pub(super) fn next_event(&self) -> Option<BenchTime> {
        let due = self.links.values().filter_map(|link| link.due.front()).map(|due| due.at);
        let waits = self.links.values().any(Link::is_ready);
        due.chain(waits.then_some(self.silent_until)).chain(self.state.next_lock_end()).min()
    }

    pub(super) fn connected(&mut self, at: BenchTime, conn: u32) {
        if self.is_serial() {
            self.state.now = at;
            self.port_opened(conn);
            return self.advance(at);
        }
        self.gone(at, conn);
        self.links.insert(conn, Link::new());
        self.schedule(conn, GREETING.to_owned(), false, false);
    }

    pub(super) fn gone(&mut self, at: BenchTime, conn: u32) {
        self.state.now = at;
        if self.is_serial() {
            self.port_closed(conn);
        } else {
            self.forget(conn);
        }
        self.advance(at);
    }

    fn forget(&mut self, conn: u32) {
        self.state.pending.take_if(|pending| pending.conn == conn);
        if let Some(link) = self.links.remove(&conn)
            && let Phase::Open(_, session) = link.phase
        {
            self.state.close_session(session);
        }
    }

    /// Bytes from a client, cut anywhere.
    pub(super) fn bytes(&mut self, at: BenchTime, conn: u32, bytes: &[u8]) {
        let Some(link) = self.links.get_mut(&conn) else { return };
        for &byte in bytes {
            link.take(byte);
        }
        if link.lines.len() > MOST_WAITING {
            self.state.now = at;
            self.drop_link(conn);
        }
        self.advance(at);
    }

    /// Does what is due up to now.
    pub(super) fn advance(&mut self, at: BenchTime) {
        self.state.now = at;
        self.state.free_old_locks();
        if let Some((conn, reply)) = self.state.job_reply() {
            self.reply(conn, &reply, false);
        }
        self.spread_news();
        while self.send_due() | self.take_lines() {}
    }

    fn send_due(&mut self) -> bool {
        let mut closing = Vec::new();
        let mut moved = false;
        for (&conn, link) in &mut self.links {
            while link.due.front().is_some_and(|due| due.at <= self.state.now) {
                let Some(due) = link.due.pop_front() else { break };
                moved = true;
                if link.heard {
                    self.out.push_back(Outgoing::Bytes(conn, due.bytes));
                }
                if due.is_reply {
                    link.busy = Busy::No;
                }
                if due.closes {
                    closing.push(conn);
                }
            }
        }
        for conn in closing {
            self.drop_link(conn);
        }
        moved
    }

    fn take_lines(&mut self) -> bool {
        if self.state.now < self.silent_until {
            return false;
        }
        let ready: Vec<u32> =
            self.links.iter().filter(|(_, link)| link.is_ready()).map(|(conn, _)| *conn).collect();
        for conn in &ready {
            self.take_line(*conn);
            self.spread_news();
        }
        !ready.is_empty()
    }

    fn take_line(&mut self, conn: u32) {
        let Some(link) = self.links.get_mut(&conn) else { return };
        let Some(line) = link.lines.pop_front() else { return };
        let (phase, line) = (link.phase, line.ok_or(Refusal::TOO_LONG));
        let answer = match (phase, line) {
            (Phase::Open(Mode::Info, _), _) => return,
            (_, Ok(line)) if line.trim().is_empty() => return,
            (_, Err(refusal)) => Err(refusal),
            (Phase::Handshake(mode), Ok(line)) => return self.shake_hands(conn, mode, &line),
            (Phase::Open(Mode::Command, session), Ok(line)) => {
                self.state.command(Caller { conn, session }, &line)
            }
        };
        match answer {
            Ok(Answer::Say(line)) => self.reply(conn, &line, false),
            Ok(Answer::Leave(line)) => self.reply(conn, &line, true),
            Ok(Answer::Later) => {
                if let Some(link) = self.links.get_mut(&conn) {
                    link.busy = Busy::Programming;
                }
            }
            Err(refusal) => self.reply(conn, &refusal.line(), false),
        }
    }

    fn reply(&mut self, conn: u32, line: &str, closes: bool) {
        let at = self.due_time();
        let line = self.stamped(at, line);
        if let Some(link) = self.links.get_mut(&conn) {
            link.busy = Busy::Replying;
        }
        self.schedule(conn, line, true, closes);
    }

    fn spread_news(&mut self) {
        let listeners: Vec<u32> = self
            .links
            .iter()
            .filter(|(_, link)| matches!(link.phase, Phase::Open(Mode::Info, _)))
            .map(|(conn, _)| *conn)
            .collect();
        for line in std::mem::take(&mut self.state.news) {
            let line = self.stamped(self.state.now, &line);
            for conn in &listeners {
                self.schedule(*conn, line.clone(), false, false);
            }
        }
    }

    fn due_time(&self) -> BenchTime {
        (self.state.now + self.state.spec.reply_delay + self.late).max(self.silent_until)
    }

    fn schedule(&mut self, conn: u32, line: String, is_reply: bool, closes: bool) {
        let at = self.due_time();
        let Some(link) = self.links.get_mut(&conn) else { return };
        let at = link.due.back().map_or(at, |last| at.max(last.at));
        let mut bytes = line.into_bytes();
        bytes.extend_from_slice(if self.state.spec.cr_lf { b"\r\n" } else { b"\n" });
        link.due.push_back(Due { at, bytes, is_reply, closes });
    }

    fn stamped(&self, at: BenchTime, line: &str) -> String {
        let spec = &self.state.spec;
        if !spec.timestamps {
            return line.to_owned();
        }
        let own_ms = at.as_nanos() as f64 * (1.0 + spec.clock_ppm * 1e-6) / 1e6;
        let ms = spec.epoch_ms.saturating_add(super::noise::nearest_count(own_ms));
        format!("{}.{:03} {line}", ms / 1000, ms % 1000)
    }

    fn drop_link(&mut self, conn: u32) {
        if self.is_serial() {
            return self.line_over(conn);
        }
        self.forget(conn);
        self.out.push_back(Outgoing::Close(conn));
    }
}
