//! The axle by a position that is told in steps: pulses counted, a way, an angle.
//!
//! Only where the reading moved is a point of the path known. The reading passed the step at some time since the sample
//! before, so the point is late by up to that interval; or, where several steps pass between samples, the axle is up to a
//! step further. Either way it is off by a chance amount, evenly spread (GUM 4.3.7), of which the mean cancels in
//! differences: min(q, v dt) / sqrt(12). Points that scatter more than that have that scatter for doubt; points that
//! are stamped when they happen, as a line for each pulse does, may have less (see `scatter`).
//!
//! At rest such a reading is alike by nature, or jitters between two neighbours. Standing is the time since it last moved
//! beyond that (a way or an angle may be noisier than its steps: then ten standard deviations of what it does at rest are
//! its step), once that time is long enough (see `idle`).
use super::decode::TURN;
use super::idle::{Idle, STANDS_US};
use super::jitter::Jitter;
use super::recent::Recent;
use super::scatter::Scatter;
use super::seen::Seen;
use super::{AxleSetup, Standing};
use crate::sensor::{Reading, Source};
use std::collections::VecDeque;

/// A reading may be this much further than the speed before leads to: so fast does no engine gather speed (common
/// practice, no source; twice to ten times what one does), and so many steps may be noise.
const GATHERS_MM_S2: f64 = 5_000.0;
const GATHERS_MOST_MM_S: f64 = 1_000.0;
const STRAYS: f64 = 2.5;
/// Steps of an angle beyond this part of a turn may be any number of turns, forward or back.
const AMBIGUOUS: f64 = 0.45;
/// Two neighbouring values lie a step apart; beyond this part of a step it is another value.
const NEIGHBOURS: f64 = 1.5;
/// A reading at rest for longer than this many of its own intervals moves more slowly than it did.
const OVERDUE: f64 = 1.5;
/// A step in standard deviations of the noise: at rest a reading then stays within the half step that is left beside the
/// last one, and five standard deviations are passed a few times a night. And the most that is taken for noise.
const JITTERS: f64 = 10.0;
const JITTERS_MOST_RAD: f64 = 0.1;
/// Moves kept for a speed of few points.
const MOVES: usize = 3;
/// Largest reading in any unit whose steps are still told apart.
const LARGEST: f64 = 1e12;
/// Moves that show the axle turning, besides a whole turn.
const SHOWN_MOVES: u32 = 3;
/// Readings up to so many steps from zero are those of a counter that has just started.
const FEW: f64 = 2.5;

/// The follower. Readings are kept in their own unit: pulses, mm, rad.
#[derive(Debug)]
pub(super) struct Counter {
    source: Source,
    /// Whole turns are not counted, as far as has been seen; and the least and greatest angle told so far.
    wraps: bool,
    range: (f64, f64),
    rad_per_unit: f64,
    mm_per_unit: f64,
    /// Smallest step told, and the one reckoned with: noise may be wider.
    told_q: f64,
    q: f64,
    /// Learns the noise of what need not be whole.
    jitter: Option<Jitter>,
    /// Sample before: time, reading as told, reading with leaps and whole turns taken out.
    last: Option<(i64, f64, f64)>,
    usual_us: Option<f64>,
    /// Values the reading jitters between while it has not moved.
    band: (f64, f64),
    idle: Idle,
    /// Last moves of this motion: time and reading.
    moves: VecDeque<(i64, f64)>,
    /// Reading at the newest point.
    pointed: f64,
    /// Reading where the motion began, and its moves since.
    shown: (f64, u32),
    has_turned: bool,
    /// It has counted downwards.
    went_back: bool,
    scatter: Scatter,
    /// Variance of the newest point, in rad^2.
    variance: f64,
}

