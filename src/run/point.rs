//! One measured point: drive, settle, measure.
//!
//! Settling is judged from the signal: at least a second at the setting (longer where the decoder keeps momentum),
//! then looks a quarter second apart, over at least two turns, whose older half agrees with the newer half within 1 %
//! or their noise: halves of whole turns do not see what repeats every turn. Averaging rests on whole turns and
//! Student's t (`standards/measurement.md` sections 3.3 and 5).
use super::cx::{Cx, Failure, Step};
use super::mover::Mover;
use super::record::{PointPurpose, RecordBody};
use crate::cause::{engine as engine_causes, sensor as causes};
use crate::motion::Measured;
use crate::station::Direction;
use crate::time::BenchTime;
use std::collections::VecDeque;
use std::time::Duration;

/// Fewest looks in each half.
const LOOKS: usize = 3;
/// Turns that the looks of both halves span at least.
const LOOK_TURNS: f64 = 2.0;
/// Time between looks.
const LOOK_EVERY: Duration = Duration::from_millis(250);
/// Least time at the setting.
const SETTLE_LEAST: Duration = Duration::from_secs(1);
/// Longest wait for agreement; then it is measured all the same, and its scatter tells.
const SETTLE_MOST: Duration = Duration::from_secs(20);
/// Relative agreement of looks.
const SETTLE_REL: f64 = 0.01;
/// Standing this long at a setting in the dead zone is the result "does not move".
const STANDS: Duration = Duration::from_millis(2500);
/// Fewest whole-turn blocks a result rests on, time limit apart.
const TURNS_LEAST: u32 = 5;
/// Samples a turn that are needed.
const SAMPLES_A_TURN: f64 = 4.0;
/// Measurements tried again because the first half differed from the second.
const RETRIES: u32 = 2;

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

#[derive(Debug)]
enum Stage {
    Moving(Mover),
    Settling { since: BenchTime, looks: Looks, looked: BenchTime },
    Measuring { since: BenchTime },
}

/// A point being measured.
#[derive(Debug)]
pub(super) struct Point {
    pub(super) wish: PointWish,
    stage: Stage,
    tries: u32,
}

impl Point {
    pub(super) fn new(wish: PointWish) -> Self {
        Self { wish, stage: Stage::Moving(Mover::to(wish.value, wish.direction)), tries: 0 }
    }

    /// Begin again, as after a pause.
    pub(super) fn rewind(&mut self, cx: &mut Cx) {
        cx.motion.end_measure();
        self.stage = Stage::Moving(Mover::to(self.wish.value, self.wish.direction));
    }

