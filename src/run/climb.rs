//! How far up the next setting may lie: never faster than the target needs, never near the speed limit. Pure: settings and the
//! speeds they gave.
use super::route::Known;

/// The next point is not driven to if it would come nearer than this to the speed limit.
const LIMIT_PART: f64 = 0.97;
/// Nor is one further than the next step, if it would be faster than this part of what is needed.
const NEEDED_PART: f64 = 1.05;

/// What is known on the way up of one direction.
#[derive(Clone, Copy, Debug)]
pub(super) struct Climb {
    /// The two fastest settings with their speeds, mm/s, the fastest first; the probes stand in where fewer were measured.
    fastest: [(u16, f64); 2],
    /// The highest setting measured in this direction.
    highest: Option<u16>,
    of: u16,
    needed_mm_s: f64,
    limit_mm_s: f64,
}

impl Climb {
    /// From the settings measured in this direction, in any order.
    pub(super) fn new(
        seen: impl Iterator<Item = (u16, f64)>,
        known: &Known,
        needed_mm_s: f64,
        limit_mm_s: f64,
    ) -> Self {
        let mut all: Vec<(u16, f64)> = seen.collect();
        let highest = all.iter().map(|row| row.0).max();
        all.sort_by(|a, b| b.0.cmp(&a.0).then(b.1.total_cmp(&a.1)));
        all.dedup_by_key(|row| row.0);
        let lowest = all.last().map_or(u16::MAX, |row| row.0);
        all.extend(known.probes.iter().rev().filter(|probe| probe.0 < lowest));
        let fastest =
            [all.first().copied().unwrap_or(known.probes[1]), all.get(1).copied().unwrap_or((0, 0.0))];
        Self { fastest, highest, of: known.of, needed_mm_s, limit_mm_s }
    }

    /// Speed of the highest setting measured; 0 where there is none.
    pub(super) fn fastest_mm_s(&self) -> f64 {
        if self.highest.is_some() { self.fastest[0].1 } else { 0.0 }
    }

    /// The speed that a setting is foreseen to give, on the line through the two fastest.
    fn foreseen(&self, value: u16) -> f64 {
        let [(high, fast), (low, slow)] = self.fastest;
        let slope = ((fast - slow) / (f64::from(high) - f64::from(low)).max(1.0)).max(0.0);
        fast + slope * (f64::from(value) - f64::from(high))
    }

    /// A setting that comes near neither the limit nor, further than a step away, what is needed.
    pub(super) fn is_slow_enough(&self, value: u16) -> bool {
        let foreseen = self.foreseen(value);
        let next = self.highest.is_some_and(|highest| value <= highest + 1);
        foreseen <= LIMIT_PART * self.limit_mm_s && (next || foreseen <= NEEDED_PART * self.needed_mm_s)
    }

    /// The setting above the highest at which it is foreseen to be as fast as needed; none where it is, or cannot be.
    pub(super) fn next(&self) -> Option<u16> {
        let highest = self.highest.filter(|_| self.fastest[0].1 < self.needed_mm_s)?;
        let far = (highest + 1..=self.of).find(|value| self.foreseen(*value) >= self.needed_mm_s);
        let upto = far.unwrap_or(self.of);
        (highest + 1..=upto).rev().find(|value| self.is_slow_enough(*value))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const KNOWN: Known = Known { probes: [(5, 40.0), (10, 110.0)], of: 28, least: 2 };

    fn climb(seen: &[(u16, f64)], needed_mm_s: f64, limit_mm_s: f64) -> Climb {
        Climb::new(seen.iter().copied(), &KNOWN, needed_mm_s, limit_mm_s)
    }

    #[test]
    fn it_goes_to_where_it_is_foreseen_to_be_fast_enough() {
        // 14 mm/s a step.
        let seen = [(17, 208.0), (12, 138.0)];
        assert_eq!(climb(&seen, 300.0, 375.0).next(), Some(24));
        assert_eq!(climb(&seen, 208.0, 375.0).next(), None, "fast enough");
        assert_eq!(climb(&seen, 900.0, 1200.0).next(), Some(28), "the last step");
        assert_eq!(climb(&[(28, 350.0), (27, 340.0)], 400.0, 500.0).next(), None, "there is none above");
    }

    #[test]
    fn it_does_not_come_near_the_limit() {
        let seen = [(17, 208.0), (12, 138.0)];
        assert_eq!(climb(&seen, 300.0, 260.0).next(), Some(20), "97 % of 260 is 252");
        assert!(!climb(&seen, 300.0, 260.0).is_slow_enough(21));
        assert_eq!(climb(&seen, 300.0, 220.0).next(), None);
        // Far beyond what is needed only the next step may lie.
        assert!(!climb(&seen, 220.0, 900.0).is_slow_enough(20));
        assert!(climb(&[(17, 208.0), (16, 150.0)], 220.0, 900.0).is_slow_enough(18));
    }

    #[test]
    fn the_probes_stand_in_for_what_was_not_measured() {
        let one = climb(&[(17, 250.0)], 300.0, 375.0);
        // On the line through 110 at 10 and 250 at 17: 20 mm/s a step.
        assert_eq!(one.next(), Some(20));
        assert!((one.fastest_mm_s() - 250.0).abs() < 1e-12);
        assert!(climb(&[], 300.0, 375.0).fastest_mm_s().abs() < 1e-12);
    }
}
