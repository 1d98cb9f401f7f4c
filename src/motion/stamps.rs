//! The sensor's stamps as one time axis: microseconds since the first sample, never falling.
//!
//! A 32-bit count is unwrapped; a stamp goes on by at most what arrival allows: that tells a wrap from a restart of the
//! sensor, and counts the wraps of a gap longer than one. A clock goes on from any origin; a leap of it is a restart too.
//! Late arrival is no limit, since data may be held up on the way; only a stamp from the future can't be. A stamp that
//! counts from its sending is taken against arrival: this computer's clock then times it, with all the delays of the way.
use crate::sensor::Stamp;
use crate::time::BenchTime;

const WRAP_US: i64 = 1 << 32;
/// A stamp that goes back by up to this is a disorder on the way, not a restart.
const BACK_US: i64 = 1_000_000;
/// Stamps may run ahead of arrival by this much: the first samples may have waited on the way, much by a scaled clock.
const SLACK_US: i64 = 30_000_000;
/// Clock rates may differ by one part in this: a simple oscillator is off by up to 2 % (`standards/measurement.md` 2.7).
const RATE_PART: i64 = 32;
/// No sample is older than ten years, whatever it says of itself.
const OLDEST_US: i64 = 10 * 366 * 86_400 * 1_000_000;

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

/// A stamp on the axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Taken {
    pub(super) stamped: Stamped,
    /// Arrival since that of the first sample.
    pub(super) arrival_us: i64,
    /// How old the sample was on arrival, where its stamp says so by itself.
    pub(super) age_us: Option<i64>,
}

#[derive(Clone, Copy, Debug)]
struct Last {
    stamp: Stamp,
    t_us: i64,
    arrival_us: i64,
    /// Least of arrival - t lately.
    floor_us: i64,
}

impl Last {
    /// Since the last stamp there went by `ahead` microseconds of the sensor, or so many more that the count wrapped;
    /// arrival allows no more than `room`.
    fn go_on(&self, stamp: Stamp, room: i64, arrival_us: i64) -> Stamped {
        let on = |ahead: i64| Stamped::On { t_us: self.t_us.saturating_add(ahead), step_us: ahead };
        let restart = {
            let waited = (arrival_us - self.arrival_us).max(0);
            Stamped::Restart { t_us: self.t_us.saturating_add(waited + 1) }
        };
        match (self.stamp, stamp) {
            (Stamp::CountUs(before), Stamp::CountUs(now)) => match i64::from(now.wrapping_sub(before)) {
                0 => Stamped::Repeated,
                ahead if ahead <= room => on(ahead + (room - ahead) / WRAP_US * WRAP_US),
                ahead if WRAP_US - ahead <= BACK_US => Stamped::Repeated,
                _ => restart,
            },
            (Stamp::ClockUs(before), Stamp::ClockUs(now)) => match now.checked_sub(before) {
                Some(ahead) if (-BACK_US..=0).contains(&ahead) => Stamped::Repeated,
                Some(ahead) if ahead > 0 && ahead <= room => on(ahead),
                _ => restart,
            },
            (Stamp::SinceSendingUs(_), Stamp::SinceSendingUs(_)) => {
                let t_us = arrival_us - self.floor_us - age_us(stamp).unwrap_or(0);
                // What is older than what came before was sent twice, or kept for later: it is not news.
                if t_us > self.t_us { on(t_us - self.t_us) } else { Stamped::Repeated }
            }
            // It stamps in another way than before.
            _ => restart,
        }
    }
}

/// How old a sample says that it was when sent.
fn age_us(stamp: Stamp) -> Option<i64> {
    let Stamp::SinceSendingUs(since_us) = stamp else { return None };
    // Nothing is read after it was sent.
    Some(since_us.saturating_neg().clamp(0, OLDEST_US))
}

/// The unwrapper.
#[derive(Debug, Default)]
pub(super) struct Stamps {
    first_arrival_us: i64,
    last: Option<Last>,
    /// The next stamp has nothing to do with those before.
    anew: bool,
}

impl Stamps {
    /// Nobody listened for a time that is not known here: the next stamp begins anew.
    pub(super) fn restart(&mut self) {
        self.anew = true;
    }

