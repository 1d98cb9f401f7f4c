//! What a sensor tells to angle to distance to speed, each speed with its standard uncertainty.
//!
//! Method and check values: `standards/measurement.md` sections 1, 3, 4.6, 5 and 8. Knows samples and arrival times;
//! may not know stations, decoders or the run. Sensor stamps serve only differences, unwrapped to 64 bits here; the
//! sensor's clock rate is estimated against arrival (lower envelope), enters the doubt from the first point, and is
//! corrected only when clearly off.
use crate::sensor::Source;
use crate::time::BenchTime;
use serde::{Deserialize, Serialize};
use std::time::Duration;

mod backlog;
mod blocks;
mod clock;
mod counter;
mod cusum;
mod decode;
mod ellipse;
mod field;
mod follow;
mod idle;
mod jitter;
mod laps;
mod leaps;
mod measuring;
mod points;
mod pool;
mod rate;
mod recent;
mod response;
mod ripple;
mod rule;
mod scatter;
mod seen;
mod spread;
mod squares;
mod stamps;
pub(crate) mod stats;
mod still;
mod stream;
mod surge;
#[cfg(test)]
mod testing;
mod trace;
mod track;
mod trouble;
mod verdict;
mod view;

pub(crate) use response::Fitted;

pub use pool::{Known, TurnBlocks, TurnScatter};
pub use response::{Change, Course, Response, Rest};
pub use rule::{Judged, Look, Off, PointRule, Wanted};
pub use stream::Motion;
pub use surge::Surge;
pub use trouble::{Swing, Trouble};
pub use view::FieldView;

/// Fewest whole-turn blocks that a result rests on if nothing else is known of the engine's scatter.
pub const TURNS_ALONE: u32 = 10;
/// Turns of a measurement that is to tell how an engine scatters.
pub const TURNS_TO_LEARN: u32 = 80;

/// What motion must be told about the axle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AxleSetup {
    /// Distance a turn of the measured axle, in mm.
    pub circumference_mm: f64,
    /// Its relative standard uncertainty (k = 1), shared by every speed of this bench: also where a way or a speed is told,
    /// for which the sensor takes some circumference for granted itself.
    pub circumference_u_rel: f64,
    /// Where the speed comes from.
    pub source: Source,
    /// A closed loop that is run on.
    pub lap: Option<Lap>,
}

/// A closed loop: speeds are taken over whole laps, where such fit into the time of a measurement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lap {
    /// Its length, in mm.
    pub length_mm: f64,
    /// Longest time of a measurement.
    pub within: Duration,
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
    /// Degrees of freedom of that; 0 in records of programs that did not write them down.
    #[serde(default)]
    pub degrees: f64,
    /// Standard uncertainty (k = 1) with sensor clock, circumference, and the steps in which a speed is told, in mm/s.
    pub u_mm_s: f64,
    /// Half-width at 95 % of the repeatability part (Student t), in mm/s.
    pub half_width_mm_s: f64,
    /// Whole-turn blocks it rests on.
    pub turns: u32,
    /// Seconds it took.
    pub seconds: f64,
    /// First half against second half differ (Welch, p < 0.01): it had not settled, or something changed.
    pub unsteady: bool,
    /// It took as long as it may, and is less precise than wanted.
    #[serde(default)]
    pub short: bool,
    /// A swing that was seen meanwhile, as that of a measuring car behind a slack coupling.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub surge: Option<Surge>,
    /// Share of a lap that it rests on, where that is less than a whole one: what the track does to the speed is in the doubt.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part_of_lap: Option<f64>,
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

/// How often a signal that repeats does so, against its samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sampling {
    /// Samples a second.
    pub rate_hz: f64,
    /// Periods a second: turns of the axle, or so many times that as a field has pairs of poles.
    pub periods_hz: f64,
}

/// Counts over the whole run, for the record.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SampleCounts {
    /// Samples taken in.
    pub taken: u64,
    /// Gaps: of a field, wider than 1.5 usual intervals; else, such that no speed is taken across.
    pub gaps: u64,
    /// Samples whose stamp repeats or goes back a little; ignored.
    pub repeated: u64,
    /// Restarts of the sensor noticed, by its clock or by its count.
    pub restarts: u64,
}

/// How long the axle has stood, judged by the signal.
///
/// A field is judged against its own noise. What is told in steps is alike at rest: it is never frozen, and stands once it
/// has not moved by more than a step for long enough (see `idle` and `rate` for the slowest motion that can be seen).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Turning, or too few samples to tell.
    No,
    /// Standing for this long, with a living signal.
    For(Duration),
    /// Every sample of a field is the same to the last digit: that is a frozen sensor or a coarse one, no proof of
    /// standstill.
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
