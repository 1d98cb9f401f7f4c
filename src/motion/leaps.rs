//! What no motor can do: an angle that leaps between two samples, or a speed that falls and comes back within a quarter
//! of a turn, while the engine runs at one setting.
use super::decode::TURN;

/// A step this much beyond what the speed just before lets expect is a leap, in rad, and in standard deviations.
const LEAP: f64 = 0.7;
const LEAP_NOISE: f64 = 12.0;
/// Beyond this the next step cannot be foretold, in rad.
const FORETOLD_MOST: f64 = 1.2;
/// Leaps are remembered for this long.
const MEMORY_US: i64 = 60_000_000;
const FALLS_MEMORY_US: i64 = 120_000_000;
/// A quarter takes this many times the time of the one before.
const ABRUPT: f64 = 1.35;
/// Slower than this an engine may stick and go on by itself, in rad/s of the field.
const SLOW: f64 = TURN / 2.0;

/// Leaps of the angle.
#[derive(Debug, Default)]
pub(super) struct Leaps {
    /// Angle and time of the sample before, and the speed there in rad/us.
    last: Option<(i64, f64)>,
    rate: Option<f64>,
    /// A leap that the next sample has to confirm: a single stray sample leaps back.
    open: f64,
    /// Of the latest ones, newest last: time and angle.
    seen: [Option<(i64, f64)>; 5],
}

impl Leaps {
    /// Angle `phi` at `t_us`; `noise`: standard deviation of an angle.
    pub(super) fn take(&mut self, t_us: i64, phi: f64, noise: f64) {
        let Some((before_us, before)) = self.last.replace((t_us, phi)) else { return };
        let span = (t_us - before_us) as f64;
        if span <= 0.0 {
            return;
        }
        let step = phi - before;
        let now = step / span;
        let expected = self.rate.map(|rate| rate * span).filter(|expected| expected.abs() < FORETOLD_MOST);
        let Some(expected) = expected else {
            (self.rate, self.open) = (Some(now), 0.0);
            return;
        };
        let off = step - expected;
        let least = LEAP.max(LEAP_NOISE * noise);
        if self.open.abs() > 0.0 {
            let open = std::mem::take(&mut self.open);
            if (off + open).abs() > 0.5 * open.abs() {
                self.remember(before_us, open);
            }
        } else if off.abs() > least {
            self.open = off;
        }
        if off.abs() <= least {
            self.rate = self.rate.map(|rate| rate + (now - rate) / 4.0);
        }
    }

    fn remember(&mut self, t_us: i64, leap: f64) {
        self.seen.rotate_left(1);
        self.seen[4] = Some((t_us, leap));
    }

    /// The angle goes on from another origin.
    pub(super) fn cut(&mut self) {
        (self.last, self.rate, self.open) = (None, None, 0.0);
    }

    /// Leaps since `from_us` are no leaps: something else made them.
    pub(super) fn forgive(&mut self, from_us: i64) {
        for leap in &mut self.seen {
            *leap = leap.filter(|(t_us, _)| *t_us < from_us);
        }
    }

    /// How many there were lately (five at most), and the widest, in rad.
    pub(super) fn lately(&self, t_us: i64) -> (u32, f64) {
        let lately = self.seen.iter().flatten().filter(|(at_us, _)| t_us - at_us <= MEMORY_US);
        lately.fold((0, 0.0), |(count, widest), (_, leap)| (count + 1, f64::max(widest, leap.abs())))
    }
}

/// Speeds of quarter turns while one setting holds.
#[derive(Debug, Default)]
pub(super) struct Quarters {
    /// When the latest falls were, newest last.
    falls: [Option<i64>; 4],
    mark: Option<(i64, f64)>,
    /// Time of the quarter before, in us a rad.
    before: Option<f64>,
    slowed: bool,
    quickened: bool,
}

