//! The rate of the sensor's clock against arrival.
//!
//! A sample can arrive late but never early, so the least of (arrival - stamp) in each window of time follows the two
//! clocks alone; its slope is the rate. Windows double in width when there are many, so that memory stays bounded and
//! the whole run counts. `standards/measurement.md` section 2.7: crystals are within 20 ppm, simple oscillators within 2 %.
use super::ClockRate;
use super::stats::{Line, t_975};

/// What is known before anything was seen: the 2 % of a simple oscillator as a rectangular distribution.
const PRIOR_U: f64 = 0.02 / 1.732_050_807_568_877_2;
/// The computer's own crystal: 20 ppm, rectangular.
const HOST_U: f64 = 20e-6 / 1.732_050_807_568_877_2;
/// No arrival is known better than this, whatever the windows say, in s.
const ARRIVAL_U_S: f64 = 50e-6;
const MOST_WINDOWS: usize = 64;
const FEWEST_WINDOWS: usize = 6;
/// A sample that comes later than this against the promptest ones is held up on the way: it teaches nothing of the clock, and
/// the floor hardly rises meanwhile, or a delay that stays would soon pass for none.
const HELD_UP_S: f64 = 0.5;
/// By so much a floor may rise while samples are held up, besides what the known rate accounts for.
const RISE_HELD_UP: f64 = 0.001;
/// A rate is corrected from here on, and only when it is more than three times its doubt.
const CORRECT_FROM: f64 = 200e-6;

/// The least of (arrival - stamp) in a window.
#[derive(Clone, Copy, Debug)]
struct Least {
    t_s: f64,
    offset_s: f64,
}

/// The estimator.
#[derive(Debug)]
pub(super) struct Clock {
    width_s: f64,
    ends_s: f64,
    open: Option<Least>,
    windows: Vec<Least>,
    /// Known from before the sensor's clock started anew: it is the same oscillator.
    carried: (f64, f64),
    /// Rate and its doubt from the windows and what was carried.
    rate: (f64, f64),
    /// What follows from it for speeds.
    used: ClockRate,
    /// Least of (arrival - stamp) lately, as it should be at the newest sample.
    floor_s: f64,
    newest_s: f64,
    late_s: f64,
}

impl Clock {
    pub(super) fn new() -> Self {
        Self::carrying((0.0, PRIOR_U))
    }

    fn carrying(carried: (f64, f64)) -> Self {
        Self {
            width_s: 0.5,
            ends_s: 0.0,
            open: None,
            windows: Vec::with_capacity(MOST_WINDOWS),
            carried,
            rate: carried,
            used: used(carried),
            floor_s: f64::INFINITY,
            newest_s: 0.0,
            late_s: 0.0,
        }
    }

    /// The sensor's clock started anew.
    pub(super) fn restart(&mut self) {
        *self = Self::carrying(self.rate);
    }

    /// A sample of stamp `t_s` arrived `offset_s` after it; both count from any fixed instant.
    pub(super) fn take(&mut self, t_s: f64, offset_s: f64) {
        // The floor may rise by what the clocks may drift apart: little, once their rate is known.
        let (rel, u) = self.rate;
        let held_up = self.late_s > HELD_UP_S;
        let rise = if held_up { rel.abs() + RISE_HELD_UP } else { (rel.abs() + 3.0 * u).min(0.03) };
        self.floor_s = (self.floor_s + rise * (t_s - self.newest_s).max(0.0)).min(offset_s);
        (self.newest_s, self.late_s) = (t_s, offset_s - self.floor_s);
        if self.late_s > HELD_UP_S {
            return;
        }
        match self.open {
            Some(least) if t_s < self.ends_s => {
                if offset_s < least.offset_s {
                    self.open = Some(Least { t_s, offset_s });
                }
            }
            _ => {
                if let Some(least) = self.open.replace(Least { t_s, offset_s }) {
                    self.close(least);
                }
                self.ends_s = t_s + self.width_s;
            }
        }
    }

    fn close(&mut self, least: Least) {
        if self.windows.len() == MOST_WINDOWS {
            self.merge();
        }
        self.windows.push(least);
        let (rel, u) = estimate(&self.windows).unwrap_or((0.0, PRIOR_U));
        self.rate = if u < self.carried.1 { (rel, u) } else { self.carried };
        self.used = used(self.rate);
    }

    /// Halves the windows: of each pair stays the one that lies lower when the rate is taken out.
    fn merge(&mut self) {
        let rel = self.rate.0;
        let lower = |pair: &[Least]| {
            let first = pair[0];
            pair.iter().fold(first, |best, least| {
                let higher = least.offset_s - best.offset_s - rel * (least.t_s - best.t_s);
                if higher < 0.0 { *least } else { best }
            })
        };
        self.windows = self.windows.chunks(2).map(lower).collect();
        self.width_s *= 2.0;
    }

    /// What was seen since the sensor's clock last started was no pace of a clock: forgotten, but for the least delay.
    pub(super) fn forget_rate(&mut self) {
        self.windows.clear();
        (self.open, self.rate, self.used) = (None, self.carried, used(self.carried));
        self.width_s = 0.5;
    }

    /// How late the newest sample came, in s, against the least delay seen lately.
    pub(super) fn late_s(&self) -> f64 {
        self.late_s
    }

