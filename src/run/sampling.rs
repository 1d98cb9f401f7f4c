//! Enough samples a turn: refused before a speed is driven at which turns could be miscounted. Where a signal repeats, a
//! quarter of a period may pass between two samples (`standards/measurement.md` 2.2 and 2.5); beyond half of one it shows
//! another speed, and nobody could tell.
use super::cx::{Cx, Failure};
use crate::cause::sensor as causes;
use std::time::Duration;

/// A setting must have held this long before its speed is one.
const HELD: Duration = Duration::from_secs(1);
/// The sweep goes this much beyond what the target needs.
const ROOM: f64 = 1.01;

/// The two settings that held last, with their speeds in mm/s: what the next one will give.
#[derive(Debug, Default)]
pub(super) struct Reach {
    held: [Option<(u16, f64)>; 2],
}

impl Reach {
    fn learn(&mut self, value: u16, speed_mm_s: f64) {
        match &mut self.held[1] {
            Some((known, speed)) if *known == value => *speed = speed_mm_s,
            _ => self.held = [self.held[1], Some((value, speed_mm_s))],
        }
    }

    /// Speed at another setting: on the steeper of the lines through the last two and through the last and nought.
    fn foretell(&self, value: u16) -> Option<f64> {
        let [before, last] = self.held;
        let (at, speed) = last?;
        let (value, at) = (f64::from(value), f64::from(at));
        let steep = before.map_or(0.0, |(from, slower)| (speed - slower) / (at - f64::from(from)));
        Some(speed + steep.max(speed / at.max(1.0)) * (value - at))
    }
}

impl Cx {
    /// Learns what the present setting gives.
    pub(super) fn learn_reach(&mut self) {
        if self.station.programming {
            self.reach = Reach::default();
            return;
        }
        let value = self.ordered.0.value;
        if value == 0 || self.now < self.ordered_at + HELD {
            return;
        }
        if let Some(glance) = self.fresh_glance() {
            self.reach.learn(value, glance.speed_mm_s.abs());
        }
    }

    /// Whether the sensor could follow what `value` will give; before the first move, what the target needs.
    pub(super) fn can_follow(&self, value: u16) -> Result<(), Failure> {
        let Some(fastest_mm_s) = self.motion.fastest_mm_s() else { return Ok(()) };
        let spec = &self.plan.spec;
        let (wanted_mm_s, what) = if self.has_moved() {
            let Some(foretold) = self.reach.foretell(value) else { return Ok(()) };
            (foretold, format!("setting {value} of {} would give about", self.ordered.0.of))
        } else {
            let room = ROOM / (1.0 - spec.limits.top_reserve).max(0.1);
            (room * spec.target.top_mm_s(), "the target with its reserve needs".to_owned())
        };
        if wanted_mm_s <= fastest_mm_s {
            return Ok(());
        }
        let evidence =
            format!("at its rate the sensor can follow {fastest_mm_s:.0} mm/s, {what} {wanted_mm_s:.0} mm/s");
        Err(Failure::halted(&causes::TOO_FEW_SAMPLES, evidence))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_next_speed_is_foretold_with_the_dead_zone_in_mind() {
        let mut reach = Reach::default();
        assert_eq!(reach.foretell(10), None);
        // 10 mm/s a setting from setting 5 on: the first alone says less than two do.
        reach.learn(8, 30.0);
        assert!((reach.foretell(16).expect("a speed") - 60.0).abs() < 1e-9);
        reach.learn(8, 31.0);
        reach.learn(8, 30.0);
        reach.learn(10, 50.0);
        assert!((reach.foretell(16).expect("a speed") - 110.0).abs() < 1e-9);
        assert!((reach.foretell(10).expect("a speed") - 50.0).abs() < 1e-9);
    }
}
