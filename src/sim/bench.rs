//! The simulated bench as one machine: bytes and time in, bytes out. It knows no sockets and no clock; whoever runs it
//! brings the time with [`SimBench::advance`] and carries the bytes.
use super::decoder::Decoder;
use super::drive;
use super::engine::{Engine, TICK_S};
use super::fault::SimFault;
use super::noise::{Noise, Stream};
use super::sensor::{Health, Sensor, Wheel};
use super::server::{Outgoing, Server};
use super::spec::SimSpec;
use super::track::Track;
use crate::time::BenchTime;
use std::collections::{BTreeMap, VecDeque};

/// Nanoseconds of a tick of the engine.
const TICK_NS: u64 = 1_000_000;

/// A connection to the station's server, numbered by whoever carries the bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Conn(pub u32);

/// What comes out of the bench.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SimOutput {
    /// Bytes of the station on a connection.
    Station(Conn, Vec<u8>),
    /// The station closes a connection; nothing follows on it.
    CloseStation(Conn),
    /// Bytes of the sensor.
    Sensor(Vec<u8>),
}

/// How things really are. The program under test never sees it.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// The time this holds at.
    pub at: BenchTime,
    /// Speed of the wheel's rim, mm/s; positive is forward as the engine was built.
    pub speed_mm_s: f64,
    /// Way of the wheel's rim since the start, mm, signed.
    pub position_mm: f64,
    /// Drive of the motor, counts of 255; negative is reverse as built.
    pub drive_counts: f64,
    /// The rail carries power.
    pub rail_live: bool,
    /// The rail serves programming.
    pub in_service_mode: bool,
    /// The moving step the decoder was last ordered to; 0 stands still.
    pub ordered_step: u16,
    /// Steps of the mode it was ordered in: 14, 28 or 126.
    pub ordered_of: u16,
    /// The direction it was last ordered in.
    pub ordered_forward: bool,
    /// Functions as the decoder has them; bit n is Fn.
    pub functions: u32,
    /// 0 cold, 1 warm from running.
    pub warmth: f64,
    /// The highest speed so far, mm/s, whichever way.
    pub highest_speed_mm_s: f64,
    /// Where the engine is on its track, mm: on a straight from the end that it leaves when it runs forward as built.
    pub place_mm: f64,
    /// It ran into an end of its straight, first at this speed, mm/s.
    pub hit_end_mm_s: Option<f64>,
    /// All CVs that the decoder has.
    pub cvs: BTreeMap<u16, u8>,
    /// CVs of the decoder that stands beside, if any.
    pub beside_cvs: Option<BTreeMap<u16, u8>>,
    /// How often the decoder was set back to its delivered state.
    pub factory_resets: u32,
}

/// The simulated bench.
///
/// Call order: [`advance`](Self::advance) to the time of a happening, tell the happening (bytes, connections, faults),
/// then [`poll_output`](Self::poll_output) until it returns nothing. The outputs do not depend on how the time between
/// two happenings is cut into steps.
#[derive(Clone, Debug)]
pub struct SimBench {
    now: BenchTime,
    ticks: u64,
    engine: Engine,
    /// Share of its voltage that the supply gives.
    supply: f64,
    decoder: Decoder,
    beside: Option<Decoder>,
    sensor: Sensor,
    server: Server,
    garbage: Noise,
    circumference_mm: f64,
    highest_speed_mm_s: f64,
    out: VecDeque<SimOutput>,
}

impl SimBench {
    /// A bench at bench time zero: rail dead, engine cold and standing, nobody connected.
    #[must_use]
    pub fn new(spec: SimSpec) -> Self {
        let seed = spec.seed;
        let track = Track::new(Noise::new(seed ^ 0x5EED, Stream::Rail), spec.server.overlooks);
        Self {
            now: BenchTime::ZERO,
            ticks: 0,
            circumference_mm: spec.engine.circumference_mm,
            engine: Engine::new(spec.engine, spec.path, seed),
            supply: 1.0,
            decoder: Decoder::new(spec.decoder, seed),
            beside: spec.beside.map(|beside| Decoder::new(beside, seed ^ 0xB351)),
            sensor: Sensor::new(spec.sensor, seed),
            server: Server::new(spec.server, track),
            garbage: Noise::new(seed, Stream::Garbage),
            highest_speed_mm_s: 0.0,
            out: VecDeque::new(),
        }
    }

    /// A client has connected to the station.
    pub fn station_connected(&mut self, conn: Conn) {
        self.server.connected(self.now, conn.0);
        self.collect();
    }

    /// Bytes came from a client of the station.
    pub fn station_bytes(&mut self, conn: Conn, bytes: &[u8]) {
        self.server.bytes(self.now, conn.0, bytes);
        self.after_server();
    }

    /// A client of the station is gone.
    pub fn station_gone(&mut self, conn: Conn) {
        self.server.gone(self.now, conn.0);
        self.after_server();
    }

