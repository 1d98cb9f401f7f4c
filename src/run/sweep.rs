//! The sweep: points up one direction, then the other, never faster than the target needs; then the anchor again.
//!
//! Up to the first step that starts from rest every step is tried, each for a few seconds only: what lies between the
//! last that stands and the first that moves cannot be counted on, so the curve begins at the first that moves. The
//! engine cools meanwhile: it runs warm again before the curve is measured from that first step on.
use super::baseline::BaselineFound;
use super::cx::{Cx, Step};
use super::point::{Point, PointWish};
use super::record::PointPurpose;
use super::rewarm::{COOLED, Rewarm};
use crate::calibrate::{BaselineKind, CurvePoint, baseline_drive};
use crate::cause::engine as causes;
use crate::motion::Measured;
use crate::station::{Direction, Setting};
use crate::time::BenchTime;
use std::time::Duration;

/// Doubt (k = 1) of "stands" as a speed, mm/s.
const STANDS_U_MM_S: f64 = 0.2;
/// Counts between two settings that are near enough to begin the curve at the first that moved.
const NEAR_COUNTS: f64 = 3.0;
/// The next point is not driven to if it would come nearer than this to the speed limit.
const LIMIT_PART: f64 = 0.97;
/// The sweep goes this much beyond what the target needs, so that its own scatter cannot leave the top out.
const TOP_ROOM: f64 = 1.01;
/// A change of the anchor beyond this part of the target's top is said.
const DRIFT_SAID: f64 = 0.005;
/// An engine that ran at this part of the target's top does not stand at a higher setting.
pub(super) const RUNS_WELL: f64 = 0.12;
/// The anchor is this one of the points that moved, counted from 0.
const ANCHOR: usize = 1;

/// What the sweep found.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct SweepFound {
    /// Points forward and reverse.
    pub(super) points: [Vec<CurvePoint>; 2],
    /// Change of the anchor from its first measurement to the end of the sweep, mm/s.
    pub(super) drift_mm_s: f64,
}

/// The sweep under way.
#[derive(Debug)]
pub(super) struct Sweep {
    kind: BaselineKind,
    values: Vec<u16>,
    /// Speed that the target needs, reserve included, mm/s.
    needed_mm_s: f64,
    /// The first setting that is tried.
    first: u16,
    /// Setting of the faster probe of the baseline.
    ran_at: u16,
    /// The setting to come.
    next: Option<u16>,
    direction: Direction,
    point: Option<Point>,
    /// The setting at which it runs warm.
    warm_at: u16,
    /// When the search for the first step that moves began in this direction; none once it is found.
    searching: Option<BenchTime>,
    rewarm: Option<Rewarm>,
    measured: [Vec<(u16, Option<Measured>)>; 2],
    anchor: bool,
}

impl Sweep {
    /// After this baseline.
    pub(super) fn new(cx: &Cx, baseline: BaselineFound) -> Self {
        let spec = &cx.plan.spec;
        let of = spec.engine.step_mode;
        // Two steps of the climb below the highest that stood there: the other direction may start earlier.
        let first = baseline.stood.saturating_sub(of / 14).max(1);
        Self {
            kind: baseline.kind,
            first,
            ran_at: baseline.probes[1].0,
            values: spread(spec.sweep.points, of),
            needed_mm_s: TOP_ROOM * spec.target.top_mm_s() / (1.0 - spec.limits.top_reserve).max(0.1),
            next: Some(first),
            direction: Direction::Forward,
            point: None,
            warm_at: baseline.warm_up_value(cx),
            searching: Some(cx.now),
            rewarm: None,
            measured: [Vec::new(), Vec::new()],
            anchor: false,
        }
    }

