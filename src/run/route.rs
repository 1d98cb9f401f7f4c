//! Which settings a sweep measures on which leg. Pure: no engine, no time.
//!
//! A sweep goes out and back in legs, so that drift does not look like a difference of the directions and no leg begins with
//! an idle climb: from the warm setting up and down in the first direction, up and down in the other, and up again in the
//! first. Half of the settings are measured on the way out and half on the way back: the mean time of every stretch of the
//! range is then the same in both directions. Neighbours stay together in blocks, for a short change settles sooner.
use crate::config::SweepSteps;

/// Settings that stay together on a leg, of `all` and of a spread.
const BLOCKS: usize = 4;
/// Parts of the speed needed at which a sweep that learns begins, beside the warm setting and the low anchor.
const FIRST_PARTS: [f64; 4] = [0.07, 0.32, 0.82, 1.0];

/// What the first moves told: settings and speeds, the second the faster.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Known {
    /// (setting, mm/s), rising.
    pub(super) probes: [(u16, f64); 2],
    /// The largest setting.
    pub(super) of: u16,
    /// The smallest setting that may move at all.
    pub(super) least: u16,
}

impl Known {
    /// The setting that gives about this speed, on the line through the two probes.
    pub(super) fn setting_for(&self, speed_mm_s: f64) -> u16 {
        let [(low, slow), (high, fast)] = self.probes;
        let slope = ((fast - slow) / f64::from(high.saturating_sub(low).max(1))).max(f64::EPSILON);
        let reaches = |value: &u16| slow + slope * (f64::from(*value) - f64::from(low)) >= speed_mm_s;
        (self.least..=self.of).find(reaches).unwrap_or(self.of)
    }
}

/// The settings of a sweep, rising: those of the way out and those of the way back.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Route {
    /// Measured on the way out.
    pub(super) out: Vec<u16>,
    /// Measured on the way back; a sweep that learns chooses them later.
    pub(super) back: Vec<u16>,
}

impl Route {
    /// For these steps; `anchors` (slow, fast) are on both ways.
    pub(super) fn plan(steps: SweepSteps, known: &Known, needed_mm_s: f64, anchors: [u16; 2]) -> Self {
        let mut route = match steps {
            SweepSteps::Learn => {
                let out = FIRST_PARTS.map(|part| known.setting_for(part * needed_mm_s)).to_vec();
                Self { out, back: Vec::new() }
            }
            SweepSteps::All => Self::halves(&(1..=known.of).collect::<Vec<u16>>()),
            SweepSteps::Spread(wanted) => Self::halves(&spread(wanted.min(known.of), known.of)),
        };
        for way in [&mut route.out, &mut route.back] {
            way.extend(anchors);
            way.sort_unstable();
            way.dedup();
            way.retain(|value| (known.least..=known.of).contains(value));
        }
        route
    }

    /// Blocks by turns, the fastest on the way out.
    fn halves(settings: &[u16]) -> Self {
        let block = settings.len().div_ceil(BLOCKS).max(1);
        let mut route = Self::default();
        for (i, value) in settings.iter().rev().enumerate() {
            let way = if (i / block) % 2 == 0 { &mut route.out } else { &mut route.back };
            way.push(*value);
        }
        route
    }
}

/// So many settings, rising, the first 1 and the last the top step; closer together at the low end, where an engine's
/// curve bends most.
pub(super) fn spread(points: u16, of: u16) -> Vec<u16> {
    let wanted = points.clamp(4, of);
    let place = |i: u16| {
        let part = f64::from(i) / f64::from(wanted - 1);
        f64::from(of - 1) * part * part.sqrt()
    };
    let mut values: Vec<u16> = Vec::new();
    for i in 0..wanted {
        // Never two alike: where the curve of places is flat, every step is taken.
        let least = values.last().map_or(1, |last| last + 1);
        let most = of - (wanted - 1 - i);
        let wished = (least..most).find(|value| f64::from(*value - 1) + 0.5 > place(i)).unwrap_or(most);
        values.push(wished);
    }
    values
}

#[cfg(test)]
mod tests {
    use super::*;

    const KNOWN: Known = Known { probes: [(5, 40.0), (10, 110.0)], of: 28, least: 2 };

    #[test]
    fn the_spread_rises_from_the_first_step_to_the_top() {
        assert_eq!(spread(28, 28), (1..=28).collect::<Vec<u16>>());
        assert_eq!(spread(8, 28), [1, 2, 5, 9, 13, 17, 22, 28]);
        for wanted in 4..=126 {
            let values = spread(wanted, 126);
            assert_eq!((values.len(), values[0], values[values.len() - 1]), (usize::from(wanted), 1, 126));
            assert!(values.windows(2).all(|pair| pair[0] < pair[1]));
        }
    }

    #[test]
    fn all_settings_are_on_one_of_the_ways_and_the_anchors_on_both() {
        for steps in [SweepSteps::All, SweepSteps::Spread(28)] {
            let route = Route::plan(steps, &KNOWN, 380.0, [6, 17]);
            for value in 2..=28 {
                let ways = [&route.out, &route.back].iter().filter(|way| way.contains(&value)).count();
                assert_eq!(ways, if [6, 17].contains(&value) { 2 } else { 1 }, "{value}");
            }
            assert!(!route.out.contains(&1), "it has no drive");
            assert!(route.out.contains(&28), "the top comes first");
            // Both anchors happen to lie on the way back.
            assert!(route.out.len().abs_diff(route.back.len()) <= 3);
        }
    }

    #[test]
    fn a_sweep_that_learns_begins_with_few() {
        let route = Route::plan(SweepSteps::Learn, &KNOWN, 370.0, [5, 17]);
        assert_eq!(route.out, [4, 5, 11, 17, 24, 28]);
        assert_eq!(route.back, [5, 17]);
        assert_eq!(KNOWN.setting_for(0.0), 3, "where the line crosses zero");
        assert_eq!(KNOWN.setting_for(1e9), 28);
    }
}
