//! Warm-up: the engine runs in turns forward and reverse until its speed is steady.
use super::baseline::BaselineFound;
use super::cx::{Cx, Step};
use super::point::{Point, PointWish};
use super::record::PointPurpose;
use super::rewarm::COOLED;
use crate::cause::engine as causes;
use crate::motion::Measured;
use crate::station::Direction;
use crate::time::BenchTime;
use std::time::Duration;

/// Time in one direction before the other.
const CYCLE: Duration = Duration::from_secs(45);

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
    baseline: BaselineFound,
    began: BenchTime,
    cycle_began: BenchTime,
    point: Option<Point>,
    direction: Direction,
    /// Last and last but one, forward and reverse.
    seen: [[Option<Seen>; 2]; 2],
}

impl WarmUp {
    /// At this setting of the step mode; the baseline is handed on.
    pub(super) fn new(cx: &Cx, value: u16, baseline: BaselineFound) -> Self {
        Self {
            value,
            baseline,
            began: cx.now,
            cycle_began: cx.now,
            point: None,
            direction: Direction::Forward,
            seen: [[None; 2]; 2],
        }
    }

    /// Begin the present cycle again; after standing for long, the whole of it.
    pub(super) fn rewind(&mut self, cx: &mut Cx, stood: Duration) {
        cx.motion.end_measure();
        self.point = None;
        self.cycle_began = cx.now;
        if stood >= COOLED {
            self.began = cx.now;
            self.seen = [[None; 2]; 2];
        }
    }

    /// Done with the baseline once it is warm.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<BaselineFound> {
        cx.phase_done =
            cx.now.since(self.began).as_secs_f64() / cx.plan.spec.warm_up.shortest.as_secs_f64().max(1.0);
        loop {
            if !self.measured_this_cycle() {
                let (value, direction) = (self.value, self.direction);
                let point = self.point.get_or_insert_with(|| Point::new(wish(value, direction)));
                let Some(result) = point.poll(cx)? else { return Ok(None) };
                if let Some(measured) = result.measured() {
                    self.keep(cx.now, measured);
                }
                self.point = None;
                continue;
            }
            // Measured; the engine keeps running at its setting until the cycle is over.
            if !cx.passed(self.cycle_began, CYCLE) {
                return Ok(None);
            }
            if self.is_over(cx) {
                return Ok(Some(self.baseline));
            }
            self.direction = self.direction.other();
            self.cycle_began = cx.now;
            self.point = None;
        }
    }

    fn measured_this_cycle(&self) -> bool {
        self.seen[index(self.direction)][0].is_some_and(|seen| seen.at >= self.cycle_began)
    }

    fn keep(&mut self, at: BenchTime, measured: Measured) {
        let row = &mut self.seen[index(self.direction)];
        row[1] = row[0];
        row[0] = Some(Seen { at, measured });
    }

    fn is_over(&self, cx: &mut Cx) -> bool {
        let spec = cx.plan.spec.warm_up;
        let spent = cx.now.since(self.began);
        if spent >= spec.longest {
            let change =
                self.seen.iter().filter_map(|row| change(*row)).map(|(rel, _)| rel.abs()).fold(0.0, f64::max);
            cx.note(
                &causes::NOT_STEADY,
                format!("{:.2} % a minute after {} s", change * 100.0, spent.as_secs()),
            );
            return true;
        }
        spent >= spec.shortest
            && self.seen.iter().all(|row| {
                change(*row).is_some_and(|(rel, noise)| rel.abs() <= spec.steady_per_minute.max(noise))
            })
    }
}

/// Relative change a minute between the two last speeds of a direction, and what noise alone would show (k = 2).
fn change(row: [Option<Seen>; 2]) -> Option<(f64, f64)> {
    let (new, old) = (row[0]?, row[1]?);
    let minutes = new.at.since(old.at).as_secs_f64() / 60.0;
    let speed = new.measured.speed_mm_s.abs();
    if minutes <= 0.0 || speed <= 0.0 {
        return None;
    }
    let rel = (speed - old.measured.speed_mm_s.abs()) / speed / minutes;
    let (a, b) = (new.measured.u_repeat_mm_s, old.measured.u_repeat_mm_s);
    Some((rel, 2.0 * (a * a + b * b).sqrt() / speed / minutes))
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
