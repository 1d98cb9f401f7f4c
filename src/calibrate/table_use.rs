//! How the decoder uses the table, told by what the first verify saw.
//!
//! The standards leave open how 126 steps meet 28 entries, and a decoder may do otherwise than they say: leave the trims out,
//! or the table. Each way gives other drives, and so other speeds on the curves of the sweep, far beyond any doubt of a
//! measurement: the figures that judge the table tell the ways apart too, by squares. In 126-step operation two steps
//! between the middle entries are verified beside, for a decoder that does not interpolate shows nowhere else.
use super::baseline::{BaselineKind, baseline_drive};
use super::{Habits, SpeedCurve, SpeedEstimate, TableFit, TableReading};
use crate::dcc::drive::{UNITY_TRIM, trimmed};
use crate::station::{Direction, Setting};
use serde::{Deserialize, Serialize};

/// The other way must leave squares smaller by this factor.
const FAR_BETTER: f64 = 3.0;
/// And no more than this on average, in doubts squared: else none is right.
const GOOD: f64 = 50.0;
/// The engine's speed may have changed by this part since the sweep.
const CHANGED_MOST: f64 = 0.03;
/// What a decoder makes of a drive between two counts is not known better than this (k = 1), counts.
const COUNT_U: f64 = 0.5;
/// A rough look is as predicted within this part, and far off beyond that one.
const AS_PREDICTED: f64 = 0.04;
const FAR_OFF: f64 = 0.12;
/// Steps whose figures say nothing by themselves.
const FEW: usize = 2;

/// A verified step: direction, speed with its doubt; nought where it stood.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeenStep {
    /// Step of the mode.
    pub step: u16,
    /// Direction.
    pub direction: Direction,
    /// What was measured, its doubt k = 1.
    pub measured: SpeedEstimate,
}

/// A way of using the table.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TableUse {
    /// As the standards say, the entries met so.
    Whole(TableReading),
    /// The entries met so, and no trims.
    WithoutTrims(TableReading),
    /// The step has the drive of the linear baseline: CV 29 says table, and none acts.
    None,
}

impl Default for TableUse {
    fn default() -> Self {
        Self::Whole(TableReading::default())
    }
}

impl TableUse {
    /// How it meets the entries.
    #[must_use]
    pub fn reading(self) -> TableReading {
        match self {
            Self::Whole(reading) | Self::WithoutTrims(reading) => reading,
            Self::None => TableReading::default(),
        }
    }
}

/// What was written, and what it is held against.
#[derive(Clone, Copy, Debug)]
pub struct Written<'a> {
    /// The table and its trims.
    pub fit: &'a TableFit,
    /// Curves of the sweep, forward and reverse.
    pub curves: [&'a SpeedCurve; 2],
    /// What the decoder makes of fractions of a count.
    pub habits: &'a Habits,
    /// The baseline of the sweep.
    pub kind: BaselineKind,
    /// Moving steps of the mode.
    pub of: u16,
}

