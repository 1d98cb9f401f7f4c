//! A whole bench around the desk, small enough to be played thousands of times: an engine that is linear in the drive
//! with a dead zone, a decoder, a station that answers when and how a twist wants it, and a watch over every order.
use super::plan;
use crate::run::desk::{Desk, sensor_machine};
use crate::run::input::{Input, Output, PersonAct};
use crate::run::outcome::RunOutcome;
use crate::run::record::Record;
use crate::station::{
    Abilities, Action, Direction, LinkEvent, LinkOrder, OrderEnd, OrderId, Session, Setting, StationEvent,
    StationMachine,
};
use crate::time::BenchTime;
use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

/// Time between two looks at the world, and between two samples.
const TICK: Duration = Duration::from_millis(20);

/// What goes wrong from some time on.
#[derive(Clone, Debug)]
pub(super) enum Twist {
    /// Orders end so from now on; none: as they should.
    Answers(Option<OrderEnd>),
    /// Answers take so many milliseconds.
    Late(u32),
    /// The station tells this.
    Told(StationEvent),
    /// Bytes in place of samples.
    Bytes(Vec<u8>),
    /// No samples, or samples again.
    Sensor(bool),
    /// The journal writes nothing, or again.
    Journal(bool),
    /// The wheels are held, or free.
    Held(bool),
    /// The engine drives so fast whatever is ordered, mm/s; none: as ordered.
    RunsAway(Option<f64>),
    /// A write of the decoder is refused by it, or taken.
    Stubborn(bool),
    /// The person acts.
    Person(PersonAct),
    /// Anything else the shell may tell.
    Input(Input),
}

/// The decoder, the rails, and what is watched.
#[derive(Debug)]
struct State {
    cvs: BTreeMap<u16, u8>,
    ordered: (Setting, Direction),
    stubborn: bool,
    answers: Option<OrderEnd>,
    late: Duration,
    /// What the station is about to tell.
    told: VecDeque<StationEvent>,
    watch: Watch,
}

/// What must hold for the orders of every run.
#[derive(Debug, Default)]
pub(super) struct Watch {
    /// The direction of the last order to move, since the last order of standstill.
    moving: Option<Direction>,
    /// An order to move was given, and no stop after it.
    pub(super) unstopped: bool,
    pub(super) broken: Option<String>,
}

impl Watch {
    pub(super) fn see(&mut self, action: &Action) {
        match action {
            Action::Drive { setting, direction } => {
                if setting.value > setting.of || setting.of != 28 {
                    self.broken.get_or_insert(format!("above the step mode: {setting:?}"));
                }
                if setting.value == 0 {
                    self.moving = None;
                    return;
                }
                if self.moving.is_some_and(|before| before != *direction) {
                    self.broken.get_or_insert("turned round without a standstill between".to_owned());
                }
                self.moving = Some(*direction);
                self.unstopped = true;
            }
            Action::Stop | Action::EmergencyStop | Action::PowerOff => {
                self.moving = None;
                self.unstopped = false;
            }
            Action::WriteCv { cv: 7 | 8, .. } => {
                self.broken.get_or_insert("CV 7 or 8 written".to_owned());
            }
            _ => {}
        }
    }
}

impl State {
    fn end(&mut self, action: &Action) -> OrderEnd {
        if let Some(end) = &self.answers {
            return end.clone();
        }
        let zero = Setting { value: 0, of: 28 };
        match *action {
            Action::Drive { setting, direction } => self.ordered = (setting, direction),
            Action::Stop | Action::EmergencyStop | Action::PowerOff => self.ordered.0 = zero,
            Action::ReadCv { cv, .. } => return OrderEnd::Done { value: self.cvs.get(&cv).copied() },
            Action::WriteCv { cv, value, .. } if !self.stubborn => {
                self.cvs.insert(cv, value);
            }
            Action::VerifyCv { cv, value, .. } if self.cvs.get(&cv) != Some(&value) => {
                return OrderEnd::Refused { code: "416".to_owned(), words: "no data".to_owned() };
            }
            _ => {}
        }
        OrderEnd::Done { value: None }
    }

    /// Drive of the motor, 0 to 255, by table or by the linear baseline.
    fn drive(&self) -> f64 {
        let (Setting { value, .. }, direction) = self.ordered;
        let cv = |cv: u16| f64::from(self.cvs.get(&cv).copied().unwrap_or(0));
        if value == 0 {
            return 0.0;
        }
        if self.cvs.get(&29).is_some_and(|value| value & 0x10 != 0) {
            let trim = cv(if direction == Direction::Forward { 66 } else { 95 });
            return cv(66 + value) * if trim == 0.0 { 1.0 } else { trim / 128.0 };
        }
        255.0 * f64::from(value - 1) / 27.0
    }