    /// The rate where arrival is the only clock: that of this computer.
    pub(super) fn of_arrival() -> ClockRate {
        ClockRate { rel: 0.0, u_rel: HOST_U, corrected: false }
    }

    /// The rate as it is to be used.
    pub(super) fn rate(&self) -> ClockRate {
        self.used
    }
}

/// What a rate and its doubt mean for speeds.
fn used((rel, u): (f64, f64)) -> ClockRate {
    let u = (u * u + HOST_U * HOST_U).sqrt();
    let corrected = rel.abs() > 3.0 * u && rel.abs() > CORRECT_FROM;
    // A rate that is not corrected stays in the speeds, so it belongs to the doubt.
    let u_rel = if corrected { u } else { (u * u + rel * rel).sqrt() };
    ClockRate { rel, u_rel, corrected }
}

/// Slope of the windows' least offsets and its doubt; none from too few windows.
fn estimate(windows: &[Least]) -> Option<(f64, f64)> {
    if windows.len() < FEWEST_WINDOWS {
        return None;
    }
    let mut kept: Vec<(f64, f64)> = windows.iter().map(|least| (least.t_s, least.offset_s)).collect();
    let mut line = Line::fit(kept.iter().copied())?;
    // A window in which everything was late lies far above the line; those below it are the good ones.
    for _ in 0..2 {
        let limit = 2.0 * line.residual;
        let lower: Vec<_> = kept.iter().copied().filter(|(t, y)| line.above(*t, *y) <= limit).collect();
        if lower.len() == kept.len() || lower.len() < FEWEST_WINDOWS.max(windows.len() / 2) {
            break;
        }
        kept = lower;
        line = Line::fit(kept.iter().copied())?;
    }
    let span = kept.last()?.0 - kept.first()?.0;
    let above = |(t, y): &(f64, f64)| line.above(*t, *y);
    let highest = kept.iter().map(above).fold(f64::NEG_INFINITY, f64::max);
    let lowest = kept.iter().map(above).fold(f64::INFINITY, f64::min);
    // Delays may wander slowly, which the scatter about the line does not show: half the range over the whole span
    // covers that, and Student's factor covers few windows.
    let scatter = line.residual * t_975(kept.len() as f64 - 2.0) / 1.96 / line.s_tt.sqrt();
    let u = scatter.max((highest - lowest) / (2.0 * span)).max(ARRIVAL_U_S / span);
    u.is_finite().then_some((line.slope, u))
}

#[cfg(test)]
mod tests {
    use super::super::testing::Random;
    use super::*;

    /// Feeds `seconds` at 50 Hz; the sensor's clock is slow by `rel`, delays are `least_s` and more.
    fn fed(seconds: u32, rel: f64, jitter_s: f64, seed: u64) -> Clock {
        let (mut clock, mut random) = (Clock::new(), Random::new(seed));
        for k in 0..seconds * 50 {
            let t = f64::from(k) / 50.0;
            let delay = -jitter_s * libm::log(1.0 - random.unit());
            clock.take(t, rel * t + delay);
        }
        clock
    }

    #[test]
    fn the_doubt_starts_at_two_percent_and_falls() {
        let mut before = 1.0;
        for seconds in [0, 10, 60, 600, 3600] {
            let rate = fed(seconds, 0.0, 0.02, 1).rate();
            assert!(rate.u_rel < before, "{seconds} s: {rate:?}");
            before = if seconds == 0 { 0.0116 } else { rate.u_rel };
        }
        assert!(before < 1e-4);
    }

    #[test]
    fn a_crystal_is_left_alone_and_an_oscillator_is_corrected() {
        for seed in 0..20 {
            let crystal = fed(600, 20e-6, 0.005, seed).rate();
            assert!(!crystal.corrected && crystal.u_rel >= 20e-6, "{crystal:?}");
            let oscillator = fed(600, 0.01, 0.005, seed).rate();
            assert!(
                oscillator.corrected && (oscillator.rel - 0.01).abs() < 3.0 * oscillator.u_rel,
                "{oscillator:?}"
            );
            assert!(oscillator.u_rel < 1e-4, "{oscillator:?}");
        }
    }

    #[test]
    fn the_stated_doubt_covers_the_error() {
        for (seconds, jitter) in [(8, 0.001), (30, 0.03), (300, 0.03)] {
            let missed = (0..200)
                .filter(|seed| {
                    let rate = fed(seconds, 0.003, jitter, *seed).rate();
                    let used = if rate.corrected { rate.rel } else { 0.0 };
                    (used - 0.003).abs() > 2.0 * rate.u_rel
                })
                .count();
            assert!(missed <= 10, "{seconds} s, {jitter} s: {missed} of 200 beyond two u");
        }
    }

    #[test]
    fn a_new_start_keeps_what_is_known() {
        let mut clock = fed(600, 0.01, 0.005, 3);
        let before = clock.rate();
        clock.restart();
        assert_eq!(clock.rate(), before);
    }

    #[test]
    fn samples_held_up_are_seen_as_late() {
        let mut clock = fed(600, 0.01, 0.005, 4);
        assert!(clock.late_s() < 0.1);
        clock.take(600.0, 6.0 + 1.5);
        assert!((clock.late_s() - 1.5).abs() < 0.1, "{}", clock.late_s());
    }
}
