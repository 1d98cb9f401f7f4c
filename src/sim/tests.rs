//! The bench as a whole: driven over its lines, looked at through its truth.
use super::*;
use crate::time::BenchTime;
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

/// A bench with clients that read lines.
pub(super) struct Talk {
    pub(super) bench: SimBench,
    pub(super) now: BenchTime,
    received: BTreeMap<Conn, Vec<u8>>,
    closed: BTreeSet<Conn>,
    pub(super) sensor: Vec<u8>,
    next_conn: u32,
}

impl Talk {
    pub(super) fn new(spec: SimSpec) -> Self {
        Self {
            bench: SimBench::new(spec),
            now: BenchTime::ZERO,
            received: BTreeMap::new(),
            closed: BTreeSet::new(),
            sensor: Vec::new(),
            next_conn: 0,
        }
    }

    pub(super) fn run(&mut self, span: Duration) {
        self.now = self.now + span;
        self.bench.advance(self.now);
        self.collect();
    }

    fn collect(&mut self) {
        while let Some(out) = self.bench.poll_output() {
            match out {
                SimOutput::Station(conn, bytes) => self.received.entry(conn).or_default().extend(bytes),
                SimOutput::CloseStation(conn) => _ = self.closed.insert(conn),
                SimOutput::Sensor(bytes) => self.sensor.extend(bytes),
            }
        }
    }

    pub(super) fn connect(&mut self) -> Conn {
        self.next_conn += 1;
        self.bench.station_connected(Conn(self.next_conn));
        Conn(self.next_conn)
    }

    pub(super) fn command_session(&mut self) -> Conn {
        let conn = self.connect();
        self.raw_line(conn);
        assert!(self.ask(conn, "GO").starts_with("200"));
        conn
    }

    pub(super) fn send(&mut self, conn: Conn, text: &str) {
        self.bench.station_bytes(conn, text.as_bytes());
    }

    /// The next line as it came, without its line feed.
    pub(super) fn raw_line(&mut self, conn: Conn) -> String {
        for _ in 0..200_000 {
            self.collect();
            let bytes = self.received.entry(conn).or_default();
            if let Some(end) = bytes.iter().position(|byte| *byte == b'\n') {
                let line: Vec<u8> = bytes.drain(..=end).collect();
                return String::from_utf8_lossy(&line[..end]).into_owned();
            }
            self.now = self.bench.next_event();
            self.bench.advance(self.now);
        }
        panic!("no line came");
    }

    /// The next line without its timestamp.
    pub(super) fn next_line(&mut self, conn: Conn) -> String {
        let line = self.raw_line(conn);
        line.split_once(' ').expect("a stamped line").1.to_owned()
    }

    pub(super) fn ask(&mut self, conn: Conn, line: &str) -> String {
        self.send(conn, &format!("{line}\n"));
        self.next_line(conn)
    }

    /// All lines that have come, without timestamps.
    pub(super) fn lines(&mut self, conn: Conn) -> Vec<String> {
        self.collect();
        let bytes = std::mem::take(self.received.entry(conn).or_default());
        let text = String::from_utf8(bytes).unwrap();
        text.lines().map(|line| line.split_once(' ').unwrap().1.to_owned()).collect()
    }

    pub(super) fn is_closed(&mut self, conn: Conn) -> bool {
        self.collect();
        self.closed.contains(&conn)
    }

    /// Power on, engine announced, momentum off.
    pub(super) fn ready(spec: SimSpec, address: u16) -> (Self, Conn) {
        let mut talk = Self::new(spec);
        let conn = talk.command_session();
        let version = if address > 127 { 2 } else { 1 };
        let init = format!("INIT 1 GL {address} N {version} 128 5");
        for line in [
            "INIT 1 SM NMRA",
            "SET 1 SM -1 CV 3 0",
            "SET 1 SM -1 CV 4 0",
            "TERM 1 SM",
            "SET 1 POWER ON",
            &init,
        ] {
            assert_eq!(talk.ask(conn, line), "200 OK", "{line}");
        }
        (talk, conn)
    }
}

fn engines(seed: u64) -> [(u16, SimSpec); 4] {
    [
        (4, demo_engines::lapwing(seed)),
        (7, demo_engines::avocet(seed)),
        (11, demo_engines::curlew(seed)),
        (1203, demo_engines::dunlin(seed)),
    ]
}

