//! The playing of a virtual bench: what happens next, what the core wants done, what the journal answers. Its links are
//! in `wires`.
use super::{Fault, Moment, VirtualBench, VirtualEnd};
use crate::bench::resume::TakenUp;
use crate::bench::start::endpoint_key;
use crate::journal::{FrameRef, Header, Recorder, RecorderError};
use crate::run::desk::Desk;
use crate::run::{
    CORE_REVISION, Durability, Input, JournalTrouble, Output, PersonAct, Question, Record, RecordBody,
    RunOutcome,
};
use crate::sim::{Conn, SimFault};
use crate::station::{LinkOrder, Session};
use crate::time::BenchTime;
use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;
use wires::{Countdown, Flight};

mod wires;

/// The journal syncs what it wrote behind within this time.
const SYNC_WITHIN: Duration = Duration::from_millis(500);

/// More wake-ups at one instant than this mean that the core never comes to rest.
const MOST_WAKES: u32 = 10_000;

pub(super) struct Play {
    setup: VirtualBench,
    desk: Desk,
    recorder: Recorder,
    pub(super) now: BenchTime,
    flights: BTreeMap<(BenchTime, u64), Flight>,
    flown: u64,
    sessions: BTreeMap<Session, Conn>,
    conns: u32,
    /// Number of the sensor link that is open; links are numbered from 1.
    sensor: Option<u64>,
    sensors: u64,
    faults: VecDeque<(BenchTime, Fault)>,
    station_cut_until: BenchTime,
    station_silent_until: BenchTime,
    station_twice_until: BenchTime,
    /// Pieces to and from the station that are still to pass before one is lost.
    send_fails: Countdown,
    reply_lost: Countdown,
    sensor_cut_until: BenchTime,
    sensor_silent_until: BenchTime,
    noise: Option<Vec<u8>>,
    sync_due: Option<BenchTime>,
    inputs: u64,
    wakes_here: u32,
    pub(super) over: bool,
    outcome: Option<RunOutcome>,
    records: Vec<Record>,
    made_at: Vec<u64>,
    sent: Vec<(BenchTime, Session, Vec<u8>)>,
    broken: Option<String>,
}

impl Play {
    pub(super) fn begin(setup: VirtualBench) -> Result<Self, RecorderError> {
        let header = header(&setup);
        let mut recorder = Recorder::create(Box::new(setup.disk.clone()), &setup.folder, &header)?;
        recorder.watch_room(setup.plan.spec.least_free_bytes);
        let desk = Desk::new(setup.plan.clone());
        Ok(Self::with(setup, desk, recorder, BenchTime::ZERO))
    }

    /// Goes on where a program died. The bench's `began` is the simulation's time now; the run's time goes on from its last.
    pub(super) fn take_up(mut setup: VirtualBench, taken: TakenUp) -> Self {
        let TakenUp { desk, plan, records, at, mut recorder, .. } = taken;
        setup.plan = plan;
        recorder.watch_room(setup.plan.spec.least_free_bytes);
        for (when, _) in &mut setup.faults {
            *when = at + when.since(BenchTime::ZERO);
        }
        let now = setup.began.since(BenchTime::ZERO);
        setup.began = BenchTime::ZERO + now.saturating_sub(at.since(BenchTime::ZERO));
        let made_at = vec![0; records.len()];
        Self { records, made_at, ..Self::with(setup, desk, recorder, at) }
    }

    fn with(mut setup: VirtualBench, desk: Desk, recorder: Recorder, now: BenchTime) -> Self {
        let mut faults = std::mem::take(&mut setup.faults);
        faults.sort_by_key(|(at, _)| *at);
        Self {
            desk,
            recorder,
            now,
            flights: BTreeMap::new(),
            flown: 0,
            sessions: BTreeMap::new(),
            conns: 0,
            sensor: None,
            sensors: 0,
            faults: faults.into(),
            station_cut_until: BenchTime::ZERO,
            station_silent_until: BenchTime::ZERO,
            station_twice_until: BenchTime::ZERO,
            send_fails: Countdown::default(),
            reply_lost: Countdown::default(),
            sensor_cut_until: BenchTime::ZERO,
            sensor_silent_until: BenchTime::ZERO,
            noise: None,
            sync_due: None,
            inputs: 0,
            wakes_here: 0,
            over: false,
            outcome: None,
            records: Vec::new(),
            made_at: Vec::new(),
            sent: Vec::new(),
            broken: None,
            setup,
        }
    }

    /// Bench time of the simulation now.
    fn sim_now(&self) -> BenchTime {
        self.setup.began + self.now.since(BenchTime::ZERO)
    }

