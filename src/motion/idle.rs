//! How long a position told in steps has not moved, and how long that must be before its axle counts as standing.
//!
//! After steps whose interval is known, that is three such intervals and half a second at least. Where the interval is not
//! known (the first step of a motion, the first after samples were missing or the count leapt) it is at least the time that
//! an axle at [`SLOW_MM_S`] takes for a step, and what was needed before counts on: a gap makes no running engine stand.
//!
//! An interval of more than [`SLOWEST_US`] is no motion: what is slower than a step in four seconds is taken for standing,
//! which is 8 mm/s for one pulse in a turn of 33 mm, 0.4 mm/s for twenty, 0.25 mm/s for a way told in mm. Who must be sure
//! of slower ones waits for longer (`Motion::unseen_mm`).
use super::Standing;
use std::time::Duration;

/// Least time without motion that is standing, and how many intervals of the last motion it must outlast.
pub(super) const STANDS_US: i64 = 500_000;
const STANDS_INTERVALS: i64 = 3;
/// Moves further apart than this are no motion.
const SLOWEST_US: i64 = 4_000_000;
/// Hardly an engine is asked to creep more slowly (common practice, no source).
const SLOW_MM_S: f64 = 2.0;

/// The memory of moves.
#[derive(Debug)]
pub(super) struct Idle {
    first_us: i64,
    moved_us: Option<i64>,
    interval_us: Option<i64>,
    /// The last move was a step seen passed, not a way made unseen.
    stepped: bool,
    needed_us: i64,
}

impl Idle {
    /// Before any sample, of a source with this step.
    pub(super) fn new(step_mm: f64) -> Self {
        Self { first_us: 0, moved_us: None, interval_us: None, stepped: false, needed_us: slow_us(step_mm) }
    }

    /// Looked at since now.
    pub(super) fn begin(&mut self, t_us: i64) {
        self.first_us = t_us;
    }

    /// What was seen before says nothing of where it is, but still how slow it may be.
    pub(super) fn forget(&mut self, step_mm: f64) {
        (self.moved_us, self.interval_us, self.stepped) = (None, None, false);
        self.needed_us = self.needed_us.max(slow_us(step_mm));
    }

    /// It moved at some time before now, unseen.
    pub(super) fn crossed(&mut self, t_us: i64) {
        self.moved_us = Some(t_us);
    }

    /// It passed a step; true where a motion begins.
    pub(super) fn moved(&mut self, t_us: i64, step_mm: f64) -> bool {
        let idle_us = self.idle_us(t_us);
        let begins = self.stands(t_us) || idle_us > SLOWEST_US;
        self.interval_us = (idle_us <= SLOWEST_US).then_some(idle_us);
        let by_interval = STANDS_US.max(STANDS_INTERVALS * self.interval_us.unwrap_or(0));
        self.needed_us = match (begins, self.stepped) {
            (false, true) => by_interval,
            (true, _) => by_interval.max(slow_us(step_mm)),
            // Only a part of the interval was seen.
            (false, false) => by_interval.max(slow_us(step_mm)).max(self.needed_us),
        };
        (self.moved_us, self.stepped) = (Some(t_us), true);
        begins
    }

    /// It has moved since it is looked at.
    pub(super) fn has_moved(&self) -> bool {
        self.moved_us.is_some()
    }

    /// Time between the last two moves, or nought.
    pub(super) fn interval_us(&self) -> i64 {
        self.interval_us.unwrap_or(0)
    }

    /// Time without motion at `t_us`.
    pub(super) fn idle_us(&self, t_us: i64) -> i64 {
        t_us.saturating_sub(self.moved_us.unwrap_or(self.first_us))
    }

    pub(super) fn stands(&self, t_us: i64) -> bool {
        self.idle_us(t_us) > self.needed_us
    }

    pub(super) fn standing(&self, t_us: i64) -> Standing {
        if !self.stands(t_us) {
            return Standing::No;
        }
        Standing::For(Duration::from_micros(u64::try_from(self.idle_us(t_us)).unwrap_or(0)))
    }
}

/// Time in which a slow axle shows a step.
fn slow_us(step_mm: f64) -> i64 {
    let slow = Duration::try_from_secs_f64(step_mm / SLOW_MM_S).unwrap_or(Duration::MAX);
    i64::try_from(slow.as_micros()).unwrap_or(SLOWEST_US).clamp(STANDS_US, SLOWEST_US)
}
