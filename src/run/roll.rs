//! Rolling slowly, so that a person can see the engine being stopped: by the watchman when the program dies, by the guards when a
//! link is pulled. The decoder is neither read nor written; the setting rises from nothing until the axle is seen to turn.
use super::cx::{Cx, Failure, Step};
use super::mover::Mover;
use crate::cause::engine as causes;
use crate::station::Direction;
use crate::time::BenchTime;
use std::time::Duration;

/// The setting rises by this part of the range at a time,
const PARTS: u16 = 20;
/// after so long,
const EVERY: Duration = Duration::from_secs(2);
/// and no higher than this many parts.
const MOST: u16 = 12;
/// Fast enough to be seen: this part of the target's top.
const SEEN: f64 = 0.08;

/// The engine rolling, or on its way to it.
#[derive(Debug)]
pub(super) struct Roll {
    part: u16,
    mover: Mover,
    raised: Option<BenchTime>,
    rolls: Option<BenchTime>,
    span: Duration,
}

impl Roll {
    /// For so many seconds from when it is seen to turn.
    pub(super) fn new(cx: &Cx, seconds: u32) -> Self {
        Self {
            part: 1,
            mover: Mover::to(setting(cx, 1), Direction::Forward),
            raised: None,
            rolls: None,
            span: Duration::from_secs(u64::from(seconds)),
        }
    }

    /// From rest again, as after a pause.
    pub(super) fn rewind(&mut self, cx: &Cx) {
        *self = Self { span: self.span, ..Self::new(cx, 0) };
    }

    /// Done when it has rolled for as long as it was to.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<()> {
        cx.may_stand = self.rolls.is_none();
        loop {
            if self.mover.poll(cx)?.is_none() {
                return Ok(None);
            }
            if let Some(since) = self.rolls {
                cx.phase_done = cx.now.since(since).as_secs_f64() / self.span.as_secs_f64().max(1.0);
                return Ok(cx.passed(since, self.span).then_some(()));
            }
            if cx.turns_faster_than(SEEN * cx.plan.spec.target.top_mm_s()) {
                if let (None, Some(glance)) = (cx.sense, cx.fresh_glance()) {
                    cx.learn_sense(glance.speed_mm_s);
                }
                self.rolls = Some(cx.now);
                continue;
            }
            let raised = *self.raised.get_or_insert(cx.now);
            if !cx.passed(raised, EVERY) {
                return Ok(None);
            }
            if self.part >= MOST {
                let evidence = format!("up to setting {} of {}", cx.ordered.0.value, cx.ordered.0.of);
                return Err(Failure::halted(&causes::NOT_MOVING, evidence));
            }
            self.part += 1;
            self.raised = None;
            self.mover = Mover::to(setting(cx, self.part), Direction::Forward);
        }
    }
}

fn setting(cx: &Cx, part: u16) -> u16 {
    (cx.plan.spec.engine.step_mode * part).div_ceil(PARTS)
}
