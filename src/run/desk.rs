//! The desk: sensor machine, station machine and run behind one queue. The whole pure core as one machine.
//!
//! After each [`Desk::handle`] ask [`Desk::poll_output`] until it returns nothing, then [`Desk::next_wake`] once.
use super::input::{Input, Output, RunPlan};
use super::machine::Run;
use crate::config::{BenchSpec, LinkSpec, SensorSpec, StreamFormat};
use crate::sensor::{Form, SensorMachine, SensorStream};
use crate::station::srcp::{Sessions, Srcp, SrcpSetup};
use crate::station::{LinkEvent, Session, StationMachine};
use crate::time::BenchTime;
use std::collections::VecDeque;

/// The whole pure core of one run.
#[derive(Debug)]
pub struct Desk {
    sensor: Box<dyn SensorMachine>,
    station: Box<dyn StationMachine>,
    run: Run,
    outputs: VecDeque<Output>,
    wake: Option<BenchTime>,
}

impl Desk {
    /// A desk for this plan. The first `handle` (an [`Input::Wake`] at time zero) starts the run.
    #[must_use]
    pub fn new(plan: RunPlan) -> Self {
        let station = station_machine(&plan.spec);
        let sensor = sensor_machine(&plan.spec.sensor);
        Self::with_machines(plan, sensor, station)
    }

    /// A desk with other protocol machines.
    #[must_use]
    pub fn with_machines(
        plan: RunPlan,
        sensor: Box<dyn SensorMachine>,
        station: Box<dyn StationMachine>,
    ) -> Self {
        Self { sensor, station, run: Run::new(plan), outputs: VecDeque::new(), wake: None }
    }

    /// An event, at its bench time; times never go back. After [`Output::Ended`] nothing comes of it any more.
    pub fn handle(&mut self, at: BenchTime, input: &Input) {
        if self.run.is_over() {
            return;
        }
        self.run.set_now(at);
        match input {
            Input::SensorOpened => {
                self.sensor.handle_opened();
                self.run.sensor_opened();
            }
            Input::SensorBytes(bytes) => {
                self.sensor.handle_bytes(bytes);
                self.run.take_sensor(self.sensor.as_mut());
            }
            Input::SensorClosed(why) => self.run.sensor_closed(why),
            Input::SensorDropped(_) => self.run.samples_dropped(),
            Input::StationOpened(session) => self.station.handle_link(at, *session, LinkEvent::Opened),
            Input::StationBytes(session, bytes) => {
                self.run.station_heard();
                self.station.handle_link(at, *session, LinkEvent::Bytes(bytes));
            }
            Input::StationClosed(session, why) => {
                self.station.handle_link(at, *session, LinkEvent::Closed(why));
            }
            Input::Wake => self.station.handle_wake(at),
            Input::Journal { written, synced } => self.run.journal_at(*written, *synced),
            Input::JournalTrouble(trouble) => self.run.journal_trouble(trouble),
            Input::TaskFailed(why) => self.run.task_failed(why),
            Input::WatchmanGone(why) => self.run.watchman_gone(why),
            Input::Person(act) => self.run.person(*act),
            Input::Gap { nanos } => self.run.gap(*nanos),
            Input::Resumed { away_nanos } => {
                let why = "program-died: the program went on with its run";
                for session in [Session::Drive, Session::Programming, Session::Information, Session::Rescue] {
                    self.station.handle_link(at, session, LinkEvent::Closed(why));
                }
                self.run.resumed(*away_nanos);
            }
        }
        self.settle(at);
    }

    /// Passes events and orders between the machines until nothing moves any more.
    fn settle(&mut self, at: BenchTime) {
        loop {
            while let Some(event) = self.station.poll_event() {
                self.run.take_station(event);
            }
            self.run.poll();
            let over = self.run.is_over();
            let mut moved = false;
            while let Some((order, action)) = self.run.poll_order() {
                self.station.submit(at, order, &action);
                moved = true;
            }
            while let Some(link) = self.station.poll_link() {
                self.outputs.push_back(Output::Link(link));
            }
            while let Some(output) = self.run.poll_output() {
                self.outputs.push_back(output);
            }
            if over {
                self.wake = None;
                return;
            }
            if !moved {
                break;
            }
        }
        self.wake = match (self.run.next_wake(), self.station.next_wake()) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
    }

    /// The next thing the core wants done.
    #[must_use]
    pub fn poll_output(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// When [`Input::Wake`] is wanted next. At or before the present: at once.
    #[must_use]
    pub fn next_wake(&self) -> Option<BenchTime> {
        self.wake
    }
}

/// The machine that reads this bench's sensor.
#[must_use]
pub fn sensor_machine(spec: &SensorSpec) -> Box<dyn SensorMachine> {
    let form = match spec.format {
        StreamFormat::ByFirstCharacter => None,
        StreamFormat::Csv => Some(Form::Csv),
        StreamFormat::Senml => Some(Form::Senml),
    };
    Box::new(SensorStream::new(form, spec.source))
}

/// The adapter that speaks with this bench's station.
#[must_use]
pub fn station_machine(spec: &BenchSpec) -> Box<dyn StationMachine> {
    Box::new(Srcp::new(SrcpSetup {
        bus: spec.station.bus,
        address: spec.engine.address,
        step_mode: spec.engine.step_mode,
        functions: spec.functions.on.len(),
        answer_limit: spec.station.answer_limit,
        cv_answer_limit: spec.station.cv_answer_limit,
        ask_interval: spec.station.ask_interval,
        sessions: sessions(&spec.station.link),
    }))
}

/// How many sessions a link to the station carries.
#[must_use]
pub fn sessions(link: &LinkSpec) -> Sessions {
    match link {
        LinkSpec::Tcp { .. } => Sessions::Three,
        LinkSpec::Serial { .. } => Sessions::One,
    }
}
