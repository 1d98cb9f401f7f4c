//! Keeps the sensor's link open: opens it anew when it closed, or when no sample comes though it is open.
//!
//! While the engine stands a lost link is tried again with growing waits. While the engine may move nobody watches it
//! without the sensor, so there is no waiting: at once, then every quarter of a second. One attempt at a time: a link
//! that needs longer to open than that is not cut off by the next attempt.
use super::backoff::Backoff;
use super::cx::Cx;
use super::input::Output;
use crate::cause::{Reason, record as record_causes, sensor as causes};
use crate::time::BenchTime;
use std::time::Duration;

/// Waits between attempts while the engine stands.
const BACKOFF: Backoff = Backoff::new(Duration::from_millis(500), Duration::from_secs(8));
/// Attempts follow each other this closely while the engine may move.
const MOVING_EVERY: Duration = Duration::from_millis(250);
/// An attempt that tells nothing for this long is given up: while the engine may move, and while it stands.
const ATTEMPT_MOST: [Duration; 2] = [Duration::from_secs(1), Duration::from_secs(10)];
/// An open link without a sample for this long is opened anew while the engine stands.
const QUIET: Duration = Duration::from_secs(3);
/// The axle must be seen standing for this long before the engine counts as standing.
const STILL: Duration = Duration::from_secs(1);

#[derive(Clone, Copy, Debug)]
enum State {
    /// Nobody has asked for the link yet.
    Idle,
    Opening,
    Open {
        since: BenchTime,
    },
    Closed {
        since: BenchTime,
    },
}

/// The sensor's link.
#[derive(Debug)]
pub(super) struct SensorLink {
    state: State,
    asked_at: BenchTime,
    backoff: Backoff,
    /// Samples came before, and none since then.
    lost: Option<BenchTime>,
    /// The present trouble was said.
    said: bool,
    /// Why the last attempt to open it failed or the link ended.
    why: Option<Reason>,
}

impl Default for SensorLink {
    fn default() -> Self {
        Self {
            state: State::Idle,
            asked_at: BenchTime::ZERO,
            backoff: BACKOFF,
            lost: None,
            said: false,
            why: None,
        }
    }
}

impl SensorLink {
    /// The link is open.
    pub(super) fn opened(&mut self, now: BenchTime) {
        if !matches!(self.state, State::Open { .. }) {
            self.state = State::Open { since: now };
        }
    }

    /// The link ended, or could not be opened; true where that is news.
    pub(super) fn closed(&mut self, now: BenchTime, why: Reason) -> bool {
        self.state = State::Closed { since: now };
        self.why = Some(why);
        !std::mem::replace(&mut self.said, true)
    }

    /// Why it is closed, while it is.
    pub(super) fn closed_for(&self) -> Option<&Reason> {
        self.why.as_ref().filter(|_| matches!(self.state, State::Closed { .. }))
    }

    /// What comes over it is old: it is opened anew.
    pub(super) fn renew(&mut self, now: BenchTime) {
        self.state = State::Closed { since: now };
        self.lost.get_or_insert(now);
    }

    /// Nothing is left of it: it is opened anew at once.
    pub(super) fn lose(&mut self, now: BenchTime) {
        if !matches!(self.state, State::Idle) {
            (self.state, self.backoff) = (State::Closed { since: now }, BACKOFF);
            self.lost.get_or_insert(now);
        }
    }

    fn ask(&mut self, now: BenchTime) {
        (self.state, self.asked_at) = (State::Opening, now);
    }

    /// When it is opened anew if nothing comes until then.
    fn due(&self, moving: bool, heard: Option<BenchTime>, silence: Duration) -> BenchTime {
        match self.state {
            State::Idle => BenchTime::from_nanos(u64::MAX),
            State::Opening => self.asked_at + ATTEMPT_MOST[usize::from(!moving)].max(silence),
            State::Closed { since } if moving => since.max(self.asked_at + MOVING_EVERY),
            State::Closed { since } => since + self.backoff.wait(),
            State::Open { since } => {
                let quiet = if moving {
                    silence.max(MOVING_EVERY)
                } else {
                    QUIET.max(silence.saturating_mul(2)).max(self.backoff.wait())
                };
                heard.map_or(since, |heard| heard.max(since)) + quiet
            }
        }
    }
}

impl Cx {
    /// Asks for the sensor's link; from here on it is kept open.
    pub(super) fn open_sensor(&mut self) {
        self.sensor.ask(self.now);
        self.outbox.push(Output::OpenSensor);
    }

    /// Looks whether the link must be opened anew.
    pub(super) fn keep_sensor(&mut self) {
        if self.ordered.0.value == 0 && self.stands_for(STILL) && self.sensor_proved() {
            self.may_move = false;
        }
        let newest = self.motion.newest();
        self.sensor_is_back(newest);
        let heard = newest.map(|newest| newest.max(self.resumed_at));
        let due = self.sensor.due(self.may_move, heard, self.plan.spec.limits.sensor_silence);
        if matches!(self.sensor.state, State::Idle) {
            return;
        }
        if self.now < due {
            self.wake_at(due);
            return;
        }
        if let Some(newest) = newest {
            self.sensor.lost.get_or_insert(newest);
            // While the engine moves the guards say it.
            if !self.may_move && !std::mem::replace(&mut self.sensor.said, true) {
                let evidence = format!("no sample for {:.1} s", self.now.since(newest).as_secs_f64());
                self.note(&causes::SILENT, evidence);
            }
        }
        self.sensor.backoff.tried();
        self.open_sensor();
    }

    /// Samples come over this link: whatever was wrong is over.
    fn sensor_is_back(&mut self, newest: Option<BenchTime>) {
        let (State::Open { since }, Some(newest)) = (self.sensor.state, newest) else { return };
        if newest < since {
            return;
        }
        self.sensor.backoff.reset();
        self.sensor.said = false;
        if let Some(lost) = self.sensor.lost.take() {
            let away = newest.since(lost).as_secs_f64();
            self.note(&record_causes::LINK_BACK, format!("the sensor, after {away:.1} s"));
        }
    }
}
