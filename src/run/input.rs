//! What goes into the desk and what comes out. Every input is an event of the one queue, written down for replay.
use super::margins::Margin;
use super::outcome::RunOutcome;
use super::record::{PhaseName, Record};
use super::swept::SweepFound;
use crate::calibrate::PlacingPart;
use crate::cause::Reason;
use crate::config::{BenchSpec, DecoderProfile};
use crate::motion::{FieldView, SignalQuality};
use crate::sensor::Housekeeping;
use crate::station::{Direction, LinkOrder, Session, Setting};
use serde::{Deserialize, Serialize};
use std::time::Duration;

/// All that a run is told before it begins. Together with the inputs it determines every order and the result.
#[derive(Clone, Debug, PartialEq)]
pub struct RunPlan {
    /// The bench.
    pub spec: BenchSpec,
    /// Original CV values (number, value) that an earlier run could not put back; they go back first,
    /// once the engine is seen to be the same. Those of CV 7 and CV 8 are never written: they say whose values these are.
    pub pending: Vec<(u16, u8)>,
    /// CV values (number, value) from a list that the person keeps: they stand in for what cannot be read.
    pub kept: Vec<(u16, u8)>,
    /// What is known of its kind of decoder.
    pub profile: DecoderProfile,
    /// What is to be done.
    pub purpose: Purpose,
    /// So much of the charge of the sensor's battery was used by earlier runs.
    pub sensor_used: Duration,
}

/// An engine's curves as an earlier run measured them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct KnownCurve {
    /// Id of that run.
    pub run_id: String,
    /// What its sweep found.
    pub found: SweepFound,
    /// What its placings showed.
    pub placing: Option<PlacingPart>,
    /// CVs (number, value) that the decoder must hold for these curves to be its own: identity and the linear baseline.
    pub held: Vec<(u16, u8)>,
}

/// What a run is for.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Purpose {
    /// The whole job.
    #[default]
    Calibrate,
    /// The sweep alone: the curves are measured, and the decoder is as it was afterwards.
    Sweep,
    /// The table that is in the decoder is measured; nothing is written.
    Check,
    /// The same in about three minutes: a short warm-up, three steps, and no table is read.
    Recheck,
    /// A new table from curves that an earlier run measured, without another sweep; then it is verified.
    Retarget(Box<KnownCurve>),
    /// The engine runs in both directions at changing speeds until its speed is steady; nothing is written.
    RunIn {
        /// Not over before, s.
        shortest_s: u32,
        /// Over at the latest, s.
        longest_s: u32,
        /// Steady when its speed changes by less than this part within an hour.
        steady_per_hour: f64,
    },
    /// The engine rolls slowly, so that stopping it can be tested; the decoder is not even read.
    Roll {
        /// It stops by itself after so long, s.
        seconds: u32,
    },
    /// The decoder is to hold again what it held before an earlier run. The engine is not moved.
    PutBack {
        /// CVs (number, value) as they were.
        values: Vec<(u16, u8)>,
        /// Write them; else what differs is told, and nothing is written.
        write: bool,
    },
}

impl Purpose {
    /// The whole job.
    #[must_use]
    pub fn is_calibrate(&self) -> bool {
        *self == Self::Calibrate
    }

    /// The engine is driven at its own address.
    #[must_use]
    pub fn drives(&self) -> bool {
        !matches!(self, Self::PutBack { .. })
    }

    /// The table that is in the decoder is measured.
    #[must_use]
    pub fn checks(&self) -> bool {
        matches!(self, Self::Check | Self::Recheck)
    }

    /// The decoder is made linear.
    #[must_use]
    pub fn changes_curve(&self) -> bool {
        matches!(self, Self::Calibrate | Self::Sweep)
    }
}

impl RunPlan {
    /// A bench, nothing left from an earlier run, no list, a decoder of which nothing is known.
    #[must_use]
    pub fn new(spec: BenchSpec) -> Self {
        Self {
            spec,
            pending: Vec::new(),
            kept: Vec::new(),
            profile: DecoderProfile::default(),
            purpose: Purpose::default(),
            sensor_used: Duration::ZERO,
        }
    }
}

