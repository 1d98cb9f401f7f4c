//! A simulated bench: locomotive physics, a decoder that obeys the standards packet by packet, a sensor,
//! a station server machine. It shares no code with `motion`, `calibrate` or the table interpolation.
//!
//! It is a second, independent reading of the standards and may use nothing of the crate but [`crate::time`], so that
//! program and simulator do not share a mistake. It is a pure machine: time and bytes in, bytes out. Everything that is
//! random comes from the seed of the recipe.
//!
//! The way of things: `server` (SRCP lines) -> `track` and `service` (which packets) -> `packet` (their bytes) ->
//! `decoder` with `cvs` and `drive` -> `engine` (speed) -> `sensor` with `field`, its `flaws` and `pulses` (samples) ->
//! `lines` (their form) -> `outlet` (what becomes of them on the way out).
mod bench;
mod cvs;
mod decoder;
pub mod demo_engines;
mod drive;
mod engine;
mod fault;
mod field;
mod flaws;
mod instructions;
mod lines;
mod momentum;
mod noise;
mod outlet;
mod packet;
mod pulses;
mod sensor;
mod server;
mod service;
mod spec;
mod track;

#[cfg(test)]
mod measurand_tests;
#[cfg(test)]
mod tests;

pub use bench::{Conn, SimBench, SimOutput, Truth};
pub use fault::SimFault;
pub use flaws::Flaws;
pub use spec::{
    BATTERY_FALL_V_H, DecoderSim, EngineSim, LineForm, Measurand, PulseLines, Rounding, SELF_HEATING_K,
    SenMlTimes, SensorSim, ServerSim, SimSpec, Spelling202, StationLine, TableReading,
};