impl Counter {
    /// A counter for this source; none where that tells no position.
    pub(super) fn new(setup: &AxleSetup) -> Option<Self> {
        let mm_per_rad = setup.circumference_mm / TURN;
        let (wraps, rad_per_unit, q, a_turn) = match setup.source {
            Source::Pulses { a_turn } => {
                let a_turn = a_turn.max(1);
                (false, TURN / f64::from(a_turn), 1.0, usize::from(a_turn))
            }
            Source::Distance { resolution_mm } => (false, 1.0 / mm_per_rad, resolution_mm, 0),
            Source::Angle { resolution_rad } => (true, 1.0, resolution_rad, 0),
            Source::Field { .. } | Source::Speed { .. } => return None,
        };
        let finest = 1e-9 / rad_per_unit;
        Some(Self {
            source: setup.source,
            wraps,
            range: (f64::INFINITY, f64::NEG_INFINITY),
            rad_per_unit,
            mm_per_unit: rad_per_unit * mm_per_rad,
            told_q: if q > finest { q } else { finest },
            q: if q > finest { q } else { finest },
            jitter: (a_turn == 0).then(Jitter::default),
            last: None,
            usual_us: None,
            band: (0.0, 0.0),
            idle: Idle::new(q.max(finest) * rad_per_unit * mm_per_rad),
            moves: VecDeque::with_capacity(MOVES),
            pointed: 0.0,
            shown: (0.0, 0),
            has_turned: false,
            went_back: false,
            scatter: Scatter::new(a_turn),
            variance: 0.0,
        })
    }

    /// A reading of the right kind in its own unit, as told.
    pub(super) fn told(&self, reading: Reading) -> Option<f64> {
        let value = match (self.source, reading) {
            (Source::Pulses { .. }, Reading::Pulses(count)) => count as f64,
            (Source::Distance { .. }, Reading::DistanceM(m)) => m * 1e3,
            (Source::Angle { .. }, Reading::AngleRad(rad)) => rad,
            _ => return None,
        };
        (value.abs() <= LARGEST).then_some(value)
    }

    /// A sample, of which the time may be off by `jitter_s`.
    pub(super) fn take(&mut self, t_us: i64, jitter_s: f64, reading: Reading) -> Seen {
        let Some(told) = self.told(reading) else { return Seen::Nothing };
        let Some((before_us, before, value)) = self.last else {
            self.last = Some((t_us, told, 0.0));
            self.idle.begin(t_us);
            (self.band, self.pointed) = ((0.0, 0.0), 0.0);
            return Seen::Nothing;
        };
        let dt_us = t_us - before_us;
        let step = self.step(before, told);
        let gap = self.interval(dt_us);
        // What has only ever counted up, and is less after a silence, has started anew in it.
        let less = gap && !self.counts_down() && step < -NEIGHBOURS;
        if less || self.is_leap(step, told, before, dt_us as f64 * 1e-6 + jitter_s) {
            self.last = Some((t_us, told, value));
            self.rest_from(t_us);
            return Seen::Leap;
        }
        let now = value + step;
        self.last = Some((t_us, told, now));
        self.learn_noise(now);
        self.counts_turns(before, told);
        if gap {
            return self.after_gap(t_us, now, step);
        }
        self.moved(t_us, dt_us, now)
    }

    /// Of pulses no part can be seen; anything else may jitter by more than the step it is told in.
    fn learn_noise(&mut self, now: f64) {
        if let Some(jitter) = &mut self.jitter {
            jitter.take(now);
            self.q = self.told_q.max((JITTERS * jitter.sd()).min(JITTERS_MOST_RAD / self.rad_per_unit));
        }
    }

    /// An angle that goes on beyond a turn, without coming round, counts its turns: it is a position as any other.
    fn counts_turns(&mut self, before: f64, told: f64) {
        if self.wraps && (told - before).abs() < AMBIGUOUS * TURN {
            self.range = (self.range.0.min(told), self.range.1.max(told));
            self.wraps = self.range.1 - self.range.0 <= TURN + STRAYS * self.q;
        }
    }

    /// How far the reading went; an angle the shortest way round, unless it counts turns.
    fn step(&self, before: f64, told: f64) -> f64 {
        let step = told - before;
        if self.wraps { step - TURN * (step / TURN).round() } else { step }
    }

    /// Keeps the usual interval; true after a gap, across which no speed is taken.
    fn interval(&mut self, dt_us: i64) -> bool {
        let step = dt_us as f64;
        let usual = self.usual_us.unwrap_or(step);
        let gap = step > (3.0 * usual).max(STANDS_US as f64);
        self.usual_us = Some(usual + (step.min(2.0 * usual) - usual) / 16.0);
        gap
    }

