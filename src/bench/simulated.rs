//! A simulated bench on real loopback ports, for `simulate` and `demo`: listeners around [`SimBench`].
//!
//! One task owns the simulation and gives it bench time from a scaled clock; connections only carry bytes. A visitor
//! that does not read loses what it does not take, as with a real sensor that has no memory.
use super::clock::{Clock, TimeLapse, pause};
use crate::sim::{Conn, SimBench, SimOutput, SimSpec};
use std::collections::BTreeMap;
use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio::task::JoinSet;

/// Pieces that may wait for a visitor that does not read.
const VISITOR_QUEUE: usize = 4096;

/// Shortest wall time between two looks at the simulation: what comes in between goes out together.
const TICK: Duration = Duration::from_millis(1);

/// What visitors do.
enum Visit {
    StationCame(TcpStream),
    StationSaid(Conn, Vec<u8>),
    StationGone(Conn),
    SensorCame(TcpStream),
    SensorGone(u32),
}

/// A simulated bench that listens.
pub struct SimulatedBench {
    station: TcpListener,
    sensor: TcpListener,
    bench: SimBench,
    lapse: TimeLapse,
}

impl SimulatedBench {
    /// Opens both ports on the loopback address; port 0 takes any that is free.
    ///
    /// # Errors
    /// When a port is taken.
    pub async fn open(
        spec: SimSpec,
        lapse: TimeLapse,
        station_port: u16,
        sensor_port: u16,
    ) -> io::Result<Self> {
        Ok(Self {
            station: TcpListener::bind((Ipv4Addr::LOCALHOST, station_port)).await?,
            sensor: TcpListener::bind((Ipv4Addr::LOCALHOST, sensor_port)).await?,
            bench: SimBench::new(spec),
            lapse,
        })
    }

    /// Where the station listens.
    ///
    /// # Errors
    /// The system's own.
    pub fn station_address(&self) -> io::Result<SocketAddr> {
        self.station.local_addr()
    }

    /// Where the sensor listens.
    ///
    /// # Errors
    /// The system's own.
    pub fn sensor_address(&self) -> io::Result<SocketAddr> {
        self.sensor.local_addr()
    }

    /// Plays the bench until dropped. Bench time begins now.
    pub async fn serve(self) {
        let (tell, visits) = mpsc::channel(1024);
        let mut listeners = JoinSet::new();
        listeners.spawn(listen(self.station, tell.clone(), Visit::StationCame));
        listeners.spawn(listen(self.sensor, tell.clone(), Visit::SensorCame));
        let hall = Hall {
            bench: self.bench,
            clock: Clock::start(self.lapse),
            tell,
            stations: BTreeMap::new(),
            sensors: BTreeMap::new(),
            visitors: 0,
            carriers: JoinSet::new(),
        };
        hall.play(visits).await;
    }
}

async fn listen(listener: TcpListener, tell: mpsc::Sender<Visit>, came: fn(TcpStream) -> Visit) {
    loop {
        match listener.accept().await {
            Ok((stream, _)) => {
                // A small write must not wait for the next: replies are what people wait for.
                let _ = stream.set_nodelay(true);
                if tell.send(came(stream)).await.is_err() {
                    return;
                }
            }
            Err(_) => pause(Duration::from_millis(100)).await,
        }
    }
}

/// The simulation and its visitors.
struct Hall {
    bench: SimBench,
    clock: Clock,
    tell: mpsc::Sender<Visit>,
    stations: BTreeMap<Conn, mpsc::Sender<Vec<u8>>>,
    sensors: BTreeMap<u32, mpsc::Sender<Vec<u8>>>,
    visitors: u32,
    carriers: JoinSet<()>,
}

impl Hall {
    async fn play(mut self, mut visits: mpsc::Receiver<Visit>) {
        loop {
            let next = self.bench.next_event().max(self.clock.now() + self.tick());
            tokio::select! {
                Some(visit) = visits.recv() => self.visit(visit),
                () = self.clock.sleep_until(next) => self.bench.advance(self.clock.now()),
                Some(_) = self.carriers.join_next() => {}
            }
            self.deliver();
        }
    }

    fn tick(&self) -> Duration {
        self.clock.lapse().bench_span(TICK)
    }

    fn visit(&mut self, visit: Visit) {
        self.bench.advance(self.clock.now());
        match visit {
            Visit::StationCame(stream) => {
                self.visitors += 1;
                let conn = Conn(self.visitors);
                let said = move |bytes| Visit::StationSaid(conn, bytes);
                let writer = self.carry(stream, said, Visit::StationGone(conn));
                self.stations.insert(conn, writer);
                self.bench.station_connected(conn);
            }
            Visit::StationSaid(conn, bytes) => self.bench.station_bytes(conn, &bytes),
            Visit::StationGone(conn) => {
                if self.stations.remove(&conn).is_some() {
                    self.bench.station_gone(conn);
                }
            }
            Visit::SensorCame(stream) => {
                self.visitors += 1;
                let visitor = self.visitors;
                // A sensor listens to nobody; what it is told goes nowhere.
                let writer = self.carry(stream, |_| Visit::SensorGone(0), Visit::SensorGone(visitor));
                if self.sensors.is_empty() {
                    self.bench.sensor_connected();
                }
                self.sensors.insert(visitor, writer);
            }
            Visit::SensorGone(visitor) => {
                if self.sensors.remove(&visitor).is_some() && self.sensors.is_empty() {
                    self.bench.sensor_gone();
                }
            }
        }
    }

    /// Starts carrying bytes between a visitor and the simulation.
    fn carry(
        &mut self,
        stream: TcpStream,
        said: impl Fn(Vec<u8>) -> Visit + Send + Sync + 'static,
        gone: Visit,
    ) -> mpsc::Sender<Vec<u8>> {
        let (writer, queue) = mpsc::channel(VISITOR_QUEUE);
        let tell = self.tell.clone();
        self.carriers.spawn(async move {
            let (reader, socket) = stream.into_split();
            tokio::select! {
                () = hear(reader, &tell, said) => {}
                () = speak(socket, queue) => {}
            }
            // The hall is gone only when everything ends.
            let _ = tell.send(gone).await;
        });
        writer
    }

    fn deliver(&mut self) {
        while let Some(output) = self.bench.poll_output() {
            match output {
                SimOutput::Station(conn, bytes) => {
                    if let Some(writer) = self.stations.get(&conn) {
                        let _ = writer.try_send(bytes);
                    }
                }
                SimOutput::CloseStation(conn) => {
                    self.stations.remove(&conn);
                }
                SimOutput::Sensor(bytes) => {
                    for writer in self.sensors.values() {
                        let _ = writer.try_send(bytes.clone());
                    }
                }
            }
        }
    }
}

async fn hear(
    mut reader: tokio::net::tcp::OwnedReadHalf,
    tell: &mpsc::Sender<Visit>,
    said: impl Fn(Vec<u8>) -> Visit,
) {
    let mut buffer = vec![0; 4096];
    while let Ok(n @ 1..) = reader.read(&mut buffer).await {
        if tell.send(said(buffer[..n].to_vec())).await.is_err() {
            return;
        }
    }
}

async fn speak(mut socket: tokio::net::tcp::OwnedWriteHalf, mut queue: mpsc::Receiver<Vec<u8>>) {
    while let Some(bytes) = queue.recv().await {
        if socket.write_all(&bytes).await.is_err() {
            return;
        }
    }
}
