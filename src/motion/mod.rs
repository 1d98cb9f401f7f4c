//! Field to angle to distance to speed, each speed with its standard uncertainty.
//!
//! Method and check values: `standards/measurement.md` sections 1, 3, 4.6, 5 and 8. Knows samples and arrival times;
//! may not know stations, decoders or the run. Sensor stamps serve only differences, unwrapped to 64 bits here; the
//! sensor's clock rate is estimated against arrival (lower envelope), enters the doubt from the first point, and is
//! corrected only when clearly off.
// (Sample is used by the interface below)
use crate::time::BenchTime;
use serde::{Deserialize, Serialize};
use std::time::Duration;

/// What motion must be told about the axle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AxleSetup {
    /// Distance a turn of the measured axle, in mm.
    pub circumference_mm: f64,
    /// Its relative standard uncertainty (k = 1), shared by every speed of this bench.
    pub circumference_u_rel: f64,
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

// The interface that the run builds on:
//
// impl Motion {
//     pub fn new(setup: AxleSetup) -> Self;
//     pub fn set_layout(&mut self, axes: u8);
//     pub fn take(&mut self, at: BenchTime, sample: Sample);          // at = arrival in bench time
//     pub fn newest(&self) -> Option<BenchTime>;                      // arrival of the newest sample
//     pub fn glance(&self) -> Option<Glance>;                         // recent window (adaptive: ~0.25 s or 1/4 turn, at most ~2 s)
//     pub fn standing(&self) -> Standing;
//     pub fn quality(&self) -> Option<SignalQuality>;                 // none until a whole turn was seen
//     pub fn distance_mm(&self) -> f64;                               // path since start, absolute
//     pub fn counts(&self) -> SampleCounts;
//     pub fn clock_rate(&self) -> ClockRate;                          // estimate, its u, whether corrected
//     pub fn begin_measure(&mut self);                                // forget blocks, freeze the correction
//     pub fn measured(&self) -> Option<Measured>;                     // from 2 blocks on
//     pub fn end_measure(&mut self);                                  // correction may follow again
//     pub fn overrun(&mut self);                                      // samples were dropped: void the running measure
// }