    /// Where it goes and how fast, mm/s, positive forward.
    fn wanted_mm_s(&self) -> f64 {
        let speed = (1.6 * (self.drive() - 12.0)).max(0.0);
        if self.ordered.1 == Direction::Forward { speed } else { -0.97 * speed }
    }
}

/// The station as the desk knows it.
#[derive(Debug)]
struct Station {
    state: Arc<Mutex<State>>,
    due: VecDeque<(BenchTime, OrderId, Action)>,
    events: VecDeque<StationEvent>,
}

impl StationMachine for Station {
    fn handle_link(&mut self, _: BenchTime, _: Session, _: LinkEvent<'_>) {}

    fn handle_wake(&mut self, at: BenchTime) {
        while self.due.front().is_some_and(|(due, ..)| *due <= at) {
            let Some((_, order, action)) = self.due.pop_front() else { break };
            let end = lock(&self.state).end(&action);
            if action == Action::Attach && matches!(end, OrderEnd::Done { .. }) {
                let abilities = Abilities {
                    power: true,
                    lock: true,
                    programming_track: true,
                    programming_on_main: true,
                    information: true,
                };
                self.events.push_back(StationEvent::Attached { abilities, greeting: String::new() });
            }
            self.events.push_back(StationEvent::Ended { order, end });
        }
    }

    fn submit(&mut self, at: BenchTime, order: OrderId, action: &Action) {
        let mut state = lock(&self.state);
        state.watch.see(action);
        // Answers come in the order of the orders.
        let due = (at + state.late).max(self.due.back().map_or(at, |(last, ..)| *last));
        self.due.push_back((due, order, action.clone()));
    }

    fn poll_link(&mut self) -> Option<LinkOrder> {
        None
    }

    fn poll_event(&mut self) -> Option<StationEvent> {
        self.events.pop_front().or_else(|| lock(&self.state).told.pop_front())
    }

    fn next_wake(&self) -> Option<BenchTime> {
        self.due.front().map(|(due, ..)| *due)
    }
}

fn lock(state: &Arc<Mutex<State>>) -> MutexGuard<'_, State> {
    state.lock().unwrap()
}

/// How a play ended.
#[derive(Debug)]
pub(super) struct Played {
    pub(super) outcome: RunOutcome,
    pub(super) records: Vec<Record>,
    pub(super) cvs: BTreeMap<u16, u8>,
    pub(super) speed_mm_s: f64,
}

/// The bench under the desk.
pub(super) struct World {
    desk: Desk,
    state: Arc<Mutex<State>>,
    now: BenchTime,
    speed_mm_s: f64,
    angle: f64,
    noise: u32,
    sensor: bool,
    journal: bool,
    held: bool,
    runs_away: Option<f64>,
    records: Vec<Record>,
    outcome: Option<RunOutcome>,
}

/// The decoder as it comes.
pub(super) fn delivered() -> BTreeMap<u16, u8> {
    let mut cvs = BTreeMap::from([(1, 7), (2, 3), (3, 1), (4, 1), (5, 0), (6, 90), (7, 10), (8, 13)]);
    cvs.extend([(17, 192), (18, 128), (19, 0), (29, 6), (66, 0), (95, 0)]);
    cvs.extend((67..=94).map(|cv| (cv, u8::try_from(9 * (cv - 66)).unwrap())));
    cvs
}

impl World {
    pub(super) fn new() -> Self {
        let state = Arc::new(Mutex::new(State {
            cvs: delivered(),
            ordered: (Setting { value: 0, of: 28 }, Direction::Forward),
            stubborn: false,
            answers: None,
            late: Duration::from_millis(5),
            told: VecDeque::new(),
            watch: Watch::default(),
        }));
        let station = Station { state: Arc::clone(&state), due: VecDeque::new(), events: VecDeque::new() };
        let plan = plan();
        let sensor = sensor_machine(&plan.spec.sensor);
        Self {
            desk: Desk::with_machines(plan, sensor, Box::new(station)),
            state,
            now: BenchTime::ZERO,
            speed_mm_s: 0.0,
            angle: 0.3,
            noise: 1,
            sensor: true,
            journal: true,
            held: false,
            runs_away: None,
            records: Vec::new(),
            outcome: None,
        }
    }

