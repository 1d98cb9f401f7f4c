//! What a sweep measured, and what becomes of it: drift taken out or into the doubt, and the points of each curve.
use super::cx::{Cx, Failure};
use super::outcome::{LowEnd, SweepDrift};
use crate::calibrate::{BaselineKind, CurvePoint, Drift, Revisit, Tolerance, baseline_drive};
use crate::cause::engine as causes;
use crate::motion::Measured;
use crate::station::Setting;
use crate::time::BenchTime;
use serde::{Deserialize, Serialize};

/// Doubt (k = 1) of "stands" as a speed, mm/s.
const STANDS_U_MM_S: f64 = 0.2;
/// Counts between two settings that are near enough to begin the curve at the first that moved.
const NEAR_COUNTS: f64 = 3.0;
/// Drift beyond so many tolerances during a sweep cannot be taken out by a straight line any more.
const TOLERANCES_MOST: f64 = 3.0;

/// What the sweep found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SweepFound {
    /// What made the decoder linear.
    pub kind: BaselineKind,
    /// Points forward and reverse, drift seen to: drive in counts of 255, mm/s.
    pub points: [Vec<CurvePoint>; 2],
    /// The low end, forward and reverse.
    pub low_end: [LowEnd; 2],
    /// Points measured, forward and reverse.
    pub count: [u32; 2],
    /// What the anchors showed.
    pub drift: Option<SweepDrift>,
}

/// A measured setting.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Visit {
    pub(super) value: u16,
    pub(super) at: BenchTime,
    pub(super) measured: Measured,
}

impl Visit {
    pub(super) fn speed_mm_s(&self) -> f64 {
        self.measured.speed_mm_s.abs()
    }
}

/// Everything measured, with what it takes to make curves of it.
#[derive(Debug)]
pub(super) struct Swept {
    pub(super) kind: BaselineKind,
    pub(super) of: u16,
    pub(super) began: BenchTime,
    /// Settings that moved, in the order they were measured, forward and reverse.
    pub(super) visits: [Vec<Visit>; 2],
    pub(super) low_end: [LowEnd; 2],
    /// The slow and the fast anchor.
    pub(super) anchors: [u16; 2],
}

impl Swept {
    /// Drive of a setting in the linear baseline.
    pub(super) fn drive(&self, value: u16) -> f64 {
        baseline_drive(self.kind, Setting { value, of: self.of })
    }

    /// Whether a setting was measured in a direction.
    pub(super) fn has(&self, side: usize, value: u16) -> bool {
        self.visits[side].iter().any(|visit| visit.value == value)
    }

    /// The points of a curve, rising, as measured; below the first setting that starts from rest nothing counts.
    pub(super) fn points(&self, side: usize) -> Vec<CurvePoint> {
        let as_it_is = |visit: &Visit| (visit.speed_mm_s(), visit.measured.u_repeat_mm_s);
        self.curve(side, as_it_is)
    }

    fn curve(&self, side: usize, of: impl Fn(&Visit) -> (f64, f64)) -> Vec<CurvePoint> {
        let starts = self.low_end[side].starts.unwrap_or(0);
        let counted = self.visits[side].iter().filter(|visit| visit.value >= starts);
        let mut moved: Vec<CurvePoint> = counted
            .map(|visit| {
                let (speed_mm_s, u_mm_s) = of(visit);
                CurvePoint { drive: self.drive(visit.value), speed_mm_s, u_mm_s }
            })
            .collect();
        moved.sort_by(|a, b| a.drive.total_cmp(&b.drive));
        let stood = self.drive(starts.saturating_sub(1));
        let stands = stands_at(&moved, stood).map(|drive| CurvePoint {
            drive,
            speed_mm_s: 0.0,
            u_mm_s: STANDS_U_MM_S,
        });
        stands.into_iter().chain(moved).collect()
    }

    /// Settings measured more than once, first against last.
    fn revisits(&self) -> Vec<Revisit> {
        let mut all = Vec::new();
        for visits in &self.visits {
            for (i, first) in visits.iter().enumerate() {
                let again = |visit: &&Visit| visit.value == first.value;
                if visits[..i].iter().any(|visit| visit.value == first.value) {
                    continue;
                }
                let Some(last) = visits[i + 1..].iter().rev().find(again) else { continue };
                all.push(Revisit {
                    seconds: last.at.since(first.at).as_secs_f64(),
                    speed_mm_s: first.speed_mm_s(),
                    change_mm_s: last.speed_mm_s() - first.speed_mm_s(),
                    u_mm_s: libm::hypot(first.measured.u_repeat_mm_s, last.measured.u_repeat_mm_s),
                });
            }
        }
        all
    }

