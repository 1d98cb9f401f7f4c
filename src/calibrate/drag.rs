//! The drag of a measuring car: the same engine, at the same settings of the same decoder, with and without it.
use super::budget::{Budget, BudgetLine, Combined, SharedBy, Together, combined, difference};
use crate::station::Direction;

/// Settings in common from which a direction is compared.
const FEWEST: usize = 3;

/// A speed at a setting, with where its doubt comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct SpeedAt {
    /// Setting of the step mode.
    pub value: u16,
    /// Direction.
    pub direction: Direction,
    /// Speed in mm/s, not negative.
    pub speed_mm_s: f64,
    /// Its budget.
    pub budget: Budget,
}

/// The difference at one setting.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DragAt {
    /// Setting of the step mode.
    pub value: u16,
    /// Without the car, mm/s.
    pub without_mm_s: f64,
    /// With it, mm/s.
    pub with_mm_s: f64,
    /// Without less with, mm/s: positive is drag.
    pub slower_mm_s: f64,
    /// Half-width of that at 95 %, mm/s.
    pub u95_mm_s: f64,
}

/// One direction.
#[derive(Clone, Debug, PartialEq)]
pub struct DragSide {
    /// Direction.
    pub direction: Direction,
    /// Settings that both runs measured, rising.
    pub points: Vec<DragAt>,
    /// Mean of the differences, mm/s: positive is drag.
    pub slower_mm_s: f64,
    /// Half-width of the mean at 95 %, mm/s.
    pub u95_mm_s: f64,
    /// The mean difference in per cent of the mean speed without the car.
    pub slower_percent: f64,
}

/// What can be said of a direction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DragSeen {
    /// The engine is slower with the car.
    Drag,
    /// A difference is not seen through its doubt.
    Nothing,
    /// The engine is faster with the car: no drag does that.
    Faster,
}

impl DragSide {
    /// What can be said.
    #[must_use]
    pub fn seen(&self) -> DragSeen {
        if self.slower_mm_s.abs() <= self.u95_mm_s || self.u95_mm_s.is_nan() {
            DragSeen::Nothing
        } else if self.slower_mm_s > 0.0 {
            DragSeen::Drag
        } else {
            DragSeen::Faster
        }
    }
}

/// Compares two runs in each direction in which they share three settings or more.
#[must_use]
pub fn drag(without: &[SpeedAt], with: &[SpeedAt], together: Together) -> Vec<DragSide> {
    Direction::BOTH.into_iter().filter_map(|direction| side(without, with, together, direction)).collect()
}

fn side(without: &[SpeedAt], with: &[SpeedAt], together: Together, direction: Direction) -> Option<DragSide> {
    let mut pairs: Vec<(&SpeedAt, &SpeedAt)> = without
        .iter()
        .filter(|one| one.direction == direction)
        .filter_map(|one| {
            Some((one, with.iter().find(|two| (two.value, two.direction) == (one.value, direction))?))
        })
        .collect();
    if pairs.len() < FEWEST {
        return None;
    }
    pairs.sort_by_key(|(one, _)| one.value);
    let n = pairs.len() as f64;
    let mean = |of: fn(&(&SpeedAt, &SpeedAt)) -> f64| pairs.iter().map(of).sum::<f64>() / n;
    let slower_mm_s = mean(|(one, two)| one.speed_mm_s - two.speed_mm_s);
    let doubt = difference(
        &mean_budget(&pairs.iter().map(|(one, _)| &one.budget).collect::<Vec<_>>()),
        &mean_budget(&pairs.iter().map(|(_, two)| &two.budget).collect::<Vec<_>>()),
        together,
    );
    let at = |(one, two): &(&SpeedAt, &SpeedAt)| DragAt {
        value: one.value,
        without_mm_s: one.speed_mm_s,
        with_mm_s: two.speed_mm_s,
        slower_mm_s: one.speed_mm_s - two.speed_mm_s,
        u95_mm_s: difference(&one.budget, &two.budget, together).expanded(),
    };
    Some(DragSide {
        direction,
        points: pairs.iter().map(at).collect(),
        slower_mm_s,
        u95_mm_s: doubt.expanded(),
        slower_percent: 100.0 * slower_mm_s / mean(|(one, _)| one.speed_mm_s),
    })
}

