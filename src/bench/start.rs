//! A run from its bench file to its end: checked, locked, recorded, driven, sealed.
use super::alert::{Alert, Message};
use super::clock::{Clock, LINK_FLOOR, TimeLapse, stays_here, time_of_day};
use super::control::ControlSocket;
use super::earlier::{self, Earlier};
use super::journaling::Journaling;
use super::kept;
use super::links::{IN_TIME, no_port};
use super::live::{self, LoopEnd};
use super::news::Audience;
use super::person::{Person, WayIn};
use super::profiles;
use super::proof::{may_be_alone, prove};
use super::put_back::{PutBack, bench_file, beside};
use super::rescue::{halt_bench, out_of_order};
use super::resume::{self};
use super::status::Status;
use super::watched::Watched;
use super::watchman::Brief;
use crate::cause::{Reason, program, record};
use crate::config::{self, AlertSpec, BenchSpec, Complaints, LinkSpec, ProfileText};
use crate::journal::{Disk, EndpointLock, Header, ReadError, RealDisk, Recorder, Unfinished};
use crate::run::desk::Desk;
use crate::run::{CORE_REVISION, End, Input, JournalTrouble, Purpose, Record, RunOutcome, RunPlan};
use crate::time::BenchTime;
use std::net::ToSocketAddrs;
use std::path::{Path, PathBuf};
use std::time::Duration;

mod go_on;
mod scribe;

pub use go_on::Resume;
use scribe::RecorderScribe;

/// Wall time for the last records and the result to reach the disk.
const SEALING: Duration = Duration::from_secs(20);

/// What the caller knows before a run.
#[derive(Clone, Debug)]
pub struct Request {
    /// The bench file; a relative record folder is meant from where it lies.
    pub bench_file: PathBuf,
    /// Its text.
    pub bench_text: String,
    /// What is to be done.
    pub wish: Wish,
    /// How much faster bench time passes.
    pub lapse: TimeLapse,
    /// Folder of the locks that keep two runs off one station.
    pub state_folder: PathBuf,
    /// Nobody stays with it: only on a bench that has proved that it stops.
    pub unattended: bool,
    /// So much of the charge of the sensor's battery is used already.
    pub sensor_used: Duration,
    /// Listen to the signals of the process.
    pub signals: bool,
    /// The program that keeps watch over this process; none where nobody does.
    pub watchman: Option<PathBuf>,
}

/// What is to be done.
#[derive(Clone, Debug)]
pub enum Wish {
    /// The engine is driven for this.
    Drive(Purpose),
    /// The decoder is to hold again what it held before this run.
    PutBack {
        /// Its folder.
        run: PathBuf,
        /// The bench file of the request is not the one in that folder.
        elsewhere: bool,
        /// Write; else only what differs is told.
        write: bool,
    },
}

/// Why a run was not begun. Nothing was sent anywhere.
#[derive(Debug, thiserror::Error)]
pub enum NotBegun {
    /// The bench file, or the list of CVs that it names, is wrong.
    #[error(transparent)]
    BenchFile(Complaints),
    /// Anything else.
    #[error("{}", .0.text)]
    Other(Reason),
}

impl NotBegun {
    /// Every reason, for the result.
    #[must_use]
    pub fn reasons(&self) -> Vec<Reason> {
        match self {
            Self::BenchFile(complaints) => complaints.plain(),
            Self::Other(reason) => vec![reason.clone()],
        }
    }
}

/// Station endpoint and bus as one text: the key of the lock, and what says that two runs were at one station.
///
/// The address stands in it as a number where its name can be resolved: `localhost` and `127.0.0.1` are one station. So are
/// two names of one serial port, whatever its baud rate: the device itself stands for them.
#[must_use]
pub fn endpoint_key(spec: &BenchSpec) -> String {
    let station = match &spec.station.link {
        LinkSpec::Tcp { address } => {
            let numbers = address.to_socket_addrs().ok().and_then(Iterator::min);
            numbers.map_or_else(|| address.to_lowercase(), |address| address.to_string())
        }
        LinkSpec::Serial { device, .. } => Path::new(device)
            .canonicalize()
            .map_or_else(|_| device.clone(), |real| real.display().to_string()),
    };
    format!("{station} bus {}", spec.station.bus)
}

