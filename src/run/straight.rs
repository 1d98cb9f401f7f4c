//! A straight between two ends: where the engine is, how far it takes to stop, when it must turn round and when it has come
//! too near. Pure: it is told what is seen and says what follows.
//!
//! Places count from the end that is left first; the start mark lies a reserve from it. The way that the engine can go has
//! its doubt: the circumference (twice its standard uncertainty over the way from the mark), what the axle may slip, and
//! what was not seen. Doubt always counts as way gone towards the end.
use crate::motion::AxleSetup;
use crate::time::BenchTime;
use std::collections::BTreeMap;

/// What a driven axle may slip, as a part of the way gone, passes in both directions not quite making up for each other
/// (common practice, no source).
const SLIP: f64 = 0.0005;
/// Doubt beyond this part of the reserve: the engine goes back to its mark.
const UNSURE: f64 = 0.4;
/// Before a stop was seen it is taken to last as long as this much running on, s.
const UNLEARNED_S: f64 = 2.0;
/// A stop may take this much longer than those seen, and begin this much later, s.
const LONGER: f64 = 1.15;
const LATER_S: f64 = 0.15;
/// The same where so many stops from about this speed were seen with the table that the decoder has.
const LONGER_SURE: f64 = 1.05;
const LATER_SURE_S: f64 = 0.08;
const SURE_AFTER: u32 = 3;
/// Speeds this near, as a part, are the same as far as stopping goes.
const NEAR: f64 = 0.05;
/// An engine's time constant before its stops showed it (own estimate), and its bounds, s.
const TAU_S: f64 = 0.2;
const TAU_BOUNDS_S: (f64, f64) = (0.05, 3.0);
/// The whole range of settings is passed in this time, s: ten parts with a pause each.
const RAMP_S: f64 = 1.5;
/// About this part of the range carries an engine to its wanted top (own estimate).
const USUAL_PART: f64 = 0.55;
/// Settling takes so many time constants and this long beside, s.
const SETTLE: (f64, f64) = (5.0, 0.5);
/// Turns that must at least be measured in a pass, the one that is lost to its beginning included, and turns that make a
/// pass worth while.
const TURNS_LEAST: f64 = 4.0;
const TURNS_GOOD: f64 = 12.0;
/// Stops that are remembered.
const STOPS_KEPT: usize = 24;
/// Passes in a row that may bring nothing while the stopping distance is still being learned.
pub(super) const IDLE_PASSES: u32 = 5;

/// How near the engine is to the end that it runs towards.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Room {
    /// There is room.
    Free,
    /// It must stop now to stand before the reserve.
    Turn,
    /// A stop would use up half of the reserve.
    Emergency,
}

/// What is seen just now.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sight {
    pub(super) now: BenchTime,
    /// Way as the sensor follows it, mm; and how often it could not be followed.
    pub(super) way_mm: f64,
    pub(super) breaks: u32,
    /// The sensor's way in the decoder's forward: +1 or -1; none where that is not known or not seen.
    pub(super) sense: Option<f64>,
    /// The direction ordered: +1 forward.
    pub(super) facing: f64,
    /// When the setting last became zero; none while it is not.
    pub(super) stopped_at: Option<BenchTime>,
    /// Speed just now with its doubt, mm/s; none where it is not seen.
    pub(super) speed_mm_s: Option<f64>,
    /// Arrival of the newest sample.
    pub(super) newest: BenchTime,
    /// The axle is seen to stand.
    pub(super) stands: bool,
}

/// A stop that was seen.
#[derive(Clone, Copy, Debug)]
struct Stop {
    speed: f64,
    way: f64,
    /// Seen with the table that the decoder has now.
    current: bool,
    /// How often.
    times: u32,
}

/// Stopping distances by speed, both sides of a reversal taken together.
#[derive(Clone, Debug, Default)]
pub(super) struct Stops {
    /// By rising speed, mm/s and mm.
    seen: Vec<Stop>,
    /// The decoder's own momentum from full speed, s.
    momentum_s: f64,
}

