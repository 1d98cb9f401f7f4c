//! Locks on engines: taken by one session, for a time (standards/srcp.md A7).
use super::state::{Answer, BUS, Caller, Reply, State};
use super::words::{Refusal, number, ranged};
use crate::time::BenchTime;
use std::time::Duration;

/// Session number of a throttle that hangs on the station itself.
pub(super) const STATION_ITSELF: u32 = 65_535;

/// A lock.
#[derive(Clone, Debug)]
pub(super) struct Lock {
    pub(super) session: u32,
    pub(super) seconds: u32,
    pub(super) since: BenchTime,
}

impl Lock {
    /// 0 seconds is without limit.
    fn ends(&self) -> Option<BenchTime> {
        (self.seconds > 0).then(|| self.since + Duration::from_secs(u64::from(self.seconds)))
    }
}

impl State {
    /// Refuses where another session holds the engine.
    pub(super) fn may_touch(&self, caller: Caller, address: u16) -> Result<(), Refusal> {
        match self.locks.get(&address) {
            Some(lock) if lock.session != caller.session => Err(Refusal::LOCKED),
            _ => Ok(()),
        }
    }

    pub(super) fn lock(&mut self, caller: Caller, verb: &str, words: &[&str]) -> Reply {
        match words.get(3).copied() {
            Some("GL") => {}
            Some(_) => return Err(Refusal::UNSUPPORTED_GROUP),
            None => return Err(Refusal::TOO_SHORT),
        }
        let address = ranged(words, 4, 1, 10_239)?;
        match verb {
            "GET" => Ok(Answer::Say(self.lock_line(address))),
            "SET" => {
                let seconds = number(words, 5)?;
                if !self.engines.contains_key(&address) {
                    return Err(Refusal::WRONG_VALUE);
                }
                self.may_touch(caller, address)?;
                self.take_lock(address, caller.session, seconds);
                Ok(Answer::done())
            }
            "TERM" => {
                self.may_touch(caller, address)?;
                self.free_lock(address);
                Ok(Answer::done())
            }
            _ => Err(Refusal::UNSUPPORTED_OPERATION),
        }
    }

    pub(super) fn take_lock(&mut self, address: u16, session: u32, seconds: u32) {
        self.locks.insert(address, Lock { session, seconds, since: self.now });
        let line = self.lock_line(address);
        self.news.push(line);
    }

    fn free_lock(&mut self, address: u16) {
        if self.locks.remove(&address).is_some() {
            self.news.push(format!("102 INFO {BUS} LOCK GL {address}"));
        }
    }

    pub(super) fn free_locks_of(&mut self, session: u32) {
        self.free_locks_where(|lock| lock.session == session);
    }

    /// Locks whose time is over.
    pub(super) fn free_old_locks(&mut self) {
        let now = self.now;
        self.free_locks_where(|lock| lock.ends().is_some_and(|ends| ends <= now));
    }

    fn free_locks_where(&mut self, goes: impl Fn(&Lock) -> bool) {
        let free: Vec<u16> =
            self.locks.iter().filter(|(_, lock)| goes(lock)).map(|(address, _)| *address).collect();
        for address in free {
            self.free_lock(address);
        }
    }

    pub(super) fn next_lock_end(&self) -> Option<BenchTime> {
        self.locks.values().filter_map(Lock::ends).min()
    }

    /// Session 0 in the line means "not locked".
    pub(super) fn lock_line(&self, address: u16) -> String {
        let (seconds, session) = self.locks.get(&address).map_or((0, 0), |lock| (lock.seconds, lock.session));
        format!("100 INFO {BUS} LOCK GL {address} {seconds} {session}")
    }
}
