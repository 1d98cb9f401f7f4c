//! Facts of the published DCC standards as code: scales, addresses, CV numbers, CV 29, momentum, trims. What the
//! program does not use (packets and steps as bytes: the station's business) is not here.
//!
//! Source: `standards/dcc.md`, which names the editions read. Pure arithmetic; knows nothing else of this
//! program.
pub mod address;
pub mod cv;
pub mod cv29;
pub mod drive;
pub mod momentum;
pub mod scale;

pub use address::{Address, Consist};
pub use cv29::Cv29;
