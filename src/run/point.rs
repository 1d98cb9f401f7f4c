//! One measured point: drive, settle, measure.
//!
//! Once the engine's response is learned, the point's own rule (`motion::PointRule`) says from it when averaging may begin.
//! Before that, settling is judged from the signal alone: at least a second at the setting (longer where the decoder keeps
//! momentum), then looks that agree (`looks`). Averaging rests on whole turns and Student's t; a guard holds the turns
//! against what the response lets expect (`standards/measurement.md` sections 3.3, 4.6 and 5).
use super::cx::{Cx, Failure, Step};
use super::looks::{LOOK_EVERY, Looks, SETTLE_MOST};
use super::mover::Mover;
use super::record::{PointPurpose, RecordBody};
use crate::cause::{engine as engine_causes, sensor as causes};
use crate::motion::{Change, Judged, Measured, Off, PointRule, TURNS_TO_LEARN, TurnBlocks, Wanted};
use crate::station::Direction;
use crate::time::BenchTime;
use std::time::Duration;

/// Least time at the setting while the response is not known.
const SETTLE_LEAST: Duration = Duration::from_secs(1);
/// Standing this long at a setting in the dead zone is the result "does not move".
const STANDS: Duration = Duration::from_millis(2500);
/// Samples a turn that are needed.
const SAMPLES_A_TURN: f64 = 4.0;
/// Measurements begun again because of what the guard found.
const RETRIES: u32 = 3;

/// Factor on the doubt of a point that is taken although something speaks against it.
const OFF_DOUBT: f64 = 2.0;

/// What a point wants.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct PointWish {
    pub(super) purpose: PointPurpose,
    pub(super) value: u16,
    pub(super) direction: Direction,
    /// Wanted 95 % half-width, as a multiple of what the bench file asks (1 is as asked).
    pub(super) sharpness: f64,
    /// Standing is an allowed result.
    pub(super) may_stand: bool,
}

/// How a point ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum PointEnd {
    /// The engine moved at this speed.
    Moves(Measured),
    /// The engine stood, or crept more slowly than can be measured in time.
    Stands,
}

impl PointEnd {
    /// The speed, where it moved.
    pub(super) fn measured(self) -> Option<Measured> {
        match self {
            Self::Moves(measured) => Some(measured),
            Self::Stands => None,
        }
    }
}

/// The engine before the move: setting, and its speed where that was measured there.
#[derive(Clone, Copy, Debug)]
struct Before {
    value: u16,
    /// With its standard uncertainty.
    steady_mm_s: Option<(f64, f64)>,
    seen_mm_s: f64,
}

#[derive(Debug)]
enum Stage {
    Moving { mover: Mover, before: Option<Before> },
    Settling { since: BenchTime, change: Option<Change>, looks: Looks, looked: BenchTime },
    Measuring { since: BenchTime, origin: BenchTime, change: Option<Change> },
}

/// A point being measured.
#[derive(Debug)]
pub(super) struct Point {
    pub(super) wish: PointWish,
    stage: Stage,
    tries: u32,
    /// The last passage that was looked at, s: a look costs more than a sample.
    looked_s: f64,
}

impl Point {
    pub(super) fn new(wish: PointWish) -> Self {
        Self { wish, stage: moving(wish), tries: 0, looked_s: 0.0 }
    }

    /// Begin again, as after a pause.
    pub(super) fn rewind(&mut self, cx: &mut Cx) {
        cx.motion.end_measure();
        cx.motion.end_trace();
        cx.steady = None;
        self.stage = moving(self.wish);
    }

