//! A run from its bench file to its end: checked, locked, recorded, driven, sealed.
use super::clock::{Clock, LINK_FLOOR, TimeLapse, time_of_day};
use super::control::ControlSocket;
use super::earlier::{self, Earlier};
use super::journaling::{Journaling, Scribe};
use super::kept;
use super::live::{self, LoopEnd};
use super::news::Audience;
use super::person::{Person, WayIn};
use super::rescue::{halt_bench, out_of_order};
use super::status::Status;
use crate::cause::{Reason, program, record};
use crate::config::{self, BenchSpec, Complaints, LinkSpec};
use crate::journal::{
    EndpointLock, FrameRef, Header, ReadError, RealDisk, Recorder, RecorderError, Unfinished,
};
use crate::run::desk::Desk;
use crate::run::{CORE_REVISION, End, Input, JournalTrouble, Record, RunOutcome, RunPlan};
use crate::station::Session;
use crate::time::BenchTime;
use std::net::ToSocketAddrs;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Wall time for the last records and the result to reach the disk.
const SEALING: Duration = Duration::from_secs(20);

/// What the caller knows before a run.
#[derive(Clone, Debug)]
pub struct Request {
    /// The bench file; a relative record folder is meant from where it lies.
    pub bench_file: PathBuf,
    /// Its text.
    pub bench_text: String,
    /// How much faster bench time passes.
    pub lapse: TimeLapse,
    /// Folder of the locks that keep two runs off one station.
    pub state_folder: PathBuf,
    /// Listen to the signals of the process.
    pub signals: bool,
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
/// The address stands in it as a number where its name can be resolved: `localhost` and `127.0.0.1` are one station.
#[must_use]
pub fn endpoint_key(spec: &BenchSpec) -> String {
    let LinkSpec::Tcp { address: written } = &spec.station.link else {
        return format!("{} bus {}", spec.station.link, spec.station.bus);
    };
    let numbers = written.to_socket_addrs().ok().and_then(Iterator::min);
    let station = numbers.map_or_else(|| written.to_lowercase(), |address| address.to_string());
    format!("{station} bus {}", spec.station.bus)
}

/// What the core is told for this bench: link limits stretched to the time-lapse, originals of an earlier run, and values from
/// the list that the person keeps.
#[must_use]
pub fn plan(spec: BenchSpec, lapse: TimeLapse, pending: Vec<(u16, u8)>, kept: Vec<(u16, u8)>) -> RunPlan {
    RunPlan { spec: lapse.stretch(spec), pending, kept }
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
    lock: EndpointLock,
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
        lapse
            .check(&spec)
            .map_err(|error| NotBegun::Other(Reason::new(&program::TIME_LAPSE_REFUSED, error.to_string())))?;
        let kept = kept::read(&request.bench_file, &spec)?;
        let key = endpoint_key(&spec);
        let lock = EndpointLock::take(&request.state_folder, &key)
            .map_err(|error| NotBegun::Other(Reason::new(error.cause(), error.to_string())))?;
        let records = record_folder(&request.bench_file, &spec.record_folder);
        let Earlier { unfinished, passed_over } =
            earlier::look(&RealDisk, &records, &spec).map_err(NotBegun::Other)?;
        let pending = unfinished.as_ref().map_or_else(Vec::new, Unfinished::for_plan);
        let run_id = uuid::Uuid::now_v7().to_string();
        let header = header(request, &file_name, &spec, &run_id, key, pending.clone(), kept.clone());
        let folder = records.join(folder_name(&header));
        let recorder = Recorder::create(Box::new(RealDisk), &folder, &header)
            .map_err(|error| NotBegun::Other(Reason::new(error.cause(), error.to_string())))?;
        Ok(Self {
            plan: plan(spec.clone(), lapse, pending, kept),
            person: Person::new(Status::before(&run_id, &spec.engine.name, lapse.factor())),
            signals: request.signals,
            spec,
            lapse,
            run_id,
            recorder,
            unfinished,
            passed_over,
            lock,
        })
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
        let clock = Clock::start(self.lapse);
        let inherited = self.plan.pending.clone();
        let damage = self.unfinished.as_ref().map_or(&[][..], |left| &left.damage);
        let beside = damage.iter().map(ReadError::reason).collect();
        let job = live::Job {
            connect_limit: self.lapse.wall_span(self.plan.spec.station.answer_limit).max(LINK_FLOOR),
            station: self.plan.spec.station.link.clone(),
            sensor: self.plan.spec.sensor.link.clone(),
            core: Desk::new(self.plan),
            clock,
            scribe: Box::new(RecorderScribe(self.recorder)),
            audience,
            person: self.person,
            control,
            signals: self.signals,
        };
        let ended = live::run(job)
            .await
            .map_err(|error| NotBegun::Other(Reason::new(&program::SYSTEM_REFUSED, error.to_string())))?;
        let outcome = match ended.end {
            LoopEnd::Outcome(outcome) => *outcome,
            LoopEnd::CoreFailed(why) => {
                let halted = halt_bench(&self.spec).await;
                let reason = Reason::new(&record::PANIC_IN_TASK, format!("{why}; {}", halted.words()));
                out_of_order(
                    &self.spec,
                    End::Halted,
                    reason,
                    &halted,
                    &inherited,
                    &ended.cv_records,
                    ended.bench_seconds,
                )
            }
            LoopEnd::Insisted => {
                let halted = halt_bench(&self.spec).await;
                let reason = Reason::new(&program::ENDED_OUT_OF_HAND, halted.words());
                out_of_order(
                    &self.spec,
                    End::Interrupted,
                    reason,
                    &halted,
                    &inherited,
                    &ended.cv_records,
                    ended.bench_seconds,
                )
            }
        };
        ended.rest.tidy_up().await;
        let wall_seconds = clock.wall().as_secs_f64();
        Ok(Concluded { outcome, beside, wall_seconds, folder, journal: ended.journal, _lock: self.lock })
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
            JournalTrouble::Failed(words) => Reason::new(&record::DISK_FAILED, words),
        })
    }
}

