//! Running in: the engine runs for hours in both directions at changing speeds, its decoder as it is, until the speed at one
//! setting is steady. New gears and brushes want that before any curve of theirs lasts (common practice, no source).
use super::cx::{Cx, Failure, Step};
use super::input::Purpose;
use super::outcome::Warming;
use super::point::{Point, PointWish};
use super::record::{PointPurpose, RecordBody};
use super::warm_up::is_steady;
use crate::calibrate::{theil_sen, trend};
use crate::cause::engine as causes;
use crate::motion::Measured;
use crate::station::Direction;
use crate::time::BenchTime;
use std::time::Duration;

/// Time at one setting before the next.
const DWELL: Duration = Duration::from_secs(120);
/// Settings of each direction, as parts of the highest, in hundredths.
const SETTINGS: [u16; 3] = [40, 70, 100];
/// The one whose speed is followed.
const FOLLOWED: usize = 1;
/// The highest setting is looked for in parts of the range.
const PARTS: u16 = 10;
/// Where that search begins and ends.
const FIRST_PART: u16 = 2;
const LAST_PART: u16 = 9;
/// Fast enough: this part of the target's top.
const FAST: f64 = 0.8;
/// The trend is that of the last hour,
const WINDOW: Duration = Duration::from_secs(3600);
/// of so many speeds at least,
const FEWEST: usize = 5;
/// and none where chance gives it more often than this.
const BY_CHANCE: f64 = 0.05;

#[derive(Clone, Copy, Debug)]
struct Seen {
    at: BenchTime,
    measured: Measured,
}

/// The running-in under way.
#[derive(Debug)]
pub(super) struct RunIn {
    began: BenchTime,
    /// The highest setting, once known.
    highest: Option<u16>,
    part: u16,
    /// Which setting of which direction, counted through.
    turn: usize,
    dwells: BenchTime,
    point: Option<Point>,
    seen: [Vec<Seen>; 2],
}

impl RunIn {
    pub(super) fn new(cx: &Cx) -> Self {
        Self {
            began: cx.now,
            highest: None,
            part: FIRST_PART,
            turn: 0,
            dwells: cx.now,
            point: None,
            seen: [Vec::new(), Vec::new()],
        }
    }

    /// The present setting begins again, as after a pause or a rest.
    pub(super) fn rewind(&mut self, cx: &mut Cx) {
        cx.motion.end_measure();
        self.point = None;
        self.dwells = cx.now;
        if let Some(highest) = self.highest {
            self.point = Some(self.next(highest));
        }
    }

