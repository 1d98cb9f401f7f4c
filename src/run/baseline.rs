//! Baseline: the decoder is made linear and quick, and that is proven on the first slow moves.
//!
//! Momentum off (CV 3, 4, 23, 24 = 0), table bit off, trims at unity, then a linear response: CV 2, 6, 5 all zero,
//! or 1, 128, 255 where zeros are refused or make the engine crawl or stand whatever the step (common practice, no
//! source). The first move also fixes which turning sense is the decoder's forward.
use super::cv_job::{CvJob, CvOp};
use super::cx::{Cx, Failure, Step};
use super::input::{Answer, Question};
use super::mover::Mover;
use super::point::{Point, PointWish};
use super::record::PointPurpose;
use super::snapshot::out_of_consist;
use super::write::momentum_s;
use crate::calibrate::{BaselineKind, straight_table};
use crate::cause::engine as causes;
use crate::config::{LeadingEnd, LinearBy};
use crate::dcc::cv29::Bit;
use crate::dcc::{cv, drive};
use crate::motion::{Measured, Standing};
use crate::station::Direction;
use crate::time::BenchTime;
use std::time::Duration;

/// The CVs of the response without the table: start, middle, top.
const SPEED: [u16; 3] = [cv::START_DRIVE, cv::MID_DRIVE, cv::TOP_DRIVE];
/// CVs that adjust the momentum, set to zero where the decoder has them.
pub(super) const ADJUSTMENTS: [u16; 2] = [cv::ACCELERATION_ADJUST, cv::DECELERATION_ADJUST];
/// How long each setting of the first climb is looked at.
const LOOK: Duration = Duration::from_millis(1200);
/// The climb ends here, as a part of the range: who does not move by then does not follow.
const CLIMB_MOST: f64 = 0.6;
/// It ends here while the engine stands.
const STOOD_MOST: f64 = 0.4;
/// The climb has found motion at this part of the target's top.
const FOUND: f64 = 0.12;
/// The second probe must be at least this much faster than the first.
const FOLLOWS: f64 = 1.2;

/// What the baseline found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct BaselineFound {
    pub(super) kind: BaselineKind,
    /// (setting value, mm/s) of both probes.
    pub(super) probes: [(u16, f64); 2],
    /// Highest setting of the climb at which it stood.
    pub(super) stood: u16,
    /// How long after leaving rest that was seen, s.
    pub(super) stood_s: f64,
}

impl BaselineFound {
    /// The setting at which the engine warms up: about 60 % of the target's top, by the two probes.
    pub(super) fn warm_up_value(&self, cx: &Cx) -> u16 {
        let of = cx.plan.spec.engine.step_mode;
        let [(low, slow), (high, fast)] = self.probes;
        let slope = (fast - slow) / (f64::from(high) - f64::from(low)).max(1.0);
        let wanted = (0.6 * cx.plan.spec.target.top_mm_s()).min(0.8 * cx.fastest_mm_s());
        let reaches = |value: u16| slow + slope * (f64::from(value) - f64::from(low)) >= wanted;
        (low..of).find(|value| reaches(*value)).unwrap_or(of)
    }
}

#[derive(Debug)]
enum Stage {
    Writing(CvJob),
    Climbing { value: u16, mover: Mover, since: Option<BenchTime> },
    First(Point),
    Second { first: (u16, f64), point: Point },
    Standing { found: BaselineFound, mover: Mover },
    Asking { found: BaselineFound, question: u32 },
    Falling(Mover),
}

/// The baseline under way.
#[derive(Debug)]
pub(super) struct Baseline {
    kind: BaselineKind,
    stood: u16,
    stood_s: f64,
    stage: Stage,
    /// Zeros did not serve, but no turn was seen: said once one is, for it may not be the decoder's fault.
    unsaid: Option<String>,
}

