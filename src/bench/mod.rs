//! The shell around the core: sockets, clocks, tasks. This module alone touches tokio.
pub mod clock;
pub mod control;
pub mod halt;
mod journaling;
mod links;
mod live;
pub mod news;
pub mod person;
pub mod status;
