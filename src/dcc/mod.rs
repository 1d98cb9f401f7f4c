//! Facts of the published DCC standards as code: scales, addresses, CV 29, speed steps, packets, momentum, trims.
//!
//! Source: `standards/dcc.md`, which names the editions read. Pure arithmetic; knows nothing else of this program.
pub mod address;

pub use address::Address;
