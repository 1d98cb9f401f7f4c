//! The links of a virtual bench: what is on its way between core and simulation, and what arrives.
use super::Play;
use crate::run::Input;
use crate::sim::{Conn, SimOutput};
use crate::station::Session;
use std::time::Duration;

/// Something on its way.
pub(super) enum Flight {
    /// To the simulation.
    Connect(Conn),
    Bytes(Conn, Vec<u8>),
    Close(Conn),
    /// To the core.
    FromStation(Conn, Input),
    FromSensor(u64, Input),
    Input(Input),
}

/// Counts pieces up to one that goes wrong.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Countdown {
    left: Option<u64>,
}

impl Countdown {
    pub(super) fn from(n: u64) -> Self {
        Self { left: Some(n) }
    }

    /// A piece passes; true for the one that goes wrong.
    fn strikes(&mut self) -> bool {
        let Some(left) = self.left.as_mut().filter(|left| **left > 0) else { return false };
        *left -= 1;
        *left == 0
    }

    /// It went wrong.
    pub(super) fn is_over(self) -> bool {
        self.left == Some(0)
    }
}

impl Play {
    /// Bytes go to the station, unless their connection breaks over them.
    pub(super) fn send(&mut self, session: Session, bytes: Vec<u8>) {
        let Some(conn) = self.sessions.get(&session).copied() else { return };
        if self.send_fails.strikes() {
            self.fly(self.setup.latency, Flight::Close(conn));
            let input = Input::StationClosed(session, "broken pipe".to_owned());
            return self.fly(self.setup.latency, Flight::FromStation(conn, input));
        }
        self.fly(self.setup.latency, Flight::Bytes(conn, bytes));
    }

    /// Sends something on its way.
    pub(super) fn fly(&mut self, after: Duration, flight: Flight) {
        self.flown += 1;
        self.flights.insert((self.now + after, self.flown), flight);
    }

    /// What the simulation has told since it was last asked.
    pub(super) fn collect(&mut self) {
        while let Some(output) = self.setup.bench.poll_output() {
            match output {
                SimOutput::Station(conn, bytes) => {
                    if let Some(session) = self.session(conn)
                        && self.now >= self.station_silent_until
                        && !self.reply_lost.strikes()
                    {
                        if self.now < self.station_twice_until {
                            let again = Input::StationBytes(session, bytes.clone());
                            self.fly(self.setup.latency, Flight::FromStation(conn, again));
                        }
                        let input = Input::StationBytes(session, bytes);
                        self.fly(self.setup.latency, Flight::FromStation(conn, input));
                    }
                }
                SimOutput::CloseStation(conn) => {
                    if let Some(session) = self.session(conn) {
                        let input = Input::StationClosed(session, "closed by the station".to_owned());
                        self.fly(self.setup.latency, Flight::FromStation(conn, input));
                    }
                }
                SimOutput::Sensor(bytes) => self.sensor_bytes(bytes),
            }
        }
    }

    fn session(&self, conn: Conn) -> Option<Session> {
        self.sessions.iter().find(|(_, open)| **open == conn).map(|(session, _)| *session)
    }

    fn sensor_bytes(&mut self, bytes: Vec<u8>) {
        let bytes = self.noise.take().unwrap_or(bytes);
        let Some(link) = self.sensor else { return };
        if self.now < self.sensor_silent_until {
            return;
        }
        // What was told in one look arrives in one piece.
        if let Some((_, Flight::FromSensor(last, Input::SensorBytes(waiting)))) =
            self.flights.iter_mut().next_back().filter(|((at, _), _)| *at == self.now + self.setup.latency)
            && *last == link
        {
            waiting.extend_from_slice(&bytes);
            return;
        }
        self.fly(self.setup.latency, Flight::FromSensor(link, Input::SensorBytes(bytes)));
    }

    /// Something has arrived.
    pub(super) fn land(&mut self, flight: Flight) {
        match flight {
            Flight::Connect(conn) => {
                if let Some(session) = self.session(conn) {
                    self.setup.bench.station_connected(conn);
                    self.fly(self.setup.latency, Flight::FromStation(conn, Input::StationOpened(session)));
                }
            }
            Flight::Bytes(conn, bytes) => {
                if self.now >= self.station_silent_until {
                    self.setup.bench.station_bytes(conn, &bytes);
                }
            }
            Flight::Close(conn) => self.setup.bench.station_gone(conn),
            Flight::FromStation(conn, input) => {
                if let Some(session) = self.session(conn) {
                    if matches!(input, Input::StationClosed(..)) {
                        self.sessions.remove(&session);
                    }
                    self.feed(&input);
                }
            }
            Flight::FromSensor(link, input) => {
                if self.sensor == Some(link) {
                    self.feed(&input);
                }
            }
            Flight::Input(input) => self.feed(&input),
        }
    }

    pub(super) fn open_sensor(&mut self) {
        self.sensors += 1;
        if self.now < self.sensor_cut_until {
            self.sensor = Some(self.sensors);
            let input = Input::SensorClosed("connection refused".to_owned());
            return self.fly(self.setup.latency, Flight::FromSensor(self.sensors, input));
        }
        self.sensor = Some(self.sensors);
        self.setup.bench.sensor_connected();
        self.fly(self.setup.latency, Flight::FromSensor(self.sensors, Input::SensorOpened));
    }

    pub(super) fn open_station(&mut self, session: Session) {
        self.conns += 1;
        let conn = Conn(self.conns);
        if let Some(before) = self.sessions.insert(session, conn) {
            self.fly(self.setup.latency, Flight::Close(before));
        }
        if self.now < self.station_cut_until {
            let input = Input::StationClosed(session, "connection refused".to_owned());
            return self.fly(self.setup.latency, Flight::FromStation(conn, input));
        }
        self.fly(self.setup.latency, Flight::Connect(conn));
    }
}
