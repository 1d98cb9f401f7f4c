//! Who can be coupled with whom: how far two engines differ at each step, and how well that is known.
//!
//! Nobody has published how far two coupled models may differ. An estimate from a small motor's droop (its own winding, 0.6 N of
//! adhesion) has wheels begin to slip at 4 to 5 % difference at 0.1 m/s and 1 to 2 % at 0.4 m/s with regulated decoders, at ten times
//! that without regulation. [`CouplingTolerance::default`] lies between: common practice, no source.
use super::speeds::{EngineSpeeds, Figure};
use crate::calibrate::{ENTRIES, Verdict, judge_doubt};
use crate::station::Direction;
use serde::Serialize;

/// How far two engines may differ: the larger of both counts.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct CouplingTolerance {
    /// Part of the mean speed.
    pub part: f64,
    /// mm/s.
    pub floor_mm_s: f64,
}

impl Default for CouplingTolerance {
    /// 4 %, at least 2 mm/s: common practice, no source.
    fn default() -> Self {
        Self { part: 0.04, floor_mm_s: 2.0 }
    }
}

impl CouplingTolerance {
    fn allowed(self, mean_mm_s: f64) -> f64 {
        (self.part * mean_mm_s).max(self.floor_mm_s)
    }
}

/// How two engines stand to each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Orientation {
    /// Both forward, or both reverse.
    Alike,
    /// One runs forward while the other runs in reverse.
    BackToBack,
}

impl Orientation {
    /// Both.
    pub const BOTH: [Self; 2] = [Self::Alike, Self::BackToBack];

    fn other(self, direction: Direction) -> Direction {
        match (self, direction) {
            (Self::Alike, same) => same,
            (Self::BackToBack, Direction::Forward) => Direction::Reverse,
            (Self::BackToBack, Direction::Reverse) => Direction::Forward,
        }
    }
}

/// How warm both are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Warmth {
    /// Both warm, as they were measured.
    BothWarm,
    /// Both cold.
    BothCold,
    /// The first cold, the second warm.
    FirstCold,
    /// The second cold, the first warm.
    SecondCold,
}

impl Warmth {
    /// All.
    pub const ALL: [Self; 4] = [Self::BothWarm, Self::BothCold, Self::FirstCold, Self::SecondCold];

    fn cold(self) -> [bool; 2] {
        match self {
            Self::BothWarm => [false, false],
            Self::BothCold => [true, true],
            Self::FirstCold => [true, false],
            Self::SecondCold => [false, true],
        }
    }
}

/// Two engines at one step.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Mismatch {
    /// Entry of the table, 1 to 28.
    pub entry: usize,
    /// Where the first engine runs to, forward: 0, reverse: 1.
    pub first_reverse: bool,
    /// How warm they are.
    pub warmth: Warmth,
    /// First less second, mm/s.
    pub difference_mm_s: f64,
    /// Half-width that holds 95 % (k = 2), mm/s.
    pub doubt_mm_s: f64,
    /// Allowed, mm/s.
    pub allowed_mm_s: f64,
    /// Within, in doubt, beyond.
    #[serde(skip)]
    pub verdict: Verdict,
}

impl Mismatch {
    /// How much of what is allowed it takes; more than 1: too much.
    #[must_use]
    pub fn part(&self) -> f64 {
        self.difference_mm_s.abs() / self.allowed_mm_s
    }
}

/// A pair in one orientation.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PairMatch {
    /// Orientation.
    pub orientation: Orientation,
    /// The step at which they differ most while both are warm; none: no step is known of both.
    pub worst: Option<Mismatch>,
    /// The same whatever their warmth; none where the warming of one is not known.
    pub worst_of_any_warmth: Option<Mismatch>,
    /// The worst verdict over all steps, both warm.
    #[serde(skip)]
    pub verdict: Option<Verdict>,
}

/// What both have in common is the same error in each: of it only counts by how much it is larger at one of them (GUM
/// 5.2.2 with a correlation of one). Different axles share nothing.
fn difference_u(first: Figure, second: Figure, same_axle: bool) -> f64 {
    let own = libm::hypot(first.own_u_mm_s, second.own_u_mm_s);
    let shared = if same_axle {
        first.shared_u_mm_s - second.shared_u_mm_s
    } else {
        libm::hypot(first.shared_u_mm_s, second.shared_u_mm_s)
    };
    libm::hypot(own, shared)
}

