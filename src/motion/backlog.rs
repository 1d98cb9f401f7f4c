//! Old data that are being caught up: a store emptied on connection, a link that comes back with what it held.
//!
//! While stamps advance clearly faster than arrival, the samples behind are old, however promptly they seem to follow
//! each other. The sign is that the least of (arrival - stamp) falls: by more than [`OLD_S`] in one go, which no clock
//! rate and no burst of a scaled bench explains. How much is still to come nobody can know from stamps. At least what was
//! caught up so far is the age that the first samples had; that much is taken for the age of the newest one, until
//! nothing has been caught up for [`QUIET_S`].
//!
//! What can't be seen by stamps: a buffer that always holds the same stretch back (the least delay is then the zero that
//! all is held against), and a store emptied at less than 1.08 times the pace of time (a clock could be as fast). Only the
//! reaction to orders shows that: an axle that turns on, or stands on, long after it was told otherwise. A sensor that
//! says how old its samples are (stamps that count from their sending) shows both.

/// What was caught up in one go when the data are called a backlog. A scaled bench delivers in bursts of up to a second.
const OLD_S: f64 = 1.5;
/// A fall of the least delay by this within [`QUIET_S`] is catching up: 8 % of time, where simple oscillators are off by
/// up to 2 % (`standards/measurement.md` 2.7).
const STEP_S: f64 = 0.15;
/// The least delay may rise by this part of time, besides what the clock's rate accounts for.
const RISE: f64 = 0.001;
/// After so long without such a fall, all is caught up.
const QUIET_S: f64 = 2.0;
/// A sample that is said to be so much older than its arrival is from a store; packets hold less.
const STORED_S: f64 = 10.0;
/// Samples arriving this much later than they were taken are old: they are no proof of standstill.
pub(super) const LATE_S: f64 = 2.0;

/// What a sample told of the backlog.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum News {
    /// Nothing.
    None,
    /// It is a backlog: what the samples since it began have said is old.
    Backlog,
    /// All is caught up; samples are of now again.
    CaughtUp,
}

/// The watcher.
#[derive(Debug, Default)]
pub(super) struct Backlog {
    /// Least delay since the sensor's clock started, as it should be at the newest sample; and the stamp of that.
    floor: Option<(f64, f64)>,
    /// Least delay at the last clear fall, and its arrival.
    low: Option<(f64, f64)>,
    /// Least delay before the fall began, while it lasts.
    level: Option<f64>,
    caught_s: f64,
    old: bool,
}

impl Backlog {
    /// The sensor's clock started anew: delays have no common zero with those before.
    pub(super) fn restart(&mut self) {
        (self.floor, self.low, self.level) = (None, None, None);
    }

    /// A sample of stamp `t_s` that came at `arrival_s`. The sensor's clock is slow by `rel`, as far as is known.
    pub(super) fn take(&mut self, t_s: f64, arrival_s: f64, rel: f64) -> News {
        let delay_s = arrival_s - t_s;
        let (floor_s, floor_t_s) = self.floor.unwrap_or((delay_s, t_s));
        // It hardly rises: a link that was slow for a while and is prompt again catches nothing up.
        let rise_s = (rel.max(0.0) + RISE) * (t_s - floor_t_s).max(0.0);
        let floor_s = delay_s.min(floor_s + rise_s);
        self.floor = Some((floor_s, t_s));
        let late_s = delay_s - floor_s;
        let (low_s, at_s) = *self.low.get_or_insert((floor_s, arrival_s));
        if floor_s < low_s - STEP_S {
            self.low = Some((floor_s, arrival_s));
            self.caught_s = *self.level.get_or_insert(low_s) - floor_s;
            if self.caught_s > OLD_S && !self.old {
                self.old = true;
                return News::Backlog;
            }
            return News::None;
        }
        if arrival_s - at_s < QUIET_S || late_s > LATE_S {
            return News::None;
        }
        (self.low, self.level, self.caught_s) = (Some((floor_s, arrival_s)), None, 0.0);
        if std::mem::take(&mut self.old) { News::CaughtUp } else { News::None }
    }

    /// A sample that says itself that it is `age_s` old.
    pub(super) fn take_age(&mut self, age_s: f64) -> News {
        let before = self.old;
        self.old = age_s > if before { LATE_S } else { STORED_S };
        match (before, self.old) {
            (false, true) => News::Backlog,
            (true, false) => News::CaughtUp,
            _ => News::None,
        }
    }

    /// Stamps run ahead of arrival: perhaps a backlog, perhaps a burst.
    pub(super) fn is_falling(&self) -> bool {
        self.old || self.level.is_some()
    }

    /// The newest samples are old.
    pub(super) fn is_old(&self) -> bool {
        self.old
    }

    /// What was caught up so far of a backlog, in s; 0 where there is none.
    pub(super) fn caught_s(&self) -> f64 {
        if self.old { self.caught_s } else { 0.0 }
    }
}
