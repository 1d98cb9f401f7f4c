//! What is left when a program dies on the virtual bench.
use pacewright::sim::{Conn, SimBench};
use std::time::Duration;

/// The watchman's stop: power off, from a session of its own.
pub(crate) fn watchman(sim: &mut SimBench) {
    let conn = Conn(4_000_000);
    sim.station_connected(conn);
    for line in ["SET CONNECTIONMODE SRCP COMMAND", "GO", "SET 1 POWER OFF"] {
        sim.station_bytes(conn, format!("{line}\n").as_bytes());
        let now = sim.truth().at;
        sim.advance(now + Duration::from_millis(200));
    }
    sim.station_gone(conn);
    while sim.poll_output().is_some() {}
}
