//! One exchange: a command line, and whether a reply answers it (`standards/srcp.md` A3 to A7).
//!
//! A reply that does not fit what was asked is never taken as the answer. Never sent, by construction: `V_max` 0,
//! CHECK and RESET (A10 no. 21).
use super::SrcpSetup;
use super::reply::{EngineLine, Reply, power_of};
use crate::dcc::Address;
use crate::station::{CvPlace, Direction};

/// How the engine is set: drive mode, V and `V_max` of a GL line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Throttle {
    /// Emergency stop (drive mode 2).
    pub(super) emergency: bool,
    /// Direction (drive modes 0 and 1).
    pub(super) direction: Direction,
    /// V.
    pub(super) value: u16,
    /// `V_max`, never 0.
    pub(super) of: u16,
}

/// What is asked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Ask {
    /// Which device groups the bus carries.
    Description,
    /// Announce the power switch.
    InitPower,
    /// Power on.
    PowerOn,
    /// Power off.
    PowerOff,
    /// Power state.
    PowerState,
    /// Announce the engine.
    InitEngine,
    /// Engine setting.
    EngineState,
    /// Give the engine back.
    TermEngine,
    /// Set the engine.
    Set(Throttle),
    /// Take these functions over and set the engine as it was set last.
    Functions(Vec<bool>),
    /// Lock the engine for a time, or renew the lock.
    Lock,
    /// Release the lock.
    Unlock,
    /// Begin programming.
    InitProgramming,
    /// End programming.
    TermProgramming,
    /// Read a CV on the programming track.
    ReadCv(u16),
    /// Write a CV.
    WriteCv(CvPlace, u16, u8),
    /// Compare a CV on the programming track.
    VerifyCv(u16, u8),
}

/// What a fitting reply told.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Found {
    /// Just yes.
    Nothing,
    /// Device groups of the bus.
    Groups(Vec<String>),
    /// Power state and free words.
    Power(bool, String),
    /// Engine setting.
    Engine(EngineLine),
    /// A CV value.
    Cv(u8),
}

/// What a reply means for what was asked.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Verdict {
    /// It answers it.
    Yes(Found),
    /// The station says no.
    No {
        /// Three digits.
        code: u16,
        /// Its words.
        words: String,
    },
    /// It does not belong to what was asked.
    Odd,
}

impl Ask {
    /// The command line, without its end. `functions`: as last ordered, F0 first.
    pub(super) fn line(&self, setup: &SrcpSetup, throttle: Throttle, functions: &[bool]) -> String {
        let (bus, address) = (setup.bus, setup.address.number());
        match self {
            Self::Description => format!("GET {bus} DESCRIPTION"),
            Self::InitPower => format!("INIT {bus} POWER"),
            Self::PowerOn => format!("SET {bus} POWER ON"),
            Self::PowerOff => format!("SET {bus} POWER OFF"),
            Self::PowerState => format!("GET {bus} POWER"),
            Self::InitEngine => init_engine(setup),
            Self::EngineState => format!("GET {bus} GL {address}"),
            Self::TermEngine => format!("TERM {bus} GL {address}"),
            Self::Set(throttle) => set_engine(setup, *throttle, functions),
            Self::Functions(_) => set_engine(setup, throttle, functions),
            Self::Lock => format!("SET {bus} LOCK GL {address} {}", setup.lock_seconds()),
            Self::Unlock => format!("TERM {bus} LOCK GL {address}"),
            Self::InitProgramming => format!("INIT {bus} SM NMRA"),
            Self::TermProgramming => format!("TERM {bus} SM"),
            Self::ReadCv(cv) => format!("GET {bus} SM -1 CV {cv}"),
            Self::WriteCv(place, cv, value) => {
                format!("SET {bus} SM {} CV {cv} {value}", sm_address(*place, address))
            }
            Self::VerifyCv(cv, value) => format!("VERIFY {bus} SM -1 CV {cv} {value}"),
        }
    }

    /// Whether it changes what the track does, so that an information line may be its echo.
    pub(super) fn changes(&self) -> bool {
        matches!(self, Self::Set(_) | Self::Functions(_) | Self::PowerOn | Self::PowerOff)
    }

    /// Whether it is answered at the pace of programming.
    pub(super) fn is_programming(&self) -> bool {
        matches!(
            self,
            Self::InitProgramming
                | Self::TermProgramming
                | Self::ReadCv(_)
                | Self::WriteCv(..)
                | Self::VerifyCv(..)
        )
    }

    /// Whether `reply` answers this.
    pub(super) fn judge(&self, setup: &SrcpSetup, reply: &Reply<'_>) -> Verdict {
        if reply.is_refusal() {
            return Verdict::No { code: reply.code, words: reply.text() };
        }
        let found = match self {
            Self::Description | Self::PowerState | Self::EngineState | Self::ReadCv(_) => {
                self.found(setup, reply)
            }
            _ => reply.is_ok().then_some(Found::Nothing),
        };
        found.map_or(Verdict::Odd, Verdict::Yes)
    }

    /// The value in an information line, if it is about what was asked.
    fn found(&self, setup: &SrcpSetup, reply: &Reply<'_>) -> Option<Found> {
        let (bus, group, rest) = reply.is_value().then(|| reply.device())??;
        if bus != setup.bus {
            return None;
        }
        match (self, group) {
            (Self::Description, "DESCRIPTION") => {
                Some(Found::Groups(rest.iter().map(|&word| word.to_owned()).collect()))
            }
            (Self::PowerState, "POWER") => power_of(rest).map(|(on, words)| Found::Power(on, words)),
            (Self::EngineState, "GL") if reply.code == 100 => EngineLine::parse(rest, setup.step_mode)
                .filter(|engine| engine.address == setup.address.number())
                .map(Found::Engine),
            (Self::ReadCv(cv), "SM") if reply.code == 100 => cv_value(rest, *cv).map(Found::Cv),
            _ => None,
        }
    }
}

/// The value in `<address> CV <cv> <value>`, if it is that of `cv` on the programming track (address -1 or 0).
fn cv_value(words: &[&str], cv: u16) -> Option<u8> {
    let [address, "CV", number, value] = words else { return None };
    let track = matches!(address.parse::<i32>(), Ok(-1 | 0));
    (track && number.parse() == Ok(cv)).then(|| value.parse().ok()).flatten()
}

/// -1 is the programming track; a positive address writes on the main (A10 no. 8).
fn sm_address(place: CvPlace, address: u16) -> String {
    match place {
        CvPlace::ProgrammingTrack => "-1".to_owned(),
        CvPlace::Main => address.to_string(),
    }
}

/// `N 1` is a short address, `N 2` a long one; 128 steps are 126 moving ones (A5, A10 no. 11).
fn init_engine(setup: &SrcpSetup) -> String {
    let version = match setup.address {
        Address::Short(_) => 1,
        Address::Long(_) => 2,
    };
    let steps = if setup.step_mode == 126 { 128 } else { setup.step_mode };
    format!("INIT {} GL {} N {version} {steps} {}", setup.bus, setup.address.number(), setup.functions)
}

fn set_engine(setup: &SrcpSetup, throttle: Throttle, functions: &[bool]) -> String {
    let mode = match (throttle.emergency, throttle.direction) {
        (true, _) => 2,
        (false, Direction::Forward) => 1,
        (false, Direction::Reverse) => 0,
    };
    let mut line =
        format!("SET {} GL {} {mode} {} {}", setup.bus, setup.address.number(), throttle.value, throttle.of);
    for &on in functions {
        line.push_str(if on { " 1" } else { " 0" });
    }
    line
}
