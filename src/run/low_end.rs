//! The low end of a direction: the slowest step that keeps going once it runs, and the first step that starts from rest.
//!
//! Each step is looked at until the axle stands for a while or has clearly turned on; a stalled motor so gets its
//! drive for a few seconds only.
use super::cx::{Cx, Step};
use super::mover::Mover;
use crate::station::Direction;
use crate::time::BenchTime;
use std::time::Duration;

/// Standing this long at a step is the result "stands".
const STANDS: Duration = Duration::from_millis(2500);
/// Turning this long at a step is the result "keeps going": longer than it rolls on from the step before. Where the time
/// constant is known, so many of them and a second.
const TURNS: Duration = Duration::from_secs(4);
const TIME_CONSTANTS: f64 = 4.0;
/// Slower than this part of the creep speed wanted it rolls out, or crawls as no table needs it.
const CRAWLS: f64 = 0.1;
/// From rest, turning this long is the result "starts".
const STARTS: Duration = Duration::from_secs(1);
/// A motor that was driven and stalled for so long gets a rest.
const STALLED_MOST: Duration = Duration::from_secs(10);
/// Longest look at a step: what has not clearly turned by then stands, for a table.
const LOOK_MOST: Duration = Duration::from_secs(30);

/// Which end is sought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Seek {
    /// Down, step by step, until it stands.
    KeepsGoing,
    /// Up from rest, step by step, until it starts.
    Starts,
}

#[derive(Debug)]
enum Stage {
    /// Back to where it is known to be: standing, or running at the step above.
    Ready(Mover),
    /// Does it run there?
    Running {
        since: BenchTime,
    },
    Moving(Mover),
    Looking {
        since: BenchTime,
    },
}

/// A search under way.
#[derive(Debug)]
pub(super) struct LowEndSearch {
    seek: Seek,
    direction: Direction,
    /// The step that is looked at.
    value: u16,
    /// The last step at which it moved, while it goes down.
    moved: u16,
    /// The last step that may be looked at.
    last: u16,
    /// The highest step at which it may be asked to start again.
    most: u16,
    stage: Stage,
}

impl LowEndSearch {
    /// Down from `moved`, at which it moves, the first look at `value`; not below `last`. Where it has to start again, not
    /// above `most`.
    pub(super) fn down(direction: Direction, moved: u16, (value, last): (u16, u16), most: u16) -> Self {
        let stage = Stage::Moving(Mover::to(value, direction));
        Self { seek: Seek::KeepsGoing, direction, value, moved, last, most: most.max(moved), stage }
    }

    /// It stands now, at a lower step: back to where it moves first.
    pub(super) fn is_standing(&mut self) {
        self.stage = Stage::Ready(Mover::to(self.moved, self.direction));
    }

    /// Up from rest, the first look at `value`; not above `last`.
    pub(super) fn up(cx: &Cx, direction: Direction, value: u16, last: u16) -> Self {
        let stage = Stage::Ready(Mover::stand(cx));
        Self { seek: Seek::Starts, direction, value, moved: last, last, most: last, stage }
    }

    /// Begin the present step again, as after a pause.
    pub(super) fn rewind(&mut self, cx: &Cx) {
        self.stage = Stage::Ready(match self.seek {
            Seek::KeepsGoing => Mover::to(self.moved, self.direction),
            Seek::Starts => Mover::stand(cx),
        });
    }