impl Stops {
    /// A stop from this speed took this way.
    pub(super) fn learn(&mut self, speed: f64, way: f64) {
        if speed <= 0.0 || !speed.is_finite() || !way.is_finite() {
            return;
        }
        if let Some(near) = self.seen.iter_mut().find(|seen| (seen.speed / speed - 1.0).abs() < NEAR) {
            near.way = if near.current { near.way.max(way) } else { way };
            near.times = if near.current { near.times + 1 } else { 1 };
            near.current = true;
            return;
        }
        if self.seen.len() < STOPS_KEPT {
            let at = self.seen.partition_point(|seen| seen.speed < speed);
            self.seen.insert(at, Stop { speed, way: way.max(0.0), current: true, times: 1 });
        }
    }

    /// The decoder has another table: a speed lies at another part of the range, through which a stop goes down. At most it
    /// takes half of our ramp longer.
    fn doubt(&mut self) {
        for seen in self.seen.iter_mut().filter(|seen| seen.current) {
            seen.way += seen.speed * RAMP_S / 2.0;
            seen.current = false;
        }
    }

    /// A stop was seen.
    pub(super) fn is_learned(&self) -> bool {
        !self.seen.is_empty()
    }

    /// The way of a stop as it was seen: between two stops and down to rest it cannot be longer than a straight line from
    /// rest to the faster says (it grows with the speed or its square); above the fastest as the square of the speed.
    fn likely_mm(&self, speed: f64) -> Option<f64> {
        let up = self.seen.iter().rfind(|seen| seen.speed <= speed);
        let down = self.seen.iter().find(|seen| seen.speed >= speed);
        let up = up.map(|seen| seen.way * (speed / seen.speed) * (speed / seen.speed));
        let down = down.map(|seen| seen.way * speed / seen.speed);
        match (up, down) {
            (Some(up), Some(down)) => Some(up.min(down)),
            (one, other) => one.or(other),
        }
    }

    /// The way that a stop from this speed takes, with room for a longer one, mm.
    pub(super) fn way_mm(&self, speed: f64) -> f64 {
        let sure = |seen: &&Stop| {
            seen.current && seen.times >= SURE_AFTER && (seen.speed / speed - 1.0).abs() < NEAR
        };
        if let Some(seen) = self.seen.iter().find(sure) {
            let part = (speed / seen.speed).max(1.0);
            return LONGER_SURE * seen.way * part * part + LATER_SURE_S * speed;
        }
        let unlearned = speed * (UNLEARNED_S + USUAL_PART / 2.0 * self.momentum_s);
        self.likely_mm(speed).map_or(unlearned, |way| LONGER * way + LATER_S * speed)
    }

    /// The way that it takes at the very least: in proportion to that of a slower stop, as the square to that of a faster.
    fn least_mm(&self, speed: f64) -> f64 {
        let current = || self.seen.iter().filter(|seen| seen.current);
        let below = current().rfind(|seen| seen.speed <= speed);
        let above = current().find(|seen| seen.speed >= speed);
        let below = below.map(|seen| seen.way * speed / seen.speed);
        let above = above.map(|seen| seen.way * (speed / seen.speed) * (speed / seen.speed));
        let seen = below.unwrap_or(0.0).max(above.unwrap_or(0.0));
        seen.max(0.1 * speed).min(self.way_mm(speed))
    }

    /// In proportion to the speed, by the fastest stop seen: what is needed to judge whether a speed fits at all. None
    /// before one was seen.
    fn in_proportion_mm(&self, speed: f64) -> Option<f64> {
        self.seen.iter().rfind(|seen| seen.current).map(|seen| seen.way / seen.speed * speed)
    }
}

