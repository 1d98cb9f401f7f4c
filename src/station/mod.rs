//! The station contract: what a command station can be asked, and how the answer comes back.
//!
//! An adapter is a pure machine: link happenings and time go in; bytes to send, outcomes and the next wake-up
//! come out. It may not know sockets, tokio or the run. Nothing here may depend on our own simulator.
//!
//! Ends of an order: *done*, *refused* (the station said no), *unknown* (nobody can say whether it was carried out).
use crate::time::BenchTime;
use serde::{Deserialize, Serialize};

pub mod srcp;

/// One of the up to three connections an adapter holds with its station, or the extra one opened for a stop. Over a link
/// that carries one only, [`Session::Drive`] is it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Session {
    /// Speed, power, lock.
    Drive,
    /// Configuration variables.
    Programming,
    /// What the station tells unasked.
    Information,
    /// Opened only to carry a stop past a session that does not answer.
    Rescue,
}

/// Direction of travel as ordered: with the decoder's forward or against it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// The decoder's forward.
    Forward,
    /// The decoder's reverse.
    Reverse,
}

impl Direction {
    /// Both directions, forward first.
    pub const BOTH: [Self; 2] = [Self::Forward, Self::Reverse];

    /// The other direction.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::Forward => Self::Reverse,
            Self::Reverse => Self::Forward,
        }
    }
}

/// A drive setting: a value of a range. `value` 0 stands still, `value` = `of` is the top step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Setting {
    /// The step, at most `of`.
    pub value: u16,
    /// Number of moving steps of the step mode: 28 or 126.
    pub of: u16,
}

impl Setting {
    /// `value` as a fraction of the range, 0 to 1.
    #[must_use]
    pub fn ratio(self) -> f64 {
        f64::from(self.value) / f64::from(self.of.max(1))
    }
}

/// Where a CV is reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CvPlace {
    /// Service mode on the programming output: every decoder there listens.
    ProgrammingTrack,
    /// On the main, to the engine's address: no acknowledgement.
    Main,
}

/// What the station is asked to do.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Action {
    /// Open the sessions, greet, find out the abilities. First order of a run; again after a loss.
    Attach,
    /// Take the engine: announce it in its step mode, lock it where locks are offered (and keep the lock renewed).
    TakeEngine,
    /// Give the engine back.
    ReleaseEngine,
    /// Track power on.
    PowerOn,
    /// Track power off. Sent on every session that lives and on a fresh one.
    PowerOff,
    /// Ask for the power state; the answer comes as [`StationEvent::Power`] as well.
    AskPower,
    /// Drive the engine; functions are sent as last set.
    Drive {
        /// The setting.
        setting: Setting,
        /// Where to.
        direction: Direction,
    },
    /// Set the functions, F0 first; functions beyond the list are off.
    Functions {
        /// On or off, F0 first.
        on: Vec<bool>,
    },
    /// Speed zero, at once: behind the outstanding order and on a fresh session. Done when either says so. Where the link
    /// carries one session only, the fresh one comes when that fails.
    Stop,
    /// Emergency stop, sent as [`Action::Stop`] is.
    EmergencyStop,
    /// Ask how the engine is set; the answer comes as [`StationEvent::Engine`] as well.
    AskEngine,
    /// Enter programming.
    BeginProgramming,
    /// Leave programming.
    EndProgramming,
    /// Read a CV; the outcome carries its value.
    ReadCv {
        /// Where.
        place: CvPlace,
        /// Number, 1 to 1024.
        cv: u16,
    },
    /// Write a CV. CV 7 and CV 8 are refused by construction.
    WriteCv {
        /// Where.
        place: CvPlace,
        /// Number, 1 to 1024.
        cv: u16,
        /// The new value.
        value: u8,
    },
    /// Ask whether a CV holds this value. Refused means "it does not, or nobody answered".
    VerifyCv {
        /// Where.
        place: CvPlace,
        /// Number, 1 to 1024.
        cv: u16,
        /// The value expected.
        value: u8,
    },
}

/// Number of an order, given by the run, rising.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct OrderId(pub u64);