    /// Further than the speed before leads to, or back to nought.
    fn is_leap(&self, step: f64, told: f64, before: f64, dt_s: f64) -> bool {
        let speed = self.speed(self.last.map_or(0, |(t_us, ..)| t_us)).map_or(0.0, |(speed, _)| speed);
        let gathers = (GATHERS_MM_S2 * dt_s).min(GATHERS_MOST_MM_S) / self.mm_per_unit;
        let far = step.abs() > (2.0 * speed.abs() + gathers) * dt_s + STRAYS * self.q;
        let ambiguous = self.wraps && step.abs() > AMBIGUOUS * TURN;
        let anew = !self.wraps
            && before.abs() > FEW * self.q
            && speed * before.signum() >= 0.0
            && (before - told) * before.signum() > NEIGHBOURS * self.q
            && told.abs() <= FEW * self.q;
        far || ambiguous || anew
    }

    /// Standing since now, as far as is known.
    fn rest_from(&mut self, t_us: i64) {
        let value = self.last.map_or(0.0, |(_, _, value)| value);
        self.band = (value, value);
        self.idle.forget(self.step_mm());
        self.idle.begin(t_us);
        (self.pointed, self.shown) = (value, (value, 0));
        self.part();
    }

    /// The first sample after a gap: how far it went is known, when it went is not.
    fn after_gap(&mut self, t_us: i64, now: f64, step: f64) -> Seen {
        if now >= self.band.0 && now <= self.band.1 {
            // A count that has not moved proves that nothing moved meanwhile; an angle does not.
            if self.wraps {
                self.rest_from(t_us);
            }
            return Seen::Nothing;
        }
        let way = (now - self.pointed) * self.rad_per_unit;
        self.rest_from(t_us);
        self.idle.crossed(t_us);
        if step.abs() * self.rad_per_unit < TURN / 2.0 { self.point(way, true) } else { Seen::Cut { way } }
    }

    /// Takes in where the reading is; a point where it moved.
    fn moved(&mut self, t_us: i64, dt_us: i64, now: f64) -> Seen {
        let (low, high) = self.band;
        if now >= low && now <= high {
            return Seen::Nothing;
        }
        let wide = (low.min(now), high.max(now));
        if wide.1 - wide.0 <= NEIGHBOURS * self.q {
            self.band = wide;
            return Seen::Nothing;
        }
        let forth = now > high;
        self.went_back |= !forth;
        self.band = if forth { (now - self.q, now) } else { (now, now + self.q) };
        let begins = self.idle.moved(t_us, self.step_mm());
        if begins {
            self.shown = (now, 0);
            self.part();
        }
        let before = self.moves.back().copied();
        let step = (now - std::mem::replace(&mut self.pointed, now)) * self.rad_per_unit;
        if self.moves.len() == MOVES {
            self.moves.pop_front();
        }
        self.moves.push_back((t_us, now));
        self.weigh(t_us, dt_us, before, now);
        self.shown.1 = self.shown.1.saturating_add(1);
        self.has_turned |=
            self.shown.1 >= SHOWN_MOVES && (now - self.shown.0).abs() * self.rad_per_unit >= TURN;
        self.point(step, begins)
    }

    /// The newest point, `step` rad behind the one before.
    fn point(&self, step: f64, begins: bool) -> Seen {
        Seen::Angle { phi: self.pointed * self.rad_per_unit, step, least: 0.0, begins }
    }

    /// The doubt of the newest point.
    fn weigh(&mut self, t_us: i64, dt_us: i64, before: Option<(i64, f64)>, now: f64) {
        let q = self.q * self.rad_per_unit;
        let late = before.map_or(q, |(before_us, value)| {
            let part = dt_us as f64 / (t_us - before_us).max(1) as f64;
            ((now - value).abs() * self.rad_per_unit * part).min(q)
        });
        let polling = late * late / 12.0;
        // Only of pulses there may be a line each, and then never two at once.
        let single = before.is_some_and(|(_, value)| (now - value).abs() < NEIGHBOURS * self.q);
        if before.is_some() && !single {
            self.scatter.is_polled();
        }
        let compare = single && matches!(self.source, Source::Pulses { .. });
        self.scatter.push(t_us as f64 * 1e-6, now * self.rad_per_unit, compare.then_some(polling));
        // A stamp is told to the microsecond.
        let stamp = before.map_or(0.0, |(before_us, value)| {
            (now - value) * self.rad_per_unit / (t_us - before_us).max(1) as f64
        });
        self.variance = match self.scatter.variance() {
            Some(found) if self.scatter.is_exact() => found.max(stamp * stamp / 12.0),
            found => polling.max(found.unwrap_or(0.0)),
        };
    }