/// The straight and the engine on it.
#[derive(Clone, Debug)]
pub(super) struct Straight {
    /// The target's top, mm/s.
    top_mm_s: f64,
    length_mm: f64,
    reserve_mm: f64,
    axle: AxleSetup,
    /// Where the engine is, mm; means nothing while it is not placed.
    place_mm: f64,
    /// Doubt from slip and from what was not seen, mm.
    doubt_mm: f64,
    /// The engine was put on its mark and followed since.
    placed: bool,
    before: Option<(f64, u32)>,
    /// When the way was last followed, and the speed then.
    seen: (BenchTime, f64),
    pub(super) stops: Stops,
    tau_s: f64,
    /// Speeds by setting, mm/s, as the decoder is now.
    response: BTreeMap<u16, f64>,
    /// The fastest speed at which a pass brought something, with the momentum that the decoder has.
    proven_mm_s: f64,
    idle_passes: u32,
    pub(super) passes: u32,
}

impl Straight {
    pub(super) fn new(length_mm: f64, reserve_mm: f64, axle: AxleSetup, top_mm_s: f64) -> Self {
        Self {
            top_mm_s,
            length_mm,
            reserve_mm,
            axle,
            place_mm: reserve_mm,
            doubt_mm: 0.0,
            placed: false,
            before: None,
            seen: (BenchTime::ZERO, 0.0),
            stops: Stops::default(),
            tau_s: TAU_S,
            response: BTreeMap::new(),
            proven_mm_s: 0.0,
            idle_passes: 0,
            passes: 0,
        }
    }

    /// The person has put the engine on its mark.
    pub(super) fn place(&mut self) {
        (self.place_mm, self.doubt_mm, self.placed, self.before) = (self.reserve_mm, 0.0, true, None);
    }

    /// Nobody can say where it is.
    pub(super) fn lose(&mut self) {
        self.placed = false;
    }

    /// It was put on its mark and nothing came between.
    pub(super) fn was_placed(&self) -> bool {
        self.placed
    }

    /// It may be moved.
    pub(super) fn is_sure(&self) -> bool {
        self.placed && self.doubt_mm <= UNSURE * self.reserve_mm
    }

    /// Where it is and how well that is known, mm.
    pub(super) fn place_mm(&self) -> (f64, f64) {
        let scale = 2.0 * self.axle.circumference_u_rel * (self.place_mm - self.reserve_mm).abs();
        (self.place_mm, self.doubt_mm + scale)
    }

    /// Takes in what is seen.
    pub(super) fn follow(&mut self, sight: &Sight) {
        let (way_mm, breaks) =
            self.before.replace((sight.way_mm, sight.breaks)).unwrap_or((sight.way_mm, sight.breaks));
        let step = sight.way_mm - way_mm;
        let step = sight.sense.map_or(step.abs() * sight.facing, |sense| step * sense);
        self.place_mm += step;
        self.doubt_mm += SLIP * step.abs();
        if breaks != sight.breaks {
            // Somewhere between where it was and where it could have got to.
            let half = self.blind_mm(sight) / 2.0;
            self.place_mm += half * sight.facing;
            self.doubt_mm += half;
        }
        let moved = step != 0.0 || sight.stands || breaks != sight.breaks;
        if moved || sight.speed_mm_s.is_some() {
            let speed = if sight.stands { 0.0 } else { sight.speed_mm_s.unwrap_or(self.seen.1) };
            self.seen = (sight.newest.max(self.seen.0), speed);
        }
    }

    /// How far it may have gone since it was last seen.
    fn blind_mm(&self, sight: &Sight) -> f64 {
        let (at, speed) = self.seen;
        let ordered = sight.stopped_at.unwrap_or(sight.now).max(at);
        let driven = speed * ordered.min(sight.now).since(at).as_secs_f64();
        let coasted = if sight.stopped_at.is_some() { self.stops.way_mm(speed) } else { 0.0 };
        (driven + coasted).min(speed * sight.now.since(at).as_secs_f64())
    }

    /// Way to the end in this direction less all doubt, now: what was not seen yet counts as gone.
    fn ahead_mm(&self, sight: &Sight) -> f64 {
        let (place, doubt) = self.place_mm();
        let to_end = if sight.facing > 0.0 { self.length_mm - place } else { place };
        to_end - doubt - self.blind_mm(sight)
    }