impl Baseline {
    /// Begins with this kind.
    pub(super) fn new(cx: &Cx, kind: BaselineKind) -> Self {
        Self { kind, stood: 0, stood_s: 0.0, stage: Stage::Writing(job(cx, kind)), unsaid: None }
    }

    /// Begin the present move again, as after a pause or a lost link.
    pub(super) fn rewind(&mut self, cx: &mut Cx) {
        match &mut self.stage {
            Stage::First(point) | Stage::Second { point, .. } => point.rewind(cx),
            Stage::Climbing { .. } => self.stage = climb(cx, 0),
            Stage::Writing(job) => job.rewind(cx),
            Stage::Standing { mover, .. } | Stage::Falling(mover) => *mover = Mover::stand(cx),
            Stage::Asking { .. } => {}
        }
    }

    /// CV work is never paused in the middle.
    pub(super) fn is_programming(&self) -> bool {
        matches!(self.stage, Stage::Writing(_))
    }

    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<BaselineFound> {
        loop {
            let next = match &mut self.stage {
                Stage::Writing(job) => {
                    if job.poll(cx)?.is_none() {
                        return Ok(None);
                    }
                    let refused = job.refused.clone();
                    self.written(cx, &refused)?
                }
                Stage::Climbing { .. } => {
                    let Some(next) = self.climbing(cx)? else { return Ok(None) };
                    next
                }
                Stage::First(point) => {
                    let Some(result) = point.poll(cx)? else { return Ok(None) };
                    let value = point.wish.value;
                    Self::first(cx, value, result.measured())
                }
                Stage::Second { first, point } => {
                    let Some(result) = point.poll(cx)? else { return Ok(None) };
                    let (first, value) = (*first, point.wish.value);
                    self.second(cx, first, value, result.measured())
                }
                Stage::Falling(mover) => {
                    if mover.poll(cx)?.is_none() {
                        return Ok(None);
                    }
                    self.other_kind(cx, "speed does not rise with the setting")?
                }
                Stage::Standing { found, mover } => {
                    let found = *found;
                    if mover.poll(cx)?.is_none() {
                        return Ok(None);
                    }
                    match cx.plan.spec.engine.leading_end {
                        LeadingEnd::Front => return Ok(Some(found)),
                        LeadingEnd::Rear => return Ok(Some(rear_leads(cx, found))),
                        LeadingEnd::Ask => Stage::Asking { found, question: cx.ask(Question::WhichEndLed) },
                    }
                }
                Stage::Asking { found, question } => {
                    let (found, question) = (*found, *question);
                    return Ok(match cx.answer(question) {
                        None => None,
                        Some(Answer::Rear) => Some(rear_leads(cx, found)),
                        Some(_) => Some(found),
                    });
                }
            };
            self.stage = next;
        }
    }

    fn written(&mut self, cx: &mut Cx, refused: &[u16]) -> Result<Stage, Failure> {
        // Nought, unless a profile keeps or leaves momentum.
        cx.momentum_s = momentum_s(cx);
        cx.response_changed();
        // On a straight table they do not matter.
        let speed = refused.iter().filter(|cv| SPEED.contains(cv)).map(u16::to_string);
        let list = speed.collect::<Vec<_>>().join(", ");
        if !list.is_empty() && !matches!(self.kind, BaselineKind::Table(_)) {
            let evidence = format!("refused: CV {list}");
            let other = self.kind == BaselineKind::Zeros && cx.plan.profile.linear_by != LinearBy::Zeros;
            if !other {
                return Err(Failure::rejected(&causes::CV_REFUSED, evidence));
            }
            return self.other_kind(cx, &evidence);
        }
        Ok(climb(cx, 0))
    }