/// What the core is told for this bench: link limits stretched to the time-lapse, originals of an earlier run, and values from
/// the list that the person keeps.
#[must_use]
pub fn plan(spec: BenchSpec, lapse: TimeLapse, pending: Vec<(u16, u8)>, kept: Vec<(u16, u8)>) -> RunPlan {
    RunPlan { pending, kept, ..RunPlan::new(lapse.stretch(spec)) }
}

/// A run that can begin: everything is checked, the station locked, the record open.
#[derive(Debug)]
pub struct Prepared {
    spec: BenchSpec,
    lapse: TimeLapse,
    plan: RunPlan,
    run_id: String,
    recorder: Recorder,
    unfinished: Option<Unfinished>,
    passed_over: Vec<Reason>,
    person: Person,
    signals: bool,
    watchman: Option<(PathBuf, Brief)>,
    lock: EndpointLock,
    /// Somebody stays with it: where a good end of it is proof for later ones.
    attended: Option<PathBuf>,
    /// The run goes on: its core, the bench time, how long the program was away, and the records so far.
    goes_on: Option<GoesOn>,
}

/// Where a run begins, or goes on.
#[derive(Debug)]
struct GoesOn {
    desk: Box<Desk>,
    at: BenchTime,
    /// Its program died so long ago.
    away: Option<Duration>,
    records: Vec<Record>,
}

impl GoesOn {
    fn from_the_start(plan: &RunPlan) -> Self {
        let desk = Box::new(Desk::new(plan.clone()));
        Self { desk, at: BenchTime::ZERO, away: None, records: Vec::new() }
    }
}

impl Prepared {
    /// Checks the request and opens the record.
    ///
    /// # Errors
    /// [`NotBegun`]: the bench file, the time-lapse, another run at this station, or the disk.
    pub fn new(request: &Request) -> Result<Self, NotBegun> {
        let file_name = request.bench_file.display().to_string();
        let spec = config::read(&file_name, &request.bench_text).map_err(NotBegun::BenchFile)?;
        let lapse = request.lapse;
        check_lapse(lapse, &spec).map_err(NotBegun::Other)?;
        let earlier_run = match &request.wish {
            Wish::Drive(_) => None,
            Wish::PutBack { run, .. } => Some(PutBack::of(run, &spec)?),
        };
        let kept = match &earlier_run {
            None => kept::read(&request.bench_file, &spec)?,
            Some(earlier) => earlier.kept.clone(),
        };
        let profile = match &earlier_run {
            None => profiles::named_by(&request.bench_file, &spec)?,
            Some(earlier) => earlier.profile.clone(),
        };
        let key = endpoint_key(&spec);
        let lock = EndpointLock::take(&request.state_folder, &key)
            .map_err(|error| NotBegun::Other(Reason::new(error.cause(), error.to_string())))?;
        let records = records_of(request, &spec)?;
        let Earlier { unfinished, passed_over } =
            earlier::look(&RealDisk, &records, &spec).map_err(NotBegun::Other)?;
        let mut pending = unfinished.as_ref().map_or_else(Vec::new, Unfinished::for_plan);
        let mut purpose = match &request.wish {
            Wish::Drive(purpose) => purpose.clone(),
            Wish::PutBack { .. } => Purpose::Calibrate,
        };
        if let (Some(earlier), Wish::PutBack { write, .. }) = (&earlier_run, &request.wish) {
            pending = if *write { earlier.pending(pending) } else { Vec::new() };
            purpose = Purpose::PutBack { values: earlier.values.clone(), write: *write };
        }
        let run_id = uuid::Uuid::now_v7().to_string();
        let sensor_used = request.sensor_used;
        let mut plan = RunPlan { purpose, sensor_used, ..plan(spec.clone(), lapse, pending, kept) };
        if let Some(text) = &profile {
            plan.profile = text.profile().map_err(NotBegun::BenchFile)?;
        }
        let header = header(request, &file_name, &spec, &run_id, key, &plan, profile);
        let folder = records.join(folder_name(&header));
        if request.unattended {
            may_be_alone(&records, &spec)?;
        }
        enough_room(&records, spec.least_free_bytes)?;
        let mut recorder = Recorder::create(Box::new(RealDisk), &folder, &header)
            .map_err(|error| NotBegun::Other(Reason::new(error.cause(), error.to_string())))?;
        recorder.watch_room(spec.least_free_bytes);
        let watchman = request
            .watchman
            .clone()
            .map(|program| (program, brief(file_name, request.bench_text.clone(), folder, &spec)));
        Ok(Self {
            watchman,
            plan,
            person: Person::new(Status::before(&run_id, &spec.engine.name, lapse.factor())),
            signals: request.signals,
            spec,
            lapse,
            run_id,
            recorder,
            unfinished,
            passed_over,
            lock,
            attended: (!request.unattended).then_some(records),
            goes_on: None,
        })
    }