fn record_folder(bench_file: &Path, folder: &str) -> PathBuf {
    bench_file.parent().unwrap_or(Path::new("")).join(folder)
}

fn header(
    request: &Request,
    file_name: &str,
    spec: &BenchSpec,
    run_id: &str,
    endpoint_key: String,
    pending: Vec<(u16, u8)>,
    kept: Vec<(u16, u8)>,
) -> Header {
    let started = jiff::Timestamp::try_from(time_of_day()).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    Header {
        run_id: run_id.to_owned(),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        core_revision: CORE_REVISION,
        bench_file_name: file_name.to_owned(),
        bench_text: request.bench_text.clone(),
        pending,
        kept,
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

/// The recorder of a run folder as the journal thread uses it.
struct RecorderScribe(Recorder);

impl RecorderScribe {
    /// What the core must hear: the trouble kept aside by a call that still got through, or the call's own.
    fn heard(&mut self, done: Result<(), RecorderError>) -> Result<(), JournalTrouble> {
        let kept = self.0.take_trouble();
        done.map_err(|error| error.trouble()).and(kept.map_or(Ok(()), Err))
    }
}

impl Scribe for RecorderScribe {
    fn came(&mut self, at: BenchTime, input: &Input) -> Result<(), JournalTrouble> {
        let done = self.0.frame(at, FrameRef::In(input));
        self.heard(done)
    }

    fn sent(&mut self, at: BenchTime, session: Session, bytes: &[u8]) -> Result<(), JournalTrouble> {
        let done = self.0.frame(at, FrameRef::Sent(session, bytes));
        self.heard(done)
    }

    fn record(&mut self, record: &Record) -> Result<(), JournalTrouble> {
        let done = self.0.record(record);
        self.heard(done)
    }

    fn sync(&mut self) -> Result<(), JournalTrouble> {
        let flushed = self.0.flush_chunk();
        let done = flushed.and(self.0.sync());
        self.heard(done)
    }

    fn counts(&self) -> (u64, u64) {
        (self.0.written(), self.0.synced())
    }

    fn finish(&mut self, result: &str) -> Result<(), JournalTrouble> {
        let done = self.0.finish(result);
        self.heard(done)
    }
}
