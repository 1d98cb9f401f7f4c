//! The sweep: out and back in both directions, never faster than the target needs, with anchors that show drift.
//!
//! It begins where the warm-up ended: at the warm setting, in the direction the engine runs in. First leg: up to the top, down
//! to the step at which it stops. Second and third: the other direction from rest up to the top and down again. Fourth:
//! the first direction from rest up once more, and the warm setting again at the end. So the slowest step that keeps going and
//! the first that starts from rest are found on the way, a reversal costs no idle ramp, and a drift in time weighs alike on
//! both directions. A slow and a fast anchor are on every leg; what they changed by is taken out or goes into the doubt.
//!
//! What lies between the last step that stands and the first that starts from rest cannot be counted on, so the curve begins
//! at the first that starts.
use super::baseline::BaselineFound;
use super::climb::Climb;
use super::cx::{Cx, Failure, Step};
use super::low_end::LowEndSearch;
use super::outcome::LowEnd;
use super::point::{Point, PointWish};
use super::record::{PointPurpose, RecordBody};
use super::rewarm::{COOLED, Rewarm};
use super::route::{Known, Route};
use super::swept::{SweepFound, Swept, Visit};
use crate::calibrate::{BaselineKind, Target, Tolerance, next_points};
use crate::cause::engine as causes;
use crate::config::SweepSteps;
use crate::station::Direction;
use std::collections::VecDeque;
use std::time::Duration;

/// The sweep goes this much beyond what the target needs, so that its own scatter cannot leave the top out.
const TOP_ROOM: f64 = 1.01;
/// An engine that ran at this part of the target's top does not stand at a higher setting.
pub(super) const RUNS_WELL: f64 = 0.12;
/// Points are measured to this part of the precision asked for: of those known just so well at 95 %, one in twenty would lie
/// outside, of these about one in a hundred. It costs a fifth of a time constant a point.
const SHARPNESS: f64 = 0.8;
/// How often a sweep that learns goes out and back again.
const ROUNDS_MOST: u32 = 5;

/// One thing to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Task {
    /// Measure a setting on the way up; left out where it would be too fast.
    Up(u16),
    /// Measure a setting on the way down.
    Down(u16),
    /// Go on up until it is as fast as needed.
    Top,
    /// Go on down until it stands.
    KeepsGoing,
    /// From rest up until it starts; measured there.
    Starts,
    /// Choose what the way back measures.
    Choose,
}

/// What is being done.
#[derive(Debug)]
enum Doing {
    Point(Point),
    Search(LowEndSearch),
}

/// The sweep under way.
#[derive(Debug)]
pub(super) struct Sweep {
    steps: SweepSteps,
    known: Known,
    /// Setting of the faster probe of the baseline.
    ran_at: u16,
    /// Speed that the target needs, reserve included, mm/s.
    needed_mm_s: f64,
    route: Route,
    /// The direction of the first leg.
    first: Direction,
    direction: Direction,
    left: VecDeque<(Direction, Task)>,
    doing: Option<(Task, Doing)>,
    rewarm: Option<Rewarm>,
    swept: Swept,
    rounds: u32,
}

impl Sweep {
    /// After this baseline, the engine warm.
    pub(super) fn new(cx: &Cx, baseline: BaselineFound) -> Self {
        let spec = &cx.plan.spec;
        let of = spec.engine.step_mode;
        // Step 1 has no drive at all where CV 2 is 0.
        let least = if baseline.kind == BaselineKind::Zeros { 2 } else { 1 };
        let known = Known { probes: baseline.probes, of, least };
        let needed_mm_s = TOP_ROOM * spec.target.top_mm_s() / (1.0 - spec.limits.top_reserve).max(0.1);
        let anchors = [baseline.probes[0].0, baseline.warm_up_value(cx)];
        let first = cx.ordered.1;
        let mut sweep = Self {
            steps: spec.sweep.steps,
            known,
            ran_at: baseline.probes[1].0,
            needed_mm_s,
            route: Route::plan(spec.sweep.steps, &known, needed_mm_s, anchors),
            first,
            direction: first,
            left: VecDeque::new(),
            doing: None,
            rewarm: None,
            swept: Swept {
                kind: baseline.kind,
                of,
                began: cx.now,
                visits: [Vec::new(), Vec::new()],
                low_end: [LowEnd::default(); 2],
                anchors,
            },
            rounds: 0,
        };
        sweep.way_out();
        sweep
    }

