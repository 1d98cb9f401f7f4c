//! The speed curve of one direction: what speed a motor drive gives, and what drive a speed needs.
//!
//! Measured points are pooled until speed never falls with drive (section 7 of `standards/measurement.md`:
//! weights 1/u²), then joined by a monotone cubic. Nothing is claimed above the last point. Drive 0 stands:
//! it is no voltage (S-9.2.2 CV 2, `standards/dcc.md` section 4.1), whether measured or not.
use super::pava::{Block, pool};
use super::pchip::Pchip;
use super::{CurvePoint, SpeedEstimate};
use thiserror::Error;

/// Drives closer than this are the same drive, in counts.
pub(super) const SAME_DRIVE: f64 = 0.01;
/// No model runs faster, mm/s.
const FASTEST_MM_S: f64 = 100_000.0;
/// What does not go faster than this stands, mm/s.
const SLOWEST_MM_S: f64 = 0.1;
/// A speed below this part of the top is standing: pooling leaves crumbs.
const STANDING: f64 = 1e-4;
/// The smallest uncertainty believed when points are weighed against each other, as a part of the top speed;
/// standing is known without doubt and weighs this much.
const SMALLEST_U: f64 = 1e-6;

/// Of what a straight line between two points misses of the bend, the cubic misses this much: standard uncertainty (own
/// choice; the tests hold it against curves that are known).
const BEND_MISSED: f64 = 0.25;
/// All counts of the drive.
const FULL_RANGE: f64 = 255.0;

/// Why points make no curve.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum CurveError {
    /// Fewer than three drives at which it moved, once those that contradict each other are pooled.
    #[error("a curve needs three drives at which the engine moves; there are {moving}")]
    TooFewPoints {
        /// Drives at which it moved.
        moving: usize,
    },
    /// A figure is not a number, infinite, negative, or beyond what a model can do.
    #[error("a point is out of range: drive {drive}, speed {speed_mm_s} mm/s, doubt {u_mm_s} mm/s")]
    OutOfRange {
        /// Drive, 0 to 255.
        drive: f64,
        /// Speed.
        speed_mm_s: f64,
        /// Standard uncertainty.
        u_mm_s: f64,
    },
    /// Standing at every drive.
    #[error("the engine did not move at any drive")]
    NeverMoves,
}

/// A drive with its standard uncertainty (k = 1), in counts of 255.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DriveEstimate {
    /// Drive, 0 to 255.
    pub drive: f64,
    /// Standard uncertainty in counts.
    pub u_counts: f64,
}

/// Speed over motor drive for one direction; never falls.
#[derive(Clone, Debug, PartialEq)]
pub struct SpeedCurve {
    /// Knots in rising drive, the first at drive 0.
    knots: Vec<CurvePoint>,
    cubic: Pchip,
    dead_zone: DeadZone,
}

/// What is known of the end of the dead zone: it lies between the two.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct DeadZone {
    /// Largest drive at which the engine stood.
    pub(super) stood_at: f64,
    /// Smallest drive above that at which it moved.
    pub(super) moved_at: f64,
}

impl SpeedCurve {
    /// The curve of these points, in any order; points at which the engine stood are welcome.
    ///
    /// # Errors
    /// See [`CurveError`].
    pub fn fit(points: &[CurvePoint]) -> Result<Self, CurveError> {
        if let Some(bad) = points.iter().find(|point| !in_range(point)) {
            let CurvePoint { drive, speed_mm_s, u_mm_s } = *bad;
            return Err(CurveError::OutOfRange { drive, speed_mm_s, u_mm_s });
        }
        let top = points.iter().fold(0.0_f64, |top, point| top.max(point.speed_mm_s));
        if top < SLOWEST_MM_S {
            return Err(CurveError::NeverMoves);
        }
        let blocks = pooled(points, top);
        let moving = blocks.iter().filter(|block| block.y > top * STANDING).count();
        if moving < 3 {
            return Err(CurveError::TooFewPoints { moving });
        }
        let start = CurvePoint { drive: 0.0, speed_mm_s: 0.0, u_mm_s: 0.0 };
        let knots: Vec<CurvePoint> = std::iter::once(start).chain(blocks.iter().map(as_point)).collect();
        let drives = |stands: bool| {
            let of_kind = move |knot: &&CurvePoint| (knot.speed_mm_s <= top * STANDING) == stands;
            knots.iter().filter(of_kind).map(|knot| knot.drive)
        };
        let dead_zone = DeadZone {
            stood_at: drives(true).fold(0.0, f64::max),
            moved_at: drives(false).fold(f64::INFINITY, f64::min),
        };
        Ok(Self::through(knots, dead_zone))
    }

    /// Through these knots: at least two, drives rising from 0, speeds not falling.
    pub(super) fn through(knots: Vec<CurvePoint>, dead_zone: DeadZone) -> Self {
        let drives = knots.iter().map(|knot| knot.drive).collect();
        let speeds = knots.iter().map(|knot| knot.speed_mm_s).collect();
        Self { cubic: Pchip::new(drives, speeds), knots, dead_zone }
    }

    /// The speed at a drive; at and below the dead zone 0, above the last point that of the last point. Its
    /// doubt is that of the neighbouring points, on the line between the two, and what the curve may bend between
    /// them.
    #[must_use]
    pub fn speed_at(&self, drive: f64) -> SpeedEstimate {
        SpeedEstimate { speed_mm_s: self.cubic.value(drive), u_mm_s: self.u_at(drive) }
    }

    /// The same without its doubt, mm/s.
    pub(super) fn speed_alone(&self, drive: f64) -> f64 {
        self.cubic.value(drive)
    }

