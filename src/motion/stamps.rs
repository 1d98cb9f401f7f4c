//! The sensor's 32-bit count of microseconds, unwrapped to 64 bits.
//!
//! A stamp goes on by at most what arrival allows: that tells a wrap from a restart of the sensor, and counts the wraps
//! of a gap longer than one. Late arrival is no limit, since data may be held up on the way; only a stamp from the
//! future can't be.
use crate::sensor::Stamp;
use crate::time::BenchTime;

const WRAP_US: i64 = 1 << 32;
/// A stamp that goes back by up to this is a disorder on the way, not a restart.
const BACK_US: i64 = 1_000_000;
/// Stamps may run ahead of arrival by this much: the first samples may have waited on the way, much by a scaled clock.
const SLACK_US: i64 = 30_000_000;
/// Clock rates may differ by one part in this: a simple oscillator is off by up to 2 % (`standards/measurement.md` 2.7).
const RATE_PART: i64 = 32;

/// What a stamp is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stamped {
    /// Time goes on: microseconds of the sensor since the first sample, never falling.
    On {
        /// Since the first sample.
        t_us: i64,
        /// Since the sample before; 0 for the first.
        step_us: i64,
    },
    /// The same stamp again, or a little back: to be ignored.
    Repeated,
    /// The sensor's clock started anew.
    Restart {
        /// Since the first sample, guessed from arrival.
        t_us: i64,
    },
}

#[derive(Clone, Copy, Debug)]
struct Last {
    raw: u32,
    t_us: i64,
    arrival_us: i64,
    /// Least of arrival - t lately.
    floor_us: i64,
}

/// The unwrapper.
#[derive(Debug, Default)]
pub(super) struct Stamps {
    first_arrival_us: i64,
    last: Option<Last>,
}

impl Stamps {
    /// Takes a stamp in; `arrival_us` counts from the first sample's arrival.
    pub(super) fn take(&mut self, at: BenchTime, stamp: Stamp) -> (Stamped, i64) {
        let Stamp::CountUs(raw) = stamp else { return (Stamped::Repeated, 0) };
        let now_us = i64::try_from(at.as_nanos() / 1000).unwrap_or(i64::MAX);
        let Some(last) = self.last else {
            self.first_arrival_us = now_us;
            self.last = Some(Last { raw, t_us: 0, arrival_us: 0, floor_us: 0 });
            return (Stamped::On { t_us: 0, step_us: 0 }, 0);
        };
        let arrival_us = now_us.saturating_sub(self.first_arrival_us);
        let waited = (arrival_us - last.arrival_us).max(0);
        let ahead = i64::from(raw.wrapping_sub(last.raw));
        let room = arrival_us - last.floor_us - last.t_us + SLACK_US + waited / RATE_PART;
        let stamped = if ahead == 0 || (ahead > room && WRAP_US - ahead <= BACK_US) {
            Stamped::Repeated
        } else if ahead > room {
            Stamped::Restart { t_us: last.t_us + waited + 1 }
        } else {
            let step_us = ahead + (room - ahead) / WRAP_US * WRAP_US;
            Stamped::On { t_us: last.t_us + step_us, step_us }
        };
        self.last = match stamped {
            Stamped::Repeated => Some(last),
            Stamped::Restart { t_us } => Some(Last { raw, t_us, arrival_us, floor_us: arrival_us - t_us }),
            Stamped::On { t_us, step_us } => {
                let floor_us = (arrival_us - t_us).min(last.floor_us.saturating_add(step_us / RATE_PART));
                Some(Last { raw, t_us, arrival_us, floor_us })
            }
        };
        (stamped, arrival_us)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Feeds (arrival ms, stamp); gives what the last one was.
    fn last(pairs: &[(u64, u32)]) -> Stamped {
        let mut stamps = Stamps::default();
        let taken =
            pairs.iter().map(|(ms, raw)| stamps.take(BenchTime::from_millis(*ms), Stamp::CountUs(*raw)).0);
        taken.last().expect("a pair")
    }

    #[test]
    fn a_wrap_goes_on() {
        let near_end = u32::MAX - 4_999;
        assert_eq!(last(&[(0, near_end), (20, 15_000)]), Stamped::On { t_us: 20_000, step_us: 20_000 });
    }

    #[test]
    fn a_gap_longer_than_a_wrap_counts_its_wraps() {
        // 2^32 us = 71 min 34.967 s; three hours hold two.
        let t_us: i64 = 3 * 3600 * 1_000_000;
        let raw = u32::try_from(t_us % (1 << 32)).expect("a remainder");
        assert_eq!(last(&[(0, 0), (3 * 3600 * 1000, raw)]), Stamped::On { t_us, step_us: t_us });
    }

    #[test]
    fn the_same_and_a_little_back_are_ignored() {
        assert_eq!(last(&[(0, 5_000_000), (20, 5_000_000)]), Stamped::Repeated);
        assert_eq!(last(&[(0, 5_000_000), (20, 4_900_000)]), Stamped::Repeated);
        assert_eq!(
            last(&[(0, 5_000_000), (20, 4_900_000), (40, 5_040_000)]),
            Stamped::On { t_us: 40_000, step_us: 40_000 }
        );
    }

    #[test]
    fn a_new_start_is_told_from_a_wrap() {
        assert_eq!(last(&[(0, 500_000_000), (3_000, 1_000)]), Stamped::Restart { t_us: 3_000_001 });
        // Even where going on through the wrap would be the shorter way.
        assert_eq!(last(&[(0, 3_600_000_000), (3_000, 1_000)]), Stamped::Restart { t_us: 3_000_001 });
        // And a jump ahead of what arrival allows.
        assert_eq!(last(&[(0, 0), (20, 60_000_000)]), Stamped::Restart { t_us: 20_001 });
    }

    #[test]
    fn data_held_up_on_the_way_are_no_new_start() {
        let mut stamps = Stamps::default();
        for k in 0..200_u32 {
            // Ten bursts of twenty samples, each a second late at most.
            let at = BenchTime::from_millis(u64::from(k / 20 * 1000 + 1000));
            let (stamped, _) = stamps.take(at, Stamp::CountUs(k * 50_000));
            assert!(matches!(stamped, Stamped::On { .. }), "{k}: {stamped:?}");
        }
    }

    #[test]
    fn a_clock_two_percent_fast_or_slow_is_followed_for_a_day() {
        for rate in [0.98, 1.02] {
            let mut stamps = Stamps::default();
            for k in 0..86_400_u32 {
                let at = BenchTime::from_millis(u64::from(k) * 1000);
                let step = if rate < 1.0 { 980_000_u32 } else { 1_020_000 };
                let (stamped, _) = stamps.take(at, Stamp::CountUs(k.wrapping_mul(step)));
                assert_eq!(
                    stamped,
                    Stamped::On {
                        t_us: i64::from(k) * i64::from(step),
                        step_us: if k == 0 { 0 } else { i64::from(step) }
                    }
                );
            }
        }
    }
}