    /// Done once it is steady, or its time is over.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<()> {
        loop {
            if let Some(point) = &mut self.point {
                let Some(result) = point.poll(cx)? else { return Ok(None) };
                self.point = None;
                self.took(cx, result.measured())?;
            }
            cx.may_stand = false;
            let Some(highest) = self.highest else {
                self.point = Some(climb(cx, self.part));
                continue;
            };
            if !cx.passed(self.dwells, DWELL) {
                return Ok(None);
            }
            self.turn += 1;
            if self.turn.is_multiple_of(2 * SETTINGS.len()) && self.is_over(cx) {
                return Ok(Some(()));
            }
            self.dwells = cx.now;
            self.point = Some(self.next(highest));
        }
    }

    fn direction(&self) -> Direction {
        if (self.turn / SETTINGS.len()).is_multiple_of(2) { Direction::Forward } else { Direction::Reverse }
    }

    fn next(&self, highest: u16) -> Point {
        let value = (highest * SETTINGS[self.turn % SETTINGS.len()] / 100).max(1);
        Point::new(PointWish {
            purpose: PointPurpose::RunIn,
            value,
            direction: self.direction(),
            // It has to run anyway: measuring longer costs nothing.
            sharpness: 0.5,
            may_stand: false,
        })
    }

    /// A setting was measured.
    fn took(&mut self, cx: &mut Cx, measured: Option<Measured>) -> Result<(), Failure> {
        if self.highest.is_some() {
            if let (FOLLOWED, Some(measured)) = (self.turn % SETTINGS.len(), measured) {
                let side = usize::from(self.direction() == Direction::Reverse);
                self.seen[side].push(Seen { at: cx.now, measured });
            }
            return Ok(());
        }
        let speed_mm_s = measured.map_or(0.0, |measured| measured.speed_mm_s);
        if measured.is_some() && cx.sense.is_none() {
            cx.learn_sense(speed_mm_s);
        }
        let fast = speed_mm_s.abs() >= FAST * cx.plan.spec.target.top_mm_s();
        if !fast && self.part < LAST_PART {
            self.part += 1;
            return Ok(());
        }
        if measured.is_none() {
            let evidence = format!("up to setting {} of {}", cx.ordered.0.value, cx.ordered.0.of);
            return Err(Failure::halted(&causes::NOT_MOVING, evidence));
        }
        self.highest = Some(setting(cx, self.part));
        self.dwells = cx.now;
        Ok(())
    }

    /// Judged after each round through all settings.
    fn is_over(&self, cx: &mut Cx) -> bool {
        let Purpose::RunIn { shortest_s, longest_s, steady_per_hour } = cx.plan.purpose else { return true };
        let spent = cx.now.since(self.began);
        cx.phase_done = spent.as_secs_f64() / f64::from(longest_s.max(1));
        let steady = [0, 1].map(|side: usize| self.slope(side, cx.now)).iter().all(|slope| {
            slope.is_some_and(|(slope, by_chance)| is_steady(&slope, by_chance, steady_per_hour))
        });
        let enough = spent >= Duration::from_secs(u64::from(shortest_s));
        let longest = spent >= Duration::from_secs(u64::from(longest_s));
        if !(enough && steady || longest) {
            return false;
        }
        if !steady {
            let rates = [0, 1].map(|side: usize| {
                let slope = self.slope(side, cx.now);
                slope.map_or("too few speeds".to_owned(), |(slope, _)| {
                    format!("{:+.2} % an hour", 100.0 * slope.slope)
                })
            });
            let evidence = format!(
                "running-in, {:.1} h: forward {}, reverse {}",
                spent.as_secs_f64() / 3600.0,
                rates[0],
                rates[1]
            );
            cx.note(&causes::NOT_STEADY, evidence);
        }
        let warming = [0, 1].map(|side: usize| {
            let [first, .., last] = &self.seen[side][..] else { return None };
            Some(Warming::between(&first.measured, &last.measured))
        });
        cx.warming = warming;
        let [forward, reverse] = warming;
        cx.record(RecordBody::RanIn { forward, reverse, seconds: spent.as_secs_f64(), steady });
        true
    }

    /// Relative slope an hour of one direction over the last hour, and whether it may be chance.
    fn slope(&self, side: usize, now: BenchTime) -> Option<(crate::calibrate::Slope, bool)> {
        let lately: Vec<&Seen> = self.seen[side].iter().filter(|seen| now.since(seen.at) <= WINDOW).collect();
        let last = lately.last().filter(|_| lately.len() >= FEWEST)?.measured.speed_mm_s.abs();
        let point = |seen: &&Seen| {
            let hours = seen.at.since(self.began).as_secs_f64() / 3600.0;
            (hours, seen.measured.speed_mm_s.abs() / last.max(f64::EPSILON))
        };
        let points: Vec<(f64, f64)> = lately.iter().map(point).collect();
        Some((theil_sen(&points)?, trend(&points).p() > BY_CHANCE))
    }
}

/// On the way up to the highest setting.
fn climb(cx: &Cx, part: u16) -> Point {
    Point::new(PointWish {
        purpose: PointPurpose::RunIn,
        value: setting(cx, part),
        direction: Direction::Forward,
        sharpness: 4.0,
        may_stand: part <= PARTS / 2,
    })
}

fn setting(cx: &Cx, part: u16) -> u16 {
    (cx.plan.spec.engine.step_mode * part).div_ceil(PARTS)
}