/// The budget of the mean of several speeds of a run. What each has by itself averages out; what they share does not.
fn mean_budget(budgets: &[&Budget]) -> Budget {
    let n = budgets.len() as f64;
    let mut lines: Vec<BudgetLine> = Vec::new();
    for line in budgets.iter().flat_map(|budget| &budget.lines) {
        if lines.iter().any(|known| known.part == line.part) {
            continue;
        }
        let alike = budgets.iter().filter_map(|budget| budget.line(line.part));
        let Combined { u, degrees } = if line.shared_by == SharedBy::None {
            let whole = combined(alike.map(|line| (line.u_mm_s, line.degrees)).collect::<Vec<_>>());
            Combined { u: whole.u / n, ..whole }
        } else {
            Combined { u: alike.map(|line| line.u_mm_s).sum::<f64>() / n, degrees: line.degrees }
        };
        lines.push(BudgetLine { u_mm_s: u, degrees, ..line.clone() });
    }
    Budget { lines }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::budget::Part;
    use crate::motion::stats::root_of_squares;

    fn near(found: f64, wanted: f64) {
        assert!((found - wanted).abs() <= 1e-9 * wanted.abs().max(1e-9), "found {found}, wanted {wanted}");
    }

    fn run(slower: f64) -> Vec<SpeedAt> {
        let at = |value: u16, direction| {
            let speed_mm_s = 10.0 * f64::from(value) * (1.0 - slower);
            let lines = vec![
                BudgetLine::a(Part::Repeatability, 0.1, 9.0, SharedBy::None, ""),
                BudgetLine::b(Part::Drift, 0.05, SharedBy::Run, ""),
                BudgetLine::b(Part::Circumference, 0.01 * speed_mm_s, SharedBy::Axle, ""),
            ];
            SpeedAt { value, direction, speed_mm_s, budget: Budget { lines } }
        };
        (1..=16).flat_map(|value| Direction::BOTH.map(|direction| at(value, direction))).collect()
    }

    #[test]
    fn a_drag_is_seen_through_a_roller_that_is_known_badly() {
        let sides = drag(&run(0.0), &run(0.02), Together::SameAxle);
        assert_eq!(sides.len(), 2);
        for side in &sides {
            assert_eq!(side.seen(), DragSeen::Drag);
            // Mean speed 85 mm/s: 1.7 mm/s; own 0.1/sqrt(16) twice, drift 0.05 twice, and 1 % of 1.7 mm/s.
            near(side.slower_mm_s, 1.7);
            near(side.slower_percent, 2.0);
            let u = root_of_squares([0.025, 0.025, 0.05, 0.05, 0.017]);
            assert!((side.u95_mm_s / u - 1.96).abs() < 0.01, "{} {u}", side.u95_mm_s);
            let first = side.points[0];
            near(first.slower_mm_s, 0.2);
            assert_eq!((first.value, side.points.len()), (1, 16));
            assert!(first.u95_mm_s > first.slower_mm_s, "one slow setting alone shows nothing");
        }
        // Another axle: each circumference counts in full, and the same difference is nothing.
        let sides = drag(&run(0.0), &run(0.02), Together::Apart);
        assert!(sides.iter().all(|side| side.seen() == DragSeen::Nothing), "{sides:?}");
    }

    #[test]
    fn nothing_and_faster_are_told_apart() {
        let seen = |slower| drag(&run(0.0), &run(slower), Together::SameAxle)[0].seen();
        assert_eq!(seen(0.0), DragSeen::Nothing);
        assert_eq!(seen(0.001), DragSeen::Nothing);
        assert_eq!(seen(-0.02), DragSeen::Faster);
    }

    #[test]
    fn a_direction_that_few_settings_share_is_left_out() {
        let mut with = run(0.02);
        with.retain(|at| at.direction == Direction::Forward || at.value < 3);
        let sides = drag(&run(0.0), &with, Together::SameAxle);
        assert_eq!(sides.iter().map(|side| side.direction).collect::<Vec<_>>(), [Direction::Forward]);
        assert!(drag(&run(0.0), &[], Together::SameAxle).is_empty());
    }
}