    /// Done with the step that was sought: the last at which it went on, or the first at which it started; 0 where it did
    /// not start at all.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<u16> {
        cx.may_stand = true;
        loop {
            match &mut self.stage {
                Stage::Ready(mover) => {
                    if mover.poll(cx)?.is_none() {
                        return Ok(None);
                    }
                    self.stage = match self.seek {
                        Seek::KeepsGoing if cx.ordered.0.value == self.moved => {
                            Stage::Running { since: cx.now }
                        }
                        Seek::KeepsGoing => Stage::Ready(Mover::to(self.moved, self.direction)),
                        Seek::Starts => Stage::Moving(Mover::to(self.value, self.direction)),
                    };
                }
                Stage::Running { since } => {
                    let since = *since;
                    let Some(runs) = Self::runs(cx, since) else { return Ok(None) };
                    if runs {
                        self.stage = Stage::Moving(Mover::to(self.value, self.direction));
                    } else if self.moved < self.most {
                        // It went on there once, but does not start there.
                        self.moved += 1;
                        self.stage = Stage::Ready(self.after_stall(cx, self.moved));
                    } else {
                        return Ok(Some(0));
                    }
                }
                Stage::Moving(mover) => {
                    if mover.poll(cx)?.is_none() {
                        return Ok(None);
                    }
                    self.stage = Stage::Looking { since: cx.now };
                }
                Stage::Looking { since } => {
                    let since = *since;
                    let Some(moves) = self.look(cx, since) else { return Ok(None) };
                    if let Some(found) = self.after(moves) {
                        return Ok(Some(found));
                    }
                    self.stage = match self.seek {
                        Seek::KeepsGoing => Stage::Moving(Mover::to(self.value, self.direction)),
                        Seek::Starts => Stage::Ready(self.after_stall(cx, self.value)),
                    };
                }
            }
        }
    }

    /// On to this step; a motor that stalled for a while is let go before.
    fn after_stall(&self, cx: &mut Cx, value: u16) -> Mover {
        let stalled = cx.passed(cx.turned_at, STALLED_MOST + cx.start_time());
        if stalled { Mover::stand(cx) } else { Mover::to(value, self.direction) }
    }

    /// Whether it runs where it is known to go on, once that is clear.
    fn runs(cx: &mut Cx, since: BenchTime) -> Option<bool> {
        let rolls_mm_s = CRAWLS * cx.plan.spec.target.creep_mm_s();
        if cx.passed(since, cx.with_momentum(STARTS)) && cx.turns_faster_than(rolls_mm_s) {
            return Some(true);
        }
        cx.wake_at(cx.now + Duration::from_millis(250));
        let start = since.max(cx.turned_at + cx.start_time());
        let stands =
            cx.stands_for(STANDS) && cx.passed(start, cx.with_momentum(STANDS.max(cx.unseen_time())));
        let late = cx.passed(start, cx.with_momentum(LOOK_MOST));
        (stands || late).then_some(false)
    }

    /// Whether it moves at this step, once that is clear.
    fn look(&self, cx: &mut Cx, since: BenchTime) -> Option<bool> {
        let stands = cx.with_momentum(STANDS.max(cx.unseen_time()));
        // From rest it may play a sound first.
        let start = match self.seek {
            Seek::Starts => since.max(cx.turned_at + cx.start_time()),
            Seek::KeepsGoing => since,
        };
        if cx.stands_for(STANDS) && cx.passed(start, stands) {
            return Some(false);
        }
        let turns = match self.seek {
            Seek::KeepsGoing => cx.response.map_or(TURNS, |response| {
                Duration::from_secs_f64(1.0 + TIME_CONSTANTS * response.falling.tau_s.clamp(0.0, 10.0))
            }),
            Seek::Starts => STARTS,
        };
        let rolls_mm_s = CRAWLS * cx.plan.spec.target.creep_mm_s();
        if cx.passed(since, cx.with_momentum(turns)) && cx.turns_faster_than(rolls_mm_s) {
            return Some(true);
        }
        let late = cx.passed(start, cx.with_momentum(LOOK_MOST).max(stands));
        cx.wake_at(cx.now + Duration::from_millis(250));
        late.then_some(false)
    }

    /// What comes after a step: another look, or the result.
    fn after(&mut self, moves: bool) -> Option<u16> {
        match self.seek {
            Seek::KeepsGoing if !moves => Some(self.moved),
            Seek::Starts if moves => Some(self.value),
            _ if self.value == self.last => Some(if self.seek == Seek::Starts { 0 } else { self.value }),
            Seek::KeepsGoing => {
                self.moved = self.value;
                self.value -= 1;
                None
            }
            Seek::Starts => {
                self.value += 1;
                None
            }
        }
    }
}