    /// Standard deviation of the newest point, in rad.
    pub(super) fn angle_noise(&self) -> f64 {
        self.variance.sqrt()
    }

    /// No line goes from what was to what comes.
    fn part(&mut self) {
        self.moves.clear();
        self.scatter.cut();
    }

    /// Samples are missing: where turns are not counted, the way across is lost.
    pub(super) fn cut(&mut self) {
        self.part();
        if self.wraps {
            self.last = None;
        }
    }

    /// Scatter is found anew from here on.
    pub(super) fn begin_measure(&mut self) {
        self.scatter.cut();
    }

    /// Nothing that was seen counts.
    pub(super) fn forget_all(&mut self) {
        self.part();
        self.idle.forget(self.step_mm());
        (self.last, self.usual_us) = (None, None);
        (self.shown, self.has_turned) = ((0.0, 0), false);
    }

    /// The sensor's clock started anew; its count may have.
    pub(super) fn restarted(&mut self) {
        let has_turned = self.has_turned;
        self.forget_all();
        self.has_turned = has_turned;
    }

    /// Pulses that have only ever been counted up may be counted without their way.
    fn counts_down(&self) -> bool {
        self.went_back || !matches!(self.source, Source::Pulses { .. })
    }

    /// Way between two readings that can be told apart, in mm.
    pub(super) fn step_mm(&self) -> f64 {
        self.q * self.mm_per_unit
    }

    /// Whole turns are not counted.
    pub(super) fn wraps(&self) -> bool {
        self.wraps
    }

    /// A whole turn was seen, in motion.
    pub(super) fn has_turned(&self) -> bool {
        self.has_turned
    }

    pub(super) fn standing(&self) -> Standing {
        self.last.map_or(Standing::No, |(t_us, ..)| self.idle.standing(t_us))
    }

    /// Speed by the last few moves, in units a second, and its standard uncertainty.
    fn speed(&self, t_us: i64) -> Option<(f64, f64)> {
        if self.idle.stands(t_us) {
            return None;
        }
        let (first, last) = (self.moves.front()?, self.moves.back()?);
        let span_s = (last.0 - first.0) as f64 * 1e-6;
        let u = (2.0 * self.variance).sqrt() / self.rad_per_unit / span_s;
        (span_s > 0.0).then(|| ((last.1 - first.1) / span_s, u))
    }

    /// Speed in rad/s by many points, and its standard uncertainty. Neighbours may be late alike, when sampling keeps step
    /// with them: then many tell no more than the first and the last.
    fn slope(&self, recent: &Recent) -> Option<(f64, f64)> {
        let (slope, u, window_s) = recent.slope(self.angle_noise())?;
        Some((slope, (u * u + 2.0 * self.variance / (window_s * window_s)).sqrt()))
    }

    /// Speed in rad/s and its standard uncertainty.
    pub(super) fn glance(&self, recent: &Recent) -> Option<(f64, f64)> {
        let (t_us, ..) = self.last?;
        let idle_us = self.idle.idle_us(t_us);
        // So far at most it went since it last moved.
        let most = self.q * self.rad_per_unit / (idle_us.max(1) as f64 * 1e-6);
        if self.idle.stands(t_us) {
            return Some((0.0, most / 12f64.sqrt()));
        }
        let few = || self.speed(t_us).map(|(speed, u)| (speed * self.rad_per_unit, u * self.rad_per_unit));
        let Some((speed, u)) = self.slope(recent).or_else(few) else {
            // One move tells no way: it may have been the first of a motion, or the last.
            return (self.idle.has_moved() || idle_us > STANDS_US).then_some((0.0, most));
        };
        let due_us = self.idle.interval_us() as f64;
        if (idle_us as f64) > OVERDUE * due_us && speed.abs() * OVERDUE > most {
            return Some((speed.signum() * most / 2.0, u.max(most / 12f64.sqrt())));
        }
        Some((speed, u))
    }
}
