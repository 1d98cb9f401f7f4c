//! To and fro on a straight: when the engine comes to where it must turn, the phase rests while the engine stops, runs back
//! and comes to the same setting again; then the phase goes on, and so does its measurement, over as many passes as it
//! needs. Only stretches at a settled speed count.
//!
//! Where the engine stands must be known: before the first move, after a pause and whenever the doubt has grown too large the
//! person is asked to put it on its mark, and nothing moves before.
use super::cx::{Cx, Failure, Step};
use super::input::Question;
use super::mover::Mover;
use super::record::RecordBody;
use super::straight::{IDLE_PASSES, Room, Sight, Straight};
use crate::cause::path as causes;
use crate::motion::Standing;
use crate::station::Direction;
use crate::time::BenchTime;
use std::time::Duration;

/// A speed counts as that of its setting after this time there.
const STEADY: Duration = Duration::from_millis(1500);
/// Time between two looks at a speed that settles, and the change between them that is none.
const LOOK_EVERY: Duration = Duration::from_millis(500);
const EVEN: f64 = 0.003;
/// The engine must stand this long after the person put it on its mark.
const PLACED: Duration = Duration::from_secs(1);
/// No faster than this part of the target's top it runs back.
const BACK_PART: f64 = 0.5;
/// What is slower than this part of the target's top tells nothing of its setting.
const CREEPS: f64 = 0.03;
/// A setting of which nothing is known is taken for this part of the target's top.
const UNKNOWN_PART: f64 = 0.1;
/// Before it goes faster than this part of the target's top, a stop must have been seen.
const SLOW_PART: f64 = 0.15;
/// A speed this many times as fast as what seems to fit is not tried.
const BEYOND: f64 = 1.15;

#[derive(Debug)]
enum Stage {
    Deciding,
    Asking(u32),
    Placed { since: BenchTime },
    Braking { mover: Mover, speed: f64, place_mm: f64, part: f64 },
    Returning { mover: Mover },
    Restoring(Mover),
    Settling { since: BenchTime, looked: Option<(BenchTime, f64)> },
    Over,
}

/// A turn round under way.
#[derive(Debug)]
pub(super) struct Shuttle {
    stage: Stage,
    began: BenchTime,
    /// What the phase wants.
    wish: (u16, Direction),
    /// The phase had its setting: it is brought there again. Else the phase goes there itself.
    restores: bool,
    returned: bool,
}

/// A way before a move.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ahead {
    /// It may go.
    Clear,
    /// It turns round first.
    Wait,
}

impl Shuttle {
    /// The engine has come to where it must turn.
    pub(super) fn turn(cx: &mut Cx) -> Result<Self, Failure> {
        let (setting, direction) = cx.ordered;
        let measured_mm = cx.passed_mm();
        cx.motion.interrupt();
        let speed = cx.fresh_glance().map_or(0.0, |glance| glance.speed_mm_s.abs());
        if cx.straight.as_mut().is_some_and(|straight| straight.is_too_short(measured_mm, speed)) {
            return Err(brings_nothing(setting.value, speed));
        }
        let stage = braking(cx);
        Ok(Self { stage, began: cx.now, wish: (setting.value, direction), restores: true, returned: false })
    }

    /// A phase wants to run at this setting and has no room before it, or nobody knows where the engine is.
    pub(super) fn first(cx: &mut Cx, wish: (u16, Direction)) -> Self {
        cx.motion.interrupt();
        let stage = if cx.ordered.0.value > 0 { braking(cx) } else { Stage::Deciding };
        Self { stage, began: cx.now, wish, restores: false, returned: false }
    }

