//! The stream: samples in, what the run asks for out. Joins the parts of this module.
use super::blocks::Blocks;
use super::clock::Clock;
use super::decode::TURN;
use super::points::MOST_POINTS;
use super::recent::Recent;
use super::stamps::{Stamped, Stamps};
use super::still::Still;
use super::track::{Track, Tracked};
use super::{AxleSetup, ClockRate, Glance, Measured, SampleCounts, SignalQuality, Standing};
use crate::sensor::{Quantity, Reading, Sample};
use crate::time::BenchTime;
use std::time::Duration;

/// Samples arriving this much later than the promptest ones are old: they are no proof of standstill.
const OLD_S: f64 = 2.0;
/// A field beyond this is no measurement in any unit; squares and sums of what is below stay finite.
const LARGEST_FIELD: f64 = 1e100;
/// Angle that must be turned before it counts as path, so that noise at rest adds none.
const PATH_STEP: f64 = 0.1;

/// Field to angle to distance to speed, as samples stream in. Memory is bounded; nothing here looks at a clock.
#[derive(Debug)]
pub struct Motion {
    setup: AxleSetup,
    stamps: Stamps,
    clock: Clock,
    still: Still,
    track: Track,
    recent: Recent,
    blocks: Option<Blocks>,
    counts: SampleCounts,
    newest: Option<BenchTime>,
    /// Usual interval of samples, in us.
    interval_us: Option<f64>,
    /// When the angle was last known.
    phase_us: Option<i64>,
    path: Path,
}

/// Path turned, in rad, with a dead band against noise.
#[derive(Debug, Default)]
struct Path {
    turned: f64,
    /// Net angle since the path was last counted.
    open: f64,
}

impl Path {
    fn add(&mut self, step: f64, least: f64) {
        self.open += step;
        if self.open.abs() >= least {
            self.turned += self.open.abs();
            self.open = 0.0;
        }
    }
}

impl Motion {
    /// Motion of this axle; it knows nothing of the field yet, and takes three axes for granted.
    #[must_use]
    pub fn new(setup: AxleSetup) -> Self {
        Self {
            setup,
            stamps: Stamps::default(),
            clock: Clock::new(),
            still: Still::default(),
            track: Track::new(3),
            recent: Recent::default(),
            blocks: None,
            counts: SampleCounts::default(),
            newest: None,
            interval_us: None,
            phase_us: None,
            path: Path::default(),
        }
    }

    /// The sensor has so many axes (2, or else 3). Another number than before begins calibration anew; the same changes
    /// nothing.
    pub fn set_layout(&mut self, quantity: Quantity) {
        let Quantity::Field { axes } = quantity else { return };
        let axes = axes.clamp(2, 3);
        if axes != self.track.axes() {
            self.track.set_axes(axes);
            self.still = Still::default();
            self.void();
        }
    }

    /// A sample that arrived at `at`. Samples that are not finite, or beyond any unit, are ignored.
    pub fn take(&mut self, at: BenchTime, sample: Sample) {
        let Reading::Field(field) = sample.reading else { return };
        if !field.iter().all(|value| value.abs() <= LARGEST_FIELD) {
            return;
        }
        let (stamped, arrival_us) = self.stamps.take(at, sample.stamp);
        let (t_us, step_us) = match stamped {
            Stamped::Repeated => {
                self.counts.repeated += 1;
                return;
            }
            Stamped::Restart { t_us } => {
                self.counts.restarts += 1;
                self.clock.restart();
                self.still.forget();
                self.void();
                (t_us, 0)
            }
            Stamped::On { t_us, step_us } => (t_us, step_us),
        };
        self.counts.taken += 1;
        self.newest = Some(at);
        self.interval(step_us);
        self.clock.take(seconds(t_us), seconds(arrival_us - t_us));
        self.bridge(t_us);
        self.turn(t_us, field);
    }

    /// Keeps the usual interval; counts gaps.
    fn interval(&mut self, step_us: i64) {
        if step_us <= 0 {
            return;
        }
        let step = step_us as f64;
        // The least of the first few: one of them may be a gap.
        let first = self.counts.taken < 16;
        let usual = self.interval_us.map_or(step, |usual| if first { usual.min(step) } else { usual });
        if step > 1.5 * usual {
            self.counts.gaps += 1;
        }
        // Clamped, so that one gap hardly moves it, while a change of rate is followed within some tens of samples.
        self.interval_us = Some(usual + (step.clamp(0.5 * usual, 1.5 * usual) - usual) / 16.0);
    }

    /// After a gap in which half a turn or more may have passed unseen, turns can't be counted on: the path is taken
    /// from the speed before, the rest starts anew (`standards/measurement.md` 2.6).
    fn bridge(&mut self, t_us: i64) {
        let usual = self.interval_us.unwrap_or(0.0);
        let Some(step_us) = self.phase_us.map(|phase_us| t_us - phase_us) else { return };
        if (step_us as f64) <= 1.5 * usual {
            return;
        }
        if let Some(glance) = self.glance() {
            let unseen = (glance.speed_mm_s.abs() + 2.0 * glance.u_mm_s) * seconds(step_us);
            if unseen > self.setup.circumference_mm / 2.0 {
                self.path.turned +=
                    glance.speed_mm_s.abs() * seconds(step_us) / self.setup.circumference_mm * TURN;
                self.void();
            }
        }
    }

