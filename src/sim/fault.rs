//! What can go wrong on the simulated bench, at an instant.
use super::bench::Conn;
use super::flaws::Flaws;
use std::time::Duration;

/// A fault. It begins when applied; those that last end by time or by their opposite.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SimFault {
    /// The server neither answers nor tells anything for this long; the rail goes on as it was.
    StationSilent(Duration),
    /// The server says no to everything that concerns its bus for this long ("temporarily prohibited").
    StationRefuses(Duration),
    /// The server closes this connection, or all.
    StationDrop(Option<Conn>),
    /// Everything the server sends comes later by this much, from now on.
    LateReplies(Duration),
    /// This many bytes without sense come on every connection of the station, a line end among them.
    StationGarbage(usize),
    /// This many bytes without sense come from the sensor, a line end among them.
    SensorGarbage(usize),
    /// The sensor goes on stamping, but its field stays as it is.
    SensorFrozen,
    /// The sensor sends nothing.
    SensorSilent,
    /// The sensor works again.
    SensorWell,
    /// The sensor loses its power and is back after this long: header again, stamps and counts from 0.
    SensorRestarts(Duration),
    /// Lines of the sensor come twice.
    SensorRepeats {
        /// Share of the lines.
        share: f64,
        /// For this long.
        lasts: Duration,
    },
    /// Lines of the sensor get lost.
    SensorSkips {
        /// Share of the lines.
        share: f64,
        /// For this long.
        lasts: Duration,
    },
    /// The sensor holds its lines back for this long; then all come at once.
    SensorStalls(Duration),
    /// Whoever connects to the sensor next gets lines that it kept first, all at once: an axle that turned once a second.
    SensorBacklog {
        /// So many samples.
        samples: u32,
        /// The first of them was taken so long ago.
        old: Duration,
    },
    /// This is wrong with the sensor and its magnet from now on, and nothing else is.
    SensorFlawed(Flaws),
    /// The station's protection cuts the rail.
    PowerCut,
    /// The supply gives this share of its voltage from now on (1: all of it).
    Sags(f64),
    /// The wheels are held, until [`SimFault::Freed`].
    Stall,
    /// The engine is lifted off and put back.
    Lifted,
    /// Another engine of the same address and kind stands there: its decoder is another maker's.
    Swapped,
    /// The wheels turn again.
    Freed,
    /// The decoder heeds no order and drives on at this share of full drive (-1 to 1), as long as the rail is live.
    RunAway(f64),
    /// The decoder heeds orders again.
    Tamed,
    /// Somebody at the station itself sets the engine going: a step of the steps that were announced.
    AnotherThrottle {
        /// The step; 0 stands still.
        step: u16,
        /// Where to.
        forward: bool,
    },
    /// Somebody at the station itself takes the engine's lock, without limit.
    AnotherLock,
    /// The person puts the engine back to where it began on its straight.
    PutBack,
    /// The engine is as warm as this at once: 0 cold, 1 warm from running.
    Warmth(f64),
}
