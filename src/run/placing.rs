//! Placings: once the curve is measured, the engine is lifted off and put back, and one speed is measured again each
//! time. What changes more than repeatability explains is of the placing (`calibrate::between_placings`).
//!
//! The person is asked twice each time. The first question tells that somebody is there, and nobody has touched the
//! engine before it is answered: unanswered, the run goes on without more placings. After it the engine stays at rest
//! until the second is answered, however long that takes.
use super::cx::{Cx, Step};
use super::input::Question;
use super::mover::Mover;
use super::point::{Point, PointWish};
use super::record::PointPurpose;
use super::rewarm::Rewarm;
use crate::calibrate::{Placed, PlacingPart, between_placings};
use crate::cause::{Reason, engine as causes};
use crate::station::Direction;
use crate::time::BenchTime;
use std::time::Duration;

/// How long the first question waits. The bench file's key says so too.
const ANSWERED_WITHIN: Duration = Duration::from_secs(600);
/// Fewest placings that count; the bench file asks for none or so many.
const FEWEST: usize = 3;
/// The engine is measured so much sharper than a point of the curve: what scatters within a placing hides the rest.
const SHARPNESS: f64 = 0.2;

#[derive(Debug)]
enum Stage {
    Measuring(Point),
    Standing(Mover),
    /// Is somebody there?
    MayLift {
        question: u32,
        since: BenchTime,
    },
    /// The engine is in the person's hands.
    PutBack {
        question: u32,
    },
    Warming(Rewarm),
}

/// What the placings gave.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct PlacingFound {
    /// None where there were too few.
    pub(super) part: Option<PlacingPart>,
    /// Why there were fewer than asked.
    pub(super) reason: Option<Reason>,
}

/// The placings under way.
#[derive(Debug)]
pub(super) struct Placing {
    at: (u16, Direction),
    wanted: usize,
    stood: BenchTime,
    seen: Vec<Placed>,
    stage: Stage,
}

impl Placing {
    /// At this setting of the step mode, forward.
    pub(super) fn new(cx: &Cx, value: u16) -> Self {
        let at = (value, Direction::Forward);
        let wanted = usize::from(cx.plan.spec.sweep.placings);
        Self { at, wanted, stood: cx.now, seen: Vec::new(), stage: Stage::Measuring(point(at)) }
    }

    /// Begin the present move again, as after a pause or a lost link.
    pub(super) fn rewind(&mut self, cx: &mut Cx) {
        match &mut self.stage {
            Stage::Measuring(point) => point.rewind(cx),
            Stage::Standing(mover) => *mover = Mover::stand(cx),
            Stage::Warming(rewarm) => rewarm.rewind(),
            Stage::MayLift { since, .. } => *since = cx.now,
            Stage::PutBack { .. } => {}
        }
    }

    /// Done once all placings are measured, or nobody answers.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<PlacingFound> {
        loop {
            cx.phase_done = self.seen.len() as f64 / self.wanted.max(1) as f64;
            let next = match &mut self.stage {
                Stage::Measuring(point) => {
                    let Some(result) = point.poll(cx)? else { return Ok(None) };
                    if let Some(measured) = result.measured() {
                        self.seen.push(Placed {
                            speed_mm_s: measured.speed_mm_s.abs(),
                            u_mm_s: measured.u_repeat_mm_s,
                            degrees: measured.degrees,
                        });
                    }
                    if self.seen.len() >= self.wanted {
                        return Ok(Some(self.found(None)));
                    }
                    self.stood = cx.now;
                    Stage::Standing(Mover::stand(cx))
                }
                Stage::Standing(mover) => {
                    if mover.poll(cx)?.is_none() {
                        return Ok(None);
                    }
                    Stage::MayLift { question: cx.ask(Question::MayLift), since: cx.now }
                }
                Stage::MayLift { question, since } => {
                    let (question, since) = (*question, *since);
                    if cx.answer(question).is_some() {
                        Stage::PutBack { question: cx.ask(Question::PutBack) }
                    } else if cx.passed(since, ANSWERED_WITHIN) {
                        cx.withdraw(question);
                        return Ok(Some(self.unanswered(cx)));
                    } else {
                        return Ok(None);
                    }
                }
                Stage::PutBack { question } => {
                    if cx.answer(*question).is_none() {
                        return Ok(None);
                    }
                    Stage::Warming(Rewarm::new(self.at, cx.now.since(self.stood)))
                }
                Stage::Warming(rewarm) => {
                    if !rewarm.poll(cx)? {
                        return Ok(None);
                    }
                    Stage::Measuring(point(self.at))
                }
            };
            self.stage = next;
        }
    }

    fn unanswered(&self, cx: &mut Cx) -> PlacingFound {
        let evidence = format!(
            "measured in {} of {} placings; no answer within {} s",
            self.seen.len(),
            self.wanted,
            ANSWERED_WITHIN.as_secs()
        );
        cx.note(&causes::PLACINGS_UNANSWERED, evidence.clone());
        self.found(Some(Reason::new(&causes::PLACINGS_UNANSWERED, evidence)))
    }

    /// Two placings, where nobody answered any more, tell too little to be counted on.
    fn found(&self, reason: Option<Reason>) -> PlacingFound {
        let part = if self.seen.len() < FEWEST { None } else { between_placings(&self.seen) };
        PlacingFound { part, reason }
    }
}

fn point((value, direction): (u16, Direction)) -> Point {
    let purpose = PointPurpose::Placing;
    Point::new(PointWish { purpose, value, direction, sharpness: SHARPNESS, may_stand: false })
}
