//! One measured point: drive, settle, measure.
//!
//! Settling is judged from the signal: at least a second at the setting (longer where the decoder keeps momentum),
//! then four looks a quarter second apart that agree within 1 % or their noise. Averaging rests on whole turns and
//! Student's t (`standards/measurement.md` sections 3.3 and 5).
use super::cx::{Cx, Step};
use super::mover::Mover;
use super::record::{PointPurpose, RecordBody};
use crate::motion::{Measured, Standing};
use crate::station::Direction;
use crate::time::BenchTime;
use std::time::Duration;

/// Looks that must agree.
const LOOKS: usize = 5;
/// Time between looks.
const LOOK_EVERY: Duration = Duration::from_millis(250);
/// Least time at the setting.
const SETTLE_LEAST: Duration = Duration::from_millis(1000);
/// Longest wait for agreement; then it is measured all the same, and its scatter tells.
const SETTLE_MOST: Duration = Duration::from_secs(20);
/// Relative agreement of looks.
const SETTLE_REL: f64 = 0.01;
/// Standing this long at a setting in the dead zone is the result "does not move".
const STANDS: Duration = Duration::from_millis(2500);
/// Fewest whole-turn blocks a result rests on, time limit apart.
const TURNS_LEAST: u32 = 5;
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

#[derive(Debug)]
enum Stage {
    Moving(Mover),
    Settling { since: BenchTime, looks: Vec<f64>, looked: BenchTime },
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

    /// Done with the measured speed; none where the engine stood.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<Option<Measured>> {
        cx.may_stand = self.wish.may_stand;
        match &mut self.stage {
            Stage::Moving(mover) => {
                if mover.poll(cx)?.is_some() {
                    self.stage = Stage::Settling { since: cx.now, looks: Vec::new(), looked: cx.now };
                    cx.wake_at(cx.now + LOOK_EVERY);
                }
                Ok(None)
            }
            Stage::Settling { .. } => Ok(self.settle(cx)),
            Stage::Measuring { since } => {
                let since = *since;
                Ok(self.measure(cx, since))
            }
        }
    }

    fn settle(&mut self, cx: &mut Cx) -> Option<Option<Measured>> {
        let Stage::Settling { since, looks, looked } = &mut self.stage else { return None };
        let since = *since;
        let least = cx.with_momentum(SETTLE_LEAST);
        let stood = matches!(cx.motion.standing(), Standing::For(span) if span >= STANDS);
        if stood && cx.passed(since, least) && cx.passed(since, STANDS) {
            if self.wish.may_stand {
                return Some(None);
            }
            cx.wake_at(cx.now + LOOK_EVERY);
            return None;
        }
        if !cx.passed(*looked, LOOK_EVERY) {
            return None;
        }
        *looked = cx.now;
        cx.wake_at(cx.now + LOOK_EVERY);
        let Some(glance) = cx.fresh_glance() else {
            looks.clear();
            return None;
        };
        looks.push(glance.speed_mm_s);
        if looks.len() > LOOKS {
            looks.remove(0);
        }
        let agree = looks.len() == LOOKS && spread_within(looks, 3.0 * glance.u_mm_s);
        let late = cx.now >= since + cx.with_momentum(SETTLE_MOST);
        let moving = looks.len() == LOOKS && glance.speed_mm_s.abs() > 3.0 * glance.u_mm_s;
        if cx.now >= since + least && (agree || late) && moving {
            cx.motion.begin_measure();
            self.stage = Stage::Measuring { since: cx.now };
        }
        None
    }

    fn measure(&mut self, cx: &mut Cx, since: BenchTime) -> Option<Option<Measured>> {
        let over = cx.passed(since, cx.plan.spec.sweep.point_limit);
        let stood = matches!(cx.motion.standing(), Standing::For(span) if span >= STANDS);
        if stood && self.wish.may_stand {
            cx.motion.end_measure();
            return Some(None);
        }
        let measured = cx.motion.measured();
        let Some(measured) = measured else {
            // Nothing after twice the limit: the guards say why; begin again meanwhile.
            if cx.passed(since, cx.plan.spec.sweep.point_limit * 2) {
                self.rewind(cx);
            }
            return None;
        };
        let wanted = (cx.plan.spec.sweep.precision_rel * measured.speed_mm_s.abs())
            .max(cx.plan.spec.sweep.precision_floor_mm_s)
            * self.wish.sharpness;
        let sharp = measured.turns >= TURNS_LEAST && measured.half_width_mm_s <= wanted;
        if !(sharp || over) {
            return None;
        }
        if measured.unsteady && !over && self.tries < RETRIES {
            self.tries += 1;
            cx.motion.end_measure();
            cx.motion.begin_measure();
            self.stage = Stage::Measuring { since: cx.now };
            return None;
        }
        cx.motion.end_measure();
        cx.record(RecordBody::Point {
            purpose: self.wish.purpose,
            setting: cx.ordered.0,
            direction: self.wish.direction,
            measured,
            quality: cx.motion.quality(),
        });
        Some(Some(measured))
    }
}

/// The largest and smallest look lie within 1 % of their size, or within `noise`.
fn spread_within(looks: &[f64], noise: f64) -> bool {
    let high = looks.iter().copied().fold(f64::MIN, f64::max);
    let low = looks.iter().copied().fold(f64::MAX, f64::min);
    high - low <= (SETTLE_REL * high.abs().max(low.abs())).max(noise)
}