impl Quarters {
    pub(super) fn take(&mut self, t_us: i64, phi: f64) {
        let Some((mark_us, mark)) = self.mark else {
            self.mark = Some((t_us, phi));
            return;
        };
        let moved = (phi - mark).abs();
        if moved < TURN / 4.0 {
            return;
        }
        self.mark = Some((t_us, phi));
        let now = (t_us - mark_us) as f64 / moved;
        if let Some(before) = self.before.replace(now) {
            let quick = now.min(before) <= 1e6 / SLOW;
            self.slowed |= quick && now > ABRUPT * before;
            self.quickened |= quick && before > ABRUPT * now;
        }
    }

    /// The setting changes, or turns can't be followed.
    pub(super) fn cut(&mut self) {
        *self = Self { falls: self.falls, ..Self::default() };
    }

    /// What a stretch up to `t_us` showed counts, where the angle was `sound`.
    pub(super) fn close(&mut self, t_us: i64, sound: bool) {
        if sound && self.slowed && self.quickened {
            self.falls.rotate_left(1);
            self.falls[3] = Some(t_us);
        }
        if !sound || (self.slowed && self.quickened) {
            (self.slowed, self.quickened) = (false, false);
        }
    }

    /// How often it fell and came back lately (four at most).
    pub(super) fn lately(&self, t_us: i64) -> u32 {
        self.falls.iter().flatten().map(|at_us| u32::from(t_us - at_us <= FALLS_MEMORY_US)).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A steady turn of 0.2 rad a sample with what `change` does at a sample.
    fn fed(change: impl Fn(i64) -> f64) -> Leaps {
        let (mut leaps, mut phi) = (Leaps::default(), 0.0);
        for nth in 0..200_i64 {
            phi += 0.2;
            leaps.take(nth * 5_000, phi + change(nth), 0.01);
        }
        leaps
    }

    #[test]
    fn a_leap_that_stays_counts_and_a_stray_sample_does_not() {
        assert_eq!(fed(|_| 0.0).lately(1_000_000).0, 0);
        assert_eq!(fed(|nth| if nth == 100 { 1.5 } else { 0.0 }).lately(1_000_000).0, 0);
        let (count, widest) = fed(|nth| if nth >= 100 { -1.5 } else { 0.0 }).lately(1_000_000);
        assert!(count == 1 && (widest - 1.5).abs() < 1e-9, "{count} {widest}");
        let mut forgiven = fed(|nth| if nth >= 100 { -1.5 } else { 0.0 });
        forgiven.forgive(400_000);
        assert_eq!(forgiven.lately(1_000_000).0, 0);
    }

    #[test]
    fn missed_samples_are_no_leap() {
        let mut leaps = Leaps::default();
        for nth in (0..200_i64).filter(|nth| nth % 7 != 3 && nth % 31 > 2) {
            leaps.take(nth * 5_000, 0.3 * nth as f64, 0.01);
        }
        assert_eq!(leaps.lately(1_000_000).0, 0);
    }

    #[test]
    fn a_speed_that_falls_and_comes_back_is_told_from_one_that_settles() {
        let fed = |speed: &dyn Fn(f64) -> f64| {
            let (mut quarters, mut phi) = (Quarters::default(), 0.0);
            for nth in 0..2_000_i64 {
                phi += speed(nth as f64 * 0.005) * 0.005;
                quarters.take(nth * 5_000, phi);
            }
            quarters.close(10_000_000, true);
            quarters.lately(10_000_000) > 0
        };
        assert!(!fed(&|_| 40.0));
        assert!(!fed(&|t| 40.0 * (1.0 - libm::exp(-t / 0.19))), "settling only quickens");
        assert!(
            !fed(&|t| 40.0 * (1.0 + 0.08 * libm::sin(40.0 * t))),
            "a ripple of 8 % is an offset, not a slip"
        );
        assert!(fed(&|t| if (4.0..4.3).contains(&t) { 20.0 } else { 40.0 }));
        assert!(!fed(&|t| if (4.0..4.3).contains(&t) { 1.0 } else { 2.5 }), "a creeping engine may stick");
    }
}
