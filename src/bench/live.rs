//! A run on a real bench (or a simulated one over real sockets): the loop that feeds the core's one queue.
//!
//! Whatever happens is taken in the order in which the loop sees it, stamped with bench time, kept raw, and handed to
//! the core; what the core wants is done in its order, stops included: a send never waits for the journal. Any task's
//! failure is an input that stops the run; when the core itself fails, a fresh session stops the engine.
use super::clock::{Clock, GapWatch, HEARTBEAT, pause, since_boot};
use super::control::ControlSocket;
use super::journaling::{Journaling, Scribe};
use super::links::{Happening, SensorLink, SensorNews, StationLinks};
use super::news::{Audience, LAST_WORDS, News, Telling};
use super::notify::Notify;
use super::person::{Person, Signals};
use super::status::Asked;
use super::watched::Watched;
use crate::config::LinkSpec;
use crate::run::desk::Desk;
use crate::run::{Input, Output, PersonAct, Record, RecordBody, RunOutcome};
use crate::station::{LinkOrder, Session};
use crate::time::BenchTime;
use std::any::Any;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Duration;
use tokio::task::JoinSet;

/// Wall time for the last bytes to go out and the last records to reach the disk.
const CLOSING: Duration = Duration::from_secs(10);

/// Wall time after which a serial port is taken from a session that does not let go of it.
const MAKING_WAY: Duration = Duration::from_secs(1);

/// Wall time that the run has for ending in order before a third stop ends it out of hand.
const INSISTING: Duration = Duration::from_secs(5);

/// A wake-up that changes nothing does not come again sooner than this, in wall time.
const WAKE_PAUSE: Duration = Duration::from_millis(1);

/// The core as the loop sees it; tests play cores that fail.
pub(crate) trait Core {
    /// As [`Desk::handle`].
    fn handle(&mut self, at: BenchTime, input: &Input);
    /// As [`Desk::poll_output`].
    fn poll_output(&mut self) -> Option<Output>;
    /// As [`Desk::next_wake`].
    fn next_wake(&self) -> Option<BenchTime>;
}

impl Core for Desk {
    fn handle(&mut self, at: BenchTime, input: &Input) {
        Self::handle(self, at, input);
    }

    fn poll_output(&mut self) -> Option<Output> {
        Self::poll_output(self)
    }

    fn next_wake(&self) -> Option<BenchTime> {
        Self::next_wake(self)
    }
}

/// All that the loop needs.
pub(crate) struct Job<C> {
    /// The core, before its first input.
    pub(crate) core: C,
    /// The first input: a wake-up, or that the program died and goes on.
    pub(crate) first: Input,
    /// The records of a run that goes on.
    pub(crate) records: Vec<Record>,
    /// Where the station is.
    pub(crate) station: LinkSpec,
    /// Where the sensor is.
    pub(crate) sensor: LinkSpec,
    /// Wall time within which a connection must be there.
    pub(crate) connect_limit: Duration,
    /// The clock; bench time zero is its start.
    pub(crate) clock: Clock,
    /// Who writes the record.
    pub(crate) scribe: Box<dyn Scribe>,
    /// Who hears the news.
    pub(crate) audience: Box<dyn Audience>,
    /// Who watches over this process; none where nobody does.
    pub(crate) watched: Option<Watched>,
    /// The person.
    pub(crate) person: Person,
    /// The control socket.
    pub(crate) control: Option<ControlSocket>,
    /// Listen to signals.
    pub(crate) signals: bool,
}

/// How the loop ended.
pub(crate) enum LoopEnd {
    /// The core said so.
    Outcome(Box<RunOutcome>),
    /// The core failed; the message of its panic. Nobody has stopped the engine yet.
    CoreFailed(String),
    /// The person wants an end, whatever the core still has to do. Nobody has stopped the engine for certain.
    Insisted,
}

/// The run's end, with the journal still open for the result.
pub(crate) struct Ended {
    pub(crate) end: LoopEnd,
    pub(crate) journal: Journaling,
    pub(crate) bench_seconds: f64,
    /// The records that tell what is in the decoder.
    pub(crate) cv_records: Vec<Record>,
    pub(crate) rest: Rest,
}

