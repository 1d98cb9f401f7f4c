//! Records of the journal: what happened, in an order that can be read by a person and a program.
use super::input::{Answer, JournalTrouble, PersonAct, Question};
use super::outcome::{LowEnd, RunOutcome, SweepDrift, Warming};
use super::swept::SweepFound;
use crate::calibrate::{PlacingPart, TableFit, Verdict};
use crate::cause::Reason;
use crate::motion::{Measured, Response, SignalQuality};
use crate::sensor::{BrokenLine, Housekeeping};
use crate::station::{Action, CvPlace, Direction, OrderEnd, OrderId, Setting, StationEvent};
use crate::time::BenchTime;
use serde::{Deserialize, Serialize};

/// A record. Numbers rise by one from 1 within a run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Its number.
    pub n: u64,
    /// When.
    pub at: BenchTime,
    /// What.
    pub body: RecordBody,
}

/// How safe a record must be before the run goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Durability {
    /// Written when there is time.
    Behind,
    /// Written before what it announces is done, synced within a second.
    Written,
    /// On disk before what it announces is done.
    Synced,
}

/// Where a run stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PhaseName {
    /// Links, power, engine taken.
    LinkCheck,
    /// Originals of an earlier run go back.
    Settling,
    /// CVs are read and recorded.
    Snapshot,
    /// The decoder is made linear.
    Baseline,
    /// Running until steady.
    WarmUp,
    /// The engine's answer to a change of setting is learned.
    Learn,
    /// The engine is run in.
    RunningIn,
    /// The engine rolls slowly for a test of stopping.
    Rolling,
    /// Points are measured.
    Sweep,
    /// The engine is lifted off and put back, and one speed measured again.
    Placing,
    /// The table is computed.
    Fit,
    /// The table is written.
    Write,
    /// The result is measured.
    Verify,
    /// A link was lost: the engine is stopped and the link awaited.
    Recovering,
    /// Originals go back.
    Restore,
    /// Stopping for good.
    Stopping,
    /// Over.
    Ended,
}

/// Why a point was measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PointPurpose {
    /// First moves: sense of turning, linear response.
    Probe,
    /// Warm-up.
    WarmUp,
    /// Running in.
    RunIn,
    /// The curve.
    Sweep,
    /// The curve's anchor, measured again.
    Anchor,
    /// What another placing on the bench changes.
    Placing,
    /// Proof.
    Verify,
}

/// What a record says.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RecordBody {
    /// A phase begins.
    Phase(PhaseName),
    /// An order goes to the station.
    Ordered {
        /// Its number.
        order: OrderId,
        /// What.
        action: Action,
        /// It may make the engine go faster than it went.
        rising: bool,
    },
    /// An order ended.
    OrderEnded {
        /// Which.
        order: OrderId,
        /// How.
        end: OrderEnd,
    },
    /// The station told something.
    Station(StationEvent),
    /// What the sensor says of itself: once a minute at most, or when its battery changed.
    Housekeeping(Housekeeping),
    /// A sensor line could not be read (the first few of a kind; then only counted).
    BrokenLine(BrokenLine),
    /// A CV was read. None: it could not be read.
    CvRead {
        /// Where.
        place: CvPlace,
        /// Number.
        cv: u16,
        /// Value.
        value: Option<u8>,
    },
    /// A CV is going to be changed.
    CvIntention {
        /// Where.
        place: CvPlace,
        /// Number.
        cv: u16,
        /// Value before, where known.
        from: Option<u8>,
        /// Value wanted.
        to: u8,
    },
    /// A CV was changed; confirmed by reading back or by an acknowledged verify, or not confirmable.
    CvWritten {
        /// Number.
        cv: u16,
        /// Value.
        value: u8,
        /// Seen in the decoder.
        confirmed: bool,
    },
    /// A CV could not be changed.
    CvFailed {
        /// Number.
        cv: u16,
        /// Value wanted.
        value: u8,
        /// What the station said.
        why: String,
    },
    /// From here on an interrupted write is finished, not undone.
    Commit(TableFit),
    /// All originals are back in the decoder.
    OriginalsBack,
    /// A speed was measured.
    Point {
        /// Why.
        purpose: PointPurpose,
        /// Setting.
        setting: Setting,
        /// Direction.
        direction: Direction,
        /// The result.
        measured: Measured,
        /// The signal meanwhile.
        quality: Option<SignalQuality>,
    },
    /// The engine was run in.
    RanIn {
        /// First against last speed forward at the setting that was followed.
        forward: Option<Warming>,
        /// The same in reverse.
        reverse: Option<Warming>,
        /// How long, s.
        seconds: f64,
        /// Its speed had become steady.
        steady: bool,
    },
    /// The warm-up is over: cold against warm.
    Warmed {
        /// Forward.
        forward: Option<Warming>,
        /// Reverse.
        reverse: Option<Warming>,
        /// How long it took.
        seconds: f64,
    },
    /// The sweep is over.
    Swept {
        /// Points measured, forward and reverse.
        points: [u32; 2],
        /// The low end, forward and reverse.
        low_end: [LowEnd; 2],
        /// What the anchors showed.
        drift: Option<SweepDrift>,
    },
    /// The curves that the sweep gave, drift seen to: all that a later table needs of it.
    Curve(Box<SweepFound>),
    /// What lifting the engine off and putting it back changes.
    Placings(PlacingPart),
    /// How the engine answers a change of its setting was learned.
    Learned(Response),
    /// On a straight the engine was stopped to turn round.
    Turned {
        /// Where it stands, from the end that was left first, mm.
        place_mm: f64,
        /// How well that is known, mm.
        doubt_mm: f64,
        /// Speed before, mm/s.
        speed_mm_s: f64,
        /// Way from the order to standstill, mm.
        stopped_in_mm: f64,
    },
    /// A table was computed.
    Fitted {
        /// What will be written.
        fit: TableFit,
        /// Worst predicted deviation, percent of the target's top.
        predicted_worst_percent: f64,
    },
    /// A verify round was judged.
    Judged {
        /// Round, from 1.
        round: u32,
        /// Verdict.
        verdict: Verdict,
        /// Worst deviation, percent of the target's top.
        worst_percent: f64,
    },
    /// A question to the person.
    Asked {
        /// Its number.
        question: u32,
        /// What.
        what: Question,
    },
    /// A question that nobody answered is no longer asked.
    Withdrawn {
        /// Its number.
        question: u32,
    },
    /// An answer.
    Answered {
        /// Number of the question.
        question: u32,
        /// The answer.
        answer: Answer,
    },
    /// The person acted.
    Person(PersonAct),
    /// A guard or a check found something; said, not ending the run by itself.
    Noted(Reason),
    /// The reason why the run ends.
    Ending(Reason),
    /// The journal reported trouble.
    Journal(JournalTrouble),
    /// The result.
    Outcome(Box<RunOutcome>),
}

impl RecordBody {
    /// How safe this record must be before the run goes on.
    #[must_use]
    pub fn durability(&self) -> Durability {
        match self {
            Self::CvIntention { .. } | Self::Commit(_) => Durability::Synced,
            Self::Ordered { rising: true, .. } => Durability::Written,
            _ => Durability::Behind,
        }
    }
}
