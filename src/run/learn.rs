//! Learning how the engine answers: one large step from standstill to the warm-up setting and one down from there, each in
//! one order. Both ends are known to be safe by then: it has run at them.
//!
//! The way against time tells the dead time (with a start-up sound, if the decoder plays one before it drives), the rate
//! that the decoder keeps to in spite of CV 3 and 4 = 0, and the time constant. Where it can't be made out, points go on
//! settling by looks that agree.
use super::baseline::BaselineFound;
use super::cx::{Cx, Step};
use super::looks::{LOOK_EVERY, Looks, SETTLE_MOST};
use super::mover::Mover;
use super::record::RecordBody;
use crate::cause::engine as causes;
use crate::motion::{Fitted, Response};
use crate::station::Direction;
use crate::time::BenchTime;
use std::time::Duration;

/// Least time that a step is looked at.
const LEAST: Duration = Duration::from_secs(2);
/// Once it looks settled the record goes on for half as long again: the fit needs to see where it ends.
const ON: f64 = 1.5;
/// What was seen to stand within this time after a start-up delay does not count as standing.
const STILL_STARTING_S: f64 = 1.0;
/// A longer delay from rest is a sound or something like it, not the engine.
const SOUND_S: f64 = 1.0;

#[derive(Debug)]
enum Stage {
    Standing(Mover),
    Ordering {
        mover: Mover,
        up: Option<Fitted>,
    },
    Watching {
        since: BenchTime,
        moved: Option<BenchTime>,
        agreed: Option<Duration>,
        looks: Looks,
        looked: BenchTime,
        up: Option<Fitted>,
    },
}

/// The learning under way.
#[derive(Debug)]
pub(super) struct Learn {
    baseline: BaselineFound,
    stage: Stage,
}

impl Learn {
    /// After this baseline and the warm-up.
    pub(super) fn new(baseline: BaselineFound) -> Self {
        Self { baseline, stage: stand() }
    }

    /// Begin again, as after a pause.
    pub(super) fn rewind(&mut self, cx: &mut Cx) {
        cx.motion.end_trace();
        self.stage = stand();
    }

    /// Done with the baseline, its knowledge of where the engine stands put right.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<BaselineFound> {
        cx.may_stand = false;
        loop {
            match &mut self.stage {
                Stage::Standing(mover) => {
                    if mover.poll(cx)?.is_none() {
                        return Ok(None);
                    }
                    let mover = Mover::at_once(self.baseline.warm_up_value(cx), Direction::Forward);
                    self.stage = Stage::Ordering { mover, up: None };
                }
                Stage::Ordering { mover, up } => {
                    let up = *up;
                    if mover.poll(cx)?.is_none() {
                        return Ok(None);
                    }
                    cx.motion.begin_trace(cx.now);
                    let (since, looks) = (cx.now, Looks::default());
                    self.stage =
                        Stage::Watching { since, moved: None, agreed: None, looks, looked: since, up };
                }
                Stage::Watching { .. } => {
                    if !self.is_seen(cx) {
                        return Ok(None);
                    }
                    if self.take(cx) {
                        return Ok(Some(self.baseline));
                    }
                }
            }
        }
    }

    /// The step is over, and half as long again.
    fn is_seen(&mut self, cx: &mut Cx) -> bool {
        let Stage::Watching { since, moved, agreed, looks, looked, up } = &mut self.stage else {
            return false;
        };
        let since = *since;
        if cx.passed(since, SETTLE_MOST + cx.start_time() + SETTLE_MOST) {
            return true;
        }
        if let Some(agreed) = *agreed {
            return cx.passed(since, agreed);
        }
        if !cx.passed(*looked, LOOK_EVERY) {
            return false;
        }
        *looked = cx.now;
        cx.wake_at(cx.now + LOOK_EVERY);
        let Some(glance) = cx.fresh_glance().filter(|glance| glance.speed_mm_s.abs() > 3.0 * glance.u_mm_s)
        else {
            looks.clear();
            return false;
        };
        let from_rest = up.is_none();
        let moved = *moved.get_or_insert(if from_rest { cx.now } else { since });
        looks.push(cx.now, glance.speed_mm_s, cx.plan.spec.axle.circumference_mm);
        if cx.now >= moved + LEAST && looks.agree(glance.u_mm_s) {
            let before = moved.since(since);
            *agreed = Some(before + cx.now.since(moved).mul_f64(ON));
        }
        false
    }

    /// Takes a step's record in; true when both are there, or one of them can't be read.
    fn take(&mut self, cx: &mut Cx) -> bool {
        let Stage::Watching { up, .. } = &self.stage else { return true };
        let up = *up;
        let fitted = cx.motion.fit_change(up.map_or(0.0, |up| up.after));
        cx.motion.end_trace();
        let Some(fitted) = fitted else {
            cx.note(
                &causes::RESPONSE_NOT_LEARNED,
                if up.is_none() { "on the way up" } else { "on the way down" },
            );
            return true;
        };
        let Some(up) = up else {
            let mover = Mover::at_once(self.baseline.probes[0].0, Direction::Forward);
            self.stage = Stage::Ordering { mover, up: Some(fitted) };
            return false;
        };
        self.keep(cx, &up, &fitted);
        true
    }

    fn keep(&mut self, cx: &mut Cx, up: &Fitted, down: &Fitted) {
        let circumference_mm = cx.plan.spec.axle.circumference_mm;
        let response = Response {
            dead_s: down.dead_s,
            start_s: up.dead_s.max(down.dead_s),
            rising: up.course(circumference_mm),
            falling: down.course(circumference_mm),
        };
        cx.record(RecordBody::Learned(response));
        cx.response = Some(response);
        cx.start_s = response.start_s;
        // What stood in the climb while the sound was played says nothing.
        if response.start_s > SOUND_S && self.baseline.stood_s <= response.start_s + STILL_STARTING_S {
            self.baseline.stood = 0;
        }
    }
}

/// Forward, and standing.
fn stand() -> Stage {
    Stage::Standing(Mover::to(0, Direction::Forward))
}
