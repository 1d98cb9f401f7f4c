//! A server on a serial line: one connection that stays while the other side closes and opens its port.
//!
//! Not from the sheet, which knows only network connections. Where the server sees the port being opened it begins a
//! session anew and greets; where it cannot, everything goes on as it was: the session, its locks, a half line, and the
//! greeting that it said once, when it started and nobody listened. What it sends while the port is closed is lost.
use super::super::spec::StationLine;
use super::link::Link;
use super::{GREETING, Outgoing, Server};

impl Server {
    /// Whether it hangs on a serial line.
    pub(super) fn is_serial(&self) -> bool {
        self.state.spec.line != StationLine::Network
    }

    /// The other side opened its port.
    pub(super) fn port_opened(&mut self, conn: u32) {
        let before = self.links.keys().next().copied();
        if self.state.spec.line == (StationLine::Serial { greets: true }) {
            if let Some(conn) = before {
                self.forget(conn);
            }
            return self.line_begins(conn);
        }
        let mut link = before.and_then(|conn| self.links.remove(&conn)).unwrap_or_else(Link::new);
        link.heard = true;
        self.links.insert(conn, link);
        if let Some(pending) = &mut self.state.pending {
            pending.conn = conn;
        }
    }

    /// The other side closed its port, or somebody pulled the cable.
    pub(super) fn port_closed(&mut self, conn: u32) {
        if let Some(link) = self.links.get_mut(&conn) {
            link.heard = false;
        }
    }

    /// The session on the line was ended: the next one begins with a handshake.
    pub(super) fn line_over(&mut self, conn: u32) {
        self.forget(conn);
        self.line_begins(conn);
    }

    /// A fault: the cable is pulled.
    pub(super) fn pull(&mut self, conn: u32) {
        self.port_closed(conn);
        self.out.push_back(Outgoing::Close(conn));
    }

    fn line_begins(&mut self, conn: u32) {
        self.links.insert(conn, Link::new());
        self.schedule(conn, GREETING.to_owned(), false, false);
    }
}