    /// Begin the present point again; warm again first where the engine stood for long.
    pub(super) fn rewind(&mut self, cx: &mut Cx, stood: Duration) {
        if let Some(point) = &mut self.point {
            point.rewind(cx);
        }
        if let Some(rewarm) = &mut self.rewarm {
            rewarm.rewind();
        }
        // The search for the first step that moves is followed by a run to get warm in any case.
        if stood >= COOLED && self.searching.is_none() {
            self.rewarm = Some(Rewarm::new((self.warm_at, self.direction), stood));
        }
    }

    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<SweepFound> {
        loop {
            cx.phase_done =
                (self.measured[0].len() + self.measured[1].len()) as f64 / (2.0 * self.values.len() as f64);
            if let Some(rewarm) = &mut self.rewarm {
                if !rewarm.poll(cx)? {
                    return Ok(None);
                }
                self.rewarm = None;
            }
            if self.point.is_none() {
                self.point = self.next_point(cx);
            }
            let Some(point) = &mut self.point else { return Ok(Some(self.found(cx, 0.0))) };
            let Some(result) = point.poll(cx)? else { return Ok(None) };
            let (value, result) = (point.wish.value, result.measured());
            self.point = None;
            if self.anchor {
                let drift = self.drift(value, result);
                return Ok(Some(self.found(cx, drift)));
            }
            if let (Some(began), true) = (self.searching, result.is_some()) {
                // Found; measured again once it is warm.
                self.searching = None;
                self.rewarm = Some(Rewarm::new((self.warm_at, self.direction), cx.now.since(began)));
                continue;
            }
            self.measured[usize::from(self.direction == Direction::Reverse)].push((value, result));
            self.next = self.after(value, result.is_some());
            if self.is_fast_enough(cx) {
                self.next = None;
            }
        }
    }

    fn next_point(&mut self, cx: &Cx) -> Option<Point> {
        if self.next.is_none() && self.direction == Direction::Forward {
            self.direction = Direction::Reverse;
            self.next = Some(self.first);
            self.searching = Some(cx.now);
        }
        if let Some(value) = self.next {
            return Some(Point::new(PointWish {
                purpose: PointPurpose::Sweep,
                value,
                direction: self.direction,
                sharpness: 1.0,
                may_stand: self.may_stand(cx, value),
            }));
        }
        self.anchor = true;
        let (value, _) = *self.anchor_point()?;
        Some(Point::new(PointWish {
            purpose: PointPurpose::Anchor,
            value,
            direction: Direction::Forward,
            sharpness: 1.0,
            may_stand: true,
        }))
    }

    /// Standing is a result up to where the engine was seen to run well: in this direction now, or forward at the
    /// beginning. Beyond that it is jammed, or has lost contact.
    fn may_stand(&self, cx: &Cx, value: u16) -> bool {
        let well = RUNS_WELL * cx.plan.spec.target.top_mm_s();
        let row = &self.measured[usize::from(self.direction == Direction::Reverse)];
        let ran = row.iter().any(|(_, result)| result.is_some_and(|m| m.speed_mm_s.abs() >= well));
        !ran && value <= self.ran_at
    }

    /// The setting after this one: the next step while it stands, then the next of the spread.
    fn after(&self, value: u16, moved: bool) -> Option<u16> {
        let top = self.values.last().copied()?;
        if moved {
            self.values.iter().copied().find(|next| *next > value)
        } else {
            Some(value + 1).filter(|next| *next <= top)
        }
    }

    /// A slow point forward: friction, which changes with warmth, shows most there.
    fn anchor_point(&self) -> Option<&(u16, Option<Measured>)> {
        let moved: Vec<_> = self.measured[0].iter().filter(|(_, measured)| measured.is_some()).collect();
        moved.get(ANCHOR.min(moved.len().saturating_sub(1))).copied()
    }

    /// The last point was as fast as needed, or the next would come near the limit.
    fn is_fast_enough(&self, cx: &Cx) -> bool {
        let row = &self.measured[usize::from(self.direction == Direction::Reverse)];
        let speed = |at: usize| {
            let place = row.len().checked_sub(at)?;
            let (value, measured) = row.get(place)?;
            Some((f64::from(*value), measured.map_or(0.0, |measured| measured.speed_mm_s.abs())))
        };
        let Some((value, last)) = speed(1) else { return false };
        if last >= self.needed_mm_s {
            return true;
        }
        let (Some((before, slower)), Some(next)) = (speed(2), self.next) else {
            return false;
        };
        let slope = ((last - slower) / (value - before)).max(0.0);
        last + slope * (f64::from(next) - value)
            > LIMIT_PART * cx.plan.spec.limits.speed_mm_s.min(cx.fastest_mm_s())
    }

