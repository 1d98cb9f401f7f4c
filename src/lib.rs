//! Pacewright brings every DCC locomotive of a fleet to a known, shared scale speed, with nobody watching.
//!
//! The map. Pure core (no clock, no I/O, no async, no unseeded randomness):
//!
//! - [`time`]: bench time, the only time the core knows.
//! - [`cause`]: the one catalogue of what can be wrong, each with three plain sentences.
//! - [`dcc`]: facts of the published DCC standards: scales, addresses, CVs, CV 29, momentum, trims.
//! - [`config`]: the bench file, from text to checked types.
//! - [`sensor`]: sensor formats as machines, bytes in, samples out.
//! - [`motion`]: field to angle to distance to speed, each speed with its doubt.
//! - [`station`]: the station contract and its adapters as machines, bytes and time in, bytes and events out.
//! - [`calibrate`]: curves, the table and its two trims, verdicts.
//! - [`fleet`]: engines matched, proposed for, watched over months, and fitted into an evening.
//! - [`figure`]: pictures as SVG text, for report and page.
//! - [`run`]: the phases of a run, its guards, and the desk that joins the machines behind one queue.
//!
//! Shell (thin, does the I/O):
//!
//! - [`journal`]: what is written down, how durably, and how it is read again.
//! - [`mod@bench`]: sockets, clocks and tasks; also the virtual bench on a virtual clock.
//! - [`store`]: the fleet's records, a projection of the journals in one `SQLite` file.
//! - [`report`]: a run, or the fleet, as one HTML file.
//! - [`watch`]: the page that shows a run while it goes on, and what may be asked of the run from there.
//! - [`cli`]: what the person types and sees.
//!
//! - [`sim`]: a simulated bench. It shares no code with `motion`, `calibrate` or the table interpolation.
pub mod bench;
pub mod calibrate;
pub mod cause;
pub mod cli;
pub mod config;
pub mod dcc;
pub mod figure;
pub mod fleet;
pub mod journal;
pub mod motion;
pub mod report;
pub mod run;
pub mod sensor;
pub mod sim;
pub mod station;
pub mod store;
pub mod time;
pub mod watch;
mod words;