    /// When the simulation is looked at next: the end of the batch in which it does something.
    fn sim_due(&self) -> BenchTime {
        let at = self.setup.bench.next_event();
        let batch = u64::try_from(self.setup.batch.as_nanos()).unwrap_or(u64::MAX).max(1);
        let nanos = at.since(self.setup.began).as_nanos();
        let ends = u64::try_from(nanos).unwrap_or(u64::MAX).div_ceil(batch).saturating_mul(batch);
        BenchTime::from_nanos(ends).max(self.now)
    }

    /// Goes on to the next thing that happens, and lets it happen.
    pub(super) fn step(&mut self) {
        let wake = self.desk.next_wake();
        let flight = self.flights.keys().next().map(|(at, _)| *at);
        let fault = self.faults.front().map(|(at, _)| *at);
        let sim = self.sim_due();
        let next = [wake, flight, fault, self.sync_due].into_iter().flatten().fold(sim, BenchTime::min);
        if next > self.now {
            self.now = next;
            self.wakes_here = 0;
        }
        self.setup.bench.advance(self.sim_now());
        self.collect();
        if fault.is_some_and(|at| at <= self.now) {
            if let Some((_, fault)) = self.faults.pop_front() {
                self.strike(fault);
            }
        } else if flight.is_some_and(|at| at <= self.now) {
            if let Some((_, flight)) = self.flights.pop_first() {
                self.land(flight);
            }
        } else if self.sync_due.is_some_and(|at| at <= self.now) {
            self.sync();
        } else if wake.is_some_and(|at| at <= self.now) {
            self.wake();
        }
        self.collect();
    }