    /// The first leg and the way up of the second.
    fn way_out(&mut self) {
        let (first, other) = (self.first, self.first.other());
        let fast = self.swept.anchors[1];
        let out = &self.route.out;
        let mut tasks = vec![(first, Task::Up(fast))];
        tasks.extend(out.iter().filter(|value| **value > fast).map(|value| (first, Task::Up(*value))));
        tasks.push((first, Task::Top));
        tasks
            .extend(out.iter().rev().filter(|value| **value < fast).map(|value| (first, Task::Down(*value))));
        tasks.extend([(first, Task::KeepsGoing), (other, Task::Starts)]);
        tasks.extend(out.iter().map(|value| (other, Task::Up(*value))));
        tasks.extend([(other, Task::Top), (other, Task::Choose)]);
        self.left = tasks.into();
    }

    /// Down in the other direction, up in the first, with these settings besides the anchors.
    fn way_back(&mut self, settings: &[Vec<u16>; 2]) {
        let (first, other) = (self.first, self.first.other());
        let [mut up, mut down] = [first, other].map(|direction| {
            let mut all = settings[side(direction)].clone();
            all.extend(self.swept.anchors);
            all.sort_unstable();
            all.dedup();
            all
        });
        // The fast anchor of the first direction is the sweep's last point.
        let fast = self.swept.anchors[1];
        up.retain(|value| *value != fast);
        down.reverse();
        let mut tasks: Vec<(Direction, Task)> =
            down.into_iter().map(|value| (other, Task::Down(value))).collect();
        if self.rounds == 0 {
            tasks.extend([(other, Task::KeepsGoing), (first, Task::Starts)]);
        }
        tasks.extend(up.into_iter().map(|value| (first, Task::Up(value))));
        tasks.push((first, Task::Down(fast)));
        tasks.push((first, Task::Choose));
        self.left.extend(tasks);
    }

    /// Begin the present point again; warm again first where the engine stood for long.
    pub(super) fn rewind(&mut self, cx: &mut Cx, stood: Duration) {
        match &mut self.doing {
            Some((_, Doing::Point(point))) => point.rewind(cx),
            Some((_, Doing::Search(search))) => search.rewind(cx),
            None => {}
        }
        if let Some(rewarm) = &mut self.rewarm {
            rewarm.rewind();
        }
        if stood >= COOLED {
            let fast = self.swept.anchors[1];
            self.rewarm = Some(Rewarm::new((fast, self.direction), stood));
            // What the stop changed shows at the anchor, before the point that it broke off.
            if let Some((task, Doing::Point(_))) = &self.doing {
                self.left.push_front((self.direction, *task));
                self.doing = None;
            }
            if self.doing.is_none() {
                self.left.push_front((self.direction, Task::Up(fast)));
            }
        }
    }

    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<SweepFound> {
        loop {
            cx.phase_done = self.part_done();
            if let Some(rewarm) = &mut self.rewarm {
                if !rewarm.poll(cx)? {
                    return Ok(None);
                }
                self.rewarm = None;
            }
            match &mut self.doing {
                None => {
                    let Some((direction, task)) = self.left.pop_front() else {
                        return self.finish(cx).map(Some);
                    };
                    self.direction = direction;
                    self.doing = self.begin(cx, task)?.map(|doing| (task, doing));
                }
                Some((task, Doing::Point(point))) => {
                    let task = *task;
                    let Some(result) = point.poll(cx)? else { return Ok(None) };
                    let value = point.wish.value;
                    self.doing = None;
                    match result.measured() {
                        Some(measured) => {
                            let visit = Visit { value, at: cx.now, measured };
                            self.swept.visits[side(self.direction)].push(visit);
                            self.moved(task, value);
                        }
                        None => self.stood(task, value),
                    }
                }
                Some((_, Doing::Search(search))) => {
                    let Some(found) = search.poll(cx)? else { return Ok(None) };
                    let Some((task, _)) = self.doing.take() else { return Ok(None) };
                    self.searched(cx, task, found)?;
                }
            }
        }
    }