    fn turn(&mut self, t_us: i64, field: [f64; 3]) {
        let still = self.still.take(t_us, field);
        match self.track.take(t_us, field, self.still.noise(), still, self.blocks.is_some()) {
            Tracked::Blind => {}
            Tracked::Lost => self.void(),
            Tracked::Phase(phase) => {
                let sigma = self.noise().unwrap_or(0.0);
                let angle_noise = |phi: f64| self.track.angle_noise(phi, sigma);
                self.phase_us = Some(t_us);
                self.recent.push(t_us, phase.phi);
                self.path.add(phase.step, PATH_STEP.max(8.0 * angle_noise(phase.phi)));
                if let Some(blocks) = &mut self.blocks {
                    blocks.push(seconds(t_us), phase.phi, angle_noise);
                }
            }
        }
        if let Some(decode) = self.track.newly_fitted() {
            let sigma = decode.radius_sd * decode.ellipse.half_axes()[0];
            self.still.noise_at_most(sigma * sigma * f64::from(self.track.axes()));
        }
    }

    /// Noise an axis, in the sensor's unit.
    fn noise(&self) -> Option<f64> {
        self.still.noise_per_axis(self.track.axes())
    }

    /// Turns can't be followed from the last sample to the next one.
    fn void(&mut self) {
        self.track.forget_last();
        self.recent.clear();
        if self.blocks.is_some() {
            self.blocks = Some(Blocks::new());
        }
    }

    /// Arrival of the newest sample.
    #[must_use]
    pub fn newest(&self) -> Option<BenchTime> {
        self.newest
    }

    /// How much later the newest sample came than the promptest ones do: what a buffer on the way holds back.
    #[must_use]
    pub fn lateness(&self) -> Duration {
        Duration::try_from_secs_f64(self.clock.late_s()).unwrap_or_default()
    }

    /// The speed just now; none before a whole turn was seen, or just after a gap.
    #[must_use]
    pub fn glance(&self) -> Option<Glance> {
        let decode = self.track.decode()?;
        let [larger, smaller] = decode.ellipse.half_axes();
        let sigma = self.noise().unwrap_or(decode.radius_sd * larger);
        let (slope, noise, window) = self.recent.slope(sigma / (larger * smaller).sqrt())?;
        // What the noise left in the correction shows as ripple of the speed, two periods a turn, until the window
        // averages it (`standards/measurement.md` 1.4, 1.5, 3.3).
        let periods = (2.0 * slope.abs() * window / TURN).max(1.0);
        let ripple = slope * sigma / smaller * (8.0 / MOST_POINTS as f64).sqrt() / (periods * periods);
        let u = (noise * noise + ripple * ripple).sqrt();
        let mm_per_rad = self.setup.circumference_mm / TURN / self.clock_factor();
        Some(Glance { speed_mm_s: slope * mm_per_rad, u_mm_s: u * mm_per_rad, at: self.newest? })
    }

    /// Whether the axle stands, and for how long by the sensor's clock. Old data, and a field that is not that of the
    /// calibrated magnet, prove nothing.
    #[must_use]
    pub fn standing(&self) -> Standing {
        if self.clock.late_s() > OLD_S || self.track.lost() {
            return Standing::No;
        }
        self.still.standing()
    }

    /// How good the signal is; none before a whole turn was seen.
    #[must_use]
    pub fn quality(&self) -> Option<SignalQuality> {
        let decode = self.track.decode()?;
        let [amplitude, smaller] = decode.ellipse.half_axes();
        Some(SignalQuality {
            amplitude,
            amplitude_ratio: smaller / amplitude,
            noise_ratio: self.noise().map_or(decode.radius_sd, |noise| noise / amplitude),
            rate_hz: 1e6 / self.interval_us? / self.clock_factor(),
        })
    }

    /// Path since the start in mm, forward and back both counted. The first turn counts once it was seen whole.
    #[must_use]
    pub fn distance_mm(&self) -> f64 {
        self.path.turned / TURN * self.setup.circumference_mm
    }

    /// Counts over the whole run.
    #[must_use]
    pub fn counts(&self) -> SampleCounts {
        self.counts
    }

    /// The rate of the sensor's clock.
    #[must_use]
    pub fn clock_rate(&self) -> ClockRate {
        self.clock.rate()
    }

    /// Seconds of bench time that a second of the sensor lasts.
    fn clock_factor(&self) -> f64 {
        let rate = self.clock.rate();
        if rate.corrected { 1.0 + rate.rel } else { 1.0 }
    }

    /// Starts a measurement: forgets blocks and keeps the correction as it is.
    pub fn begin_measure(&mut self) {
        self.blocks = Some(Blocks::new());
    }

    /// What was measured since `begin_measure`, or since the measurement was last voided; none before two whole turns.
    #[must_use]
    pub fn measured(&self) -> Option<Measured> {
        let summary = self.blocks.as_ref()?.summary()?;
        let factor = self.clock_factor();
        let speed = summary.turns_per_s * self.setup.circumference_mm / factor;
        let (clock, axle) = (self.clock.rate().u_rel, self.setup.circumference_u_rel);
        let u_rel = (summary.u_rel * summary.u_rel + clock * clock + axle * axle).sqrt();
        Some(Measured {
            speed_mm_s: speed,
            u_repeat_mm_s: speed.abs() * summary.u_rel,
            u_mm_s: speed.abs() * u_rel,
            half_width_mm_s: speed.abs() * summary.u_rel * summary.factor,
            turns: summary.turns,
            seconds: summary.seconds * factor,
            unsteady: summary.unsteady,
        })
    }

    /// Ends the measurement; the correction may follow the signal again.
    pub fn end_measure(&mut self) {
        self.blocks = None;
    }

    /// Samples were dropped on the way: a running measurement begins again.
    pub fn overrun(&mut self) {
        self.void();
    }
}

/// Microseconds as seconds.
fn seconds(us: i64) -> f64 {
    us as f64 * 1e-6
}

#[cfg(test)]
#[path = "motion_tests.rs"]
mod tests;

#[cfg(test)]
#[path = "standing_tests.rs"]
mod standing_tests;