    /// Done with the measured speed, or with "stands" where the wish allows it.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<PointEnd> {
        cx.may_stand = self.wish.may_stand;
        match &mut self.stage {
            Stage::Moving { mover, before } => {
                let before = *before.get_or_insert_with(|| at_present(cx));
                if mover.poll(cx)?.is_some() {
                    let change = self.change(cx, before, mover_orders(&self.stage));
                    cx.motion.begin_trace(cx.now);
                    self.stage = settling(cx, change);
                    cx.wake_at(cx.now + LOOK_EVERY);
                }
                Ok(None)
            }
            Stage::Settling { .. } => self.settle(cx),
            Stage::Measuring { since, origin, change } => {
                let (since, origin, change) = (*since, *origin, *change);
                enough_samples(cx)?;
                self.measure(cx, since, origin, change)
            }
        }
    }

    /// The change of speed that the move leads to, once the response is known; times count from now.
    fn change(&self, cx: &Cx, before: Before, orders: u32) -> Option<Change> {
        let response = cx.response.filter(|_| !cx.swings)?;
        let (of, value) = (f64::from(cx.ordered.0.of), self.wish.value);
        let ramp_s = cx.momentum_s * f64::from(value.abs_diff(before.value)) / of;
        if before.value == 0 {
            // From rest: every order of the ramp is taken for the last one.
            let begins_s = (response.start_s - cx.now.since(cx.turned_at).as_secs_f64()).max(response.dead_s);
            return Some(Change { before_mm_s: 0.0, before_u_mm_s: 0.0, single: false, ramp_s, begins_s });
        }
        let (before_mm_s, before_u_mm_s) = match before.steady_mm_s {
            Some(steady) => steady,
            // It has been there for a while, and what came before is not known.
            None if orders == 0 => (0.0, 0.0),
            None => (before.seen_mm_s, 0.0),
        };
        if orders == 0 {
            let begins_s = response.dead_s - cx.now.since(cx.ordered_at).as_secs_f64();
            let ramp_s = cx.momentum_s;
            return Some(Change { before_mm_s, before_u_mm_s, single: false, ramp_s, begins_s });
        }
        let single = orders == 1 && before.steady_mm_s.is_some() && cx.momentum_s <= 0.0;
        Some(Change { before_mm_s, before_u_mm_s, single, ramp_s, begins_s: response.dead_s })
    }

    fn rule(&self, cx: &Cx, change: Option<Change>) -> PointRule {
        let sweep = &cx.plan.spec.sweep;
        let wanted = Wanted {
            rel: sweep.precision_rel * self.wish.sharpness,
            floor_mm_s: sweep.precision_floor_mm_s * self.wish.sharpness,
        };
        let circumference_mm = cx.plan.spec.axle.circumference_mm;
        PointRule { wanted, change: cx.response.zip(change), circumference_mm }
    }

    fn settle(&mut self, cx: &mut Cx) -> Step<PointEnd> {
        let Stage::Settling { since, change, .. } = &self.stage else { return Ok(None) };
        let (since, change) = (*since, *change);
        // From rest it may play a sound first.
        let start = since.max(cx.turned_at + cx.start_time());
        let least = cx.with_momentum(SETTLE_LEAST);
        let stands = STANDS.max(cx.unseen_time());
        if cx.stands_for(STANDS) && cx.passed(since, least) && cx.passed(start, stands) {
            if self.wish.may_stand {
                return Ok(Some(PointEnd::Stands));
            }
            cx.wake_at(cx.now + LOOK_EVERY);
            return Ok(None);
        }
        if cx.worked(start, cx.with_momentum(SETTLE_MOST + cx.plan.spec.sweep.point_limit)) {
            // It creeps so slowly that not even a turn came round.
            return self.creeps(cx);
        }
        let late = cx.now >= start + cx.with_momentum(SETTLE_MOST);
        let begin = match change {
            Some(change) => self.has_settled(cx, since, change, late),
            None => self.looks_settled(cx, since, late),
        };
        if begin {
            cx.motion.begin_measure();
            self.stage = Stage::Measuring { since: cx.now, origin: since, change };
        }
        Ok(None)
    }

    /// By the learned response.
    fn has_settled(&self, cx: &mut Cx, since: BenchTime, change: Change, late: bool) -> bool {
        cx.wake_at(cx.now + LOOK_EVERY);
        let Some(glance) = cx.fresh_glance() else { return false };
        if glance.speed_mm_s.abs() <= 3.0 * glance.u_mm_s {
            return false;
        }
        let at_s = cx.now.since(since).as_secs_f64();
        let scatter = &cx.scatter[side(self.wish.direction)];
        late || self.rule(cx, Some(change)).may_begin(at_s, glance.speed_mm_s, scatter)
    }

    /// By looks that agree.
    fn looks_settled(&mut self, cx: &mut Cx, since: BenchTime, late: bool) -> bool {
        let Stage::Settling { looks, looked, .. } = &mut self.stage else { return false };
        if !cx.passed(*looked, LOOK_EVERY) {
            return false;
        }
        *looked = cx.now;
        cx.wake_at(cx.now + LOOK_EVERY);
        let Some(glance) = cx.fresh_glance() else {
            looks.clear();
            return false;
        };
        looks.push(cx.now, glance.speed_mm_s, cx.plan.spec.axle.circumference_mm);
        let agree = looks.agree(glance.u_mm_s);
        let moving = glance.speed_mm_s.abs() > 3.0 * glance.u_mm_s;
        cx.now >= since + cx.with_momentum(SETTLE_LEAST) && (agree || late) && moving
    }

    /// Slower than can be measured in time: for a table that is standing. Where standing is no result, the engine does
    /// not do as it did.
    fn creeps(&self, cx: &Cx) -> Step<PointEnd> {
        if self.wish.may_stand {
            return Ok(Some(PointEnd::Stands));
        }
        let setting = cx.ordered.0;
        let evidence = format!("setting {} of {}: hardly creeps", setting.value, setting.of);
        Err(Failure::halted(&engine_causes::NOT_MOVING, evidence))
    }

    fn measure(
        &mut self,
        cx: &mut Cx,
        since: BenchTime,
        origin: BenchTime,
        change: Option<Change>,
    ) -> Step<PointEnd> {
        let over = cx.worked(since, cx.plan.spec.sweep.point_limit);
        if cx.stands_for(STANDS) && self.wish.may_stand {
            cx.motion.end_measure();
            return Ok(Some(PointEnd::Stands));
        }
        let rule = self.rule(cx, change);
        let from_s = if self.tries == 0 { 0.0 } else { since.since(origin).as_secs_f64() };
        let alone = !cx.is_endless() || cx.motion.takes_turns_together();
        let newest_s = cx.motion.turn_blocks().map(|seen| seen.span_s.1);
        if let Some(newest_s) = newest_s
            && !over
            && !alone
            && std::mem::replace(&mut self.looked_s, newest_s).to_bits() == newest_s.to_bits()
        {
            return Ok(None);
        }
        if alone && change.is_some() {
            // A car swings behind it: what was learned of the engine alone does not hold for both.
            cx.swings = true;
            cx.motion.end_measure();
            self.stage = settling(cx, None);
            return Ok(None);
        }
        let look = if alone {
            let measured = if over { cx.motion.measured_so_far() } else { cx.motion.measured() };
            measured.map(|measured| (rule.alone(measured), None, measured.unsteady.then_some(Off::Trend)))
        } else {
            let look = rule.look(&cx.motion, &cx.scatter[side(self.wish.direction)], from_s);
            look.map(|look| (look.judged, Some(look.seen), look.off))
        };
        let Some((judged, seen, off)) = look else {
            if !over {
                return Ok(None);
            }
            // Not two turns within the limit. Where it may not stand, samples may have been missing: once more.
            cx.motion.end_measure();
            if !self.wish.may_stand && self.tries < RETRIES {
                self.tries += 1;
                self.rewind(cx);
                return Ok(None);
            }
            return self.creeps(cx);
        };
        // In warm-up the engine has to run anyway, and many turns tell how it scatters.
        let teaches =
            alone || self.wish.purpose != PointPurpose::WarmUp || judged.measured.turns >= TURNS_TO_LEARN;
        if !(judged.reached && teaches || over) {
            return Ok(None);
        }
        if let Some(off) = off
            && !over
            && self.tries < RETRIES
        {
            self.tries += 1;
            if let Some(response) = &mut cx.response {
                rule.relearn(off, judged.measured.speed_mm_s, response);
            }
            cx.motion.end_measure();
            cx.motion.begin_measure();
            self.stage = Stage::Measuring { since: cx.now, origin, change };
            return Ok(None);
        }
        Ok(Some(PointEnd::Moves(self.finish(cx, &judged, seen.as_ref(), off))))
    }

    fn finish(&self, cx: &mut Cx, judged: &Judged, seen: Option<&TurnBlocks>, off: Option<Off>) -> Measured {
        let mut measured = judged.measured;
        measured.unsteady |= off.is_some();
        if measured.unsteady {
            // What speaks against it is there at every try: the doubt is at least twice what the turns show.
            measured.u_repeat_mm_s *= OFF_DOUBT;
            measured.half_width_mm_s *= OFF_DOUBT;
            measured.u_mm_s *= OFF_DOUBT;
        }
        let asked = self.rule(cx, None).wanted.at(measured.speed_mm_s) / self.wish.sharpness;
        measured.short = measured.half_width_mm_s > asked;
        cx.motion.end_measure();
        cx.motion.end_trace();
        cx.steady = Some((cx.ordered_at, measured.speed_mm_s.abs(), measured.u_repeat_mm_s));
        if let (Some(seen), false) = (seen, measured.unsteady) {
            cx.scatter[side(self.wish.direction)].learn(measured.speed_mm_s, seen);
        }
        let counts = !matches!(self.wish.purpose, PointPurpose::Probe | PointPurpose::WarmUp);
        if measured.short && counts {
            let (speed, reached) = (measured.speed_mm_s.abs(), measured.half_width_mm_s);
            cx.short.0 += 1;
            cx.short.1 = Some(format!(
                "setting {}: {speed:.1} +/- {reached:.2} mm/s where +/- {asked:.2} mm/s was wanted",
                cx.ordered.0.value
            ));
        }
        cx.note_surge(&measured);
        cx.record(RecordBody::Point {
            purpose: self.wish.purpose,
            setting: cx.ordered.0,
            direction: self.wish.direction,
            measured,
            quality: cx.motion.quality(),
        });
        measured
    }
}