/// What is still to be tidied up: only once the engine was stopped, for it may take its time.
pub(crate) struct Rest {
    watched: Option<Watched>,
    station: StationLinks,
    telling: Telling,
    tasks: JoinSet<()>,
}

impl Rest {
    /// Gives up a serial port to the station, for a fresh session that must stop the engine now.
    pub(crate) async fn make_way(&mut self) {
        self.station.make_way(MAKING_WAY).await;
    }

    /// Does what stops the engine, watched as the loop was.
    pub(crate) async fn watched<T>(&self, work: impl Future<Output = T>) -> T {
        match &self.watched {
            Some(watched) => watched.while_working(work).await,
            None => work.await,
        }
    }

    /// Takes leave of the watchman, lets what was sent go out and what was told be shown.
    pub(crate) async fn tidy_up(mut self) {
        if let Some(watched) = self.watched {
            watched.leave().await;
        }
        self.tasks.shutdown().await;
        self.station.finish(CLOSING).await;
        self.telling.finish(LAST_WORDS).await;
    }
}

/// Runs until the core says that it has ended.
///
/// # Errors
/// When the system gives no thread or signal handler; nothing was begun then.
pub(crate) async fn run(job: Job<impl Core>) -> std::io::Result<Ended> {
    let mut live = Live {
        station: StationLinks::new(&job.station, job.connect_limit),
        sensor: SensorLink::new(&job.sensor, job.connect_limit),
        journal: Journaling::start(job.scribe)?,
        telling: Telling::start(job.audience),
        signals: if job.signals { Some(Signals::listen()?) } else { None },
        tasks: JoinSet::new(),
        clock: job.clock,
        core: job.core,
        gap: GapWatch::default(),
        at: job.clock.now(),
        last_wake: None,
        heartbeat: HEARTBEAT,
        behind: None,
        stops: Vec::new(),
        cv_records: job.records.iter().filter(|record| tells_of_cvs(&record.body)).cloned().collect(),
        person: job.person,
        watched: job.watched,
        notify: Notify::from_environment(),
        at_work: false,
    };
    live.notify.ready();
    if let Some(control) = job.control {
        live.tasks.spawn(control.serve(live.person.way_in()));
    }
    if let Some(open) = open_question(&job.records) {
        live.note(open);
    }
    let end = live.work(job.first).await;
    live.notify.over();
    let rest =
        Rest { watched: live.watched, station: live.station, telling: live.telling, tasks: live.tasks };
    let bench_seconds = live.at.as_secs_f64();
    Ok(Ended { end, journal: live.journal, bench_seconds, cv_records: live.cv_records, rest })
}

struct Live<C> {
    clock: Clock,
    core: C,
    station: StationLinks,
    sensor: SensorLink,
    journal: Journaling,
    telling: Telling,
    person: Person,
    signals: Option<Signals>,
    tasks: JoinSet<()>,
    gap: GapWatch,
    /// Bench time of the last input.
    at: BenchTime,
    /// Bench time for which the last wake-up was asked, and wall time at which it came.
    last_wake: Option<(BenchTime, Duration)>,
    /// Wall time of the next look at gap and journal.
    heartbeat: Duration,
    /// Found together with the input just taken; goes in next.
    behind: Option<Input>,
    /// Wall times at which the person said stop.
    stops: Vec<Duration>,
    /// Kept for the end, should the core not live to tell it.
    cv_records: Vec<Record>,
    watched: Option<Watched>,
    notify: Notify,
    /// Something was sent to the station.
    at_work: bool,
}

impl<C: Core> Live<C> {
    async fn work(&mut self, first: Input) -> LoopEnd {
        self.gap.beat(self.clock.wall(), since_boot());
        let mut input = first;
        loop {
            if let Some(end) = self.feed(&input) {
                return end;
            }
            input = match self.behind.take() {
                Some(input) => input,
                None => self.next().await,
            };
            self.at = self.clock.now().max(self.at);
            if input == Input::Person(PersonAct::Stop) && self.insists() {
                return LoopEnd::Insisted;
            }
        }
    }