    /// What it is for.
    #[must_use]
    pub fn purpose(&self) -> &Purpose {
        &self.plan.purpose
    }

    /// How much faster bench time passes.
    #[must_use]
    pub fn lapse(&self) -> TimeLapse {
        self.lapse
    }

    /// The bench.
    #[must_use]
    pub fn spec(&self) -> &BenchSpec {
        &self.spec
    }

    /// Id of the run.
    #[must_use]
    pub fn run_id(&self) -> &str {
        &self.run_id
    }

    /// Where the record lies.
    #[must_use]
    pub fn folder(&self) -> &Path {
        self.recorder.folder()
    }

    /// What an earlier run of this engine left undone.
    #[must_use]
    pub fn unfinished(&self) -> Option<&Unfinished> {
        self.unfinished.as_ref()
    }

    /// Journals in the record folder that cannot be read; they are of other engines.
    #[must_use]
    pub fn passed_over(&self) -> &[Reason] {
        &self.passed_over
    }

    /// A way in for whoever asks the person.
    #[must_use]
    pub fn way_in(&self) -> WayIn {
        self.person.way_in()
    }

    /// Carries the run out, to its end.
    ///
    /// # Errors
    /// [`NotBegun`] when the system gives no thread or signal handler.
    pub async fn carry_out(self, mut audience: Box<dyn Audience>) -> Result<Concluded, NotBegun> {
        let folder = self.recorder.folder().to_owned();
        let control = match ControlSocket::open(&folder) {
            Ok(socket) => Some(socket),
            Err(error) => {
                let words = format!("This run has no control socket ({error}); Ctrl-C and stop still work.");
                audience.hear(&super::news::News::Said(words));
                None
            }
        };
        let watched = self.watchman.map(|(program, brief)| Watched::start(&program, &brief)).transpose();
        let watched = watched.map_err(|error| {
            NotBegun::Other(Reason::new(&program::SYSTEM_REFUSED, format!("no watchman: {error}")))
        })?;
        let begin = self.goes_on.unwrap_or_else(|| GoesOn::from_the_start(&self.plan));
        let clock = Clock::start_at(begin.at, self.lapse);
        let inherited = self.plan.pending.clone();
        let damage = self.unfinished.as_ref().map_or(&[][..], |left| &left.damage);
        let beside = damage.iter().map(ReadError::reason).collect();
        let job = live::Job {
            connect_limit: self
                .lapse
                .wall_span(self.plan.spec.station.answer_limit)
                .mul_f64(IN_TIME)
                .max(LINK_FLOOR),
            station: self.plan.spec.station.link.clone(),
            sensor: self.plan.spec.sensor.link.clone(),
            core: *begin.desk,
            first: begin.away.map_or(Input::Wake, resume::told),
            records: begin.records,
            clock,
            scribe: Box::new(RecorderScribe(self.recorder)),
            audience,
            watched,
            person: self.person,
            control,
            signals: self.signals,
        };
        // Boxed: it is large, and lives as long as the run.
        let mut ended = Box::pin(live::run(job))
            .await
            .map_err(|error| NotBegun::Other(Reason::new(&program::SYSTEM_REFUSED, error.to_string())))?;
        let out_of_hand = match ended.end {
            LoopEnd::Outcome(outcome) => Ok(*outcome),
            LoopEnd::CoreFailed(why) => Err((End::Halted, &record::PANIC_IN_TASK, format!("{why}; "))),
            LoopEnd::Insisted => Err((End::Interrupted, &program::ENDED_OUT_OF_HAND, String::new())),
        };
        let outcome = match out_of_hand {
            Ok(outcome) => outcome,
            Err((end, cause, why)) => {
                ended.rest.make_way().await;
                let halted = ended.rest.watched(halt_bench(&self.spec)).await;
                let reason = Reason::new(cause, format!("{why}{}", halted.words()));
                let (records, seconds) = (&ended.cv_records, ended.bench_seconds);
                out_of_order(&self.spec, end, reason, &halted, &inherited, records, seconds)
            }
        };
        prove(self.attended.as_deref(), &self.spec, &outcome, &folder);
        ended.rest.tidy_up().await;
        let wall_seconds = clock.wall().as_secs_f64();
        Ok(Concluded {
            outcome,
            beside,
            wall_seconds,
            folder,
            journal: ended.journal,
            engine: self.spec.engine.name.clone(),
            alert: self.spec.alert.clone(),
            _lock: self.lock,
        })
    }
}