    /// Zeros did not serve: take the other linear baseline, once.
    fn other_kind(&mut self, cx: &mut Cx, evidence: &str) -> Result<Stage, Failure> {
        match self.kind {
            BaselineKind::Zeros if cx.plan.profile.linear_by != LinearBy::Zeros => {
                self.stood = 0;
                if cx.has_moved() && !cx.motion.has_seen_turning() {
                    self.unsaid = Some(evidence.to_owned());
                } else {
                    cx.note(&causes::ZEROS_NOT_LINEAR, evidence);
                }
                self.kind = BaselineKind::OneMidFull;
                Ok(Stage::Writing(job(cx, self.kind)))
            }
            _ => Err(if cx.sense.is_none() {
                Failure::halted(&causes::NOT_MOVING, evidence)
            } else {
                Failure::rejected(&causes::DOES_NOT_FOLLOW, evidence)
            }),
        }
    }

    /// Goes up until the engine clearly moves.
    fn climbing(&mut self, cx: &mut Cx) -> Result<Option<Stage>, Failure> {
        let Stage::Climbing { value, mover, since } = &mut self.stage else { return Ok(None) };
        cx.may_stand = true;
        let value = *value;
        let Some(began) = *since else {
            if mover.poll(cx)?.is_some() {
                *since = Some(cx.now);
                cx.wake_at(cx.now + LOOK);
            }
            return Ok(None);
        };
        if !cx.passed(began, LOOK) {
            return Ok(None);
        }
        let speed = cx.fresh_glance().map_or(0.0, |glance| glance.speed_mm_s.abs());
        if matches!(cx.motion.standing(), Standing::For(_)) {
            (self.stood, self.stood_s) = (value, cx.now.since(cx.turned_at).as_secs_f64());
        } else {
            self.note_start(cx);
        }
        let enough = speed >= FOUND * cx.plan.spec.target.top_mm_s();
        if enough {
            if let Some(evidence) = self.unsaid.take() {
                cx.note(&causes::ZEROS_NOT_LINEAR, evidence);
            }
            return Ok(Some(Stage::First(probe(value))));
        }
        // An engine that nobody sees moving is not told to go ever faster.
        let most = if self.stood == value { STOOD_MOST } else { CLIMB_MOST };
        if cx.ordered.0.ratio() >= most {
            if speed > 0.0 {
                learn_sense(cx);
            }
            return Ok(Some(Stage::Falling(Mover::stand(cx))));
        }
        Ok(Some(climb(cx, value)))
    }

    /// It moves: so long it took at most from rest. Part of that may be the climb through its dead zone, part a sound that
    /// the decoder plays first; either way no later start may be called a stall sooner.
    fn note_start(&self, cx: &mut Cx) {
        if cx.start_s <= cx.plan.profile.start_delay.as_secs_f64() && self.stood_s > cx.start_s {
            cx.start_s = cx.now.since(cx.turned_at).as_secs_f64();
        }
    }

    fn first(cx: &mut Cx, value: u16, result: Option<Measured>) -> Stage {
        let Some(measured) = result else { return Stage::Falling(Mover::stand(cx)) };
        cx.learn_sense(measured.speed_mm_s);
        let of = cx.ordered.0.of;
        let second = u16::try_from(u32::from(value) * 8 / 5).unwrap_or(of);
        // The second probe lies eight fifths as high.
        let point = probe(second.max(value + 1).min(of));
        Stage::Second { first: (value, measured.speed_mm_s.abs()), point }
    }

    fn second(&mut self, cx: &mut Cx, first: (u16, f64), value: u16, result: Option<Measured>) -> Stage {
        let speed = result.map_or(0.0, |measured| measured.speed_mm_s.abs());
        let mover = Mover::stand(cx);
        // Who is at the end of the range already cannot be asked for more.
        let wanted = if f64::from(value) >= 1.4 * f64::from(first.0) { FOLLOWS } else { 1.03 };
        if speed < wanted * first.1 {
            return Stage::Falling(mover);
        }
        let found = BaselineFound {
            kind: self.kind,
            probes: [first, (value, speed)],
            stood: self.stood,
            stood_s: self.stood_s,
        };
        Stage::Standing { found, mover }
    }
}