    /// A third stop, some time after the first, means that the run does not end as it should.
    fn insists(&mut self) -> bool {
        let wall = self.clock.wall();
        self.stops.push(wall);
        self.stops.len() > 2
            && self.stops.first().is_some_and(|first| wall.saturating_sub(*first) > INSISTING)
    }

    /// The next input. A gap in time comes before whatever was found after it.
    async fn next(&mut self) -> Input {
        loop {
            let found = self.wait().await;
            let wall = self.clock.wall();
            let beat = wall >= self.heartbeat;
            let missing = self.gap.beat(wall, if beat { since_boot() } else { None });
            if beat {
                self.heartbeat = wall + HEARTBEAT;
                self.notify.beat(wall);
                self.beat();
            }
            if let Some(missing) = missing {
                self.behind = found;
                let nanos = self.clock.lapse().bench_span(missing).as_nanos();
                return Input::Gap { nanos: u64::try_from(nanos).unwrap_or(u64::MAX) };
            }
            let lag = if beat { self.journal.lag() } else { None };
            match (lag, found) {
                (Some(lag), found) => {
                    self.behind = found;
                    return lag;
                }
                (None, Some(found)) => return found,
                (None, None) => {}
            }
        }
    }

    fn beat(&self) {
        if let Some(watched) = &self.watched {
            watched.beat(self.at_work);
        }
    }

    /// Waits for something to happen; none at a heartbeat.
    async fn wait(&mut self) -> Option<Input> {
        let wall = self.clock.wall();
        let wake = self.core.next_wake();
        let wake_wall = wake.map(|at| self.wake_wall(at));
        let signals = self.signals.as_mut();
        let watched = self.watched.as_mut();
        tokio::select! {
            news = self.station.next() => Some(match news {
                Ok((session, happening)) => station_input(session, happening),
                Err(why) => task_failed(why),
            }),
            news = self.sensor.next() => Some(sensor_input(news)),
            input = self.journal.next() => Some(input),
            Some(act) = self.person.wanted.recv() => Some(Input::Person(act)),
            why = watchman_lost(watched) => Some(Input::WatchmanGone(why)),
            act = next_signal(signals) => Some(Input::Person(act)),
            Some(ended) = self.tasks.join_next() => ended.err().map(|error| task_failed(error.to_string())),
            () = wait_until(wall, wake_wall) => {
                self.last_wake = wake.map(|at| (at, self.clock.wall()));
                Some(Input::Wake)
            }
            () = pause(self.heartbeat.saturating_sub(wall)) => None,
        }
    }

    /// Wall time of a wake-up; one that was served already and is asked for again waits a little, so that a mistake in
    /// the core cannot eat the processor.
    fn wake_wall(&self, at: BenchTime) -> Duration {
        let due = self.clock.wall_of(at);
        match self.last_wake {
            Some((served, wall)) if at <= served => due.max(wall + WAKE_PAUSE),
            _ => due,
        }
    }

    /// Keeps an input, hands it to the core and does what that wants. Kept first: what makes the core fail is on file.
    fn feed(&mut self, input: &Input) -> Option<LoopEnd> {
        self.journal.came(self.at, input.clone());
        if let Err(why) = guard(|| self.core.handle(self.at, input)) {
            return Some(LoopEnd::CoreFailed(why));
        }
        loop {
            match guard(|| self.core.poll_output()) {
                Ok(None) => return None,
                Ok(Some(Output::Ended(outcome))) => return Some(LoopEnd::Outcome(outcome)),
                Ok(Some(output)) => self.carry_out(output),
                Err(why) => return Some(LoopEnd::CoreFailed(why)),
            }
        }
    }