/// How an order ended.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum OrderEnd {
    /// Carried out. `value` only where something was read.
    Done {
        /// The CV value read.
        value: Option<u8>,
    },
    /// The station said no, or the order was not sent at all.
    Refused {
        /// The station's own code, as text; or, where nothing was sent, a word: `superseded` (a stop came first),
        /// `not-sent`, `not-offered`, `never-written`, `cv-range`, `setting-range`, `engine-not-taken`, `busy`, or the
        /// code of a cause (`station-unreachable`, `station-silent`, `station-not-srcp`, `station-version`,
        /// `station-no-engines`, `line-gibberish`, `session-lost`, or one of [`crate::cause::link`]).
        code: String,
        /// The station's own words.
        words: String,
    },
    /// No answer in time, or the session was lost: it may have been carried out or not.
    Unknown {
        /// What is known. May begin with the code of a cause and a colon ([`crate::cause::told`] takes it apart).
        why: String,
    },
}

/// What a station can do; asked for, never assumed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[expect(clippy::struct_excessive_bools, reason = "each ability is an independent yes or no")]
pub struct Abilities {
    /// Track power can be switched and is reported.
    pub power: bool,
    /// Engines can be locked.
    pub lock: bool,
    /// A programming track can be written and read.
    pub programming_track: bool,
    /// CVs can be written on the main.
    pub programming_on_main: bool,
    /// Changes are told unasked.
    pub information: bool,
}

/// What the adapter tells the run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StationEvent {
    /// Attached: abilities and the server's own greeting (for the record only).
    Attached {
        /// What the station offers.
        abilities: Abilities,
        /// The greeting as received.
        greeting: String,
    },
    /// An order ended.
    Ended {
        /// Which.
        order: OrderId,
        /// How.
        end: OrderEnd,
    },
    /// Track power, as said by the station.
    Power {
        /// On or off.
        on: bool,
        /// Free words behind it.
        words: String,
        /// Part of a first dump: a level, not an edge.
        level: bool,
    },
    /// How our engine is set, as said by the station. `ratio` is of the top, 0 to 1.
    Engine {
        /// Speed ratio.
        ratio: f64,
        /// Direction; none while an emergency stop is reported.
        direction: Option<Direction>,
        /// Part of a first dump: a level, not an edge.
        level: bool,
    },
    /// Another session holds the lock of our engine.
    LockedByAnother {
        /// What was said.
        words: String,
    },
    /// A session was lost (closed, or condemned after a time-out).
    SessionLost {
        /// Which.
        session: Session,
        /// Why, as with [`OrderEnd::Unknown`]: the code of a cause first.
        why: String,
    },
    /// A line that makes no sense; counted, quoted (shortened), and otherwise skipped.
    Oddity {
        /// Which session.
        session: Session,
        /// What came.
        line: String,
    },
}

/// What happens to a link, as the shell tells it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LinkEvent<'a> {
    /// The connection is open.
    Opened,
    /// Bytes arrived.
    Bytes(&'a [u8]),
    /// The connection ended or could not be opened; why, for the evidence.
    Closed(&'a str),
}

/// What the shell is asked to do with a link.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LinkOrder {
    /// Open a connection for this session (the shell knows the endpoint). Whatever was open or being opened for it
    /// before is gone.
    Open(Session),
    /// Send these bytes now.
    Send(Session, Vec<u8>),
    /// Close it, or give up opening it. From here on the shell hands in no event of that connection any more, not even
    /// its end: a late byte or a late `Closed` would be taken for one of the next connection.
    Close(Session),
}

/// An adapter as a machine.
///
/// After each call of `handle_*` or `submit`, ask `poll_link`, `poll_event` until they return nothing and
/// `next_wake` once. A needless `handle_wake` does nothing, by contract.
pub trait StationMachine: Send + std::fmt::Debug {
    /// Something happened to a session's link.
    fn handle_link(&mut self, at: BenchTime, session: Session, event: LinkEvent<'_>);
    /// Time has passed.
    fn handle_wake(&mut self, at: BenchTime);
    /// Take an order. Every order ends in exactly one [`StationEvent::Ended`], within its time limit.
    fn submit(&mut self, at: BenchTime, order: OrderId, action: &Action);
    /// The next thing to do with a link.
    #[must_use]
    fn poll_link(&mut self) -> Option<LinkOrder>;
    /// The next event for the run.
    #[must_use]
    fn poll_event(&mut self) -> Option<StationEvent>;
    /// When `handle_wake` is wanted next.
    #[must_use]
    fn next_wake(&self) -> Option<BenchTime>;
}