#[test]
fn every_demo_engine_runs_as_fast_as_its_steady_speed_says() {
    for (address, spec) in engines(5) {
        let (mut talk, conn) = Talk::ready(spec, address);
        for (mode, step, sign) in [(1, 60, 1.0), (1, 126, 1.0), (0, 126, -1.0), (0, 40, -1.0)] {
            talk.ask(conn, &format!("SET 1 GL {address} {mode} {step} 126"));
            talk.run(Duration::from_secs(4));
            let start = talk.bench.truth().position_mm;
            talk.run(Duration::from_secs(20));
            let mean = (talk.bench.truth().position_mm - start) / 20.0;
            let steady = talk.bench.steady_speed(mode == 1, step, 126) * sign;
            assert!(
                (mean / steady - 1.0).abs() < 0.01,
                "engine {address}, step {step}: {mean} for {steady} mm/s"
            );
        }
    }
}

/// The brief of the engines: what full drive reaches when warm, in both directions.
#[test]
fn demo_engines_reach_their_tops_for_every_seed() {
    for seed in 0..40 {
        for ((_, spec), (low, high)) in
            engines(seed).into_iter().zip([(380.0, 500.0), (640.0, 760.0), (400.0, 520.0), (420.0, 540.0)])
        {
            let mut bench = SimBench::new(spec);
            for warmth in [0.0, 1.0] {
                bench.apply(SimFault::Warmth(warmth));
                for forward in [true, false] {
                    let top = bench.steady_speed(forward, 126, 126);
                    assert!((low..high).contains(&top), "seed {seed}: {top}");
                }
            }
        }
    }
}

#[test]
fn delivered_momentum_is_felt() {
    let mut talk = Talk::new(demo_engines::avocet(2));
    let conn = talk.command_session();
    for line in ["SET 1 POWER ON", "INIT 1 GL 7 N 1 128 5", "SET 1 GL 7 1 126 126"] {
        talk.ask(conn, line);
    }
    talk.run(Duration::from_secs(5));
    let half_way = talk.bench.truth().speed_mm_s;
    talk.run(Duration::from_secs(8));
    assert!(half_way < 0.6 * talk.bench.truth().speed_mm_s, "CV 3 = 12 is 10.75 s to full");
}

#[test]
fn power_off_stops_and_power_on_lets_the_last_speed_go_on() {
    let (mut talk, conn) = Talk::ready(demo_engines::avocet(2), 7);
    talk.ask(conn, "SET 1 GL 7 1 60 126");
    talk.run(Duration::from_secs(5));
    let running = talk.bench.truth().speed_mm_s;
    talk.bench.station_gone(conn);
    talk.run(Duration::from_secs(30));
    assert!(talk.bench.truth().speed_mm_s > 0.9 * running, "a lost session stops nothing");
    let conn = talk.command_session();
    talk.ask(conn, "SET 1 POWER OFF");
    talk.run(Duration::from_secs(5));
    assert!(talk.bench.truth().speed_mm_s == 0.0);
    talk.ask(conn, "SET 1 POWER ON");
    talk.run(Duration::from_secs(5));
    assert!(talk.bench.truth().speed_mm_s > 0.9 * running);
    talk.ask(conn, "SET 1 GL 7 2 0 126");
    talk.run(Duration::from_secs(5));
    assert!(talk.bench.truth().speed_mm_s == 0.0);
}

#[test]
fn a_runaway_heeds_only_the_rail_and_a_stall_holds_the_wheels() {
    let (mut talk, conn) = Talk::ready(demo_engines::avocet(2), 7);
    talk.bench.apply(SimFault::RunAway(0.5));
    talk.ask(conn, "SET 1 GL 7 2 0 126");
    talk.run(Duration::from_secs(5));
    assert!(talk.bench.truth().speed_mm_s > 200.0);
    talk.bench.apply(SimFault::Stall);
    talk.run(Duration::from_secs(1));
    assert!(talk.bench.truth().speed_mm_s == 0.0);
    talk.bench.apply(SimFault::Freed);
    talk.run(Duration::from_secs(5));
    assert!(talk.bench.truth().speed_mm_s > 200.0);
    talk.ask(conn, "SET 1 POWER OFF");
    talk.run(Duration::from_secs(5));
    assert!(talk.bench.truth().speed_mm_s == 0.0);
}

#[test]
fn curlew_takes_no_zeros_and_dunlin_crawls_with_them() {
    let (mut talk, conn) = Talk::ready(demo_engines::curlew(1), 11);
    talk.ask(conn, "INIT 1 SM NMRA");
    for cv in [2, 5, 6] {
        let before = talk.bench.truth().cvs[&cv];
        assert_eq!(talk.ask(conn, &format!("SET 1 SM -1 CV {cv} 0")), "416 ERROR no data");
        assert_eq!(talk.bench.truth().cvs[&cv], before);
    }
    let (mut talk, conn) = Talk::ready(demo_engines::dunlin(1), 1203);
    talk.ask(conn, "INIT 1 SM NMRA");
    for cv in [2, 5, 6] {
        assert_eq!(talk.ask(conn, &format!("SET 1 SM -1 CV {cv} 0")), "200 OK");
    }
    let [slow, fast] = [1, 126].map(|step| talk.bench.steady_speed(true, step, 126));
    assert!(slow > 5.0 && (slow - fast).abs() < 1e-9, "{slow} {fast}");
}