    fn carry_out(&mut self, output: Output) {
        match output {
            Output::OpenSensor => self.sensor.open(),
            Output::Link(LinkOrder::Open(session)) => self.station.open(session),
            Output::Link(LinkOrder::Close(session)) => self.station.close(session),
            Output::Link(LinkOrder::Send(session, bytes)) => {
                if !std::mem::replace(&mut self.at_work, true) {
                    self.beat();
                }
                self.station.send(session, bytes.clone());
                self.journal.sent(self.at, session, bytes);
            }
            Output::Record(record) => {
                self.journal.record(record.clone());
                self.note(&record.body);
                if tells_of_cvs(&record.body) {
                    self.cv_records.push(record.clone());
                }
                self.telling.tell(News::Record(Box::new(record)));
            }
            Output::Progress(progress) => {
                self.person.status.send_modify(|status| status.take(self.at, &progress));
                self.telling.tell(News::Progress(self.at, progress));
            }
            // `feed` ends the loop with it.
            Output::Ended(_) => {}
        }
    }

    /// Keeps the open question in the status.
    fn note(&mut self, body: &RecordBody) {
        match *body {
            RecordBody::Asked { question, what } => {
                let asked = Asked { number: question, what };
                self.person.status.send_modify(|status| status.question = Some(asked));
                self.telling.tell(News::Asked(what));
            }
            RecordBody::Answered { question, .. } | RecordBody::Withdrawn { question } => {
                self.person.status.send_modify(|status| {
                    if status.question.is_some_and(|asked| asked.number == question) {
                        status.question = None;
                    }
                });
            }
            _ => {}
        }
    }
}

/// What the person was asked and has not answered.
fn open_question(records: &[Record]) -> Option<&RecordBody> {
    let bodies = records.iter().rev().map(|record| &record.body);
    let last = bodies.filter(|body| {
        matches!(body, RecordBody::Asked { .. } | RecordBody::Answered { .. } | RecordBody::Withdrawn { .. })
    });
    last.take(1).find(|body| matches!(body, RecordBody::Asked { .. }))
}

fn tells_of_cvs(body: &RecordBody) -> bool {
    matches!(
        body,
        RecordBody::CvRead { .. }
            | RecordBody::CvIntention { .. }
            | RecordBody::CvWritten { .. }
            | RecordBody::CvFailed { .. }
            | RecordBody::Commit(_)
            | RecordBody::OriginalsBack
    )
}

async fn next_signal(signals: Option<&mut Signals>) -> PersonAct {
    match signals {
        Some(signals) => signals.next().await,
        None => std::future::pending().await,
    }
}

async fn watchman_lost(watched: Option<&mut Watched>) -> String {
    match watched {
        Some(watched) => watched.lost().await,
        None => std::future::pending().await,
    }
}

async fn wait_until(wall: Duration, due: Option<Duration>) {
    match due {
        Some(due) => pause(due.saturating_sub(wall)).await,
        None => std::future::pending().await,
    }
}

fn station_input(session: Session, happening: Happening) -> Input {
    match happening {
        Happening::Opened => Input::StationOpened(session),
        Happening::Bytes(bytes) => Input::StationBytes(session, bytes),
        Happening::Closed(why) => Input::StationClosed(session, why),
    }
}

fn sensor_input(news: SensorNews) -> Input {
    match news {
        SensorNews::Dropped(bytes) => Input::SensorDropped(bytes),
        SensorNews::Link(Happening::Opened) => Input::SensorOpened,
        SensorNews::Link(Happening::Bytes(bytes)) => Input::SensorBytes(bytes),
        SensorNews::Link(Happening::Closed(why)) => Input::SensorClosed(why),
        SensorNews::Failed(why) => task_failed(why),
    }
}

/// A failed task is a stop: without it the run may be blind or deaf.
fn task_failed(why: String) -> Input {
    Input::TaskFailed(why)
}

/// Calls into the core; its panic becomes a value. The core is not used again after one.
fn guard<T>(call: impl FnOnce() -> T) -> Result<T, String> {
    catch_unwind(AssertUnwindSafe(call)).map_err(|panic| panic_words(panic.as_ref()))
}

/// The message of a panic.
pub(crate) fn panic_words(panic: &(dyn Any + Send)) -> String {
    panic
        .downcast_ref::<String>()
        .map(String::as_str)
        .or_else(|| panic.downcast_ref::<&str>().copied())
        .unwrap_or("a panic without words")
        .to_owned()
}

#[cfg(test)]
mod tests;
