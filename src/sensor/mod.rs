//! Sensor formats as machines: bytes in, samples out. They may not know motion, time or links.
use serde::{Deserialize, Serialize};

pub mod csv;

/// One sample of the field, as sent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// The sensor's own microseconds: a 32-bit counter that wraps every 71.6 minutes.
    pub stamp_us: u32,
    /// The field along the sensor's axes, in any one unit; unused axes are 0.
    pub field: [f64; 3],
}

/// What a sensor machine tells.
#[derive(Clone, Debug, PartialEq)]
pub enum SensorEvent {
    /// A header came: number of axes that follow (2 or 3).
    Layout {
        /// Axes a sample has.
        axes: u8,
    },
    /// A sample.
    Sample(Sample),
    /// A line that could not be read; it was skipped.
    Broken(BrokenLine),
}

/// A line that could not be read.
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