    /// What a task comes to; none where there is nothing to do for it.
    fn begin(&mut self, cx: &Cx, task: Task) -> Result<Option<Doing>, Failure> {
        let here = side(self.direction);
        Ok(match task {
            Task::Up(value) => {
                let known = self.swept.has(here, value) && !self.swept.anchors.contains(&value);
                let skip = known || !self.climb(cx, here).is_slow_enough(value);
                (!skip).then(|| self.point(cx, value))
            }
            Task::Down(value) => {
                let known = self.swept.has(here, value) && !self.swept.anchors.contains(&value);
                let beyond = self.highest(here).is_some_and(|highest| value > highest)
                    || self.swept.low_end[here].starts.is_some_and(|starts| value < starts);
                (!(known || beyond)).then(|| self.point(cx, value))
            }
            Task::Top => {
                let Some(value) = self.climb(cx, here).next() else { return Ok(None) };
                self.left.push_front((self.direction, Task::Top));
                Some(self.point(cx, value))
            }
            Task::KeepsGoing => self.search_down(here, self.known.least),
            Task::Starts => {
                let own = self.swept.low_end[here].keeps_going;
                let others = self.swept.low_end[1 - here].keeps_going;
                let room = (self.known.of / 56).max(1);
                let from = own.or(others.map(|value| value.saturating_sub(room))).unwrap_or(self.known.least);
                let from = from.max(self.known.least);
                // From rest it may need more than what keeps it going.
                let last = self.ran_at.max(from);
                Some(Doing::Search(LowEndSearch::up(cx, self.direction, from, last)))
            }
            Task::Choose => {
                self.choose(cx);
                None
            }
        })
    }

    fn point(&self, cx: &Cx, value: u16) -> Doing {
        let again = self.swept.has(side(self.direction), value);
        Doing::Point(Point::new(PointWish {
            purpose: if again { PointPurpose::Anchor } else { PointPurpose::Sweep },
            value,
            direction: self.direction,
            sharpness: SHARPNESS,
            may_stand: self.may_stand(cx, value),
        }))
    }

    /// A setting was measured.
    fn moved(&mut self, task: Task, value: u16) {
        let here = side(self.direction);
        let reached = |visit: &Visit| visit.value == value && visit.speed_mm_s() >= self.needed_mm_s;
        let fast = self.highest(here) == Some(value) && self.swept.visits[here].iter().any(reached);
        if fast && matches!(task, Task::Up(_) | Task::Top) {
            // Faster than needed there is nothing to measure.
            let direction = self.direction;
            let higher = |(way, task): &(Direction, Task)| match task {
                Task::Up(next) => *way == direction && *next > value,
                Task::Top => *way == direction,
                _ => false,
            };
            while self.left.front().is_some_and(higher) {
                self.left.pop_front();
            }
        }
    }

    /// The engine stood at a setting.
    fn stood(&mut self, task: Task, value: u16) {
        if let Task::Down(_) = task {
            // Lower ones stand too; where between it stops is looked for.
            let down = |(_, task): &(Direction, Task)| matches!(task, Task::Down(_));
            while self.left.front().is_some_and(down) {
                self.left.pop_front();
            }
            if self.left.front().is_some_and(|(_, task)| *task == Task::KeepsGoing) {
                self.left.pop_front();
                let here = side(self.direction);
                if let Some(Doing::Search(mut search)) = self.search_down(here, value + 1) {
                    search.is_standing();
                    self.doing = Some((Task::KeepsGoing, Doing::Search(search)));
                }
            }
        }
    }

    /// Looks for the slowest step that keeps going, below the lowest that moved; what is known without looking is kept.
    fn search_down(&mut self, here: usize, last: u16) -> Option<Doing> {
        let lowest = self.lowest(here)?;
        if lowest <= last {
            self.swept.low_end[here].keeps_going = Some(lowest);
            return None;
        }
        // From two steps above where a line through the lowest points crosses zero; all above that surely moves.
        let points = self.swept.points(here);
        let moved: Vec<_> = points.iter().filter(|point| point.speed_mm_s > 0.0).collect();
        let zero = match moved[..] {
            [first, second, ..] if second.drive > first.drive => {
                let slope = (second.speed_mm_s - first.speed_mm_s) / (second.drive - first.drive);
                first.drive - first.speed_mm_s / slope.max(f64::EPSILON)
            }
            _ => 0.0,
        };
        let crosses = (last..lowest).find(|value| self.swept.drive(*value) > zero).unwrap_or(lowest - 1);
        let from = (crosses + 2).min(lowest - 1);
        Some(Doing::Search(LowEndSearch::down(self.direction, lowest, (from, last), self.ran_at)))
    }

