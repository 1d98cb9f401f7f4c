//! Warm-up: the engine runs in turns forward and reverse until its speed is steady.
//!
//! Steady is judged in each direction by a robust slope over the last minutes (Theil-Sen with Kendall's interval,
//! `standards/measurement.md` section 4.2): it lies below the stated rate, and it is either proven to, or cannot be told from
//! none. The first speed of each direction, cold, is kept beside the last.
use super::baseline::BaselineFound;
use super::cx::{Cx, Step};
use super::outcome::Warming;
use super::point::{Point, PointWish};
use super::record::{PointPurpose, RecordBody};
use super::rewarm::COOLED;
use crate::calibrate::{Slope, theil_sen, trend};
use crate::cause::engine as causes;
use crate::motion::Measured;
use crate::station::Direction;
use crate::time::BenchTime;
use std::time::Duration;

/// Time in one direction before the other.
const CYCLE: Duration = Duration::from_secs(45);
/// Speeds are measured this often within a cycle, or as often as they can be.
const EVERY: Duration = Duration::from_secs(10);
/// The slope is that of so much time: two cycles of each direction.
const WINDOW: Duration = Duration::from_secs(180);
/// Speeds that a slope needs.
const FEWEST_POINTS: usize = 5;
/// A trend that chance gives more often than this is none.
const BY_CHANCE: f64 = 0.05;

/// A speed and when it was measured.
#[derive(Clone, Copy, Debug)]
struct Seen {
    at: BenchTime,
    measured: Measured,
}

/// The warm-up under way.
#[derive(Debug)]
pub(super) struct WarmUp {
    value: u16,
    /// None where the decoder stays as it is.
    baseline: Option<BaselineFound>,
    began: BenchTime,
    cycle_began: BenchTime,
    point_began: BenchTime,
    point: Option<Point>,
    direction: Direction,
    /// Everything measured, forward and reverse.
    seen: [Vec<Seen>; 2],
}

impl WarmUp {
    /// At this setting of the step mode; the baseline is handed on.
    pub(super) fn new(cx: &Cx, value: u16, baseline: Option<BaselineFound>) -> Self {
        Self {
            value,
            baseline,
            began: cx.now,
            cycle_began: cx.now,
            point_began: cx.now,
            point: None,
            direction: Direction::Forward,
            seen: [Vec::new(), Vec::new()],
        }
    }

    /// Begin the present cycle again; after standing for long, the whole of it.
    pub(super) fn rewind(&mut self, cx: &mut Cx, stood: Duration) {
        cx.motion.end_measure();
        self.point = None;
        self.cycle_began = cx.now;
        if stood >= COOLED {
            self.began = cx.now;
            self.seen = [Vec::new(), Vec::new()];
        }
    }