    /// The smallest drive that reaches a speed; none above the last point.
    #[must_use]
    pub fn drive_for(&self, speed_mm_s: f64) -> Option<f64> {
        self.cubic.first_at_least(speed_mm_s)
    }

    /// The same with its doubt: that of the speed there over the slope. All of the range where the curve is level.
    #[must_use]
    pub fn drive_with_doubt(&self, speed_mm_s: f64) -> Option<DriveEstimate> {
        let drive = self.drive_for(speed_mm_s)?;
        let u_counts = (self.speed_at(drive).u_mm_s / self.secant(drive)).min(FULL_RANGE);
        Some(DriveEstimate { drive, u_counts })
    }

    /// Speed at the last point.
    #[must_use]
    pub fn top(&self) -> SpeedEstimate {
        self.speed_at(self.last_drive())
    }

    /// Drive of the last point; the curve says nothing above it.
    #[must_use]
    pub fn last_drive(&self) -> f64 {
        self.knots.last().map_or(0.0, |knot| knot.drive)
    }

    /// Change of speed a count of drive, mm/s; 0 outside the curve.
    #[must_use]
    pub fn slope_at(&self, drive: f64) -> f64 {
        if (0.0..=self.last_drive()).contains(&drive) { self.cubic.derivative(drive) } else { 0.0 }
    }

    /// The smallest drive at which the engine may be expected to move: half-way between the last point at
    /// which it stood and the first at which it moved, since the dead zone ends somewhere between the two.
    #[must_use]
    pub fn slowest_drive(&self) -> f64 {
        f64::midpoint(self.dead_zone.stood_at, self.dead_zone.moved_at)
    }

    /// The end of the dead zone.
    pub(super) const fn dead_zone(&self) -> DeadZone {
        self.dead_zone
    }

    /// The points the curve goes through, in rising drive.
    pub(super) fn knots(&self) -> &[CurvePoint] {
        &self.knots
    }

    /// A speed that counts as standing on this curve, mm/s.
    pub(super) fn standing_mm_s(&self) -> f64 {
        self.top().speed_mm_s * STANDING
    }

    /// Rise of speed a count about a drive, mm/s.
    fn secant(&self, drive: f64) -> f64 {
        let (low, high) = ((drive - 0.5).max(0.0), (drive + 0.5).min(self.last_drive()));
        (self.speed_at(high).speed_mm_s - self.speed_at(low).speed_mm_s) / (high - low).max(SAME_DRIVE)
    }

    /// Doubt on the line between neighbouring knots, and of the bend between them.
    fn u_at(&self, drive: f64) -> f64 {
        let above = self.knots.partition_point(|knot| knot.drive <= drive);
        match (above.checked_sub(1).and_then(|below| self.knots.get(below)), self.knots.get(above)) {
            (Some(low), Some(high)) => {
                let gap = high.drive - low.drive;
                let part = (drive - low.drive) / gap;
                let line = low.u_mm_s + (high.u_mm_s - low.u_mm_s) * part;
                libm::hypot(line, BEND_MISSED * self.bend(above) * part * (1.0 - part) * gap * gap)
            }
            (Some(end), None) | (None, Some(end)) => end.u_mm_s,
            (None, None) => 0.0,
        }
    }

    /// Half the second derivative between the knot `above` and the one below it, mm/s a squared count: the larger of the
    /// divided differences with either neighbour. 0 where it stands.
    fn bend(&self, above: usize) -> f64 {
        let slope = |at: usize| {
            let (low, high) = (self.knots.get(at.checked_sub(1)?)?, self.knots.get(at)?);
            Some(((high.speed_mm_s - low.speed_mm_s) / (high.drive - low.drive), high.drive - low.drive))
        };
        let Some((here, gap)) = slope(above).filter(|(here, _)| *here > 0.0) else { return 0.0 };
        let beside = [slope(above - 1), slope(above + 1)].into_iter().flatten();
        beside.map(|(slope, beside)| (slope - here).abs() / (gap + beside)).fold(0.0, f64::max)
    }
}

/// Every figure is one that a model can have.
pub(super) fn in_range(point: &CurvePoint) -> bool {
    (0.0..=255.0).contains(&point.drive)
        && (0.0..=FASTEST_MM_S).contains(&point.speed_mm_s)
        && (0.0..=FASTEST_MM_S).contains(&point.u_mm_s)
}

/// Points in rising drive, those of one drive averaged, and pooled until speed never falls. Points at drive 0
/// are left out: it stands there, whatever the sensor says.
pub(super) fn pooled(points: &[CurvePoint], top: f64) -> Vec<Block> {
    let mut sorted: Vec<&CurvePoint> = points.iter().filter(|point| point.drive > SAME_DRIVE).collect();
    sorted.sort_by(|a, b| a.drive.total_cmp(&b.drive));
    let mut drives: Vec<Block> = Vec::new();
    for point in sorted {
        let u = point.u_mm_s.max(top * SMALLEST_U);
        let single = Block::single(point.drive, point.speed_mm_s, 1.0 / (u * u));
        match drives.pop_if(|last| point.drive - last.x < SAME_DRIVE) {
            Some(same) => drives.push(same.join(single)),
            None => drives.push(single),
        }
    }
    pool(drives)
}

/// A block as a point.
pub(super) fn as_point(block: &Block) -> CurvePoint {
    CurvePoint { drive: block.x, speed_mm_s: block.y, u_mm_s: block.u() }
}

#[cfg(test)]
#[path = "curve_tests.rs"]
mod tests;
