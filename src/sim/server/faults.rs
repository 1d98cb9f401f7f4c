//! What can befall the server, and what others do at the station.
use super::super::packet::TrackAddress;
use super::locks::STATION_ITSELF;
use super::{Outgoing, Server};
use crate::time::BenchTime;
use std::time::Duration;

impl Server {
    /// The server hangs: what is due comes when it wakes; the rail goes on as it was.
    pub(in super::super) fn be_silent(&mut self, at: BenchTime, span: Duration) {
        self.silent_until = self.silent_until.max(at + span);
        for due in self.links.values_mut().flat_map(|link| &mut link.due) {
            due.at = due.at.max(self.silent_until);
        }
    }

    /// It says no to everything that concerns the bus.
    pub(in super::super) fn refuse(&mut self, at: BenchTime, span: Duration) {
        self.state.refuses_until = self.state.refuses_until.max(at + span);
    }

    /// From now on everything is sent later by this much.
    pub(in super::super) fn be_late(&mut self, by: Duration) {
        self.late = by;
    }

    /// Drops one connection, or all.
    pub(in super::super) fn drop_links(&mut self, at: BenchTime, only: Option<u32>) {
        self.state.now = at;
        let gone: Vec<u32> =
            self.links.keys().copied().filter(|conn| only.is_none_or(|one| one == *conn)).collect();
        for conn in gone {
            if self.is_serial() {
                self.pull(conn);
            } else {
                self.drop_link(conn);
            }
        }
        self.advance(at);
    }

    /// Puts bytes on every connection that make no sense.
    pub(in super::super) fn babble(&mut self, bytes: &[u8]) {
        let links = self.links.iter().filter(|(_, link)| link.heard);
        self.out.extend(links.map(|(conn, _)| Outgoing::Bytes(*conn, bytes.to_vec())));
    }

    /// The station's own protection cut the rail.
    pub(in super::super) fn cut_power(&mut self, at: BenchTime, words: &str) {
        self.state.now = at;
        self.state.switch_power(false, words);
        self.advance(at);
    }

    /// A throttle at the station itself sets the engine going, or takes its lock.
    pub(in super::super) fn other_throttle(
        &mut self,
        at: BenchTime,
        address: TrackAddress,
        step: u16,
        forward: bool,
    ) {
        self.state.now = at;
        self.state.other_throttle(address, step, forward);
        self.advance(at);
    }

    pub(in super::super) fn other_lock(&mut self, at: BenchTime, address: u16) {
        self.state.now = at;
        self.state.take_lock(address, STATION_ITSELF, 0);
        self.advance(at);
    }
}