    /// What somebody sees who looks on.
    pub(super) fn moment(&self) -> Moment<'_> {
        Moment { now: self.now, at: self.sim_now(), bench: &self.setup.bench, records: &self.records }
    }

    fn wake(&mut self) {
        self.wakes_here += 1;
        if self.wakes_here > MOST_WAKES {
            return self.break_off("the core asks for wake-ups without end at one instant");
        }
        self.feed(&Input::Wake);
    }

    fn break_off(&mut self, why: &str) {
        self.over = true;
        self.broken.get_or_insert_with(|| format!("{why} ({})", self.now));
    }

    fn strike(&mut self, fault: Fault) {
        match fault {
            Fault::Sim(fault) => self.setup.bench.apply(fault),
            Fault::StationCut(span) => {
                self.station_cut_until = self.now + span;
                for (session, conn) in std::mem::take(&mut self.sessions) {
                    self.setup.bench.station_gone(conn);
                    self.feed(&Input::StationClosed(session, "connection reset".to_owned()));
                }
            }
            Fault::StationSilent(span) => self.station_silent_until = self.now + span,
            Fault::StationTwice(span) => self.station_twice_until = self.now + span,
            Fault::SendFails(n) => self.send_fails = Countdown::from(n),
            Fault::ReplyLost(n) => self.reply_lost = Countdown::from(n),
            Fault::SensorCut(span) => {
                self.sensor_cut_until = self.now + span;
                if self.sensor.take().is_some() {
                    self.setup.bench.sensor_gone();
                    self.feed(&Input::SensorClosed("connection reset".to_owned()));
                }
            }
            Fault::SensorSilent(span) => self.sensor_silent_until = self.now + span,
            Fault::SensorNoise(bytes) => self.noise = Some(bytes),
            Fault::Gap(span) => {
                // Everything that was on its way waits, and is there when the process runs again.
                self.now = self.now + span;
                self.feed(&Input::Gap { nanos: u64::try_from(span.as_nanos()).unwrap_or(u64::MAX) });
            }
            Fault::Person(act) => self.feed(&Input::Person(act)),
            Fault::Told(input) => self.feed(&input),
            Fault::Disk(fault) => self.setup.disk.set_fault(Some(fault)),
            Fault::DiskRoom(more) => {
                let used = self.setup.disk.used();
                self.setup.disk.set_room(more.map(|more| used.saturating_add(more)));
            }
        }
    }

    /// Keeps an input raw, hands it to the core, and does what the core wants.
    pub(super) fn feed(&mut self, input: &Input) {
        if self.over {
            return;
        }
        self.inputs += 1;
        let kept = self.recorder.frame(self.now, FrameRef::In(input));
        self.noted(kept);
        self.desk.handle(self.now, input);
        while let Some(output) = self.desk.poll_output() {
            self.carry_out(output);
        }
        if self.setup.kill_at == Some(self.inputs) {
            self.over = true;
        }
    }

    fn carry_out(&mut self, output: Output) {
        match output {
            Output::OpenSensor => self.open_sensor(),
            Output::Link(LinkOrder::Open(session)) => self.open_station(session),
            Output::Link(LinkOrder::Send(session, bytes)) => {
                let kept = self.recorder.frame(self.now, FrameRef::Sent(session, &bytes));
                self.noted(kept);
                self.sent.push((self.now, session, bytes.clone()));
                self.send(session, bytes);
            }
            Output::Link(LinkOrder::Close(session)) => {
                if let Some(conn) = self.sessions.remove(&session) {
                    self.fly(self.setup.latency, Flight::Close(conn));
                }
            }
            Output::Record(record) => self.record(record),
            Output::Progress(_) => {}
            Output::Ended(outcome) => {
                self.over = true;
                self.outcome = Some(*outcome);
            }
        }
    }

    fn record(&mut self, record: Record) {
        let kept = self.recorder.record(&record);
        self.noted(kept);
        if let RecordBody::Asked { question, what } = record.body
            && let Some(answer) = (self.setup.answers)(what)
        {
            match what {
                Question::PutBack => self.setup.bench.apply(SimFault::Lifted),
                Question::PutOnMark => self.setup.bench.apply(SimFault::PutBack),
                _ => {}
            }
            let act = PersonAct::Answer { question, answer };
            self.fly(Duration::from_secs(5), Flight::Input(Input::Person(act)));
        }
        match record.body.durability() {
            Durability::Synced => self.sync(),
            Durability::Written => self.report(),
            Durability::Behind => {}
        }
        if self.recorder.synced() < self.recorder.written() {
            self.sync_due.get_or_insert(self.now + SYNC_WITHIN);
        }
        self.records.push(record);
        self.made_at.push(self.inputs);
    }

    fn sync(&mut self) {
        self.sync_due = None;
        let flushed = self.recorder.flush_chunk();
        let synced = flushed.and(self.recorder.sync());
        self.noted(synced);
        self.report();
    }

    /// The journal's answer takes as long as a link's.
    fn report(&mut self) {
        let input = Input::Journal { written: self.recorder.written(), synced: self.recorder.synced() };
        self.fly(self.setup.latency, Flight::Input(input));
    }

    /// What the journal met reaches the core as trouble; what should never happen is said at the end.
    fn noted(&mut self, done: Result<(), RecorderError>) {
        let kept: Option<JournalTrouble> = self.recorder.take_trouble();
        if let Some(trouble) = kept {
            self.fly(self.setup.latency, Flight::Input(Input::JournalTrouble(trouble)));
        }
        if let Err(error @ (RecorderError::OutOfOrder { .. } | RecorderError::Unreadable { .. })) = done {
            self.broken.get_or_insert_with(|| error.to_string());
        }
    }

    pub(super) fn end(mut self) -> VirtualEnd {
        if let Some(outcome) = &self.outcome {
            // The outcome is a struct of numbers, words and lists: it always has a JSON form.
            let result = serde_json::to_string(outcome).unwrap_or_default();
            if let Err(error) = self.recorder.finish(&result) {
                self.broken.get_or_insert_with(|| format!("the result could not be written: {error}"));
            }
        }
        for conn in std::mem::take(&mut self.sessions).into_values() {
            self.setup.bench.station_gone(conn);
        }
        if self.sensor.is_some() {
            self.setup.bench.sensor_gone();
        }
        VirtualEnd {
            outcome: self.outcome.take(),
            ended: self.sim_now(),
            records: self.records,
            made_at: self.made_at,
            sent: self.sent,
            disk: self.setup.disk,
            folder: self.setup.folder,
            bench: self.setup.bench,
            inputs: self.inputs,
            piece_lost: self.send_fails.is_over() || self.reply_lost.is_over(),
            broken: self.broken,
        }
    }
}

fn header(setup: &VirtualBench) -> Header {
    let spec = &setup.plan.spec;
    // One run a folder: its number is the run's.
    let number = setup.folder.file_name().and_then(|name| name.to_str()?.parse::<u32>().ok()).unwrap_or(0);
    Header {
        run_id: format!("00000000-0000-7000-8000-{number:012}"),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        core_revision: CORE_REVISION,
        bench_file_name: "virtual.toml".to_owned(),
        bench_text: setup.bench_text.clone(),
        pending: setup.plan.pending.clone(),
        kept: setup.plan.kept.clone(),
        profile: setup.profile.clone(),
        purpose: setup.plan.purpose.clone(),
        sensor_used_s: setup.plan.sensor_used.as_secs(),
        time_lapse: 1.0,
        started_wall: "2026-01-01T00:00:00Z".to_owned(),
        endpoint_key: endpoint_key(spec),
        engine_address: spec.engine.address,
        engine_name: spec.engine.name.clone(),
    }
}