pub(super) fn samples(text: &[u8]) -> Vec<(u32, Vec<f64>)> {
    let text = std::str::from_utf8(text).unwrap();
    let rows = text.lines().filter(|line| !line.starts_with('t'));
    rows.map(|line| {
        let mut fields = line.split(',');
        let stamp = fields.next().unwrap().parse().unwrap();
        (stamp, fields.map(|field| field.parse().unwrap()).collect())
    })
    .collect()
}

/// The field turns once a turn of the wheel: counted by crossings of its mean, without any decoding.
#[test]
fn the_sensor_shows_the_turns_that_truth_has() {
    let (mut talk, conn) = Talk::ready(demo_engines::avocet(2), 7);
    talk.ask(conn, "SET 1 GL 7 1 60 126");
    talk.run(Duration::from_secs(5));
    talk.bench.sensor_connected();
    let start = talk.bench.truth().position_mm;
    talk.run(Duration::from_secs(20));
    let turns = (talk.bench.truth().position_mm - start) / 33.0;
    let samples = samples(&talk.sensor);
    assert!((3998..=4002).contains(&samples.len()), "{}", samples.len());
    let first: Vec<f64> = samples.iter().map(|(_, field)| field[0]).collect();
    let (low, high) = first.iter().fold((f64::MAX, f64::MIN), |(l, h), x| (l.min(*x), h.max(*x)));
    let mut crossings = 0;
    let mut above = first[0] > f64::midpoint(low, high);
    for value in first {
        // Noise must not count: only a passage of a tenth of the range beyond the middle does.
        let limit = f64::midpoint(low, high) + if above { -0.1 } else { 0.1 } * (high - low);
        if above != (value > limit) {
            above = !above;
            crossings += 1;
        }
    }
    assert!((f64::from(crossings) / 2.0 - turns).abs() <= 1.0, "{crossings} crossings for {turns} turns");
}

/// What the demo engines' sensors send, moving: later additions to the sensor change no byte of it.
#[test]
fn the_demo_engines_sensors_send_what_they_always_sent() {
    let mut sums = Vec::new();
    for (address, spec) in engines(3) {
        let (mut talk, conn) = Talk::ready(spec, address);
        talk.bench.sensor_connected();
        talk.ask(conn, &format!("SET 1 GL {address} 1 80 126"));
        talk.run(Duration::from_secs(10));
        sums.push(crc32fast::hash(&talk.sensor));
    }
    assert_eq!(sums, [97_243_471, 353_233_616, 820_912_867, 1_337_270_351]);
}

#[test]
fn sensor_faults_show_in_its_lines() {
    let mut talk = Talk::new(demo_engines::lapwing(2));
    talk.bench.sensor_connected();
    talk.run(Duration::from_millis(100));
    talk.bench.apply(SimFault::SensorFrozen);
    talk.sensor.clear();
    talk.run(Duration::from_millis(100));
    let frozen = samples(&talk.sensor);
    assert!(
        frozen.len() > 15 && frozen.windows(2).all(|pair| pair[0].1 == pair[1].1 && pair[0].0 < pair[1].0)
    );
    talk.bench.apply(SimFault::SensorSilent);
    talk.sensor.clear();
    talk.run(Duration::from_secs(3));
    assert!(talk.sensor.is_empty());
    assert_eq!(talk.bench.next_event(), BenchTime::from_nanos(u64::MAX));
    talk.bench.apply(SimFault::SensorWell);
    talk.run(Duration::from_millis(100));
    let well = samples(&talk.sensor);
    assert!((15..=21).contains(&well.len()), "the silent time is not made up for");
    talk.bench.sensor_gone();
    talk.sensor.clear();
    talk.run(Duration::from_secs(1));
    assert!(talk.sensor.is_empty());
}

#[test]
fn two_axes_are_two_columns() {
    let mut spec = demo_engines::lapwing(2);
    spec.sensor.axes = 2;
    let mut talk = Talk::new(spec);
    talk.bench.sensor_connected();
    talk.run(Duration::from_millis(50));
    assert!(talk.sensor.starts_with(b"t_us,bx,by\n"));
    assert!(samples(&talk.sensor).iter().all(|(_, field)| field.len() == 2));
}

