//! Where a sweep that learns measures next: the few points that the table still needs.
//!
//! The table that the points known so far would give is computed, and at each of its entries and in both directions the doubt
//! of the speed is held against what the tolerance leaves. Where the doubt is too large, the step is added that lowers it
//! most there; what a point is worth can be told before it is measured, for the doubt of a smooth curve hangs on where its
//! points lie, not on their values. So points gather where the curve bends or the tolerance is narrow, and are few where it
//! is straight.
use super::drawn::Drawn;
use super::{CurvePoint, ENTRIES, TableReading, TableTask, Target, Tolerance, table_limit};
use crate::station::Direction;

/// The predicted deviation with its doubt (k = 2) is to stay within this part of what is allowed.
const MARGIN: f64 = 0.8;
/// Where the table's whole numbers leave less than that, the doubt is still to be within this part of what is allowed: more
/// points do not make the entries finer.
const LEAST: f64 = 0.25;
/// A point that lowers the doubt by less than this part is not worth its time.
const WORTH: f64 = 0.03;
/// At most so many points a direction at once; then what they gave is looked at.
const AT_ONCE: usize = 8;
/// Settings from this part of the top on tell how the decoder rounds; below they take too long.
const SLOW: f64 = 0.1;
/// So many of them at once.
const TELLING: usize = 3;
/// Candidates on either side of a doubtful drive that are looked at.
const NEAR: usize = 3;

/// The settings to measure next, forward and reverse, rising; none where the table is sure enough, or where points make it
/// no surer. `candidates` are the settings not measured yet with their drives, rising, forward and reverse.
#[must_use]
pub fn next_points(
    points: [&[CurvePoint]; 2],
    candidates: [&[(u16, f64)]; 2],
    target: &Target,
    tolerance: &Tolerance,
) -> [Vec<u16>; 2] {
    // Without a curve or a table there is nothing to better; the computation after the sweep says why.
    let Ok(drawn) = Drawn::through(points) else { return Default::default() };
    let [forward, reverse] = &drawn.curves;
    // Where points are needed hardly hangs on what lies between the entries.
    let (curves, reading) = ([forward, reverse], TableReading::default());
    let task = TableTask { curves, habits: &drawn.habits, target, tolerance, of: 28, reading };
    let Ok(fit) = task.best() else { return Default::default() };
    [Direction::Forward, Direction::Reverse].map(|direction| {
        let side = usize::from(direction == Direction::Reverse);
        let curve = &drawn.curves[side];
        let known = points[side].iter().filter(|point| point.speed_mm_s > 0.0).map(|point| point.drive);
        let first = known.fold(f64::INFINITY, f64::min);
        let doubts = (1..=ENTRIES).map(|entry| entry as f64).filter_map(|entry| {
            let (drive, wanted) = (fit.drive(direction, entry), target.at(entry));
            let allowed = tolerance.allowed(wanted, table_limit(&fit, curve, direction, entry));
            let off = (curve.speed_at(drive).speed_mm_s - wanted).abs();
            let most_u = (MARGIN * allowed - off).max(LEAST * allowed) / 2.0;
            // Below the first point that moves no step can be measured.
            (drive >= first).then_some(Doubt { drive, most_u })
        });
        let doubts: Vec<Doubt> = doubts.collect();
        let choice = Choice { drawn: &drawn, side, candidates: candidates[side] };
        let chosen = choice.choose(doubts.clone());
        if chosen.is_empty() { choice.against_rounding(&doubts) } else { chosen }
    })
}

/// A drive that the table uses, and how well its speed is to be known (k = 1), mm/s.
#[derive(Clone, Copy, Debug)]
struct Doubt {
    drive: f64,
    most_u: f64,
}

/// The choice in one direction.
struct Choice<'a> {
    drawn: &'a Drawn,
    side: usize,
    candidates: &'a [(u16, f64)],
}

impl Choice<'_> {
    fn choose(&self, mut doubts: Vec<Doubt>) -> Vec<u16> {
        let (mut chosen, mut drives): (Vec<u16>, Vec<f64>) = (Vec::new(), Vec::new());
        while chosen.len() < AT_ONCE {
            let excess = |doubt: &Doubt| self.drawn.u_with(self.side, &drives, doubt.drive) / doubt.most_u;
            let worst = doubts.iter().enumerate().map(|(i, doubt)| (i, excess(doubt)));
            let Some((at, excess)) = worst.max_by(|a, b| a.1.total_cmp(&b.1)) else { break };
            if excess <= 1.0 {
                break;
            }
            match self.best(doubts[at].drive, &chosen, &drives) {
                Some((value, drive)) => {
                    chosen.push(value);
                    drives.push(drive);
                }
                None => drop(doubts.swap_remove(at)),
            }
        }
        chosen.sort_unstable();
        chosen
    }

    /// Where it is the decoder's rounding that leaves the table in doubt: slow settings tell it best, for there the speed is
    /// known best in counts.
    fn against_rounding(&self, doubts: &[Doubt]) -> Vec<u16> {
        let curve = &self.drawn.curves[self.side];
        let in_doubt = |doubt: &Doubt| curve.speed_at(doubt.drive).u_mm_s > doubt.most_u;
        if self.drawn.habits.is_clear() || !doubts.iter().any(in_doubt) {
            return Vec::new();
        }
        let slow = SLOW * curve.top().speed_mm_s;
        let free = self.candidates.iter().filter(|row| curve.speed_at(row.1).speed_mm_s >= slow);
        free.take(TELLING).map(|row| row.0).collect()
    }

    /// The candidate that lowers the doubt at a drive most; none that is worth its time.
    fn best(&self, drive: f64, chosen: &[u16], drives: &[f64]) -> Option<(u16, f64)> {
        let free = |row: &&(u16, f64)| !chosen.contains(&row.0);
        let above = self.candidates.iter().filter(|row| row.1 >= drive).filter(free).take(NEAR);
        let below = self.candidates.iter().rev().filter(|row| row.1 < drive).filter(free).take(NEAR);
        let u = |more: f64| {
            let mut with = drives.to_vec();
            with.push(more);
            self.drawn.u_with(self.side, &with, drive)
        };
        let best = above.chain(below).map(|row| (*row, u(row.1))).min_by(|a, b| a.1.total_cmp(&b.1))?;
        let now = self.drawn.u_with(self.side, drives, drive);
        (best.1 < (1.0 - WORTH) * now).then_some(best.0)
    }
}

#[cfg(test)]
#[path = "next_point_tests.rs"]
mod tests;