/// A run that has ended; its record waits for the result.
pub struct Concluded {
    /// How it ended.
    pub outcome: RunOutcome,
    /// What the result must say beside the reasons of the run: damage in the journal of an earlier one.
    pub beside: Vec<Reason>,
    /// Wall time it took, seconds.
    pub wall_seconds: f64,
    /// Where the record lies.
    pub folder: PathBuf,
    journal: Journaling,
    engine: String,
    alert: AlertSpec,
    _lock: EndpointLock,
}

impl Concluded {
    /// Writes the result into the run folder and closes the record.
    ///
    /// # Errors
    /// What could not be written, as a reason.
    pub async fn seal(self, result: String) -> Result<(), Reason> {
        self.journal.finish(result, SEALING).await.map_err(|trouble| match trouble {
            JournalTrouble::Lagging => Reason::new(&record::DISK_LAGGING, "while writing the result"),
            JournalTrouble::Full => Reason::new(&record::DISK_FULL, "while writing the result"),
            JournalTrouble::NearlyFull(_) => {
                Reason::new(&record::DISK_NEARLY_FULL, "while writing the result")
            }
            JournalTrouble::Failed(words) => Reason::new(&record::DISK_FAILED, words),
        })
    }

    /// What somebody is to be told of this result, once the record is closed.
    #[must_use]
    pub fn alert(&self, result: &str) -> Alert {
        let message = Message::of(&self.outcome, &self.engine, &self.folder, result.to_owned());
        Alert { spec: self.alert.clone(), message }
    }
}

/// Refuses a time-lapse where a link may leave this computer. A port that is none at all is said to be so first: that the
/// bench is a real one would lead astray.
fn check_lapse(lapse: TimeLapse, spec: &BenchSpec) -> Result<(), Reason> {
    let refused = match lapse.check(spec) {
        Ok(()) => return Ok(()),
        Err(error) => Reason::new(&program::TIME_LAPSE_REFUSED, error.to_string()),
    };
    let no_port = [&spec.station.link, &spec.sensor.link].into_iter().find_map(|link| match link {
        LinkSpec::Serial { device, .. } if !stays_here(link) => no_port(device),
        _ => None,
    });
    Err(no_port.unwrap_or(refused))
}

/// What the watchman is told.
fn brief(bench_file: String, bench_text: String, folder: PathBuf, spec: &BenchSpec) -> Brief {
    Brief {
        bench_file,
        bench_text,
        folder,
        process: std::process::id(),
        silence_ms: u64::try_from(spec.limits.program_silence.as_millis()).unwrap_or(u64::MAX),
    }
}

/// Where the record goes, and where earlier runs of the engine lie.
fn records_of(request: &Request, spec: &BenchSpec) -> Result<PathBuf, NotBegun> {
    Ok(match &request.wish {
        // Where the next run of this engine looks, so that it finishes what this one may leave.
        Wish::Drive(_) | Wish::PutBack { elsewhere: true, .. } => {
            record_folder(&request.bench_file, &spec.record_folder)
        }
        Wish::PutBack { run, .. } => match bench_file(run) {
            Some(begun_with) => record_folder(&begun_with, &spec.record_folder),
            None => beside(run)?,
        },
    })
}