/// An event for the core. Its bench time stands beside it.
#[derive(Clone, Debug, PartialEq)]
pub enum Input {
    /// The sensor link opened.
    SensorOpened,
    /// Bytes from the sensor.
    SensorBytes(Vec<u8>),
    /// The sensor link ended or could not be opened.
    SensorClosed(String),
    /// The sensor reader had to drop this many bytes: the running point is void.
    SensorDropped(u64),
    /// A station session opened.
    StationOpened(Session),
    /// Bytes from a station session.
    StationBytes(Session, Vec<u8>),
    /// A station session ended or could not be opened.
    StationClosed(Session, String),
    /// A wake-up that was asked for.
    Wake,
    /// The journal has written and synced its first so many records.
    Journal {
        /// Records handed to the operating system.
        written: u64,
        /// Records safe on disk.
        synced: u64,
    },
    /// The journal cannot keep up or cannot write.
    JournalTrouble(JournalTrouble),
    /// A task of the shell failed (a panic): stop.
    TaskFailed(String),
    /// The process that watches over this one ended; why.
    WatchmanGone(String),
    /// The person wants something.
    Person(PersonAct),
    /// The program had died, and goes on with this run. Nothing of its links is left.
    Resumed {
        /// Nanoseconds of bench time that nobody counted: the engine stood, or did what it was told last.
        away_nanos: u64,
    },
    /// The process did not run for this long (suspend, starvation).
    Gap {
        /// Nanoseconds of bench time.
        nanos: u64,
    },
}

/// What can be wrong with the journal.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum JournalTrouble {
    /// It lags by more than a second.
    Lagging,
    /// The disk is full.
    Full,
    /// Less room is left than the bench file asks for: so many bytes.
    NearlyFull(u64),
    /// Writing failed.
    Failed(String),
}

/// What the person asks of a running run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PersonAct {
    /// Stop the engine and wait.
    Pause,
    /// Go on after a pause.
    GoOn,
    /// End the run: stop, put originals back. A second one leaves the originals for the next start.
    Stop,
    /// Answer a question.
    Answer {
        /// Number of the question.
        question: u32,
        /// The answer.
        answer: Answer,
    },
}

/// Answers a question can take.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Answer {
    /// The front end leads.
    Front,
    /// The rear end leads.
    Rear,
    /// It is done (engine carried over).
    Done,
}

/// A question to the person; the run waits with the engine standing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Question {
    /// Which end led on the slow move just made?
    WhichEndLed,
    /// Put the engine on the programming output.
    MoveToProgramming,
    /// Put the engine back on the bench.
    MoveToBench,
    /// Is somebody there to lift the engine off and put it back?
    MayLift,
    /// Lift the engine off and put it back.
    PutBack,
    /// Put the engine on the start mark of its straight.
    PutOnMark,
}

/// Where a run stands just now, for people. Not written down.
#[derive(Clone, Debug, PartialEq)]
pub struct Progress {
    /// The phase.
    pub phase: PhaseName,
    /// What is ordered.
    pub ordered: Option<(Setting, Direction)>,
    /// Speed seen, mm/s, positive in the decoder's forward once that is known.
    pub speed_mm_s: Option<f64>,
    /// Part of the whole work done, 0 to 1.
    pub done: f64,
    /// Bench seconds left, estimated.
    pub left_s: f64,
    /// Waiting for the person (a pause or a question).
    pub waiting: bool,
    /// What the sensor last said of itself.
    pub housekeeping: Option<Housekeeping>,
    /// Why the run does not go on just now.
    pub held: Option<Held>,
    /// How far each guard is from tripping.
    pub margins: Vec<Margin>,
    /// The turning field, where the source is one.
    pub field: Option<FieldView>,
    /// How good its signal is.
    pub quality: Option<SignalQuality>,
}

/// Why a run does not go on just now.
#[derive(Clone, Debug, PartialEq)]
pub enum Held {
    /// The person wants a pause.
    Paused,
    /// A question is open.
    Asked,
    /// A guard holds it: a link is lost or what it tells is of no use.
    Link(Reason),
    /// The motor cools down.
    CoolsDown,
}

/// What the core wants done.
#[derive(Clone, Debug, PartialEq)]
pub enum Output {
    /// Open the sensor link (again).
    OpenSensor,
    /// Do this with a station session.
    Link(LinkOrder),
    /// Write this down; a record with durability above "behind" is answered by [`Input::Journal`].
    Record(Record),
    /// Show this.
    Progress(Box<Progress>),
    /// The run has ended; nothing more comes.
    Ended(Box<RunOutcome>),
}