fn rear_leads(cx: &mut Cx, found: BaselineFound) -> BaselineFound {
    cx.note(&causes::REAR_LEADS, "as stated for this engine");
    found
}

/// The sign of the present speed is the sense of forward.
fn learn_sense(cx: &mut Cx) {
    if let Some(glance) = cx.fresh_glance()
        && glance.speed_mm_s.abs() > 3.0 * glance.u_mm_s
    {
        cx.learn_sense(glance.speed_mm_s);
    }
}

/// The next setting of the climb after `value`: a twenty-eighth of the range more.
fn climb(cx: &Cx, value: u16) -> Stage {
    let of = cx.ordered.0.of;
    let next = (value + (of / 28).max(1)).min(of);
    Stage::Climbing { value: next, mover: Mover::to(next, Direction::Forward), since: None }
}

fn probe(value: u16) -> Point {
    Point::new(PointWish {
        purpose: PointPurpose::Probe,
        value,
        direction: Direction::Forward,
        sharpness: 2.0,
        may_stand: true,
    })
}

/// The kind that this decoder begins with.
pub(super) fn first_kind(cx: &Cx) -> BaselineKind {
    let profile = &cx.plan.profile;
    match profile.linear_by {
        LinearBy::FindOut | LinearBy::Zeros => BaselineKind::Zeros,
        LinearBy::Ends => BaselineKind::OneMidFull,
        LinearBy::Table => BaselineKind::Table(profile.between.unwrap_or_default()),
    }
}

/// The CV work that makes the decoder linear. A CV that the profile leaves out is taken for one that it does not have.
fn job(cx: &Cx, kind: BaselineKind) -> CvJob {
    let profile = &cx.plan.profile;
    let drives = match kind {
        BaselineKind::Zeros | BaselineKind::Table(_) => [0, 0, 0],
        BaselineKind::OneMidFull => [1, 128, 255],
    };
    let mut ops: Vec<CvOp> = out_of_consist(cx).collect();
    ops.extend(profile.keep.iter().map(|(cv, value)| CvOp::Write(*cv, *value)));
    let plain = cx.cvs.settings().with(Bit::SpeedTable, false).with(Bit::Analogue, false);
    let plain = plain.with(Bit::Steps28, cx.steps_28());
    ops.push(CvOp::Write(cv::SETTINGS, plain.value()));
    ops.extend([cv::ACCELERATION, cv::DECELERATION].map(|cv| CvOp::Write(cv, 0)));
    let there = |cv: &u16| cx.cvs.known.contains_key(cv) || cx.cvs.mute.contains(cv);
    ops.extend(ADJUSTMENTS.into_iter().filter(there).map(|cv| CvOp::Write(cv, 0)));
    ops.extend([cv::TRIM_FORWARD, cv::TRIM_REVERSE].map(|cv| CvOp::Write(cv, drive::UNITY_TRIM)));
    ops.extend(SPEED.into_iter().zip(drives).map(|(cv, drive)| CvOp::TryWrite(cv, drive)));
    match kind {
        BaselineKind::Zeros => {}
        BaselineKind::OneMidFull => ops.extend(SPEED.map(CvOp::ReadBack)),
        BaselineKind::Table(_) => {
            let entries = cv::TRIM_FORWARD + 1..cv::TRIM_REVERSE;
            ops.extend(entries.zip(straight_table()).map(|(cv, value)| CvOp::Write(cv, value)));
            ops.push(CvOp::Write(cv::SETTINGS, plain.with(Bit::SpeedTable, true).value()));
        }
    }
    let kept = |cv: u16| profile.keep.iter().any(|(kept, _)| *kept == cv);
    ops.retain(|op| match op {
        CvOp::Write(cv, value) if kept(*cv) => profile.keep.contains(&(*cv, *value)),
        CvOp::Write(cv, _) | CvOp::TryWrite(cv, _) | CvOp::ReadBack(cv) => profile.touches(*cv) && !kept(*cv),
        _ => true,
    });
    CvJob::checked(cx, ops)
}