/// One session and one sensor, every output in order, with time cut into the given steps.
fn story(spec: SimSpec, steps_us: &[u64], cut: usize) -> Vec<SimOutput> {
    let mut bench = SimBench::new(spec);
    let mut out = Vec::new();
    let mut now = BenchTime::ZERO;
    let mut turn = steps_us.iter().cycle();
    let mut run_to = |bench: &mut SimBench, until: BenchTime, out: &mut Vec<SimOutput>| {
        while now < until {
            let step = Duration::from_micros(*turn.next().unwrap());
            now = (now + step).min(until);
            bench.advance(now);
            out.extend(std::iter::from_fn(|| bench.poll_output()));
        }
    };
    bench.station_connected(Conn(1));
    bench.sensor_connected();
    let script =
        b"GO\nSET 1 POWER ON\nINIT 1 GL 4 N 1 128 5\nINIT 1 SM NMRA\nGET 1 SM -1 CV 3\nSET 1 SM -1 CV 3 1\n\
        TERM 1 SM\nSET 1 GL 4 1 90 126 1\n";
    let (head, tail) = script.split_at(cut % script.len());
    bench.station_bytes(Conn(1), head);
    bench.station_bytes(Conn(1), tail);
    run_to(&mut bench, BenchTime::from_millis(2500), &mut out);
    bench.apply(SimFault::StationGarbage(40));
    bench.apply(SimFault::SensorGarbage(40));
    run_to(&mut bench, BenchTime::from_millis(4000), &mut out);
    out
}

#[test]
fn same_recipe_and_inputs_give_the_same_bytes_and_another_seed_others() {
    let first = story(demo_engines::lapwing(8), &[5000], 0);
    assert_eq!(first, story(demo_engines::lapwing(8), &[5000], 0));
    assert_ne!(first, story(demo_engines::lapwing(9), &[5000], 0));
    assert!(first.len() > 800);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn how_time_and_bytes_are_cut_changes_nothing(
        steps_us in prop::collection::vec(1_u64..200_000, 1..12), cut in 0_usize..200,
    ) {
        let whole = story(demo_engines::lapwing(8), &[1_000_000], 0);
        prop_assert_eq!(story(demo_engines::lapwing(8), &steps_us, cut), whole);
    }

    #[test]
    fn nonsense_never_panics_and_the_server_goes_on(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let mut talk = Talk::new(demo_engines::curlew(1));
        let conn = talk.connect();
        talk.bench.station_bytes(conn, &bytes);
        talk.bench.station_bytes(conn, b"\n");
        talk.run(Duration::from_secs(3));
        let other = talk.command_session();
        prop_assert_eq!(talk.ask(other, "GET 0 SERVER"), "100 INFO 0 SERVER RUNNING");
    }

    #[test]
    fn half_sensible_lines_never_panic_and_each_gets_one_reply(
        lines in prop::collection::vec(
            (
                prop::sample::select(vec!["SET", "GET", "INIT", "TERM", "VERIFY", "RESET", "WAIT", "FROB"]),
                prop::sample::select(vec!["0", "1", "2", "-1", "x", "99999999999999999999"]),
                prop::sample::select(vec!["GL", "POWER", "SM", "LOCK", "SESSION", "SERVER", "DESCRIPTION", "FB"]),
                prop::collection::vec(
                    prop::sample::select(vec![
                        "0", "1", "4", "-1", "28", "126", "4294967295", "10239", "CV", "CVBIT", "NMRA", "N", "GL",
                        "ON", "OFF",
                    ]),
                    0..8,
                ),
            ),
            1..40,
        ),
    ) {
        let mut talk = Talk::new(demo_engines::dunlin(1));
        let conn = talk.command_session();
        let mut left = lines.len();
        for (verb, bus, group, rest) in lines {
            if (verb, group) == ("TERM", "SESSION") {
                left -= 1;
                continue;
            }
            talk.send(conn, &format!("{verb} {bus} {group} {}\n", rest.join(" ")));
        }
        talk.run(Duration::from_secs(120));
        prop_assert_eq!(talk.lines(conn).len(), left);
    }

    #[test]
    fn no_packet_makes_the_decoder_panic(packets in prop::collection::vec(
        prop::collection::vec(any::<u8>(), 0..7), 1..60,
    )) {
        let mut decoder = decoder::Decoder::new(demo_engines::curlew(1).decoder, 1);
        decoder.set_rail(BenchTime::ZERO, true);
        for mut bytes in packets {
            let error = bytes.iter().fold(0, |sum, byte| sum ^ byte);
            bytes.push(error);
            decoder.receive(BenchTime::ZERO, &bytes);
            decoder.receive(BenchTime::ZERO, &bytes);
            decoder.tick(BenchTime::ZERO, 0.001);
            prop_assert!(decoder.drive().abs() <= 1.0);
        }
    }
}