/// A disk that is nearly full is said before anything moves.
fn enough_room(records: &Path, least_bytes: u64) -> Result<(), NotBegun> {
    let Some(left) = RealDisk.room(records).filter(|left| *left < least_bytes) else { return Ok(()) };
    let mega = |bytes: u64| bytes as f64 / 1e6;
    let evidence = format!("{:.0} MB are left, {:.0} MB are asked for", mega(left), mega(least_bytes));
    Err(NotBegun::Other(Reason::new(&record::DISK_NEARLY_FULL, evidence)))
}

/// Where the runs of a bench file lie.
#[must_use]
pub fn record_folder(bench_file: &Path, folder: &str) -> PathBuf {
    bench_file.parent().unwrap_or(Path::new("")).join(folder)
}

fn header(
    request: &Request,
    file_name: &str,
    spec: &BenchSpec,
    run_id: &str,
    endpoint_key: String,
    plan: &RunPlan,
    profile: Option<ProfileText>,
) -> Header {
    let started = jiff::Timestamp::try_from(time_of_day()).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    Header {
        run_id: run_id.to_owned(),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        core_revision: CORE_REVISION,
        bench_file_name: file_name.to_owned(),
        bench_text: request.bench_text.clone(),
        pending: plan.pending.clone(),
        kept: plan.kept.clone(),
        profile,
        purpose: plan.purpose.clone(),
        sensor_used_s: plan.sensor_used.as_secs(),
        time_lapse: request.lapse.factor(),
        started_wall: started.to_string(),
        endpoint_key,
        engine_address: spec.engine.address,
        engine_name: spec.engine.name.clone(),
    }
}

/// When, which engine, and enough of the run's id to be unique: `2026-11-24T22-36-05Z-lapwing-5f3c09aa`.
fn folder_name(header: &Header) -> String {
    let when: String = header.started_wall.chars().take(19).map(|c| if c == ':' { '-' } else { c }).collect();
    let engine: String = header
        .engine_name
        .chars()
        .take(24)
        .map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' })
        .collect();
    let random = header.run_id.rsplit('-').next().unwrap_or_default();
    format!("{when}Z-{engine}-{random}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio_serial::{SerialPort, SerialStream};

    #[test]
    fn with_a_time_lapse_a_port_that_is_none_is_said_to_be_so() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("notes.txt");
        std::fs::write(&file, "x").unwrap();
        let mut spec = config::read("bench.toml", include_str!("../../scenarios/lapwing.toml")).unwrap();
        let mut refused = |device: &Path| {
            spec.sensor.link = LinkSpec::Serial { device: device.display().to_string(), baud: 115_200 };
            check_lapse(TimeLapse::new(60.0).unwrap(), &spec).unwrap_err()
        };
        for (device, code) in [
            (folder.path().join("ttyUSB9").as_path(), "serial-port-missing"),
            (Path::new("/dev/null"), "not-a-serial-port"),
            (folder.path(), "not-a-serial-port"),
            (&file, "not-a-serial-port"),
        ] {
            let reason = refused(device);
            assert_eq!(reason.code, code, "{}", reason.evidence);
            assert!(reason.evidence.contains(&*device.to_string_lossy()), "{}", reason.evidence);
        }
        spec.sensor.link = LinkSpec::tcp("192.0.2.1:4311");
        let reason = check_lapse(TimeLapse::new(60.0).unwrap(), &spec).unwrap_err();
        assert_eq!(reason.code, "time-lapse-refused");
        assert!(check_lapse(TimeLapse::NONE, &spec).is_ok());
    }

    #[tokio::test]
    async fn two_names_of_one_port_are_one_station() {
        let (_far, near) = SerialStream::pair().unwrap();
        let real = near.name().unwrap();
        let folder = tempfile::tempdir().unwrap();
        let by_id = folder.path().join("by-id");
        std::os::unix::fs::symlink(&real, &by_id).unwrap();
        let mut spec = config::read("bench.toml", include_str!("../../scenarios/lapwing.toml")).unwrap();
        let mut key = |device: &str, baud| {
            spec.station.link = LinkSpec::Serial { device: device.to_owned(), baud };
            endpoint_key(&spec)
        };
        let expected = format!("{real} bus 1");
        assert_eq!(key(&real, 115_200), expected);
        assert_eq!(key(&by_id.display().to_string(), 9_600), expected);
        assert_eq!(key("/dev/not-plugged-in", 9_600), "/dev/not-plugged-in bus 1");
    }
}
