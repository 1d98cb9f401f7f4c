//! The shell around the core: sockets, clocks, tasks. This module alone touches tokio.
//!
//! [`start`] takes a run from its bench file to its end; `live` is its loop, with [`clock`], `links`, `journaling`,
//! [`person`], [`control`], [`news`] and [`publish`] around it. [`watchman`] is the process that
//! stops the engine when the run's own is no more; [`stop_test`] tries that, and [`proof`] keeps what was proved. [`halt`] stops an engine from nothing, [`rescue`] uses it. [`simulated`] is a simulated
//! bench on real ports, [`virtual_bench`] core and simulated bench on a virtual clock. [`replay`] runs a record again.
mod alert;
pub mod clock;
pub mod control;
mod earlier;
pub mod halt;
mod journaling;
mod kept;
mod links;
mod live;
pub mod news;
pub mod night;
mod notify;
pub mod person;
pub mod profiles;
pub mod proof;
pub mod publish;
mod put_back;
pub mod replay;
pub mod rescue;
pub mod resume;
pub mod simulated;
mod standstill;
pub mod start;
pub mod status;
pub mod stop_test;
pub mod unit;
pub mod virtual_bench;
mod watched;
pub mod watchman;
mod whereabouts;

pub(crate) use live::panic_words;