impl Written<'_> {
    /// The way that these steps show; none where they leave it open.
    #[must_use]
    pub fn told_by(&self, seen: &[SeenStep]) -> Option<TableUse> {
        let ways: Vec<(TableUse, f64)> =
            self.ways().into_iter().map(|way| (way, self.squares(way, seen))).collect();
        let (best, least) = ways.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1))?;
        let alone = ways.iter().all(|(way, squares)| *way == best || least * FAR_BETTER < *squares);
        (seen.len() > FEW && alone && least < GOOD).then_some(best)
    }

    /// By what factor the drives of the sweep were stronger than they were written, where that and no way of using the
    /// table explains these steps: a middle drive of the decoder's own bends the whole part of the range that was swept.
    #[must_use]
    pub fn stronger_by(&self, seen: &[SeenStep]) -> Option<f64> {
        let squares = |factor: f64| {
            let each = seen.iter().map(|one| {
                let curve = self.curves[usize::from(one.direction == Direction::Reverse)];
                let drive = self.drive(TableUse::Whole(TableReading::default()), one.direction, one.step);
                let predicted = curve.speed_at(drive / factor);
                let by_count = COUNT_U * curve.slope_at((drive / factor).min(curve.last_drive()));
                let own = libm::hypot(one.measured.u_mm_s, predicted.u_mm_s);
                let off = one.measured.speed_mm_s - predicted.speed_mm_s;
                off * off / (own * own + by_count * by_count).max(1e-6)
            });
            each.sum::<f64>() / seen.len().max(1) as f64
        };
        let factors = (40..=250_u8).map(|percent| f64::from(percent) / 100.0);
        let best = factors.min_by(|a, b| squares(*a).total_cmp(&squares(*b)))?;
        let least = squares(best);
        let others = self.ways().into_iter().map(|way| self.squares(way, seen)).fold(f64::INFINITY, f64::min);
        let clear = !(0.8..=1.25).contains(&best) && least < GOOD && least * FAR_BETTER < others;
        (seen.len() > FEW && clear).then_some(best)
    }

    /// Trims or table are left out, told from one step before a fast one is asked for: it runs as with none of the ways
    /// of using them.
    #[must_use]
    pub fn left_out_at(&self, one: &SeenStep) -> Option<TableUse> {
        let off = |way: &TableUse| {
            let [measured, predicted, _] = self.held_against(*way, one);
            (measured - predicted).abs() / predicted.max(1.0)
        };
        let ways = self.ways();
        let (whole, others): (Vec<TableUse>, Vec<TableUse>) =
            ways.into_iter().partition(|way| matches!(way, TableUse::Whole(_)));
        let best = others.into_iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
        (off(&best) < AS_PREDICTED && whole.iter().all(|way| off(way) > FAR_OFF)).then_some(best)
    }

    /// The ways that give other drives with this table.
    fn ways(&self) -> Vec<TableUse> {
        let readings: &[TableReading] = if self.of == 126 {
            &[TableReading::EndToEnd, TableReading::FromZero, TableReading::Held]
        } else if self.of == 14 {
            &[TableReading::FromZero]
        } else {
            &[TableReading::EndToEnd]
        };
        let trims = [self.fit.trim_forward, self.fit.trim_reverse];
        let trimmed = trims.iter().any(|trim| *trim != UNITY_TRIM);
        let whole = readings.iter().map(|reading| TableUse::Whole(*reading));
        let without = readings.iter().map(|reading| TableUse::WithoutTrims(*reading));
        whole.chain(without.filter(|_| trimmed)).chain([TableUse::None]).collect()
    }

    /// Mean square of what is measured less predicted, in doubts. An engine that has cooled or warmed since the sweep is
    /// slower or faster at every step: that much is left out.
    fn squares(&self, way: TableUse, seen: &[SeenStep]) -> f64 {
        let each: Vec<[f64; 3]> = seen.iter().map(|one| self.held_against(way, one)).collect();
        let (both, own) = each.iter().fold((0.0, 0.0), |(both, own), [measured, predicted, weight]| {
            (both + weight * measured * predicted, own + weight * predicted * predicted)
        });
        let changed =
            if own > 0.0 { (both / own).clamp(1.0 - CHANGED_MOST, 1.0 + CHANGED_MOST) } else { 1.0 };
        let square = |[measured, predicted, weight]: &[f64; 3]| {
            let off = measured - changed * predicted;
            weight * off * off
        };
        each.iter().map(square).sum::<f64>() / seen.len().max(1) as f64
    }

    /// Measured and predicted speed, mm/s, and the weight of their difference.
    fn held_against(&self, way: TableUse, one: &SeenStep) -> [f64; 3] {
        let curve = self.curves[usize::from(one.direction == Direction::Reverse)];
        let drive = self.drive(way, one.direction, one.step);
        let predicted = curve.speed_at(drive);
        let by_count = COUNT_U * curve.slope_at(drive.min(curve.last_drive()));
        let variance = one.measured.u_mm_s * one.measured.u_mm_s
            + predicted.u_mm_s * predicted.u_mm_s
            + by_count * by_count;
        [one.measured.speed_mm_s, predicted.speed_mm_s, 1.0 / variance.max(1e-6)]
    }

    /// Drive of a step; below entry 1 on the line down to nothing.
    fn drive(&self, way: TableUse, direction: Direction, step: u16) -> f64 {
        let entry = way.reading().entry(step, self.of);
        let value = self.fit.value(entry) * entry.clamp(0.0, 1.0);
        match way {
            TableUse::Whole(_) => self.habits.used(trimmed(value, self.fit.trim(direction))),
            TableUse::WithoutTrims(_) => value,
            TableUse::None => baseline_drive(self.kind, Setting { value: step, of: self.of }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::CurvePoint;

    /// 2 mm/s a count above a dead zone of 10 counts.
    fn curve() -> SpeedCurve {
        let points = [(0.0, 0.0), (10.0, 0.0), (11.0, 2.0), (100.0, 180.0), (255.0, 490.0)];
        let points = points.map(|(drive, speed_mm_s)| CurvePoint { drive, speed_mm_s, u_mm_s: 0.2 });
        SpeedCurve::fit(&points).unwrap()
    }

    /// A table that bends, unlike any baseline.
    fn bent(trim_reverse: u8) -> TableFit {
        let mut table = [0; 28];
        for (entry, value) in (1_u8..).zip(&mut table) {
            *value = 20 + 4 * entry + entry * (entry / 4) / 2;
        }
        TableFit { table, trim_forward: 128, trim_reverse, points: None }
    }

    /// Steps of a decoder with this drive at each, in counts; `by` is an error of the speed in parts.
    fn seen(steps: &[u16], counts: impl Fn(u16, Direction) -> f64, by: f64) -> Vec<SeenStep> {
        let each = steps.iter().flat_map(|step| Direction::BOTH.map(|direction| (*step, direction)));
        each.map(|(step, direction)| {
            let speed_mm_s = (2.0 * (counts(step, direction) - 10.0)).max(0.0) * (1.0 + by);
            SeenStep { step, direction, measured: SpeedEstimate { speed_mm_s, u_mm_s: 0.3 } }
        })
        .collect()
    }

    fn told(fit: &TableFit, of: u16, seen: &[SeenStep]) -> Option<TableUse> {
        let (curve, habits) = (curve(), Habits::default());
        let kind = BaselineKind::Zeros;
        Written { fit, curves: [&curve, &curve], habits: &habits, kind, of }.told_by(seen)
    }

    /// The value at a place of the table as a person would read it off.
    fn read_off(fit: &TableFit, place: f64) -> f64 {
        let (below, part) = (place.floor(), place.fract());
        let value = |entry: f64| {
            let number = (1..=28_u8).rev().find(|number| f64::from(*number) <= entry);
            number.map_or(0.0, |number| f64::from(fit.table[usize::from(number) - 1]))
        };
        value(below) + part * (value(below + 1.0) - value(below))
    }

    /// The ways of `standards/dcc.md` section 10.1, and one that holds each entry for four or five steps.
    #[test]
    fn each_way_of_126_steps_is_told_from_the_others() {
        use TableReading::{EndToEnd, FromZero, Held};
        use TableUse::{None as Ignored, Whole, WithoutTrims};
        let steps = [1, 20, 38, 57, 63, 64, 75, 94, 112, 126];
        let ends = |step: u16| 1.0 + f64::from(step - 1) * 27.0 / 125.0;
        let zero = |step: u16| f64::from(step) / 4.5;
        let held = |step: u16| 1.0 + (f64::from(step - 1) / 4.5).floor();
        let fit = bent(120);
        let factor = |direction| if direction == Direction::Forward { 1.0 } else { 120.0 / 128.0 };
        for by in [-0.01, 0.0, 0.01] {
            let places: [(TableReading, &dyn Fn(u16) -> f64); 3] =
                [(EndToEnd, &ends), (FromZero, &zero), (Held, &held)];
            for (reading, place) in places {
                let whole = seen(&steps, |step, way| factor(way) * read_off(&fit, place(step)), by);
                assert_eq!(told(&fit, 126, &whole), Some(Whole(reading)), "{by}");
                let bare = seen(&steps, |step, _| read_off(&fit, place(step)), by);
                assert_eq!(told(&fit, 126, &bare), Some(WithoutTrims(reading)), "{by}");
                assert_eq!(told(&fit, 126, &whole[..2]), None, "two figures say nothing");
            }
            let line = seen(&steps, |step, _| 255.0 * f64::from(step - 1) / 125.0, by);
            assert_eq!(told(&fit, 126, &line), Some(Ignored), "{by}");
        }
        let none = seen(&steps, |step, _| 120.0 + f64::from(step), 0.0);
        assert_eq!(told(&fit, 126, &none), None, "no way of these");
    }

    /// A middle of 192 in place of 128 (common practice, no source) and a sweep that ended below it.
    #[test]
    fn a_sweep_under_stronger_drives_than_written_is_told() {
        let (curve, habits, fit) = (curve(), Habits::default(), bent(120));
        let (curves, kind) = ([&curve, &curve], BaselineKind::Zeros);
        let written = Written { fit: &fit, curves, habits: &habits, kind, of: 28 };
        let factor = |direction| if direction == Direction::Forward { 1.0 } else { 120.0 / 128.0 };
        let entry = |step: u16, way| factor(way) * f64::from(fit.table[usize::from(step) - 1]);
        let steps = [3, 7, 14, 21, 28];
        // The sweep called 100 what was 150.
        let weaker = seen(&steps, |step, way| entry(step, way) / 1.5, 0.0);
        let found = written.stronger_by(&weaker).unwrap();
        assert!((found - 1.5).abs() < 0.02 && written.told_by(&weaker).is_none(), "{found}");
        assert_eq!(written.stronger_by(&seen(&steps, entry, 0.01)), None);
    }

    #[test]
    fn with_28_steps_trims_and_table_are_asked_for_and_nothing_else() {
        let steps = [1, 7, 14, 21, 28];
        let entry = |step: u16| f64::from(bent(128).table[usize::from(step) - 1]);
        let plain = seen(&steps, |step, _| entry(step), 0.005);
        assert_eq!(told(&bent(128), 28, &plain), Some(TableUse::default()), "trims of 128 change nothing");
        assert_eq!(told(&bent(120), 28, &plain), Some(TableUse::WithoutTrims(TableReading::EndToEnd)));
        let line = seen(&steps, |step, _| 255.0 * f64::from(step - 1) / 27.0, 0.0);
        assert_eq!(told(&bent(120), 28, &line), Some(TableUse::None));
        let (curve, habits, fit) = (curve(), Habits::default(), bent(120));
        let (curves, kind) = ([&curve, &curve], BaselineKind::Zeros);
        let written = Written { fit: &fit, curves, habits: &habits, kind, of: 28 };
        // Forward, 14: 97 counts with the table, 122.8 without. In reverse the trim makes 90.9 of the 97, 7.6 % in speed.
        assert_eq!(written.left_out_at(&line[4]), Some(TableUse::None));
        assert_eq!((written.left_out_at(&plain[4]), written.left_out_at(&plain[5])), (None, None));
        let low = TableFit { trim_forward: 70, trim_reverse: 70, ..fit };
        let bare = TableUse::WithoutTrims(TableReading::EndToEnd);
        assert_eq!(Written { fit: &low, ..written }.left_out_at(&plain[4]), Some(bare));
    }
}
