//! The sweep: points up one direction, then the other, never faster than the target needs; then the anchor again.
//!
//! Up to the first step that starts from rest every step is tried, each for a few seconds only: what lies between the
//! last that stands and the first that moves cannot be counted on, so the curve begins at the first that moves.
use super::baseline::BaselineFound;
use super::cx::{Cx, Step};
use super::point::{Point, PointWish};
use super::record::PointPurpose;
use crate::calibrate::{BaselineKind, CurvePoint, baseline_drive};
use crate::cause::engine as causes;
use crate::motion::Measured;
use crate::station::{Direction, Setting};

/// Doubt (k = 1) of "stands" as a speed, mm/s.
const STANDS_U_MM_S: f64 = 0.2;
/// The next point is not driven to if it would come nearer than this to the speed limit.
const LIMIT_PART: f64 = 0.97;
/// A change of the anchor beyond this is said.
const DRIFT_SAID: f64 = 0.01;

/// What the sweep found.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct SweepFound {
    /// Points forward and reverse.
    pub(super) points: [Vec<CurvePoint>; 2],
    /// Relative change of the anchor from its first measurement to the end of the sweep.
    pub(super) drift_rel: f64,
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
    /// The setting to come.
    next: Option<u16>,
    direction: Direction,
    point: Option<Point>,
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
            values: spread(spec.sweep.points, of),
            needed_mm_s: spec.target.top_mm_s() / (1.0 - spec.limits.top_reserve).max(0.1),
            next: Some(first),
            direction: Direction::Forward,
            point: None,
            measured: [Vec::new(), Vec::new()],
            anchor: false,
        }
    }

    pub(super) fn rewind(&mut self, cx: &mut Cx) {
        if let Some(point) = &mut self.point {
            point.rewind(cx);
        }
    }

    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<SweepFound> {
        loop {
            cx.phase_done =
                (self.measured[0].len() + self.measured[1].len()) as f64 / (2.0 * self.values.len() as f64);
            if self.point.is_none() {
                self.point = self.next_point();
            }
            let Some(point) = &mut self.point else { return Ok(Some(self.found(cx, 0.0))) };
            let Some(result) = point.poll(cx)? else { return Ok(None) };
            let value = point.wish.value;
            self.point = None;
            if self.anchor {
                let drift = self.drift(value, result);
                return Ok(Some(self.found(cx, drift)));
            }
            self.measured[usize::from(self.direction == Direction::Reverse)].push((value, result));
            self.next = self.after(value, result.is_some());
            if self.is_fast_enough(cx) {
                self.next = None;
            }
        }
    }

    fn next_point(&mut self) -> Option<Point> {
        if self.next.is_none() && self.direction == Direction::Forward {
            self.direction = Direction::Reverse;
            self.next = Some(self.first);
        }
        if let Some(value) = self.next {
            return Some(Point::new(PointWish {
                purpose: PointPurpose::Sweep,
                value,
                direction: self.direction,
                sharpness: 1.0,
                may_stand: true,
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

    /// The setting after this one: the next step while it stands, then the next of the spread.
    fn after(&self, value: u16, moved: bool) -> Option<u16> {
        let top = self.values.last().copied()?;
        if moved { self.values.iter().copied().find(|next| *next > value) } else { Some(value + 1).filter(|next| *next <= top) }
    }

    /// The middle one of the points forward that moved.
    fn anchor_point(&self) -> Option<&(u16, Option<Measured>)> {
        let moved: Vec<_> = self.measured[0].iter().filter(|(_, measured)| measured.is_some()).collect();
        moved.get(moved.len() / 2).copied()
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
        let (Some((before, slower)), Some(next)) = (speed(2), self.values.get(self.next)) else {
            return false;
        };
        let slope = ((last - slower) / (value - before)).max(0.0);
        last + slope * (f64::from(next) - value) > LIMIT_PART * cx.plan.spec.limits.speed_mm_s
    }

    fn drift(&self, value: u16, again: Option<Measured>) -> f64 {
        let first =
            self.measured[0].iter().find(|(first, _)| *first == value).and_then(|(_, measured)| *measured);
        match (first, again) {
            (Some(first), Some(again)) => again.speed_mm_s.abs() / first.speed_mm_s.abs() - 1.0,
            _ => 0.0,
        }
    }

    fn found(&self, cx: &mut Cx, drift_rel: f64) -> SweepFound {
        if drift_rel.abs() > DRIFT_SAID {
            cx.note(&causes::DRIFTED, format!("{:+.2} %", drift_rel * 100.0));
        }
        let of = cx.plan.spec.engine.step_mode;
        let points = [0, 1].map(|side: usize| {
            self.measured[side]
                .iter()
                .map(|(value, result)| self.curve_point(*value, of, *result, drift_rel))
                .collect()
        });
        SweepFound { points, drift_rel }
    }

    /// Repeatability and drift enter the point; what all points share (circumference, clock) does not bend a curve.
    fn curve_point(&self, value: u16, of: u16, measured: Measured, drift_rel: f64) -> CurvePoint {
        let drive = baseline_drive(self.kind, Setting { value, of });
        let speed_mm_s = measured.speed_mm_s.abs();
        // Rectangular doubt of a change whose course is not known.
        let drift = speed_mm_s * drift_rel / 3f64.sqrt();
        let u_mm_s = (measured.u_repeat_mm_s * measured.u_repeat_mm_s + drift * drift).sqrt();
        CurvePoint { drive, speed_mm_s, u_mm_s }
    }
}

/// The settings of a sweep, rising, first 1 and last the top step.
pub(super) fn spread(points: Option<u16>, of: u16) -> Vec<u16> {
    let wanted = points.unwrap_or(28).clamp(4, of);
    let mut values: Vec<u16> = (0..wanted)
        .map(|i| 1 + (f64::from(i) * f64::from(of - 1) / f64::from(wanted - 1) + 0.5) as u16)
        .collect();
    values.dedup();
    values
}
