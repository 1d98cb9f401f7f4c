//! Facts of the published DCC standards as code: scales, addresses, CVs, speed steps, packets, momentum,
//! drive.
//!
//! Source: `standards/dcc.md`, which names the editions read. Pure arithmetic; knows nothing else of this
//! program.
pub mod address;
pub mod cv;
pub mod cv29;
pub mod drive;
pub mod momentum;
pub mod packet;
pub mod scale;
pub mod step;
pub mod top_speed;

pub use address::{Address, Consist};
pub use cv::{CvNumber, WritableCv};
pub use cv29::Cv29;
pub use packet::Packet;
pub use scale::Scale;
pub use step::{Speed, StepMode};