    /// Done with the baseline once it is warm.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<Option<BaselineFound>> {
        cx.phase_done =
            cx.now.since(self.began).as_secs_f64() / cx.plan.spec.warm_up.shortest.as_secs_f64().max(1.0);
        loop {
            if let Some(point) = &mut self.point {
                let Some(result) = point.poll(cx)? else { return Ok(None) };
                if let Some(measured) = result.measured() {
                    if cx.sense.is_none() && self.direction == Direction::Forward {
                        cx.learn_sense(measured.speed_mm_s);
                    }
                    self.seen[index(self.direction)].push(Seen { at: cx.now, measured });
                }
                self.point = None;
            }
            if self.measured_this_cycle() && cx.passed(self.cycle_began, CYCLE) {
                if self.is_over(cx) {
                    self.tell(cx);
                    return Ok(Some(self.baseline));
                }
                self.direction = self.direction.other();
                self.cycle_began = cx.now;
            } else if self.measured_this_cycle() && !cx.passed(self.point_began, EVERY) {
                // The engine keeps running at its setting.
                return Ok(None);
            }
            self.point_began = cx.now;
            self.point = Some(Point::new(wish(self.value, self.direction)));
        }
    }

    fn measured_this_cycle(&self) -> bool {
        self.seen[index(self.direction)].last().is_some_and(|seen| seen.at >= self.cycle_began)
    }

    fn is_over(&self, cx: &mut Cx) -> bool {
        let spec = cx.plan.spec.warm_up;
        let spent = cx.now.since(self.began);
        let slopes = [0, 1].map(|side: usize| self.slope(side, cx.now));
        if spent >= spec.longest {
            let slowest = slopes.into_iter().flatten().map(|(slope, _)| slope);
            let worst = slowest.max_by(|a, b| a.slope.abs().total_cmp(&b.slope.abs()));
            let evidence = worst.map_or_else(
                || format!("too few speeds within {} s", spent.as_secs()),
                |worst| {
                    let [slope, low, high] = [worst.slope, worst.low, worst.high].map(|part| 100.0 * part);
                    format!(
                        "{slope:+.2} % a minute ({low:+.2} to {high:+.2}, 95 %) after {} s",
                        spent.as_secs()
                    )
                },
            );
            cx.note(&causes::NOT_STEADY, evidence);
            return true;
        }
        spent >= spec.shortest
            && slopes.iter().all(|found| {
                found.is_some_and(|(slope, by_chance)| is_steady(&slope, by_chance, spec.steady_per_minute))
            })
    }

    /// Relative slope a minute of one side over the last minutes, and whether it may be chance.
    fn slope(&self, side: usize, now: BenchTime) -> Option<(Slope, bool)> {
        let seen = &self.seen[side];
        let last = seen.last()?.measured.speed_mm_s.abs().max(f64::EPSILON);
        let point = |seen: &Seen| {
            (seen.at.since(self.began).as_secs_f64() / 60.0, seen.measured.speed_mm_s.abs() / last)
        };
        // Slow engines give few speeds in that time: then so many as a slope needs, however long that is.
        let lately =
            seen.iter().rev().take_while(|seen| now.since(seen.at) <= WINDOW).count().max(FEWEST_POINTS);
        let points: Vec<(f64, f64)> = seen[seen.len().saturating_sub(lately)..].iter().map(point).collect();
        Some((theil_sen(&points)?, trend(&points).p() > BY_CHANCE))
    }

    /// Cold against warm.
    fn tell(&self, cx: &mut Cx) {
        let warming = [0, 1].map(|side: usize| {
            // A single speed tells no difference.
            let [cold, .., warm] = &self.seen[side][..] else { return None };
            Some(Warming::between(&cold.measured, &warm.measured))
        });
        cx.warming = warming;
        let [forward, reverse] = warming;
        cx.record(RecordBody::Warmed { forward, reverse, seconds: cx.now.since(self.began).as_secs_f64() });
    }
}

/// Below the rate, and proven so or not to be told from none.
pub(super) fn is_steady(slope: &Slope, by_chance: bool, most: f64) -> bool {
    let proven = slope.low >= -most && slope.high <= most;
    slope.slope.abs() <= most && (proven || by_chance)
}

fn index(direction: Direction) -> usize {
    match direction {
        Direction::Forward => 0,
        Direction::Reverse => 1,
    }
}

fn wish(value: u16, direction: Direction) -> PointWish {
    // The engine has to run anyway: measuring longer costs nothing and shows a smaller change.
    PointWish { purpose: PointPurpose::WarmUp, value, direction, sharpness: 0.2, may_stand: false }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steady_is_below_the_rate_and_proven_or_not_to_be_told_from_none() {
        let slope = |slope, low, high| Slope { slope, low, high, intercept: 1.0 };
        let most = 0.002;
        assert!(is_steady(&slope(0.0005, -0.001, 0.0015), false, most), "proven");
        assert!(is_steady(&slope(0.0015, -0.004, 0.006), true, most), "below, and no trend to be told");
        assert!(!is_steady(&slope(0.0015, 0.001, 0.0025), false, most), "a trend that may be above");
        assert!(!is_steady(&slope(-0.004, -0.02, 0.01), true, most), "noise that hides everything");
    }
}