    /// Plays to the end; the twists strike at their milliseconds. An error is a broken rule.
    pub(super) fn play(mut self, mut twists: Vec<(u64, Twist)>) -> Result<Played, String> {
        twists.sort_by_key(|(at, _)| *at);
        let mut twists = VecDeque::from(twists);
        self.feed(&Input::Wake)?;
        self.feed(&Input::SensorOpened)?;
        self.feed(&Input::SensorBytes(b"t_us,bx,by\n".to_vec()))?;
        let most = BenchTime::ZERO + plan().spec.limits.run_time + Duration::from_secs(1200);
        while self.outcome.is_none() {
            self.now = self.now + TICK;
            if self.now > most {
                return Err(format!("it has not ended by {}", self.now));
            }
            while twists.front().is_some_and(|(at, _)| BenchTime::from_millis(*at) <= self.now) {
                let Some((_, twist)) = twists.pop_front() else { break };
                self.strike(twist)?;
            }
            self.turn()?;
            let mut wakes = 0;
            while self.desk.next_wake().is_some_and(|at| at <= self.now) {
                wakes += 1;
                if wakes > 1000 {
                    return Err(format!("wake-ups without end at {}", self.now));
                }
                self.feed(&Input::Wake)?;
            }
        }
        self.end()
    }

    fn end(mut self) -> Result<Played, String> {
        // After the end nothing more comes, whatever happens.
        for input in [
            Input::Wake,
            Input::Person(PersonAct::Stop),
            Input::TaskFailed("late".to_owned()),
            Input::SensorClosed("late".to_owned()),
        ] {
            self.now = self.now + Duration::from_secs(1);
            self.desk.handle(self.now, &input);
            if let Some(output) = self.desk.poll_output() {
                return Err(format!("after the end: {output:?}"));
            }
        }
        let state = lock(&self.state);
        if let Some(broken) = &state.watch.broken {
            return Err(broken.clone());
        }
        if state.watch.unstopped {
            return Err("it ended without a stop behind the last order to move".to_owned());
        }
        let cvs = state.cvs.clone();
        let outcome = self.outcome.take().ok_or("no outcome")?;
        Ok(Played { outcome, records: self.records.clone(), cvs, speed_mm_s: self.speed_mm_s })
    }

    /// A sample's time passes.
    fn turn(&mut self) -> Result<(), String> {
        let dt = TICK.as_secs_f64();
        let wanted = self.runs_away.unwrap_or_else(|| lock(&self.state).wanted_mm_s());
        let wanted = if self.held { 0.0 } else { wanted };
        self.speed_mm_s += (wanted - self.speed_mm_s).clamp(-600.0 * dt, 600.0 * dt);
        self.angle += self.speed_mm_s / 33.0 * std::f64::consts::TAU * dt;
        if self.sensor {
            let (bx, by) =
                (100.0 * libm::cos(self.angle) + self.noise(), 100.0 * libm::sin(self.angle) + self.noise());
            let us = self.now.since(BenchTime::ZERO).as_micros();
            let line = format!("{},{bx:.2},{by:.2}\n", us % (1 << 32));
            self.feed(&Input::SensorBytes(line.into_bytes()))?;
        }
        Ok(())
    }

    /// Noise from -0.5 to 0.5: a linear congruential step (constants of Numerical Recipes, 2nd edition).
    fn noise(&mut self) -> f64 {
        self.noise = self.noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(self.noise >> 8) / f64::from(1_u32 << 24) - 0.5
    }

    fn strike(&mut self, twist: Twist) -> Result<(), String> {
        match twist {
            Twist::Answers(end) => lock(&self.state).answers = end,
            Twist::Late(ms) => lock(&self.state).late = Duration::from_millis(u64::from(ms)),
            Twist::Told(event) => lock(&self.state).told.push_back(event),
            Twist::Bytes(bytes) => self.feed(&Input::SensorBytes(bytes))?,
            Twist::Sensor(sends) => self.sensor = sends,
            Twist::Journal(writes) => self.journal = writes,
            Twist::Held(held) => self.held = held,
            Twist::RunsAway(speed) => self.runs_away = speed,
            Twist::Stubborn(stubborn) => lock(&self.state).stubborn = stubborn,
            Twist::Person(act) => self.feed(&Input::Person(act))?,
            Twist::Input(input) => self.feed(&input)?,
        }
        Ok(())
    }

    fn feed(&mut self, input: &Input) -> Result<(), String> {
        if self.outcome.is_some() {
            return Ok(());
        }
        self.desk.handle(self.now, input);
        let mut last = 0;
        while let Some(output) = self.desk.poll_output() {
            if self.outcome.is_some() {
                return Err(format!("after the end: {output:?}"));
            }
            match output {
                Output::Record(record) => {
                    last = record.n;
                    self.records.push(record);
                }
                Output::Ended(outcome) => self.outcome = Some(*outcome),
                Output::OpenSensor | Output::Link(_) | Output::Progress(_) => {}
            }
        }
        if last > 0 && self.journal && self.outcome.is_none() {
            return self.feed(&Input::Journal { written: last, synced: last });
        }
        Ok(())
    }
}
