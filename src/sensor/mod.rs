//! The sensor's stream as a machine: bytes in, samples out. It may not know motion, time or links.
//!
//! Bytes become lines, lines are read as CSV or `SenML`, and a stream that is no text at all is told from one with faults.
use serde::{Deserialize, Serialize};

mod csv;
mod decimal;
mod lines;
mod names;
mod noise;
mod senml;
mod stream;
mod told;

pub use stream::{Form, SensorStream};

/// When a sample was taken, as the sensor says it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stamp {
    /// The sensor's own 32-bit count of microseconds: it wraps every 71.6 minutes.
    CountUs(u32),
    /// Microseconds of a clock of any origin that does not wrap.
    ClockUs(i64),
    /// Microseconds after the sample was sent: negative for what was taken before, 0 where the sensor tells no time.
    SinceSendingUs(i64),
}

/// What a sample says of the axle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reading {
    /// The field along the sensor's axes, in any one unit; unused axes are 0.
    Field([f64; 3]),
    /// Angle of the axle in rad, whole turns counted or not.
    AngleRad(f64),
    /// Way since any origin, in m.
    DistanceM(f64),
    /// Speed in m/s.
    SpeedMS(f64),
    /// Pulses since any origin.
    Pulses(i64),
}

/// One sample, as sent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// When.
    pub stamp: Stamp,
    /// What.
    pub reading: Reading,
}

/// What the samples of a stream are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// The field along so many axes, 2 or 3.
    Field {
        /// Axes a sample has.
        axes: u8,
    },
    /// The axle's angle.
    Angle,
    /// A way.
    Distance,
    /// A speed.
    Speed,
    /// A count of pulses.
    Pulses,
}

/// Where the speed comes from, as the bench file says it, with what such a source cannot see: its resolution.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Source {
    /// The field of a magnet on the axle.
    Field {
        /// Pairs of poles: the field turns so many times in a turn of the axle.
        pole_pairs: u16,
    },
    /// The axle's angle.
    Angle {
        /// Smallest step told, in rad.
        resolution_rad: f64,
    },
    /// A way.
    Distance {
        /// Smallest step told, in mm.
        resolution_mm: f64,
    },
    /// A speed.
    Speed {
        /// Smallest step told, in mm/s.
        resolution_mm_s: f64,
    },
    /// A count of pulses.
    Pulses {
        /// Pulses in a turn of the axle.
        a_turn: u16,
    },
}

/// What a sensor tells of itself.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Housekeeping {
    /// Voltage of its battery, in V.
    pub battery_v: Option<f64>,
    /// Its temperature, in degrees Celsius.
    pub temperature_c: Option<f64>,
}

/// What a sensor machine tells.
#[derive(Clone, Debug, PartialEq)]
pub enum SensorEvent {
    /// What the samples are from here on.
    Layout(Quantity),
    /// A sample.
    Sample(Sample),
    /// What the sensor says of itself.
    Housekeeping(Housekeeping),
    /// Something that could not be read: a line that was skipped, a value of it, or all that came so far.
    Broken(BrokenLine),
}

/// A line that could not be read, or a value of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BrokenLine {
    /// Its number since the link opened, from 1.
    pub line: u64,
    /// Code of the cause in the catalogue.
    pub code: String,
    /// What came (shortened) and what was expected.
    pub evidence: String,
}

/// A sensor format as a machine. Ask `poll_event` after each call until it returns nothing.
pub trait SensorMachine: Send + std::fmt::Debug {
    /// The link opened: forget half a line and the layout.
    fn handle_opened(&mut self);
    /// Bytes arrived, cut anywhere.
    fn handle_bytes(&mut self, bytes: &[u8]);
    /// The next event.
    #[must_use]
    fn poll_event(&mut self) -> Option<SensorEvent>;
}