/// The figure of an engine that is cold.
fn cooled(engine: &EngineSpeeds, direction: Direction, figure: Figure) -> Option<Figure> {
    let warm = engine.warm(direction)?;
    let cold = 1.0 / (1.0 + warm.change);
    let speed_mm_s = figure.speed_mm_s * cold;
    // d(v / (1 + w)) / dw = -v / (1 + w)^2
    let by_warming = speed_mm_s * cold * warm.u;
    Some(Figure {
        speed_mm_s,
        own_u_mm_s: libm::hypot(figure.own_u_mm_s * cold, by_warming),
        shared_u_mm_s: figure.shared_u_mm_s * cold,
    })
}

/// Two engines at one step; none where one of them has no figure there.
#[must_use]
pub fn mismatch(
    pair: [&EngineSpeeds; 2],
    orientation: Orientation,
    at: (usize, Direction, Warmth),
    tolerance: CouplingTolerance,
) -> Option<Mismatch> {
    let (entry, direction, warmth) = at;
    let directions = [direction, orientation.other(direction)];
    let figure = |which: usize| {
        let warm = pair[which].at(entry, directions[which])?;
        if warmth.cold()[which] { cooled(pair[which], directions[which], warm) } else { Some(warm) }
    };
    let (first, second) = (figure(0)?, figure(1)?);
    let difference_mm_s = first.speed_mm_s - second.speed_mm_s;
    let doubt_mm_s = 2.0 * difference_u(first, second, pair[0].axle == pair[1].axle);
    let allowed_mm_s = tolerance.allowed(f64::midpoint(first.speed_mm_s, second.speed_mm_s));
    Some(Mismatch {
        entry,
        first_reverse: direction == Direction::Reverse,
        warmth,
        difference_mm_s,
        doubt_mm_s,
        allowed_mm_s,
        verdict: judge_doubt(difference_mm_s, doubt_mm_s, allowed_mm_s),
    })
}

/// A pair over all steps and both ways.
#[must_use]
pub fn pair(pair: [&EngineSpeeds; 2], orientation: Orientation, tolerance: CouplingTolerance) -> PairMatch {
    let over = |warmths: &[Warmth]| -> Vec<Mismatch> {
        let mut all = Vec::new();
        for entry in 1..=ENTRIES {
            for direction in Direction::BOTH {
                let here = |warmth| mismatch(pair, orientation, (entry, direction, warmth), tolerance);
                all.extend(warmths.iter().copied().filter_map(here));
            }
        }
        all
    };
    let worst = |all: &[Mismatch]| all.iter().max_by(|a, b| a.part().total_cmp(&b.part())).copied();
    let warm = over(&[Warmth::BothWarm]);
    let known = pair.iter().all(|engine| Direction::BOTH.iter().all(|way| engine.warm(*way).is_some()));
    PairMatch {
        orientation,
        worst: worst(&warm),
        worst_of_any_warmth: if known { worst(&over(&Warmth::ALL)) } else { None },
        verdict: warm.iter().map(|one| one.verdict).max().map(|worst| {
            // A step that is not known of both leaves it open.
            if warm.len() < 2 * ENTRIES { worst.max(Verdict::Marginal) } else { worst }
        }),
    }
}

/// Every pair of a fleet.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Matrix {
    /// Names, in the order of rows and columns.
    pub engines: Vec<String>,
    /// Pairs (row, column, alike, back to back), row below column.
    pub pairs: Vec<(usize, usize, PairMatch, PairMatch)>,
}

impl Matrix {
    /// The pair of these two, in any order.
    #[must_use]
    pub fn pair(&self, one: usize, other: usize) -> Option<(&PairMatch, &PairMatch)> {
        let (low, high) = (one.min(other), one.max(other));
        let found = self.pairs.iter().find(|(row, column, ..)| (*row, *column) == (low, high))?;
        Some((&found.2, &found.3))
    }
}

/// Every pair, both orientations.
#[must_use]
pub fn matrix(engines: &[EngineSpeeds], tolerance: CouplingTolerance) -> Matrix {
    let mut pairs = Vec::new();
    for (row, first) in engines.iter().enumerate() {
        for (column, second) in engines.iter().enumerate().skip(row + 1) {
            let of = |orientation| pair([first, second], orientation, tolerance);
            pairs.push((row, column, of(Orientation::Alike), of(Orientation::BackToBack)));
        }
    }
    Matrix { engines: engines.iter().map(|engine| engine.engine.clone()).collect(), pairs }
}

#[cfg(test)]
#[path = "coupling_tests.rs"]
mod tests;