fn settling(cx: &Cx, change: Option<Change>) -> Stage {
    Stage::Settling { since: cx.now, change, looks: Looks::default(), looked: cx.now }
}

fn moving(wish: PointWish) -> Stage {
    Stage::Moving { mover: Mover::to(wish.value, wish.direction), before: None }
}

fn mover_orders(stage: &Stage) -> u32 {
    if let Stage::Moving { mover, .. } = stage { mover.orders() } else { 0 }
}

/// The engine as it runs before the move.
fn at_present(cx: &Cx) -> Before {
    let steady = cx.steady.filter(|(ordered_at, ..)| *ordered_at == cx.ordered_at);
    let steady_mm_s = steady.map(|(_, speed, u)| (speed, u));
    let seen_mm_s = cx.fresh_glance().map_or(0.0, |glance| glance.speed_mm_s.abs());
    Before { value: cx.ordered.0.value, steady_mm_s, seen_mm_s }
}

fn side(direction: Direction) -> usize {
    usize::from(direction == Direction::Reverse)
}

/// Where the signal repeats, fewer than four samples a turn (a field with more poles: a turn of the field) could be taken
/// for another speed (`standards/measurement.md` section 2.2).
fn enough_samples(cx: &Cx) -> Result<(), Failure> {
    let (Some(sampling), Some(_)) = (cx.motion.sampling(), cx.fresh_glance()) else { return Ok(()) };
    if sampling.rate_hz >= SAMPLES_A_TURN * sampling.periods_hz {
        return Ok(());
    }
    let evidence =
        format!("{:.0} samples a second at {:.1} turns a second", sampling.rate_hz, sampling.periods_hz);
    Err(Failure::halted(&causes::TOO_FEW_SAMPLES, evidence))
}