    /// Somebody listens to the sensor: the header line of CSV comes at once, samples follow.
    pub fn sensor_connected(&mut self) {
        let header = self.sensor.connect(self.now);
        self.sensor_says(header);
    }

    /// Nobody listens to the sensor any more.
    pub fn sensor_gone(&mut self) {
        self.sensor.disconnect();
    }

    /// Runs everything up to `to`. A time before the present one changes nothing.
    pub fn advance(&mut self, to: BenchTime) {
        loop {
            let event = self.next_inside().filter(|at| *at <= to);
            self.run_ticks(event.unwrap_or(to));
            let Some(at) = event else { break };
            self.now = self.now.max(at);
            self.happen(self.now);
        }
        self.now = self.now.max(to);
    }

    /// When something will come out by itself: the next sample, a reply that is due. The end of time if nothing will.
    /// Programming replies are found by advancing: then it names the end of the packet on the rail.
    #[must_use]
    pub fn next_event(&self) -> BenchTime {
        let programming = if self.server.track().busy() { self.server.track().packet_ends() } else { None };
        // A pulse can't be foreseen.
        let tick = self.sensor.tells_each_pulse().then(|| self.tick_ends());
        let events = [self.sensor.next_line(), self.server.next_event(), programming, tick];
        events.into_iter().flatten().min().unwrap_or(BenchTime::from_nanos(u64::MAX)).max(self.now)
    }

    /// The next thing that came out.
    pub fn poll_output(&mut self) -> Option<SimOutput> {
        self.out.pop_front()
    }

    /// How things really are now.
    #[must_use]
    pub fn truth(&self) -> Truth {
        let ordered = self.decoder.ordered();
        Truth {
            at: self.now,
            speed_mm_s: self.engine.speed_mm_s(),
            position_mm: self.engine.position_mm(self.since_tick_s(self.now)),
            drive_counts: self.decoder.drive() * drive::FULL,
            rail_live: self.server.track().live(),
            in_service_mode: self.server.track().in_service(),
            ordered_step: ordered.step,
            ordered_of: ordered.steps,
            ordered_forward: ordered.forward,
            functions: self.decoder.functions(),
            warmth: self.engine.warmth(),
            highest_speed_mm_s: self.highest_speed_mm_s,
            place_mm: self.engine.way().place_mm(),
            hit_end_mm_s: self.engine.way().hit_mm_s(),
            cvs: self.decoder.memory().all().clone(),
            beside_cvs: self.beside.as_ref().map(|beside| beside.memory().all().clone()),
            factory_resets: self.decoder.memory().factory_resets(),
        }
    }

    /// Speed, mm/s without sign, to which the engine settles from standstill at `step` of `of` (14, 28 or 126) in the
    /// direction ordered, as warm as it is and with the CVs as they are. Mean over turns, scatter left out.
    #[must_use]
    pub fn steady_speed(&self, forward: bool, step: u16, of: u16) -> f64 {
        let share = self.decoder.counts_at(step, of, forward) / drive::FULL;
        let drive = if self.decoder.turns_forward(forward) { share } else { -share };
        self.engine.steady_speed(drive).abs()
    }

    /// Speed of the wheel's rim, mm/s, whichever way.
    #[must_use]
    pub fn speed_mm_s(&self) -> f64 {
        self.engine.speed_mm_s().abs()
    }

    /// The rail serves programming.
    #[must_use]
    pub fn in_service_mode(&self) -> bool {
        self.server.track().in_service()
    }

    /// A fault begins (or ends) now.
    pub fn apply(&mut self, fault: SimFault) {
        let now = self.now;
        match fault {
            SimFault::StationSilent(span) => self.server.be_silent(now, span),
            SimFault::StationRefuses(span) => self.server.refuse(now, span),
            SimFault::StationDrop(conn) => self.server.drop_links(now, conn.map(|conn| conn.0)),
            SimFault::LateReplies(by) => self.server.be_late(by),
            SimFault::StationGarbage(count) => {
                let bytes = self.nonsense(count);
                self.server.babble(&bytes);
            }
            SimFault::SensorGarbage(count) => {
                let bytes = self.nonsense(count);
                self.sensor_says(bytes);
            }
            SimFault::SensorFrozen => self.sensor.set_health(now, Health::Frozen),
            SimFault::SensorSilent => self.sensor.set_health(now, Health::Silent),
            SimFault::SensorWell => self.sensor.set_health(now, Health::Well),
            SimFault::SensorRestarts(span) => self.sensor.restart(now, span),
            SimFault::SensorRepeats { share, lasts } => self.sensor.repeat(now, share, lasts),
            SimFault::SensorSkips { share, lasts } => self.sensor.lose(now, share, lasts),
            SimFault::SensorStalls(span) => self.sensor.hold(now, span),
            SimFault::SensorBacklog { samples, old } => self.sensor.keep(samples, old),
            SimFault::SensorFlawed(flaws) => self.sensor.set_flaws(flaws),
            SimFault::PowerCut => self.server.cut_power(now, "SHORT CIRCUIT"),
            SimFault::Swapped => self.decoder.swap(),
            SimFault::Sags(share) => self.supply = share.clamp(0.0, 1.0),
            SimFault::Stall => self.engine.set_stalled(true),
            SimFault::Lifted => self.engine.lift(),
            SimFault::Freed => self.engine.set_stalled(false),
            SimFault::RunAway(share) => self.decoder.run_away(Some(share.clamp(-1.0, 1.0))),
            SimFault::Tamed => self.decoder.run_away(None),
            SimFault::AnotherThrottle { step, forward } => {
                if let Some(address) = self.decoder.memory().address() {
                    self.server.other_throttle(now, address, step, forward);
                }
            }
            SimFault::AnotherLock => {
                if let Some(address) = self.decoder.memory().address() {
                    self.server.other_lock(now, address.number);
                }
            }
            SimFault::PutBack => self.engine.put_back(),
            SimFault::Warmth(warmth) => self.engine.set_warmth(warmth),
        }
        self.after_server();
    }