    /// A search has ended.
    fn searched(&mut self, cx: &mut Cx, task: Task, found: u16) -> Result<(), Failure> {
        let here = side(self.direction);
        if found == 0 {
            let evidence =
                format!("from rest it does not start up to setting {} of {}", self.ran_at, self.known.of);
            return Err(Failure::halted(&causes::NOT_MOVING, evidence));
        }
        if task == Task::KeepsGoing {
            self.swept.low_end[here].keeps_going = Some(found);
            return Ok(());
        }
        self.swept.low_end[here].starts = Some(found);
        if self.swept.low_end[here].keeps_going.is_none_or(|keeps| keeps > found) {
            self.swept.low_end[here].keeps_going = Some(found);
        }
        let direction = self.direction;
        self.left.retain(|(way, task)| {
            *way != direction || !matches!(task, Task::Up(v) | Task::Down(v) if *v <= found)
        });
        self.doing = Some((Task::Up(found), self.point(cx, found)));
        Ok(())
    }

    /// What the way back measures, or whether there is another.
    fn choose(&mut self, cx: &Cx) {
        if self.steps != SweepSteps::Learn {
            if self.rounds == 0 {
                let back = self.route.back.clone();
                self.way_back(&[back.clone(), back]);
                self.rounds = 1;
            }
            return;
        }
        let chosen = self.wanted(cx);
        let none = chosen.iter().all(Vec::is_empty);
        if self.rounds == 0 || (!none && self.rounds < ROUNDS_MOST) {
            self.way_back(&chosen);
            self.rounds += 1;
        }
    }

    /// The settings that the table still needs.
    fn wanted(&self, cx: &Cx) -> [Vec<u16>; 2] {
        let limits = &cx.plan.spec.limits;
        let Ok(mut target) = Target::from_spec(&cx.plan.spec.target) else { return Default::default() };
        // An engine too slow for its target gets a lower one, where that is allowed.
        let top = [0, 1].map(|here: usize| self.climb(cx, here).fastest_mm_s());
        let reachable = (1.0 - limits.top_reserve) * top[0].min(top[1]);
        if reachable < target.top()
            && let Ok(lower) = target.scaled_to_top(reachable)
        {
            target = lower;
        }
        let tolerance = Tolerance::new(limits.tolerance_rel, limits.tolerance_floor_mm_s);
        let points = [0, 1].map(|side: usize| self.swept.points(side));
        let candidates = [0, 1].map(|side: usize| {
            let least = self.swept.low_end[side].starts.or(self.swept.low_end[side].keeps_going);
            let (least, highest) = (least.unwrap_or(self.known.least), self.highest(side).unwrap_or(0));
            let free = (least..=highest).filter(|value| !self.swept.has(side, *value));
            free.map(|value| (value, self.swept.drive(value))).collect::<Vec<(u16, f64)>>()
        });
        next_points([&points[0], &points[1]], [&candidates[0], &candidates[1]], &target, &tolerance)
    }

    /// Standing is a result up to where the engine was seen to run well: in this direction now, or forward at the
    /// beginning. Beyond that it is jammed, or has lost contact.
    fn may_stand(&self, cx: &Cx, value: u16) -> bool {
        let well = RUNS_WELL * cx.plan.spec.target.top_mm_s();
        let row = &self.swept.visits[side(self.direction)];
        let ran = row.iter().any(|visit| visit.value <= value && visit.speed_mm_s() >= well);
        !ran && value <= self.ran_at
    }

    /// What the way up of a side knows.
    fn climb(&self, cx: &Cx, here: usize) -> Climb {
        let seen = self.swept.visits[here].iter().map(|visit| (visit.value, visit.speed_mm_s()));
        let limit_mm_s = cx.plan.spec.limits.speed_mm_s.min(cx.fastest_mm_s());
        Climb::new(seen, &self.known, self.needed_mm_s, limit_mm_s)
    }

    fn highest(&self, here: usize) -> Option<u16> {
        self.swept.visits[here].iter().map(|visit| visit.value).max()
    }

    fn lowest(&self, here: usize) -> Option<u16> {
        self.swept.visits[here].iter().map(|visit| visit.value).min()
    }

    fn part_done(&self) -> f64 {
        let done: usize = self.swept.visits.iter().map(Vec::len).sum();
        let left = self.left.iter().filter(|(_, task)| matches!(task, Task::Up(_) | Task::Down(_))).count();
        let back = if self.rounds == 0 { done.max(left) } else { 0 };
        done as f64 / (done + left + back).max(1) as f64
    }

    fn finish(&self, cx: &mut Cx) -> Result<SweepFound, Failure> {
        let found = self.swept.finish(cx)?;
        let (points, low_end, drift) = (found.count, found.low_end, found.drift);
        cx.record(RecordBody::Swept { points, low_end, drift });
        Ok(found)
    }
}

fn side(direction: Direction) -> usize {
    usize::from(direction == Direction::Reverse)
}
