//! The virtual bench: core, recorder and simulated bench on one virtual clock and a virtual disk. No sockets, no threads,
//! no wall time; an hour of bench time takes seconds, and the same setup gives the same bytes.
//!
//! It does what `live` does in the same order: an input is kept raw, handed to the core, and what the core wants is done
//! in its order. Faults strike at their bench time; a kill point ends the program after an input, as a crash does.
use super::resume::{take_up, told};
use crate::cause::Reason;
use crate::config::ProfileText;
use crate::journal::{DiskFault, RecorderError, VirtualDisk};
use crate::run::{Answer, Input, PersonAct, Question, Record, RunOutcome, RunPlan};
use crate::sim::{SimBench, SimFault, SimSpec};
use crate::station::Session;
use crate::time::BenchTime;
use play::Play;
use std::path::PathBuf;
use std::time::Duration;

mod play;

/// What goes wrong.
#[derive(Clone, Debug, PartialEq)]
pub enum Fault {
    /// On the simulated bench.
    Sim(SimFault),
    /// Every station session is cut, and no new one opens for this long.
    StationCut(Duration),
    /// Bytes to and from the station are lost for this long; connections stay open.
    StationSilent(Duration),
    /// What the station sends comes twice for this long.
    StationTwice(Duration),
    /// The n-th send to the station from now on (from 1) fails: its session breaks, and nothing of it arrives.
    SendFails(u64),
    /// The n-th piece that the station sends from now on (from 1) is lost; the connection stays open.
    ReplyLost(u64),
    /// The sensor link is cut, and does not open again for this long.
    SensorCut(Duration),
    /// Bytes of the sensor are lost for this long; the connection stays open.
    SensorSilent(Duration),
    /// These bytes come in place of the sensor's next ones.
    SensorNoise(Vec<u8>),
    /// The process does not run for this long.
    Gap(Duration),
    /// The person acts.
    Person(PersonAct),
    /// Anything else that the shell may tell the core.
    Told(Input),
    /// The disk has room for so many more bytes; none: it has room again.
    DiskRoom(Option<u64>),
    /// This goes wrong with the disk, its operations counted from now.
    Disk(DiskFault),
}

/// A bench to be played.
#[derive(Clone, Debug)]
pub struct VirtualBench {
    /// What the core is told.
    pub plan: RunPlan,
    /// The profile that the plan goes by, for the record.
    pub profile: Option<ProfileText>,
    /// The bench file's text, for the record.
    pub bench_text: String,
    /// The simulated bench. It keeps its state over a kill: hand it on from [`VirtualEnd::bench`].
    pub bench: SimBench,
    /// Bench time of the simulation when the run begins.
    pub began: BenchTime,
    /// The disk. It may hold earlier runs.
    pub disk: VirtualDisk,
    /// Folder of this run on it.
    pub folder: PathBuf,
    /// One way on every link.
    pub latency: Duration,
    /// The simulation is looked at this often: what it tells in between comes in one piece.
    pub batch: Duration,
    /// What goes wrong, and when.
    pub faults: Vec<(BenchTime, Fault)>,
    /// The program dies right after this many inputs.
    pub kill_at: Option<u64>,
    /// How the person answers, after five seconds; none: never.
    pub answers: fn(Question) -> Option<Answer>,
}

/// A moment of a virtual bench, for whoever looks on.
#[derive(Clone, Copy, Debug)]
pub struct Moment<'a> {
    /// Bench time of the run.
    pub now: BenchTime,
    /// Time of the simulation, which goes on from run to run.
    pub at: BenchTime,
    /// The simulated bench.
    pub bench: &'a SimBench,
    /// Every record so far.
    pub records: &'a [Record],
}

/// How it ended.
#[derive(Debug)]
pub struct VirtualEnd {
    /// The result; none where the run was killed or did not end in time.
    pub outcome: Option<RunOutcome>,
    /// Every record, those not on disk included.
    pub records: Vec<Record>,
    /// For each record, the number of the input (from 1) at which it was made: kill points.
    pub made_at: Vec<u64>,
    /// Everything sent to the station.
    pub sent: Vec<(BenchTime, Session, Vec<u8>)>,
    /// The disk.
    pub disk: VirtualDisk,
    /// Folder of the run on it.
    pub folder: PathBuf,
    /// The simulated bench, with its truth.
    pub bench: SimBench,
    /// Bench time of the simulation at the end.
    pub ended: BenchTime,
    /// Inputs handed to the core.
    pub inputs: u64,
    /// A [`Fault::SendFails`] or [`Fault::ReplyLost`] found its piece.
    pub piece_lost: bool,
    /// The core asked for wake-ups without end at one instant, or records could not be written as the core made them.
    pub broken: Option<String>,
}

/// The person of most tests: the front leads, everything is done when asked.
#[must_use]
pub fn willing(question: Question) -> Option<Answer> {
    question.answers().first().copied()
}

impl VirtualBench {
    /// A bench without faults on an empty disk.
    #[must_use]
    pub fn new(spec: SimSpec, plan: RunPlan, bench_text: &str) -> Self {
        Self {
            plan,
            profile: None,
            bench_text: bench_text.to_owned(),
            bench: SimBench::new(spec),
            began: BenchTime::ZERO,
            disk: VirtualDisk::new(),
            folder: PathBuf::from("/runs/1"),
            latency: Duration::from_millis(1),
            batch: Duration::from_millis(10),
            faults: Vec::new(),
            kill_at: None,
            answers: willing,
        }
    }

    /// Plays until the run has ended, is killed, or this much bench time has passed.
    ///
    /// # Errors
    /// When the record cannot be created: nothing was begun.
    pub fn run_to_end(self, limit: Duration) -> Result<VirtualEnd, RecorderError> {
        self.watched(limit, &mut |_| {})
    }

    /// Goes on with the run in its folder, whose program died so long ago; the simulated bench is as it has become since, and
    /// `began` its time now. Faults and the limit count from here.
    ///
    /// # Errors
    /// Why it cannot be gone on with.
    pub fn go_on(
        self,
        away: Duration,
        limit: Duration,
        look: &mut dyn FnMut(Moment<'_>),
    ) -> Result<VirtualEnd, Reason> {
        let taken = take_up(Box::new(self.disk.clone()), &self.folder)?;
        let mut play = Play::take_up(self, taken);
        let until = play.now + limit;
        play.feed(&told(away));
        while !play.over && play.now < until {
            play.step();
            look(play.moment());
        }
        Ok(play.end())
    }

    /// The same, with somebody who looks on after each thing that happened.
    ///
    /// # Errors
    /// As [`VirtualBench::run_to_end`].
    pub fn watched(
        self,
        limit: Duration,
        look: &mut dyn FnMut(Moment<'_>),
    ) -> Result<VirtualEnd, RecorderError> {
        let mut play = Play::begin(self)?;
        play.feed(&Input::Wake);
        while !play.over && play.now < BenchTime::ZERO + limit {
            play.step();
            look(play.moment());
        }
        Ok(play.end())
    }
}