    /// Done once the phase can go on.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<()> {
        loop {
            cx.may_stand = false;
            let next = match &mut self.stage {
                Stage::Deciding => self.decide(cx),
                Stage::Asking(question) => {
                    if cx.answer(*question).is_none() {
                        return Ok(None);
                    }
                    Stage::Placed { since: cx.now }
                }
                Stage::Placed { since } => {
                    let since = *since;
                    if !cx.passed(since, PLACED) || !cx.stands_for(PLACED) {
                        if cx.standstill_is_late(since + PLACED) {
                            return Err(cx.no_standstill("after the engine was put on its mark".to_owned()));
                        }
                        return Ok(None);
                    }
                    if let Some(straight) = &mut cx.straight {
                        straight.place();
                    }
                    self.returned = false;
                    Stage::Deciding
                }
                Stage::Braking { mover, speed, place_mm, part } => {
                    let (speed, from_mm, part) = (*speed, *place_mm, *part);
                    if mover.poll(cx)?.is_none() {
                        return Ok(None);
                    }
                    learn(cx, speed, from_mm, part);
                    Stage::Deciding
                }
                Stage::Returning { mover } => {
                    // The run says when it must turn: see `turns`.
                    mover.poll(cx)?;
                    return Ok(None);
                }
                Stage::Restoring(mover) => {
                    if mover.poll(cx)?.is_none() {
                        return Ok(None);
                    }
                    Stage::Settling { since: cx.now, looked: None }
                }
                Stage::Settling { since, looked } => {
                    if !settled(cx, *since, looked) {
                        return Ok(None);
                    }
                    Stage::Over
                }
                Stage::Over => {
                    cx.motion.go_on();
                    cx.away.push((self.began, cx.now));
                    cx.way_cleared = (!self.restores).then_some(self.wish);
                    return Ok(Some(()));
                }
            };
            self.stage = next;
        }
    }

    /// The engine must turn although it is not yet where it was to be: it was on its way there.
    pub(super) fn turns(&mut self, cx: &mut Cx) -> Result<(), Failure> {
        let restoring = matches!(self.stage, Stage::Restoring(_) | Stage::Settling { .. });
        if !restoring && !matches!(self.stage, Stage::Returning { .. }) {
            return Ok(());
        }
        if restoring {
            self.returned = false;
            let speed = cx.fresh_glance().map_or(0.0, |glance| glance.speed_mm_s.abs());
            if cx.straight.as_mut().is_some_and(|straight| straight.is_too_short(0.0, speed)) {
                return Err(brings_nothing(self.wish.0, speed));
            }
        }
        self.stage = braking(cx);
        Ok(())
    }

    /// The engine stands: what comes first.
    fn decide(&mut self, cx: &mut Cx) -> Stage {
        let (value, direction) = self.wish;
        let top = cx.plan.spec.target.top_mm_s();
        let Some(straight) = &cx.straight else { return Stage::Over };
        if !straight.is_sure() {
            let (place, doubt) = straight.place_mm();
            let evidence = if straight.was_placed() {
                format!("at {place:.0} mm, give or take {doubt:.0} mm")
            } else {
                "nobody has said where it stands".to_owned()
            };
            cx.note(&causes::PLACE_UNSURE, evidence);
            return Stage::Asking(cx.ask(Question::PutOnMark));
        }
        let speed = straight.likely_mm_s(value).unwrap_or(UNKNOWN_PART * top);
        let here = straight.room_mm(facing(direction));
        let there = straight.room_mm(facing(direction.other()));
        // From the other end there would be all the room there is.
        if here < straight.good_mm(speed) && !self.returned && there > here.min(50.0) {
            self.returned = true;
            let back = straight.way_back(BACK_PART * top).unwrap_or(value);
            return Stage::Returning { mover: Mover::cleared(back, direction.other()) };
        }
        if self.restores { Stage::Restoring(Mover::cleared(value, direction)) } else { Stage::Over }
    }
}

fn facing(direction: Direction) -> f64 {
    if direction == Direction::Forward { 1.0 } else { -1.0 }
}

/// Pass after pass there was no room left to measure in, whatever was reckoned.
fn brings_nothing(value: u16, speed: f64) -> Failure {
    let evidence = format!(
        "setting {value}: {} passes in a row, the last at {speed:.0} mm/s, left no room to measure two turns",
        IDLE_PASSES + 1
    );
    Failure::rejected(&causes::TOO_SHORT, evidence)
}

/// Speed zero by a ramp; where it begins is remembered.
fn braking(cx: &mut Cx) -> Stage {
    let speed = cx.fresh_glance().map_or(0.0, |glance| glance.speed_mm_s.abs());
    let place_mm = cx.straight.as_ref().map_or(0.0, |straight| straight.place_mm().0);
    Stage::Braking { mover: Mover::stand(cx), speed, place_mm, part: cx.ordered.0.ratio() }
}