    /// Done with the measured speed, or with "stands" where the wish allows it.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<PointEnd> {
        cx.may_stand = self.wish.may_stand;
        match &mut self.stage {
            Stage::Moving(mover) => {
                if mover.poll(cx)?.is_some() {
                    self.stage = Stage::Settling { since: cx.now, looks: Looks::default(), looked: cx.now };
                    cx.wake_at(cx.now + LOOK_EVERY);
                }
                Ok(None)
            }
            Stage::Settling { .. } => self.settle(cx),
            Stage::Measuring { since } => {
                let since = *since;
                enough_samples(cx)?;
                self.measure(cx, since)
            }
        }
    }

    fn settle(&mut self, cx: &mut Cx) -> Step<PointEnd> {
        let Stage::Settling { since, looks, looked } = &mut self.stage else { return Ok(None) };
        let since = *since;
        let least = cx.with_momentum(SETTLE_LEAST);
        let stands = STANDS.max(cx.unseen_time());
        if cx.stands_for(STANDS) && cx.passed(since, least) && cx.passed(since, stands) {
            if self.wish.may_stand {
                return Ok(Some(PointEnd::Stands));
            }
            cx.wake_at(cx.now + LOOK_EVERY);
            return Ok(None);
        }
        if cx.worked(since, cx.with_momentum(SETTLE_MOST + cx.plan.spec.sweep.point_limit)) {
            // It creeps so slowly that not even a turn came round.
            return self.creeps(cx);
        }
        if !cx.passed(*looked, LOOK_EVERY) {
            return Ok(None);
        }
        *looked = cx.now;
        cx.wake_at(cx.now + LOOK_EVERY);
        let Some(glance) = cx.fresh_glance() else {
            looks.0.clear();
            return Ok(None);
        };
        looks.push(cx.now, glance.speed_mm_s, cx.plan.spec.axle.circumference_mm);
        let agree = looks.agree(glance.u_mm_s);
        let late = cx.now >= since + cx.with_momentum(SETTLE_MOST);
        let moving = glance.speed_mm_s.abs() > 3.0 * glance.u_mm_s;
        if cx.now >= since + least && (agree || late) && moving {
            cx.motion.begin_measure();
            self.stage = Stage::Measuring { since: cx.now };
        }
        Ok(None)
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

    fn measure(&mut self, cx: &mut Cx, since: BenchTime) -> Step<PointEnd> {
        let over = cx.worked(since, cx.plan.spec.sweep.point_limit);
        if cx.stands_for(STANDS) && self.wish.may_stand {
            cx.motion.end_measure();
            return Ok(Some(PointEnd::Stands));
        }
        let measured = if over { cx.motion.measured_so_far() } else { cx.motion.measured() };
        let Some(measured) = measured else {
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
        let wanted = (cx.plan.spec.sweep.precision_rel * measured.speed_mm_s.abs())
            .max(cx.plan.spec.sweep.precision_floor_mm_s)
            * self.wish.sharpness;
        let sharp = measured.turns >= TURNS_LEAST && measured.half_width_mm_s <= wanted;
        if !(sharp || over) {
            return Ok(None);
        }
        if measured.unsteady && !over && self.tries < RETRIES {
            self.tries += 1;
            cx.motion.end_measure();
            cx.motion.begin_measure();
            self.stage = Stage::Measuring { since: cx.now };
            return Ok(None);
        }
        cx.motion.end_measure();
        cx.note_surge(&measured);
        cx.record(RecordBody::Point {
            purpose: self.wish.purpose,
            setting: cx.ordered.0,
            direction: self.wish.direction,
            measured,
            quality: cx.motion.quality(),
        });
        Ok(Some(PointEnd::Moves(measured)))
    }
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

/// Recent looks at the speed, oldest first.
#[derive(Debug, Default)]
struct Looks(VecDeque<(BenchTime, f64)>);

impl Looks {
    /// Keeps what lies within the span that matters: two turns at this speed, or as long as the fewest looks take.
    fn push(&mut self, at: BenchTime, speed_mm_s: f64, circumference_mm: f64) {
        self.0.push_back((at, speed_mm_s));
        let turns = LOOK_TURNS * circumference_mm / speed_mm_s.abs().max(1e-3);
        let span = Duration::from_secs_f64(turns.min(SETTLE_MOST.as_secs_f64()));
        while self.0.len() > 2 * LOOKS && self.0.get(1).is_some_and(|(first, _)| at.since(*first) >= span) {
            self.0.pop_front();
        }
    }

    /// The older half and the newer half have the same mean, within 1 % or their noise.
    fn agree(&self, u_mm_s: f64) -> bool {
        let half = self.0.len() / 2;
        if half < LOOKS {
            return false;
        }
        let mean = |from: usize| {
            self.0.iter().skip(from).take(half).map(|(_, speed)| speed).sum::<f64>() / half as f64
        };
        let (old, new) = (mean(0), mean(self.0.len() - half));
        let noise = 3.0 * u_mm_s * (2.0 / half as f64).sqrt();
        (new - old).abs() <= (SETTLE_REL * new.abs()).max(noise)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn looks(speed: impl Fn(f64) -> f64) -> Looks {
        let mut looks = Looks::default();
        for i in 0..40u64 {
            looks.push(BenchTime::from_millis(250 * i), speed(i as f64 * 0.25), 33.0);
        }
        looks
    }

    #[test]
    fn a_ripple_that_repeats_every_turn_is_settled_and_a_trend_is_not() {
        let turn_s = 33.0 / 20.0;
        let ripple = |t: f64| 20.0 * (1.0 + 0.03 * libm::sin(t / turn_s * std::f64::consts::TAU));
        assert!(looks(ripple).agree(0.05));
        assert!(!looks(|t| 20.0 + 0.5 * t).agree(0.05));
        assert!(!Looks::default().agree(0.05));
    }
}