    /// Takes in a stamp that arrived at `at`.
    pub(super) fn take(&mut self, at: BenchTime, stamp: Stamp) -> Taken {
        let now_us = i64::try_from(at.as_nanos() / 1000).unwrap_or(i64::MAX);
        let age_us = age_us(stamp);
        let Some(last) = self.last else {
            self.first_arrival_us = now_us;
            let floor_us = -age_us.unwrap_or(0);
            self.last = Some(Last { stamp, t_us: 0, arrival_us: 0, floor_us });
            return Taken { stamped: Stamped::On { t_us: 0, step_us: 0 }, arrival_us: 0, age_us };
        };
        let arrival_us = now_us.saturating_sub(self.first_arrival_us);
        let waited = (arrival_us - last.arrival_us).max(0);
        let room = arrival_us - last.floor_us - last.t_us + SLACK_US + waited / RATE_PART;
        let stamped = if std::mem::take(&mut self.anew) {
            Stamped::Restart { t_us: last.t_us.saturating_add(waited + 1) }
        } else {
            last.go_on(stamp, room, arrival_us)
        };
        self.last = match stamped {
            Stamped::Repeated => Some(last),
            Stamped::Restart { t_us } => {
                Some(Last { stamp, t_us, arrival_us, floor_us: arrival_us - t_us - age_us.unwrap_or(0) })
            }
            // By arrival the floor is no measure but fixed.
            Stamped::On { t_us, .. } if age_us.is_some() => Some(Last { stamp, t_us, arrival_us, ..last }),
            Stamped::On { t_us, step_us } => {
                let floor_us = (arrival_us - t_us).min(last.floor_us.saturating_add(step_us / RATE_PART));
                Some(Last { stamp, t_us, arrival_us, floor_us })
            }
        };
        Taken { stamped, arrival_us, age_us }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Feeds (arrival ms, stamp); gives what the last one was.
    fn last(pairs: &[(u64, u32)]) -> Stamped {
        let mut stamps = Stamps::default();
        let taken = pairs
            .iter()
            .map(|(ms, raw)| stamps.take(BenchTime::from_millis(*ms), Stamp::CountUs(*raw)).stamped);
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
            let stamped = stamps.take(at, Stamp::CountUs(k * 50_000)).stamped;
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
                let stamped = stamps.take(at, Stamp::CountUs(k.wrapping_mul(step))).stamped;
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

    /// What each of (arrival ms, stamp) is.
    fn each(pairs: &[(u64, Stamp)]) -> Vec<Stamped> {
        let mut stamps = Stamps::default();
        pairs.iter().map(|(ms, stamp)| stamps.take(BenchTime::from_millis(*ms), *stamp).stamped).collect()
    }

    #[test]
    fn a_clock_goes_on_from_any_origin_and_may_leap() {
        for origin in [0, -3_000_000, 1_700_000_000_000_000, i64::MAX - 90_000_000, i64::MIN] {
            let clock = |us: i64| Stamp::ClockUs(origin + us);
            assert_eq!(
                each(&[
                    (0, clock(0)),
                    (20, clock(20_000)),
                    (30, clock(20_000)),
                    (40, clock(15_000)),
                    (60, clock(60_000)),
                    // A gap, as long as it took.
                    (9_060, clock(9_060_000)),
                    // Set forward by more than arrival allows, then back.
                    (9_080, clock(80_000_000)),
                    (9_100, clock(9_100_000)),
                ]),
                [
                    Stamped::On { t_us: 0, step_us: 0 },
                    Stamped::On { t_us: 20_000, step_us: 20_000 },
                    Stamped::Repeated,
                    Stamped::Repeated,
                    Stamped::On { t_us: 60_000, step_us: 40_000 },
                    Stamped::On { t_us: 9_060_000, step_us: 9_000_000 },
                    Stamped::Restart { t_us: 9_080_001 },
                    Stamped::Restart { t_us: 9_100_002 },
                ],
                "{origin}"
            );
        }
        let ends = [(0, Stamp::ClockUs(i64::MIN)), (20, Stamp::ClockUs(i64::MAX))];
        assert_eq!(each(&ends)[1], Stamped::Restart { t_us: 20_001 });
    }

    #[test]
    fn what_counts_from_its_sending_is_timed_by_arrival() {
        let since = Stamp::SinceSendingUs;
        assert_eq!(
            each(&[
                // A packet of three, then one held up by 30 ms, then the one behind it.
                (1_000, since(-40_000)),
                (1_000, since(-20_000)),
                (1_000, since(0)),
                (1_090, since(0)),
                (1_090, since(0)),
                (1_120, since(0)),
                // Sent again, or dug out of a store: not news.
                (1_130, since(-500_000)),
                // From the future is from now.
                (1_140, since(70_000)),
            ]),
            [
                Stamped::On { t_us: 0, step_us: 0 },
                Stamped::On { t_us: 20_000, step_us: 20_000 },
                Stamped::On { t_us: 40_000, step_us: 20_000 },
                Stamped::On { t_us: 130_000, step_us: 90_000 },
                Stamped::Repeated,
                Stamped::On { t_us: 160_000, step_us: 30_000 },
                Stamped::Repeated,
                Stamped::On { t_us: 180_000, step_us: 20_000 },
            ]
        );
        let mut stamps = Stamps::default();
        let age = |stamps: &mut Stamps, stamp| stamps.take(BenchTime::from_millis(5), stamp).age_us;
        assert_eq!(age(&mut stamps, since(-7)), Some(7));
        assert_eq!(age(&mut stamps, since(7)), Some(0));
        assert_eq!(age(&mut stamps, since(i64::MIN)), Some(OLDEST_US));
        assert_eq!(age(&mut stamps, Stamp::ClockUs(-7)), None);
    }

    #[test]
    fn another_kind_of_stamp_is_a_restart() {
        assert_eq!(
            each(&[(0, Stamp::CountUs(7)), (20, Stamp::ClockUs(20_007)), (40, Stamp::SinceSendingUs(0))])
                [1..],
            [Stamped::Restart { t_us: 20_001 }, Stamped::Restart { t_us: 40_002 }]
        );
    }
}