    fn drift(&self, value: u16, again: Option<Measured>) -> f64 {
        let first =
            self.measured[0].iter().find(|(first, _)| *first == value).and_then(|(_, measured)| *measured);
        match (first, again) {
            (Some(first), Some(again)) => again.speed_mm_s.abs() - first.speed_mm_s.abs(),
            _ => 0.0,
        }
    }

    fn found(&self, cx: &mut Cx, drift_mm_s: f64) -> SweepFound {
        let top_mm_s = cx.plan.spec.target.top_mm_s();
        if drift_mm_s.abs() > DRIFT_SAID * top_mm_s {
            cx.note(&causes::DRIFTED, format!("{drift_mm_s:+.2} mm/s"));
        }
        let of = cx.plan.spec.engine.step_mode;
        let points = [0, 1].map(|side: usize| {
            let moved = self.measured[side].iter().filter_map(|(value, result)| Some((*value, (*result)?)));
            let moved: Vec<CurvePoint> =
                moved.map(|(value, measured)| self.curve_point(value, of, measured, drift_mm_s)).collect();
            let stands = stands_at(&moved, self.stood(side, of)).map(|drive| CurvePoint {
                drive,
                speed_mm_s: 0.0,
                u_mm_s: STANDS_U_MM_S,
            });
            stands.into_iter().chain(moved).collect()
        });
        SweepFound { points, drift_mm_s }
    }

    /// Drive of the last setting that stood before the first that moved.
    fn stood(&self, side: usize, of: u16) -> f64 {
        let row = &self.measured[side];
        let last = row.iter().take_while(|(_, result)| result.is_none()).last();
        last.map_or(0.0, |(value, _)| baseline_drive(self.kind, Setting { value: *value, of }))
    }

    /// Repeatability and drift enter the point; what all points share (circumference, clock) does not bend a curve.
    fn curve_point(&self, value: u16, of: u16, measured: Measured, drift_mm_s: f64) -> CurvePoint {
        let drive = baseline_drive(self.kind, Setting { value, of });
        let speed_mm_s = measured.speed_mm_s.abs();
        // Rectangular doubt of a change whose course is not known.
        let u_mm_s = libm::hypot(measured.u_repeat_mm_s, drift_mm_s / 3f64.sqrt());
        CurvePoint { drive, speed_mm_s, u_mm_s }
    }
}

/// Where the curve begins: just below the first point that moved; where the step below it is far, as far down as the
/// line through the first two points would stand, but not below the drive that did stand.
fn stands_at(moved: &[CurvePoint], stood: f64) -> Option<f64> {
    let first = moved.first()?;
    let near = (first.drive - 1.0).max(0.0);
    let Some(second) = moved.get(1) else { return Some(near) };
    if first.drive - stood <= NEAR_COUNTS {
        return Some(near);
    }
    let slope = (second.speed_mm_s - first.speed_mm_s) / (second.drive - first.drive);
    let zero = first.drive - first.speed_mm_s / slope.max(f64::EPSILON);
    Some(zero.max(stood).min(near))
}

/// So many settings, rising, the first 1 and the last the top step; closer together at the low end, where an engine's
/// curve bends most.
pub(super) fn spread(points: Option<u16>, of: u16) -> Vec<u16> {
    let wanted = points.unwrap_or(28).clamp(4, of);
    let place = |i: u16| {
        let part = f64::from(i) / f64::from(wanted - 1);
        f64::from(of - 1) * part * part.sqrt()
    };
    let mut values: Vec<u16> = Vec::new();
    for i in 0..wanted {
        // Never two alike: where the curve of places is flat, every step is taken.
        let least = values.last().map_or(1, |last| last + 1);
        let most = of - (wanted - 1 - i);
        let wished = (least..most).find(|value| f64::from(*value - 1) + 0.5 > place(i)).unwrap_or(most);
        values.push(wished);
    }
    values
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_spread_rises_from_the_first_step_to_the_top() {
        assert_eq!(spread(None, 28), (1..=28).collect::<Vec<u16>>());
        assert_eq!(spread(Some(8), 28), [1, 2, 5, 9, 13, 17, 22, 28]);
        for wanted in 4..=126 {
            let values = spread(Some(wanted), 126);
            assert_eq!((values.len(), values[0], values[values.len() - 1]), (usize::from(wanted), 1, 126));
            assert!(values.windows(2).all(|pair| pair[0] < pair[1]));
        }
    }
}