    fn sensor_says(&mut self, bytes: Vec<u8>) {
        if !bytes.is_empty() {
            self.out.push_back(SimOutput::Sensor(bytes));
        }
    }

    /// The wheel `into_tick_s` seconds after the last tick.
    fn wheel(&self, into_tick_s: f64) -> Wheel {
        let engine_mm_s = self.engine.speed_mm_s();
        let at_s = self.ticks as f64 * TICK_NS as f64 / 1e9 + into_tick_s;
        let (off_mm, faster_mm_s) = self.engine.way().swing(at_s, engine_mm_s);
        let way_mm = self.engine.position_mm(into_tick_s) + off_mm;
        Wheel { turns: way_mm / self.circumference_mm, way_mm, speed_mm_s: engine_mm_s + faster_mm_s }
    }

    /// When the present tick ends.
    fn tick_ends(&self) -> BenchTime {
        BenchTime::from_nanos((self.ticks + 1).saturating_mul(TICK_NS))
    }

    fn nonsense(&mut self, count: usize) -> Vec<u8> {
        let mut bytes = self.garbage.bytes(count);
        bytes.push(b'\n');
        bytes
    }

    /// The next instant at which anything but a tick happens inside. Ticks do not change it.
    fn next_inside(&self) -> Option<BenchTime> {
        let events = [self.server.track().packet_ends(), self.sensor.next_line(), self.server.next_event()];
        events.into_iter().flatten().min()
    }

    /// Ticks up to and at `until`.
    fn run_ticks(&mut self, until: BenchTime) {
        loop {
            let (began, at) = (BenchTime::from_nanos(self.ticks.saturating_mul(TICK_NS)), self.tick_ends());
            if at > until {
                return;
            }
            self.ticks += 1;
            self.engine.tick(self.supply * self.decoder.drive());
            self.decoder.tick(at, TICK_S);
            if let Some(beside) = &mut self.beside {
                beside.tick(at, TICK_S);
            }
            self.highest_speed_mm_s = self.highest_speed_mm_s.max(self.engine.speed_mm_s().abs());
            let pulses = self.sensor.tick(began, at, self.wheel(0.0));
            self.sensor_says(pulses);
        }
    }

    fn happen(&mut self, at: BenchTime) {
        if self.server.track().packet_ends().is_some_and(|ends| ends <= at) {
            self.end_packet(at);
        }
        if self.sensor.next_line().is_some_and(|due| due <= at) {
            let line = self.sensor.line(self.wheel(self.since_tick_s(at)));
            self.sensor_says(line);
        }
        if self.server.next_event().is_some_and(|due| due <= at) {
            self.server.advance(at);
            self.after_server();
        }
    }

    fn end_packet(&mut self, at: BenchTime) {
        let Some(packet) = self.server.track_mut().finish_packet(at) else { return };
        let beside = self.beside.as_mut().is_some_and(|beside| beside.receive(at, packet.bytes()));
        let pulse = self.decoder.receive(at, packet.bytes()) || beside;
        let was_busy = self.server.track().busy();
        self.server.track_mut().go_on(at, pulse);
        if was_busy && !self.server.track().busy() {
            self.server.advance(at);
            self.after_server();
        }
    }

    /// What the server did may have switched the rail, and it may have something to send.
    fn after_server(&mut self) {
        let live = self.server.track().live();
        self.decoder.set_rail(self.now, live);
        if let Some(beside) = &mut self.beside {
            beside.set_rail(self.now, live);
        }
        self.collect();
    }

    fn collect(&mut self) {
        while let Some(out) = self.server.poll() {
            self.out.push_back(match out {
                Outgoing::Bytes(conn, bytes) => SimOutput::Station(Conn(conn), bytes),
                Outgoing::Close(conn) => SimOutput::CloseStation(Conn(conn)),
            });
        }
    }

    fn since_tick_s(&self, at: BenchTime) -> f64 {
        at.as_nanos().saturating_sub(self.ticks.saturating_mul(TICK_NS)) as f64 / 1e9
    }
}
