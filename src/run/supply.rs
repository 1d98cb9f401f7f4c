//! What the speed did before the power went: a short cuts an engine off at speed, a supply that is too weak lets it sink first.
use super::cx::Cx;
use crate::station::{Direction, Setting};
use crate::time::BenchTime;
use std::collections::VecDeque;
use std::time::Duration;

/// The speed is looked at this often,
const EVERY: Duration = Duration::from_millis(250);
/// and kept for so long.
const KEPT: Duration = Duration::from_secs(8);
/// Without power an engine runs out within a moment, and a station tells of it a little later: what it did so shortly before
/// the report says nothing of the supply (own choice).
const RUNS_OUT: Duration = Duration::from_millis(1500);
/// An engine whose speed sank by this part before that, at one setting, had too little voltage (own choice: a steady engine keeps
/// its speed to a few per cent).
const SANK: f64 = 0.10;

/// The last seconds of speed at the present setting.
#[derive(Debug, Default)]
pub(super) struct SupplyWatch {
    setting: Option<(Setting, Direction)>,
    seen: VecDeque<(BenchTime, f64)>,
}

impl SupplyWatch {
    pub(super) fn look(&mut self, cx: &Cx) {
        if self.setting != Some(cx.ordered) {
            self.setting = Some(cx.ordered);
            self.seen.clear();
        }
        let settled = cx.now >= cx.ordered_at + RUNS_OUT.mul_f64(2.0);
        let due = self.seen.back().is_none_or(|(at, _)| cx.now >= *at + EVERY);
        let Some(glance) = cx.fresh_glance().filter(|_| settled && due && cx.ordered.0.value > 0) else {
            return;
        };
        self.seen.push_back((cx.now, glance.speed_mm_s.abs()));
        while self.seen.front().is_some_and(|(at, _)| cx.now > *at + KEPT) {
            self.seen.pop_front();
        }
    }

    /// By what part the speed sank at one setting before the power was told to be off at `told`; none where it held.
    pub(super) fn sank(&self, told: BenchTime) -> Option<f64> {
        let before: Vec<f64> =
            self.seen.iter().filter(|(at, _)| *at + RUNS_OUT <= told).map(|(_, speed)| *speed).collect();
        let (last, highest) = (before.last()?, before.iter().copied().fold(0.0, f64::max));
        let part = 1.0 - last / highest.max(f64::EPSILON);
        (part > SANK).then_some(part)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn watch(speeds: &[(u64, f64)]) -> SupplyWatch {
        let seen = speeds.iter().map(|(ms, speed)| (BenchTime::ZERO + Duration::from_millis(*ms), *speed));
        SupplyWatch { setting: None, seen: seen.collect() }
    }

    #[test]
    fn a_short_is_no_weak_supply() {
        let told = BenchTime::ZERO + Duration::from_secs(8);
        let held: Vec<(u64, f64)> = (0..26).map(|i| (i * 250, 200.0)).collect();
        assert_eq!(watch(&held).sank(told), None);
        // Cut at 7 s, told of at 8 s: it runs out meanwhile.
        let cut: Vec<(u64, f64)> = (0..32).map(|i| (i * 250, if i < 28 { 200.0 } else { 40.0 })).collect();
        assert_eq!(watch(&cut).sank(told), None);
        let sank: Vec<(u64, f64)> =
            (0..32u32).map(|i| (u64::from(i) * 250, 200.0 - 4.0 * f64::from(i))).collect();
        assert!((watch(&sank).sank(told).unwrap() - 0.52).abs() < 1e-9, "26 looks before 6.5 s");
        assert_eq!(watch(&[]).sank(told), None);
    }
}