    /// How near it is to the end that it runs towards.
    pub(super) fn look(&self, sight: &Sight, ordered: u16) -> Room {
        let speed = sight.speed_mm_s.unwrap_or(self.seen.1);
        let comes = self.response.get(&ordered).map_or(0.0, |comes| comes.min(1.5 * speed + 20.0));
        let ahead = self.ahead_mm(sight);
        if ahead - self.reserve_mm / 2.0 <= self.stops.least_mm(speed) {
            return Room::Emergency;
        }
        if ahead - self.reserve_mm <= self.stops.way_mm(speed.max(comes)) { Room::Turn } else { Room::Free }
    }

    /// Way from here to the reserve in this direction, mm.
    pub(super) fn room_mm(&self, facing: f64) -> f64 {
        let (place, doubt) = self.place_mm();
        let to_end = if facing > 0.0 { self.length_mm - place } else { place };
        to_end - doubt - self.reserve_mm
    }

    /// Way between both reserves.
    fn usable_mm(&self) -> f64 {
        let scale = 2.0 * self.axle.circumference_u_rel * self.length_mm;
        self.length_mm - 2.0 * self.reserve_mm - UNSURE * self.reserve_mm / 2.0 - scale
    }

    /// A speed at this setting was seen. Stops show the time constant.
    pub(super) fn learn_speed(&mut self, value: u16, speed: f64) {
        self.response.insert(value, speed);
    }

    /// A stop from this part of the range.
    pub(super) fn learn_stop(&mut self, speed: f64, way: f64, part: f64) {
        self.stops.learn(speed, way);
        let tau = way / speed - RAMP_S * part / 2.0 - 0.05;
        // With a momentum of its own the decoder hides it.
        if tau.is_finite() && self.stops.momentum_s <= 0.0 {
            let tau = tau.clamp(TAU_BOUNDS_S.0, TAU_BOUNDS_S.1);
            self.tau_s = if self.passes == 0 { tau } else { (0.7 * self.tau_s).max(tau) };
        }
        self.passes += 1;
    }

    /// The decoder was changed: speeds by setting are others, and so are stops.
    pub(super) fn forget(&mut self, momentum_s: f64) {
        self.response.clear();
        if (momentum_s - self.stops.momentum_s).abs() > 0.0 {
            self.stops = Stops { momentum_s, ..Stops::default() };
            self.proven_mm_s = 0.0;
        }
        self.stops.doubt();
    }

    /// The speed that this setting is likely to give; none where nothing near is known.
    pub(super) fn likely_mm_s(&self, value: u16) -> Option<f64> {
        let below = self.response.range(..=value).next_back();
        let above = self.response.range(value..).next();
        match (below, above) {
            (Some((low, slow)), Some((high, fast))) if high > low => {
                let part = f64::from(value - low) / f64::from(high - low);
                Some(slow + (fast - slow) * part)
            }
            (Some((low, slow)), _) => Some(slow * f64::from(value) / f64::from(*low)),
            (None, Some((_, fast))) => Some(*fast),
            (None, None) => None,
        }
    }

    /// A known setting at which it runs back: as fast as half of the way allows, and no faster than `most_mm_s`.
    pub(super) fn way_back(&self, most_mm_s: f64) -> Option<u16> {
        let fits = |speed: f64| {
            self.needs_mm(speed, 0.0, self.stops.momentum_s) <= 0.6 * self.usable_mm() && speed <= most_mm_s
        };
        let fast = self.response.iter().rfind(|(_, speed)| fits(**speed));
        fast.or(self.response.iter().next()).map(|(value, _)| *value)
    }

    /// How long a setting is waited for after it was reached, at least and at most, s. In between the decoder's momentum
    /// may be at work: how long shows only in the speed.
    pub(super) fn settle_s(&self) -> (f64, f64) {
        let least = SETTLE.0 * self.tau_s + SETTLE.1;
        (least, least + self.stops.momentum_s)
    }

    /// Time that the decoder's momentum takes to this speed or back from it, s.
    fn of_momentum_s(&self, speed: f64, momentum_s: f64) -> f64 {
        // CV 3 and 4 count steps (S-9.2.2), and the wanted top is the table's last one.
        momentum_s * (speed / self.top_mm_s).min(1.0)
    }