/// The speed is that of the setting: the least time is over, and between two looks it hardly changed.
fn settled(cx: &mut Cx, since: BenchTime, looked: &mut Option<(BenchTime, f64)>) -> bool {
    let (least_s, most_s) = cx.straight.as_ref().map_or((0.0, 0.0), |straight| straight.settle_s());
    // The first look is taken so that the second may come at the end of the least time.
    let first = since + Duration::from_secs_f64(least_s).saturating_sub(LOOK_EVERY);
    let due = looked.map_or(first, |(at, _)| at + LOOK_EVERY);
    if cx.now < due {
        cx.wake_at(due);
        return false;
    }
    let speed = cx.fresh_glance().map_or(0.0, |glance| glance.speed_mm_s.abs());
    let before = looked.replace((cx.now, speed));
    cx.wake_at(cx.now + LOOK_EVERY);
    let even = before.is_some_and(|(_, before)| speed > 0.0 && (speed - before).abs() <= EVEN * speed);
    even || cx.now >= since + Duration::from_secs_f64(most_s)
}

/// The engine stands again: how far it went since it began to brake.
fn learn(cx: &mut Cx, speed: f64, from_mm: f64, part: f64) {
    let slowest = CREEPS * cx.plan.spec.target.top_mm_s();
    let Some(straight) = &mut cx.straight else { return };
    let (place_mm, doubt_mm) = straight.place_mm();
    let way = (place_mm - from_mm).abs();
    if speed > slowest {
        straight.learn_stop(speed, way, part);
    }
    cx.record(RecordBody::Turned { place_mm, doubt_mm, speed_mm_s: speed, stopped_in_mm: way });
}

impl Cx {
    /// What is seen of the way.
    fn sight(&self) -> Sight {
        let (way_mm, breaks) = self.motion.way();
        let sees = self.plan.spec.sensor.sees_direction;
        let glance = self.fresh_glance();
        Sight {
            now: self.now,
            way_mm,
            breaks,
            sense: self.sense.filter(|_| sees),
            facing: facing(self.ordered.1),
            stopped_at: (self.ordered.0.value == 0).then_some(self.turned_at),
            speed_mm_s: glance.map(|glance| glance.speed_mm_s.abs() + 2.0 * glance.u_mm_s),
            newest: self.motion.newest().unwrap_or(BenchTime::ZERO),
            stands: matches!(self.motion.standing(), Standing::For(_)),
        }
    }

    /// Follows the engine on its straight; a failure where it comes too near to an end.
    pub(super) fn follow_way(&mut self) -> Result<(), Failure> {
        let sight = self.sight();
        let handled = self.waiting;
        let (value, steady) =
            (self.ordered.0.value, self.now >= self.ordered_at + self.with_momentum(STEADY));
        let slowest = CREEPS * self.plan.spec.target.top_mm_s();
        let Some(straight) = &mut self.straight else { return Ok(()) };
        straight.follow(&sight);
        if handled {
            return Ok(());
        }
        if let Some(speed) = sight.speed_mm_s.filter(|speed| value > 0 && steady && *speed > slowest) {
            straight.learn_speed(value, speed);
        }
        if !straight.was_placed() || value == 0 && (sight.stands || !self.may_move) {
            return Ok(());
        }
        // The next look at it does not wait for a sample.
        let emergency = straight.look(&sight, value) == Room::Emergency;
        let (place, doubt) = straight.place_mm();
        self.wake_at(self.now + Duration::from_millis(50));
        if emergency {
            let speed = sight.speed_mm_s.unwrap_or(0.0);
            let evidence = format!("at {place:.0} mm, give or take {doubt:.0} mm, with {speed:.0} mm/s");
            return Err(Failure::emergency(&causes::END_NEAR, evidence));
        }
        Ok(())
    }

    /// The engine runs and must stop now to stand before the reserve.
    pub(super) fn must_turn(&self) -> bool {
        let value = self.ordered.0.value;
        let look = |straight: &Straight| straight.look(&self.sight(), value) != Room::Free;
        value > 0 && self.straight.as_deref().is_some_and(look)
    }

