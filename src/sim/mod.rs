//! A simulated bench: locomotive physics, a decoder that obeys the standards packet by packet, a field sensor,
//! a station server machine. It shares no code with `motion`, `calibrate` or the table interpolation.
//!
//! It is a second, independent reading of the standards and may use nothing of the crate but [`crate::time`], so that
//! program and simulator do not share a mistake. It is a pure machine: time and bytes in, bytes out. Everything that is
//! random comes from the seed of the recipe.
//!
//! The way of things: `server` (SRCP lines) -> `track` and `service` (which packets) -> `packet` (their bytes) ->
//! `decoder` with `cvs` and `drive` -> `engine` (speed) -> `field` (the sensor's lines).
mod bench;
mod cvs;
mod decoder;
pub mod demo_engines;
mod drive;
mod engine;
mod fault;
mod field;
mod instructions;
mod momentum;
mod noise;
mod packet;
mod server;
mod service;
mod spec;
mod track;

#[cfg(test)]
mod tests;

pub use bench::{Conn, SimBench, SimOutput, Truth};
pub use fault::SimFault;
pub use spec::{
    DecoderSim, EngineSim, Rounding, SensorSim, ServerSim, SimSpec, Spelling202, StationLine, TableReading,
};