    /// Typical speed of an anchor.
    fn anchor_speed(&self, anchor: u16) -> Option<f64> {
        let all = self.visits.iter().flatten().filter(|visit| visit.value == anchor);
        let (sum, count) =
            all.fold((0.0, 0.0), |(sum, count), visit| (sum + visit.speed_mm_s(), count + 1.0));
        (count > 0.0).then_some(sum / count)
    }

    /// Points for the curves, drift seen to. Fails where the engine drifts too much.
    pub(super) fn finish(&self, cx: &mut Cx) -> Result<SweepFound, Failure> {
        let ended = self.visits.iter().flatten().map(|visit| visit.at).max().unwrap_or(cx.now);
        let whole_s = ended.since(self.began).as_secs_f64();
        let drift = Drift::from(&self.revisits());
        let speeds = self.anchors.map(|anchor| self.anchor_speed(anchor).unwrap_or(0.0));
        let corrected = drift.is_some_and(|drift| drift.is_significant(speeds[0], speeds[1]));
        if let Some(drift) = drift {
            judge(cx, &drift, speeds, whole_s, corrected)?;
        }
        let seen_to = |visit: &Visit| {
            let (speed, own) = (visit.speed_mm_s(), visit.measured.u_repeat_mm_s);
            let Some(drift) = drift else { return (speed, own) };
            let (carried, left) =
                drift.carried(speed, ended.since(visit.at).as_secs_f64(), whole_s, corrected);
            (carried, libm::hypot(own, left))
        };
        let count = self.visits.each_ref().map(|visits| u32::try_from(visits.len()).unwrap_or(u32::MAX));
        let told = drift.map(|drift| {
            let a_minute = |speed: f64| {
                let (rate, u) = drift.rate_at(speed);
                (60.0 * rate, 60.0 * u)
            };
            SweepDrift {
                seconds: whole_s,
                slow_mm_s: a_minute(speeds[0]),
                fast_mm_s: a_minute(speeds[1]),
                corrected,
            }
        });
        Ok(SweepFound {
            kind: self.kind,
            points: [0, 1].map(|side: usize| self.curve(side, seen_to)),
            low_end: self.low_end,
            count,
            drift: told,
        })
    }
}

/// Says drift that counts; fails where it is too much for a straight line to take out.
fn judge(
    cx: &mut Cx,
    drift: &Drift,
    speeds: [f64; 2],
    whole_s: f64,
    significant: bool,
) -> Result<(), Failure> {
    let limits = &cx.plan.spec.limits;
    let tolerance = Tolerance::new(limits.tolerance_rel, limits.tolerance_floor_mm_s);
    let mut said = false;
    for speed in speeds {
        let (rate, u) = drift.rate_at(speed);
        let change = rate * whole_s;
        let allowed = tolerance.allowed(speed, 0.0);
        let evidence = format!(
            "{change:+.2} +/- {:.2} mm/s at {speed:.0} mm/s within {whole_s:.0} s (k = 2)",
            2.0 * u * whole_s
        );
        if significant && change.abs() - 2.0 * u * whole_s > TOLERANCES_MOST * allowed {
            return Err(Failure::rejected(&causes::DRIFTS_TOO_MUCH, evidence));
        }
        if significant && change.abs() > allowed / 4.0 && !said {
            said = true;
            cx.note(&causes::DRIFTED, evidence);
        }
    }
    Ok(())
}

/// Where the curve begins: just below the first point that moved; where the step below it is far, as far down as the
/// line through the first two points would stand, but not below the drive that did stand.
fn stands_at(moved: &[CurvePoint], stood: f64) -> Option<f64> {
    let first = moved.first()?;
    let near = (first.drive - 1.0).max(0.0);
    let Some(second) = moved.iter().find(|point| point.drive > first.drive) else { return Some(near) };
    if first.drive - stood <= NEAR_COUNTS {
        return Some(near);
    }
    let slope = (second.speed_mm_s - first.speed_mm_s) / (second.drive - first.drive);
    let zero = first.drive - first.speed_mm_s / slope.max(f64::EPSILON);
    Some(zero.max(stood).min(near))
}