    /// Way for getting to a speed, settling, so many turns, and stopping again, with this momentum of the decoder.
    fn needs_mm(&self, speed: f64, turns: f64, momentum_s: f64) -> f64 {
        self.needs_over_mm(USUAL_PART, speed, turns, momentum_s)
    }

    /// The same where the speed lies at this part of the range of settings.
    fn needs_over_mm(&self, part: f64, speed: f64, turns: f64, momentum_s: f64) -> f64 {
        // While the speed changes evenly it goes half as far. Our ramp is over long before the decoder's.
        let changing_s = (RAMP_S * part).max(self.of_momentum_s(speed, momentum_s)) / 2.0;
        // Before a stop was seen the engine gets the benefit of the doubt: what is judged then may end the run.
        let tau_s = if self.passes == 0 { TAU_BOUNDS_S.0 } else { self.tau_s };
        let usual = speed * (changing_s + tau_s + 0.1);
        let seen = self.stops.in_proportion_mm(speed).filter(|_| momentum_s <= self.stops.momentum_s);
        speed * (changing_s + SETTLE.0 * tau_s + SETTLE.1)
            + turns * self.axle.circumference_mm
            // It turns round as early as a longer and later stop needs.
            + LONGER * seen.unwrap_or(usual).max(usual)
            + LATER_S * speed
    }

    /// A pass at this speed is worth while with so much way before it, mm.
    pub(super) fn good_mm(&self, speed: f64) -> f64 {
        self.needs_mm(speed, TURNS_GOOD, self.stops.momentum_s).min(0.8 * self.usable_mm())
    }

    /// Length that a straight must have for this speed with this momentum of the decoder, mm.
    pub(super) fn length_for_mm(&self, speed: f64, momentum_s: f64) -> f64 {
        self.needs_mm(speed, TURNS_LEAST, momentum_s) + self.length_mm - self.usable_mm()
    }

    /// The fastest speed that can be settled and measured here, as the decoder is now, mm/s. What was measured can be.
    pub(super) fn fastest_mm_s(&self) -> f64 {
        self.fastest_with_mm_s(self.stops.momentum_s).max(self.proven_mm_s)
    }

    /// The same with this momentum of the decoder.
    pub(super) fn fastest_with_mm_s(&self, momentum_s: f64) -> f64 {
        self.fastest(|speed| self.needs_mm(speed, TURNS_LEAST, momentum_s))
    }

    /// The fastest top that can be verified once a table is written: it is the last setting then, and the stops that were
    /// seen count as longer ([`Stops::doubt`]).
    pub(super) fn fastest_top_mm_s(&self, momentum_s: f64) -> f64 {
        let doubted_s =
            if momentum_s > self.stops.momentum_s { 0.0 } else { LONGER * RAMP_S * USUAL_PART / 2.0 };
        self.fastest(|speed| self.needs_over_mm(1.0, speed, TURNS_LEAST, momentum_s) + doubted_s * speed)
    }

    /// What is needed grows with the speed: found by halving.
    fn fastest(&self, needs_mm: impl Fn(f64) -> f64) -> f64 {
        let (mut slow, mut fast) = (0.0, 4.0 * self.top_mm_s);
        for _ in 0..40 {
            let speed = f64::midpoint(slow, fast);
            if needs_mm(speed) <= self.usable_mm() { slow = speed } else { fast = speed }
        }
        slow
    }

    /// A pass at this speed ended in which `mm` were measured; true where too many in a row brought nothing.
    pub(super) fn is_too_short(&mut self, mm: f64, speed: f64) -> bool {
        let idle = mm < 2.0 * self.axle.circumference_mm;
        if !idle {
            self.proven_mm_s = self.proven_mm_s.max(speed);
        }
        self.idle_passes = if idle { self.idle_passes + 1 } else { 0 };
        self.idle_passes > IDLE_PASSES
    }
}

#[cfg(test)]
#[path = "straight_tests.rs"]
mod tests;
