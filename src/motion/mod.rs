//! Field to angle to distance to speed, each speed with its standard uncertainty.
//!
//! Method and check values: `standards/measurement.md` sections 1, 3, 4.6, 5 and 8. Knows samples and arrival times;
//! may not know stations, decoders or the run. Sensor stamps serve only differences, unwrapped to 64 bits here; the
//! sensor's clock rate is estimated against arrival (lower envelope), enters the doubt from the first point, and is
//! corrected only when clearly off.
use crate::sensor::Source;
use crate::time::BenchTime;
use serde::{Deserialize, Serialize};
use std::time::Duration;

mod blocks;
mod clock;
mod decode;
mod ellipse;
mod points;
mod recent;
mod stamps;
mod stats;
mod still;
mod stream;
#[cfg(test)]
mod testing;
mod track;

pub use stream::Motion;

/// What motion must be told about the axle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AxleSetup {
    /// Distance a turn of the measured axle, in mm.
    pub circumference_mm: f64,
    /// Its relative standard uncertainty (k = 1), shared by every speed of this bench.
    pub circumference_u_rel: f64,
    /// Where the speed comes from.
    pub source: Source,
}

/// A speed as seen just now, for guards, settling and the person. Not a result.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Glance {
    /// Signed speed in mm/s; the sign is the turning sense as the sensor sees it, constant for a run.
    pub speed_mm_s: f64,
    /// Its standard uncertainty (k = 1), from noise and window.
    pub u_mm_s: f64,
    /// Bench time of the newest sample in it.
    pub at: BenchTime,
}

/// A measured speed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// Signed speed in mm/s, turning sense as the sensor sees it.
    pub speed_mm_s: f64,
    /// Standard uncertainty (k = 1) from repeatability alone, in mm/s.
    pub u_repeat_mm_s: f64,
    /// Standard uncertainty (k = 1) with sensor clock and circumference, in mm/s.
    pub u_mm_s: f64,
    /// Half-width at 95 % of the repeatability part (Student t), in mm/s.
    pub half_width_mm_s: f64,
    /// Whole-turn blocks it rests on.
    pub turns: u32,
    /// Seconds it took.
    pub seconds: f64,
    /// First half against second half differ (Welch, p < 0.01): it had not settled, or something changed.
    pub unsteady: bool,
}

/// How good the turning signal is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SignalQuality {
    /// Largest field amplitude in the plane of rotation, in the sensor's unit.
    pub amplitude: f64,
    /// Smaller amplitude over the larger, 0 to 1.
    pub amplitude_ratio: f64,
    /// Noise per axis over the amplitude.
    pub noise_ratio: f64,
    /// Samples a second.
    pub rate_hz: f64,
}

/// Counts over the whole run, for the record.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SampleCounts {
    /// Samples taken in.
    pub taken: u64,
    /// Gaps wider than 1.5 usual intervals.
    pub gaps: u64,
    /// Samples whose stamp repeats or goes back a little; ignored.
    pub repeated: u64,
    /// Restarts of the sensor's clock noticed.
    pub restarts: u64,
}

/// How long the axle has stood, judged by the signal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Turning, or too few samples to tell.
    No,
    /// Standing for this long, with a living signal.
    For(Duration),
    /// Every sample is the same to the last digit: that is a frozen sensor or a coarse one, no proof of standstill.
    Frozen,
}

/// The rate of the sensor's clock against bench time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClockRate {
    /// How much slower the sensor's clock runs, relative: 0.01 means that a second by the sensor lasts 1.01 s.
    pub rel: f64,
    /// Relative standard uncertainty (k = 1) that it adds to every speed; holds `rel` too while that is not corrected.
    pub u_rel: f64,
    /// Speeds are corrected by `rel`, as it is clearly off (more than 3 u and 200 ppm).
    pub corrected: bool,
}
