//! From the first line to GO, and what an INFO session hears first (standards/srcp.md A2, A8).
use super::super::spec::Spelling202;
use super::Server;
use super::link::Phase;
use super::state::{self, Mode};
use super::words::Refusal;
use crate::time::BenchTime;

impl Server {
    pub(super) fn shake_hands(&mut self, conn: u32, mode: Mode, line: &str) {
        let words: Vec<&str> = line.split_ascii_whitespace().collect();
        let reply = match *words {
            ["SET", "PROTOCOL", "SRCP", "0.8.3" | "0.8.4"] => "201 OK PROTOCOL SRCP".to_owned(),
            ["SET", "PROTOCOL", _, _, ..] => Refusal(400).line(),
            ["SET", "CONNECTIONMODE", "SRCP", "COMMAND"] => self.set_mode(conn, Mode::Command),
            ["SET", "CONNECTIONMODE", "SRCP", "INFO"] => self.set_mode(conn, Mode::Info),
            ["SET", "CONNECTIONMODE", _, _, ..] => Refusal(401).line(),
            ["SET", ..] => Refusal(402).line(),
            ["GO"] => return self.go(conn, mode),
            _ => Refusal::UNKNOWN_COMMAND.line(),
        };
        self.reply(conn, &reply, false);
    }

    fn set_mode(&mut self, conn: u32, mode: Mode) -> String {
        if let Some(link) = self.links.get_mut(&conn) {
            link.phase = Phase::Handshake(mode);
        }
        match self.state.spec.spelling {
            Spelling202::Joined => "202 OK CONNECTIONMODEOK",
            Spelling202::Apart => "202 OK CONNECTION MODE",
            Spelling202::Plain => "202 OK CONNECTIONMODE",
        }
        .to_owned()
    }

    fn go(&mut self, conn: u32, mode: Mode) {
        let session = match self.state.open_session(mode) {
            Ok(session) => session,
            Err(refusal) => return self.reply(conn, &refusal.line(), true),
        };
        let go = if self.state.spec.short_go { "" } else { "GO " };
        self.reply(conn, &format!("200 OK {go}{session}"), false);
        if mode == Mode::Info {
            for (since, line) in self.present_state() {
                let line = self.stamped(since, &line);
                self.schedule(conn, line, false, false);
            }
        }
        // Its own beginning is told to the sessions that listened before; it hears what comes from here on.
        self.spread_news();
        if let Some(link) = self.links.get_mut(&conn) {
            link.phase = Phase::Open(mode, session);
        }
    }

    /// The first dump of an INFO session, with the times of the happenings that made it so (A8).
    fn present_state(&self) -> Vec<(BenchTime, String)> {
        let state = &self.state;
        let mut lines = vec![(BenchTime::ZERO, state.groups(0))];
        for (session, (mode, since)) in &state.sessions {
            lines.push((*since, format!("101 INFO 0 SESSION {session} {}", mode.word())));
        }
        lines.push((BenchTime::ZERO, state.groups(state::BUS)));
        for (address, record) in &state.engines {
            let announced = format!("101 INFO {} GL {address} {}", state::BUS, record.announced());
            lines.push((record.since, announced));
            lines.extend(state.engine_line(*address).map(|line| (record.since, line)));
        }
        lines.push((state.power_since, state.power_line()));
        for (address, lock) in &state.locks {
            lines.push((lock.since, state.lock_line(*address)));
        }
        lines
    }
}
