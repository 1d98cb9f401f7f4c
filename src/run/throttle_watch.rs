//! Notices another controller: a speed ratio told by the station that disagrees with our order for over a second and
//! is confirmed by asking. An initial dump sets levels, not edges.
use super::cx::{Cx, Failure};
use crate::cause::station as causes;
use crate::station::{Action, Direction, OrderId};
use crate::time::BenchTime;
use std::time::Duration;

/// A disagreement must last this long.
const LASTING: Duration = Duration::from_secs(1);

/// So many answers that disagree make sure of it.
const ANSWERS: u32 = 2;

#[derive(Clone, Copy, Debug)]
struct Told {
    ratio: f64,
    direction: Option<Direction>,
    at: BenchTime,
}

/// What the station last told of our engine.
#[derive(Debug, Default)]
pub(super) struct ThrottleWatch {
    last: Option<Told>,
    asked: Option<(OrderId, BenchTime)>,
    /// Answers that disagreed, one after the other.
    confirmed: u32,
    locked: Option<String>,
}

impl ThrottleWatch {
    pub(super) fn told(&mut self, cx: &Cx, ratio: f64, direction: Option<Direction>, level: bool) {
        if !level || self.asked.is_some() {
            self.last = Some(Told { ratio, direction, at: cx.now });
        }
    }

    pub(super) fn locked(&mut self, words: String) {
        self.locked = Some(words);
    }

    pub(super) fn look(&mut self, cx: &mut Cx) -> Result<(), Failure> {
        if let Some(words) = self.locked.take() {
            return Err(Failure::halted(&causes::ENGINE_LOCKED, words));
        }
        let Some(told) = self.last else { return Ok(()) };
        if agrees(cx, told) || cx.station.programming {
            (self.asked, self.confirmed) = (None, 0);
            return Ok(());
        }
        if let Some((order, at)) = self.asked {
            if cx.ended(order).is_none() {
                return Ok(());
            }
            self.asked = None;
            if cx.ordered_at > at {
                // Our own order came in between: the answer may be older than it.
                self.confirmed = 0;
                return Ok(());
            }
            if told.at >= at {
                // A line that was late may have come behind the answer: only the second answer counts.
                self.confirmed += 1;
                if self.confirmed < ANSWERS {
                    self.asked = Some((cx.order(Action::AskEngine), cx.now));
                    return Ok(());
                }
                let evidence = format!(
                    "the station says {:.0} %, ordered {:.0} %",
                    told.ratio * 100.0,
                    cx.ordered.0.ratio() * 100.0
                );
                return Err(Failure::emergency(&causes::ANOTHER_THROTTLE, evidence));
            }
            // Asked, and the answer named no other setting: what was told is out of date.
            (self.last, self.confirmed) = (None, 0);
            return Ok(());
        }
        if cx.passed(told.at, LASTING) && cx.passed(cx.ordered_at, LASTING) {
            self.asked = Some((cx.order(Action::AskEngine), cx.now));
        }
        Ok(())
    }
}

/// Within a step and a half of our order, and the same way where it moves. An emergency stop that we did not order
/// counts as a disagreement.
fn agrees(cx: &Cx, told: Told) -> bool {
    let (setting, direction) = cx.ordered;
    let close = (told.ratio - setting.ratio()).abs() <= 1.5 / f64::from(setting.of.max(1));
    let same_way = setting.value == 0 || told.direction == Some(direction);
    close && same_way
}