    /// Before a phase goes to a setting: whether there is room for it.
    pub(super) fn way_ahead(&mut self, value: u16, direction: Direction) -> Result<Ahead, Failure> {
        let top = self.plan.spec.target.top_mm_s();
        let Some(straight) = &self.straight else { return Ok(Ahead::Clear) };
        let speed = straight.likely_mm_s(value).unwrap_or(UNKNOWN_PART * top);
        if speed > BEYOND * straight.fastest_mm_s() {
            return Err(self.does_not_fit(value, speed));
        }
        let turned = self.way_cleared.take() == Some((value, direction));
        // The first stop is seen at a low speed.
        let unseen = self.ordered.0.value > 0 && !straight.stops.is_learned() && speed > SLOW_PART * top;
        let room = !unseen && straight.room_mm(facing(direction)) >= straight.good_mm(speed);
        if straight.is_sure() && (turned || room) {
            return Ok(Ahead::Clear);
        }
        self.shuttle_wanted = Some((value, direction));
        Ok(Ahead::Wait)
    }

    /// The decoder answers otherwise from now on.
    pub(super) fn response_changed(&mut self) {
        if let Some(straight) = &mut self.straight {
            straight.forget(self.momentum_s);
        }
    }

    /// Way at the settled speed since the last turn or order, mm.
    fn passed_mm(&self) -> f64 {
        let Some(straight) = &self.straight else { return 0.0 };
        let speed = self.fresh_glance().map_or(0.0, |glance| glance.speed_mm_s.abs());
        let settled = self.ordered_at + Duration::from_secs_f64(straight.settle_s().1);
        // What brought it here after a turn waited for it to settle.
        let turned = self.away.last().map(|(_, until)| *until).filter(|until| *until > self.ordered_at);
        let from = turned.unwrap_or(settled);
        if from >= self.now { 0.0 } else { speed * self.now.since(from).as_secs_f64() }
    }

    /// Says before the run goes on whether the wanted top fits on the straight.
    pub(super) fn judge_way(&mut self) -> Result<(), Failure> {
        let limits = &self.plan.spec.limits;
        let top = self.plan.spec.target.top_mm_s();
        let needed = top / (1.0 - limits.top_reserve).max(0.1);
        let Some(straight) = &self.straight else { return Ok(()) };
        // The sweep runs without momentum, verify with what the decoder had.
        let momentum_s = super::write::momentum_back_s(self);
        let (sweep, verify) = (straight.fastest_mm_s(), straight.fastest_with_mm_s(momentum_s));
        if sweep >= needed && verify >= top {
            return Ok(());
        }
        let (speed, with_s) = if verify < top { (top, momentum_s) } else { (needed, 0.0) };
        let evidence = self.fit_evidence(speed, with_s);
        if !limits.lower_top || verify < top {
            return Err(Failure::rejected(&causes::TOO_SHORT, evidence));
        }
        if !std::mem::replace(&mut self.way_judged, true) {
            self.note(&causes::STEPS_LEFT_OUT, evidence);
        }
        Ok(())
    }

    /// The fastest speed that there is room for, mm/s.
    pub(super) fn fastest_mm_s(&self) -> f64 {
        self.straight.as_ref().map_or(f64::MAX, |straight| straight.fastest_mm_s())
    }

    /// The fastest top that there is room to verify, mm/s.
    pub(super) fn fastest_top_mm_s(&self) -> f64 {
        let momentum_s = super::write::momentum_back_s(self);
        self.straight.as_ref().map_or(f64::MAX, |straight| straight.fastest_top_mm_s(momentum_s))
    }

    /// A setting does not fit on the straight.
    pub(super) fn does_not_fit(&self, value: u16, speed: f64) -> Failure {
        let evidence = self.fit_evidence(speed, self.momentum_s);
        Failure::rejected(&causes::TOO_SHORT, format!("setting {value}: {evidence}"))
    }

    /// What a speed needs, against what there is.
    fn fit_evidence(&self, speed: f64, momentum_s: f64) -> String {
        let Some(straight) = &self.straight else { return String::new() };
        let slow =
            if momentum_s > 0.0 { format!(" with a momentum of {momentum_s:.0} s") } else { String::new() };
        format!(
            "{speed:.0} mm/s need a straight of {:.1} m{slow}, and on this one {:.0} mm/s fit",
            straight.length_for_mm(speed, momentum_s) / 1000.0,
            straight.fastest_with_mm_s(momentum_s)
        )
    }

    /// Whether `span` of the phase's own time has passed since `from`: the time of turning round left out.
    pub(super) fn worked(&mut self, from: BenchTime, span: Duration) -> bool {
        let away: Duration = self
            .away
            .iter()
            .rev()
            .take_while(|(_, until)| *until > from)
            .map(|(since, until)| until.since((*since).max(from)))
            .sum();
        self.passed(from, span + away)
    }
}
